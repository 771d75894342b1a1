//! A serial port to write to, in which nothing ever waits for longer than it
//! is told to: a pseudo terminal that nobody reads would hold a write for ever.
//! Touches the port.

use std::io;
use std::time::Duration;

use crate::ingest::serial::remedy;

/// An open port.
#[derive(Debug)]
pub struct Port {
    /// A second handle, opened so that a write takes what finds room.
    #[cfg(unix)]
    file: std::fs::File,
    /// Holds the line's settings, and keeps other programs away.
    line: Box<dyn serialport::SerialPort>,
}

impl Port {
    /// Opens `path`: 8 data bits, no parity, 1 stop bit, no flow control.
    pub fn open(path: &str, baud: u32) -> anyhow::Result<Self> {
        Self::try_open(path, baud)
            .map_err(|error| anyhow::anyhow!("{path}: cannot open: {error}{}", remedy(&error)))
    }

    fn try_open(path: &str, baud: u32) -> io::Result<Self> {
        // This one first: the other handle keeps every later one out.
        #[cfg(unix)]
        let file = {
            use nix::fcntl::OFlag;
            use std::os::unix::fs::OpenOptionsExt as _;
            std::fs::OpenOptions::new()
                .write(true)
                .custom_flags((OFlag::O_NONBLOCK | OFlag::O_NOCTTY).bits())
                .open(path)?
        };
        Ok(Self {
            #[cfg(unix)]
            file,
            line: serialport::new(path, baud).open()?,
        })
    }

    /// Writes what finds room, and waits for room `patience` at most; 0: none
    /// was found.
    #[cfg(unix)]
    pub fn write(&mut self, bytes: &[u8], patience: Duration) -> io::Result<usize> {
        use nix::errno::Errno;
        use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
        use std::io::Write as _;
        use std::os::fd::AsFd as _;

        let wait = PollTimeout::try_from(patience).unwrap_or(PollTimeout::MAX);
        let mut ready = [PollFd::new(self.file.as_fd(), PollFlags::POLLOUT)];
        match poll(&mut ready, wait) {
            Ok(0) | Err(Errno::EINTR) => return Ok(0),
            Ok(_) => {}
            Err(error) => return Err(error.into()),
        }
        match (&self.file).write(bytes) {
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(0),
            other => other,
        }
    }

    /// Writes what finds room, and waits for room `patience` at most; 0: none
    /// was found.
    #[cfg(not(unix))]
    pub fn write(&mut self, bytes: &[u8], patience: Duration) -> io::Result<usize> {
        use std::io::Write as _;
        self.line.set_timeout(patience)?;
        match self.line.write(bytes) {
            Err(error) if error.kind() == io::ErrorKind::TimedOut => Ok(0),
            other => other,
        }
    }

    /// Waits until the line has taken the last byte.
    pub fn drain(&mut self) -> io::Result<()> {
        use std::io::Write as _;
        self.line.flush()
    }
}

/// Whether a path leads to a pseudo terminal, for which a baud rate means
/// nothing.
pub fn is_pseudo_terminal(path: &str) -> bool {
    let real = std::fs::canonicalize(path).unwrap_or_else(|_| path.into());
    // Linux; macOS.
    real.starts_with("/dev/pts") || real.to_string_lossy().starts_with("/dev/ttys")
}
