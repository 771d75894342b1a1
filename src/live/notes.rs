//! Notes of a run over the page: read by whoever may read, written with the token.
//!
//! In: the body of a request. Out: JSON, or what is wrong. Touches the notes of the run
//! folder.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::analysis::{NoteKind, PointNote};
use crate::ledger::{LedgerError, NewNote, read_notes, write_note};

/// What is sent to write a note.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SentNote {
    point: u64,
    by: String,
    text: String,
    kind: NoteKind,
}

/// What is there to read.
#[derive(Debug, Serialize)]
struct Notes {
    notes: Vec<PointNote>,
}

/// What is answered: status, its words, and JSON or a sentence.
pub(super) type Answered = Result<Vec<u8>, ((u16, &'static str), String)>;

const WRONG: (u16, &str) = (422, "Unprocessable Content");
const FAILED: (u16, &str) = (500, "Internal Server Error");

/// All notes of the run, in the order in which they were written.
pub(super) fn read(folder: &Path) -> Answered {
    let notes = read_notes(folder).map_err(|error| (FAILED, error.to_string()))?;
    json(&Notes { notes })
}

/// Writes a note; it is on the disk when this returns.
pub(super) fn write(folder: &Path, body: &[u8], now_utc: jiff::Timestamp) -> Answered {
    let sent: SentNote = serde_json::from_slice(body).map_err(|error| {
        let right = "point, by, text and kind (note, exclude or restore) are right";
        (WRONG, format!("This is no note: {error}; {right}."))
    })?;
    let new = NewNote {
        point: sent.point,
        by: &sent.by,
        text: &sent.text,
        kind: sent.kind,
    };
    let written = write_note(folder, new, now_utc).map_err(|error| {
        let status = match error {
            LedgerError::Note { .. } | LedgerError::NoSuchPoint { .. } => WRONG,
            _ => FAILED,
        };
        (status, error.to_string())
    })?;
    json(&written.note)
}

fn json(value: &impl Serialize) -> Answered {
    serde_json::to_vec(value).map_err(|error| (FAILED, error.to_string()))
}
