//! A seal: every file of a run with its hash, and a signature of the
//! laboratory's own key over that list.
//!
//! `seal.json` is the list. `seal.json.sig` is a detached signature of its
//! bytes as OpenSSH makes them (SSHSIG), so that anybody can check it without
//! this program: `ssh-keygen -Y verify -f SIGNERS -I NAME -n spanhold-run -s
//! seal.json.sig < seal.json`. Chains and hashes show that a run was not altered
//! by hand; the seal shows whose it is, to all who know the public key.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use ssh_key::{HashAlg, LineEnding, PrivateKey, PublicKey, SshSig};

use super::locks::lock_to_write;
use super::{
    FileRecord, LOCK_FILE, LedgerError, PAGE_FILE, RESULTS_LOCK_FILE, Run, SEAL_FILE,
    SEAL_SIGNATURE_FILE, lines, lock,
};
use crate::ingest::sidecar::hash_of_file;

/// What a signature of a run is for; one made for anything else is none.
pub const SEAL_NAMESPACE: &str = "spanhold-run";

/// What a seal is over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Seal {
    /// When the list was made, by the clock of whoever made it.
    sealed_utc: jiff::Timestamp,
    /// Program and version that made it.
    made_by: String,
    /// Every file of the folder, in the order of their names.
    files: Vec<FileRecord>,
}

/// What was found of a seal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CheckedSeal {
    /// Fingerprint of the key that signed, as `ssh-keygen -l` shows it; `null`
    /// where no signature of the list was found.
    pub key: Option<String>,
    /// When, by the clock of whoever sealed.
    pub sealed_utc: jiff::Timestamp,
    /// A sentence for whatever is not as it was sealed; none: the seal holds.
    pub broken: Vec<String>,
    /// Files that came later: they are not sealed.
    pub later: Vec<String>,
}

impl CheckedSeal {
    /// In a sentence or several.
    pub fn text(&self) -> Vec<String> {
        let mut sentences = vec![match &self.key {
            Some(key) if self.broken.is_empty() => format!(
                "Sealed on {} by the key {key}; everything is as it was sealed.",
                self.sealed_utc.strftime("%Y-%m-%d %H:%M:%S UTC")
            ),
            Some(key) => format!("THE SEAL of the key {key} IS BROKEN."),
            None => "THE SEAL IS BROKEN.".to_owned(),
        }];
        sentences.extend(self.broken.iter().cloned());
        if !self.later.is_empty() {
            sentences.push(format!(
                "Not sealed, made later: {}.",
                self.later.join(", ")
            ));
        }
        sentences
    }
}

/// Writes the list of what a run consists of, and with a key its signature. A
/// seal that was there before is replaced. Fails while another program writes
/// to the folder.
///
/// # Errors
/// Where the folder is no run, is not what the run wrote, or cannot be written,
/// and where the key cannot be used.
pub fn seal(
    folder: &Path,
    key: Option<&Path>,
    sealed_utc: jiff::Timestamp,
) -> Result<(), LedgerError> {
    if let Some(altered) = Run::open(folder)?.alterations.first() {
        return Err(LedgerError::Altered {
            path: folder.to_owned(),
            what: format!("what was altered is not sealed: {altered}"),
        });
    }
    let key = key.map(private_key).transpose()?;
    let _lock = lock(folder)?;
    // No note is written while the files are listed.
    let _results = lock_to_write(folder)?;
    let seal = Seal {
        sealed_utc,
        made_by: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        files: files(folder)?,
    };
    let path = folder.join(SEAL_FILE);
    let mut text = serde_json::to_vec_pretty(&seal)
        .map_err(|error| LedgerError::io(&path, "write")(error.into()))?;
    text.push(b'\n');
    let signature_path = folder.join(SEAL_SIGNATURE_FILE);
    let signature = key
        .map(|key| {
            key.sign(SEAL_NAMESPACE, HashAlg::Sha512, &text)?
                .to_pem(LineEnding::LF)
        })
        .transpose()
        .map_err(|error| unusable(&signature_path, &error))?;
    lines::replace(&path, &text)?;
    match signature {
        Some(signature) => lines::replace(&signature_path, signature.as_bytes()),
        None => match std::fs::remove_file(&signature_path) {
            Err(error) if error.kind() != ErrorKind::NotFound => {
                Err(LedgerError::io(&signature_path, "remove")(error))
            }
            _ => Ok(()),
        },
    }
}

/// Checks the seal of a run; `None` where there is none. `by`: the file of the
/// public key that has to have signed.
///
/// # Errors
/// Where a file cannot be read.
pub fn check_seal(folder: &Path, by: Option<&Path>) -> Result<Option<CheckedSeal>, LedgerError> {
    let path = folder.join(SEAL_FILE);
    let text = match std::fs::read(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => {
            let signature = folder.join(SEAL_SIGNATURE_FILE);
            return if signature.exists() {
                Err(LedgerError::io(&path, "read")(error))
            } else {
                Ok(None)
            };
        }
        Err(error) => return Err(LedgerError::io(&path, "read")(error)),
    };
    let seal: Seal = serde_json::from_slice(&text).map_err(|error| LedgerError::Damaged {
        line: error.line().max(1),
        path,
        what: error.to_string(),
    })?;
    let mut broken = Vec::new();
    let signed_by = match signer(folder, &text)? {
        Ok(key) => Some(key),
        Err(what) => {
            broken.push(what);
            None
        }
    };
    if let (Some(by), Some(key)) = (by, &signed_by) {
        let wanted = PublicKey::read_openssh_file(by).map_err(|error| unusable(by, &error))?;
        if wanted.key_data() != key.key_data() {
            broken.push(format!(
                "{SEAL_SIGNATURE_FILE} was made by another key than {}.",
                by.display()
            ));
        }
    }
    let mut there = files(folder)?;
    for sealed in &seal.files {
        let place = there.iter().position(|file| file.path == sealed.path);
        match place.map(|place| there.remove(place)) {
            None => broken.push(format!("{} is not there any more.", sealed.path)),
            Some(file) if file != *sealed => {
                broken.push(format!("{} is not what was sealed.", sealed.path));
            }
            Some(_) => {}
        }
    }
    Ok(Some(CheckedSeal {
        key: signed_by.map(|key| key.fingerprint(HashAlg::Sha256).to_string()),
        sealed_utc: seal.sealed_utc,
        broken,
        later: there.into_iter().map(|file| file.path).collect(),
    }))
}

/// Whose signature the list carries, or what is wrong with it.
fn signer(folder: &Path, text: &[u8]) -> Result<Result<PublicKey, String>, LedgerError> {
    let path = folder.join(SEAL_SIGNATURE_FILE);
    let pem = match std::fs::read(&path) {
        Ok(pem) => pem,
        Err(error) if error.kind() == ErrorKind::NotFound => {
            return Ok(Err(format!("{SEAL_SIGNATURE_FILE} is missing.")));
        }
        Err(error) => return Err(LedgerError::io(&path, "read")(error)),
    };
    let verified = SshSig::from_pem(&pem).and_then(|signature| {
        let key = PublicKey::from(signature.public_key().clone());
        key.verify(SEAL_NAMESPACE, text, &signature)?;
        Ok(key)
    });
    Ok(verified.map_err(|error| match error {
        ssh_key::Error::AlgorithmUnknown | ssh_key::Error::AlgorithmUnsupported { .. } => format!(
            "{SEAL_SIGNATURE_FILE} is of a kind of key that this program does not check; \
             `ssh-keygen -Y verify` does."
        ),
        _ => format!("{SEAL_SIGNATURE_FILE} is no signature of {SEAL_FILE}."),
    }))
}

fn private_key(path: &Path) -> Result<PrivateKey, LedgerError> {
    let key = PrivateKey::read_openssh_file(path).map_err(|error| unusable(path, &error))?;
    if key.is_encrypted() {
        return Err(LedgerError::Key {
            path: path.to_owned(),
            what: format!(
                "the key is locked by a passphrase; give --list in place of --key, and sign \
                 {SEAL_FILE} with ssh-keygen"
            ),
        });
    }
    Ok(key)
}

fn unusable(path: &Path, error: &ssh_key::Error) -> LedgerError {
    LedgerError::Key {
        path: path.to_owned(),
        what: format!("{error}; a key made by `ssh-keygen -t ed25519` is right"),
    }
}

/// Every file below the folder but the locks and the seal itself.
fn files(folder: &Path) -> Result<Vec<FileRecord>, LedgerError> {
    let mut found = Vec::new();
    let mut folders = vec![PathBuf::new()];
    while let Some(below) = folders.pop() {
        let here = folder.join(&below);
        for entry in std::fs::read_dir(&here).map_err(LedgerError::io(&here, "list"))? {
            let entry = entry.map_err(LedgerError::io(&here, "list"))?;
            let name = below.join(entry.file_name());
            if entry.file_type().is_ok_and(|kind| kind.is_dir()) {
                folders.push(name);
                continue;
            }
            let path = folder.join(&name);
            let name = name.to_string_lossy().into_owned();
            let apart = [
                LOCK_FILE,
                PAGE_FILE,
                RESULTS_LOCK_FILE,
                SEAL_FILE,
                SEAL_SIGNATURE_FILE,
            ];
            if apart.contains(&name.as_str()) {
                continue;
            }
            let file = path.metadata().map_err(LedgerError::io(&path, "read"))?;
            found.push(FileRecord {
                path: name,
                bytes: file.len(),
                blake3: Some(hash_of_file(&path).map_err(LedgerError::io(&path, "read"))?),
                ..FileRecord::default()
            });
        }
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(found)
}
