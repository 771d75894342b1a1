//! Opens what is read as a recording or beside one.

use std::fs::{File, OpenOptions};
use std::io;
use std::path::Path;

/// Opens a file for reading and refuses what is no regular file: a pipe gives
/// nothing until somebody writes to it, and a device may never end.
pub(super) fn open_regular(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        // Without it the opening of a pipe waits for a writer. It means
        // nothing to a regular file.
        options.custom_flags(nix::fcntl::OFlag::O_NONBLOCK.bits());
    }
    let file = options.open(path)?;
    if file.metadata()?.is_file() {
        return Ok(file);
    }
    Err(io::Error::new(
        io::ErrorKind::InvalidInput,
        "it is a folder, a pipe or a device; a regular file is right",
    ))
}
