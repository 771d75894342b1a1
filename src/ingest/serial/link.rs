//! What a reader reads from: a serial port, or a replacement in a test.

use std::io::{self, Read};
use std::time::Duration;

/// Longest time a read waits for a byte; it bounds how fast a stop is seen.
pub(super) const READ_TIMEOUT: Duration = Duration::from_millis(100);

/// Something that can be opened, and opened again after it was lost. Reads
/// must return within about `READ_TIMEOUT`, with `TimedOut` if nothing came.
pub trait Link: Send {
    /// Opens it.
    fn open(&mut self) -> io::Result<Box<dyn Read + Send>>;

    /// Its name, for messages.
    fn name(&self) -> &str;
}

/// A serial port.
#[derive(Debug, Clone)]
pub struct PortLink {
    /// Path of the port.
    pub port: String,
    /// Baud rate; without meaning on a USB device that has no UART behind it.
    pub baud: u32,
}

/// A port as a mere reader.
struct OpenPort(Box<dyn serialport::SerialPort>);

impl Read for OpenPort {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        self.0.read(bytes)
    }
}

impl Link for PortLink {
    fn open(&mut self) -> io::Result<Box<dyn Read + Send>> {
        // Without an explicit timeout every read returns at once.
        let port = serialport::new(&self.port, self.baud)
            .timeout(READ_TIMEOUT)
            .open()?;
        Ok(Box::new(OpenPort(port)))
    }

    fn name(&self) -> &str {
        &self.port
    }
}

/// What would be right when a port cannot be opened.
pub fn remedy(error: &io::Error) -> &'static str {
    let text = error.to_string().to_lowercase();
    if text.contains("busy") || text.contains("exclusive lock") {
        "; another program uses the port: close it"
    } else if error.kind() == io::ErrorKind::PermissionDenied {
        "; give this user the right to use the port (on most systems: membership of the group \
         'dialout')"
    } else if text.contains("typewriter") || text.contains("inappropriate ioctl") {
        "; that is no serial port: correct the path"
    } else if error.kind() == io::ErrorKind::NotFound || text.contains("no such") {
        "; plug the device in, or correct `port` in the setup (stable names are under \
         /dev/serial/by-id)"
    } else {
        ""
    }
}
