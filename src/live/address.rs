//! Where the page is: kept in the run folder, for restarts and for `spanhold status`.

use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};

use rand::RngExt as _;
use serde::{Deserialize, Serialize};

use super::access::Access;
use crate::ledger::PAGE_FILE;

/// What the run folder keeps of its page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptAddress {
    /// Where the page listens.
    pub address: SocketAddr,
    /// What lets a program or a person in.
    pub token: String,
}

/// Why the page cannot be shown where it was asked for.
#[derive(Debug, thiserror::Error)]
#[error(
    "--page {address}: cannot listen there: {error}; another address or port is right, or --no-page"
)]
pub struct AddressError {
    address: SocketAddr,
    error: io::Error,
}

impl KeptAddress {
    /// What a run folder keeps; `None` where it keeps nothing that can be read.
    pub fn read(folder: &Path) -> Option<Self> {
        serde_json::from_slice(&fs::read(folder.join(PAGE_FILE)).ok()?).ok()
    }

    /// Keeps it, for the eyes of this user alone.
    ///
    /// # Errors
    /// Where the folder cannot be written.
    pub fn keep(&self, folder: &Path) -> io::Result<()> {
        let path: PathBuf = folder.join(PAGE_FILE);
        let mut options = OpenOptions::new();
        options.write(true).create(true).truncate(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut file = options.open(path)?;
        let mut text = serde_json::to_vec_pretty(self)?;
        text.push(b'\n');
        file.write_all(&text)
    }

    /// The address for people: with the token where one is needed, behind `#`, where no
    /// browser sends it anywhere by itself.
    pub fn url(&self) -> String {
        let access = Access {
            address: self.address,
            token: self.token.clone(),
        };
        if access.is_open() {
            format!("http://{}/", self.address)
        } else {
            self.url_to_write()
        }
    }

    /// The address with the token, for who writes.
    pub fn url_to_write(&self) -> String {
        format!("http://{}/#token={}", self.address, self.token)
    }

    /// Listens where it is asked for; else where the run folder had its page, and if that is
    /// taken on any free port of this computer itself.
    ///
    /// # Errors
    /// Where it was asked for an address that cannot be had, or none is free.
    pub fn listen(
        asked: Option<SocketAddr>,
        folder: &Path,
    ) -> Result<(TcpListener, Self), AddressError> {
        let kept = Self::read(folder);
        let any = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        let before = kept.as_ref().map(|kept| kept.address);
        let wanted = asked.or(before).unwrap_or(any);
        let listener = match TcpListener::bind(wanted) {
            Err(_) if asked.is_none() && before.is_some() => TcpListener::bind(any),
            other => other,
        };
        let listener = listener.map_err(|error| AddressError {
            address: wanted,
            error,
        })?;
        let address = listener.local_addr().map_err(|error| AddressError {
            address: wanted,
            error,
        })?;
        let token = kept.map_or_else(new_token, |kept| kept.token);
        Ok((listener, Self { address, token }))
    }
}

fn new_token() -> String {
    let number: u128 = rand::rng().random();
    format!("{number:032x}")
}
