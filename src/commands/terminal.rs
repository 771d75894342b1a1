//! The terminal: its width, and lines to standard output and error.

use std::borrow::Cow;
use std::fmt::Display;
use std::io::{self, Write as _};

use crate::report::html::is_hidden;

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
    let _ = writeln!(io::stderr(), "spanhold: {}", harmless(&line.to_string()));
}

/// An address on a line of its own, to standard error, for a person or a program.
pub fn address(url: &str) {
    let _ = writeln!(io::stderr(), "{}", harmless(url));
}

/// Results, to standard output. A reader that has seen enough (`| head`) is
/// no error.
pub fn print(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out
        .write_all(harmless(text).as_bytes())
        .and_then(|()| out.flush())
    {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Text that only shows: names of files and whatever else comes from outside
/// may hold sequences that move the cursor, or turn the direction of writing.
fn harmless(text: &str) -> Cow<'_, str> {
    let acts = |letter: char| is_hidden(letter) && letter != '\n' && letter != '\t';
    if text.contains(acts) {
        Cow::Owned(text.replace(acts, "\u{fffd}"))
    } else {
        Cow::Borrowed(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_would_act_on_the_terminal_is_shown_instead() {
        let hostile = "\u{1b}]0;owned\u{7}a\u{202e}fdp.exe\r\nline\ttab µ";
        assert_eq!(
            harmless(hostile),
            "\u{fffd}]0;owned\u{fffd}a\u{fffd}fdp.exe\u{fffd}\nline\ttab µ"
        );
        assert!(matches!(harmless("plain"), Cow::Borrowed("plain")));
    }
}
