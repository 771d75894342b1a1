//! The terminal: its width, and lines to standard output and error.

use std::fmt::Display;
use std::io::{self, Write as _};

/// Width for text that is not going to a terminal.
const PLAIN_WIDTH: usize = 120;

/// Columns of the terminal that standard output goes to; in a pipe a width
/// that does not depend on where the program was started.
pub fn width() -> usize {
    console::Term::stdout()
        .size_checked()
        .map_or(PLAIN_WIDTH, |(_, columns)| usize::from(columns).max(40))
}

/// A line for the person who watches, to standard error.
pub fn say(line: impl Display) {
    // Nothing is lost when nobody listens: results go elsewhere.
    let _ = writeln!(io::stderr(), "spanhold: {line}");
}

/// Results, to standard output. A reader that has seen enough (`| head`) is
/// no error.
pub fn print(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}
