//! The state of a capture that runs, asked for from another terminal.

use std::io::{self, Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, TcpStream};
use std::time::{Duration, Instant};

use super::address::KeptAddress;
use crate::guidance::CaptureState;

/// How long an answer may take.
const PATIENCE: Duration = Duration::from_secs(3);
/// Longest answer, bytes.
const LONGEST: u64 = 16 * 1024 * 1024;

/// Why there is no state.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// Nobody answers, or not in time.
    #[error("nobody answers at {0}: {1}")]
    Nobody(SocketAddr, io::Error),
    /// Somebody else answers.
    #[error("what answers at {0} is not this run's capture: {1}")]
    Stranger(SocketAddr, String),
}

/// Asks the capture of a run for its state. Where it listens on every address of the
/// computer, this computer itself is asked.
///
/// # Errors
/// Where nobody answers, or somebody else.
pub fn read_state(kept: &KeptAddress) -> Result<CaptureState, ReadError> {
    let ip = match kept.address.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(ip) if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
        ip => ip,
    };
    let address = SocketAddr::new(ip, kept.address.port());
    let answer = ask(address, &kept.token).map_err(|error| ReadError::Nobody(address, error))?;
    let stranger = |what: &str| ReadError::Stranger(address, what.to_owned());
    let split = answer.windows(4).position(|four| four == b"\r\n\r\n");
    let (head, body) = answer.split_at(split.map_or(0, |at| at + 4));
    let head = String::from_utf8_lossy(head);
    let status = head.lines().next().unwrap_or_default();
    if !status.starts_with("HTTP/1.1 200 ") {
        return Err(stranger(status));
    }
    serde_json::from_slice(body).map_err(|error| stranger(&error.to_string()))
}

fn ask(address: SocketAddr, token: &str) -> io::Result<Vec<u8>> {
    let until = Instant::now() + PATIENCE;
    let mut stream = TcpStream::connect_timeout(&address, PATIENCE)?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let request = format!(
        "GET /state HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\
         Connection: close\r\n\r\n"
    );
    stream.write_all(request.as_bytes())?;
    let mut answer = Vec::new();
    let mut some = vec![0; 16 * 1024];
    loop {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() || answer.len() as u64 > LONGEST {
            return Err(io::ErrorKind::TimedOut.into());
        }
        stream.set_read_timeout(Some(left))?;
        match stream.read(&mut some)? {
            0 => return Ok(answer),
            count => answer.extend_from_slice(some.get(..count).unwrap_or_default()),
        }
    }
}
