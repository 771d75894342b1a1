//! The pictures that a setup names, to be embedded in a report.
//!
//! In: a run and its setup. Out: each picture as a `data:` address, or why it is
//! not shown. An SVG is shown as an image, in which scripts do not run and which
//! fetches nothing (SVG 2, 2.2.3: secure static mode). Reads the files.

use std::path::{Path, PathBuf};

use base64ct::{Base64, Encoding as _};

use crate::ledger::{RunRecord, is_carried};
use crate::setup::{Setup, read_picture};

/// A picture as the report shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShownPicture {
    /// As the setup names it.
    pub file: String,
    /// What it shows.
    pub caption: String,
    /// BLAKE3 of the file, hexadecimal; `None` where it cannot be read.
    pub blake3: Option<String>,
    /// Whether the run knew it when it was begun.
    pub known: bool,
    /// The picture as a `data:` address, or why it is not shown.
    pub image: Result<String, String>,
}

/// Every picture of the setup, in its order. One that the run carries is taken from
/// the run folder, any other from where the setup file names it.
pub fn shown_pictures(folder: &Path, record: &RunRecord, setup: &Setup) -> Vec<ShownPicture> {
    let one = |picture: &crate::setup::NamedPicture| {
        let known = record
            .pictures
            .iter()
            .find(|known| known.path == picture.file);
        let path = place(folder, record, &picture.file);
        let read = read_picture(&path);
        let blake3 = read
            .as_ref()
            .ok()
            .map(|(_, bytes)| blake3::hash(bytes).to_hex().to_string());
        let image = match read {
            Err(error) => Err(error.to_string()),
            Ok(_) if known.is_some_and(|known| known.blake3 != blake3) => {
                Err("it is not the picture that the run was begun with".to_owned())
            }
            Ok((kind, bytes)) => Ok(format!(
                "data:{};base64,{}",
                kind.media_type(),
                Base64::encode_string(&bytes)
            )),
        };
        ShownPicture {
            file: picture.file.clone(),
            caption: picture.caption.clone(),
            blake3,
            known: known.is_some(),
            image,
        }
    };
    setup.pictures.iter().map(one).collect()
}

/// In the run folder where it is carried along, else beside the setup file.
fn place(folder: &Path, record: &RunRecord, file: &str) -> PathBuf {
    let in_run = folder.join(file);
    if is_carried(file) && in_run.is_file() {
        return in_run;
    }
    let beside = Path::new(&record.setup_file).parent();
    beside.map_or_else(|| PathBuf::from(file), |beside| beside.join(file))
}
