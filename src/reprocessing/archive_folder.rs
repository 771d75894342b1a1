//! What lies in the folder of an archive beside its runs: the table of what came of each,
//! and, for the runs that are done, `parquet/points/RUN.parquet` and
//! `parquet/trace/RUN.parquet`, so that one query reads all of them.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use crate::export::{Table, parquet, points_table, trace_table};
use crate::ledger::{LOCK_FILE, LedgerError, Run, lines};

/// What came of each run.
pub const ARCHIVE_FILE: &str = "archive.csv";
/// The folder of the tables.
const TABLES_FOLDER: &str = "parquet";
/// Names that no run may have.
pub(super) const OWN_NAMES: [&str; 3] = [ARCHIVE_FILE, TABLES_FOLDER, LOCK_FILE];
const EXTENSION: &str = "parquet";
const KINDS: [&str; 2] = ["points", "trace"];

fn path(archive: &Path, kind: &str, run: &str) -> PathBuf {
    archive
        .join(TABLES_FOLDER)
        .join(kind)
        .join(format!("{run}.{EXTENSION}"))
}

/// Whether a run has its tables; each was written whole or not at all.
pub(super) fn has_tables(archive: &Path, run: &str) -> bool {
    KINDS.iter().all(|kind| path(archive, kind, run).exists())
}

/// Writes the tables of a run folder.
pub(super) fn write_tables(archive: &Path, run: &str, folder: &Path) -> anyhow::Result<()> {
    let rows = Run::open(folder)?.trace(f64::NEG_INFINITY, f64::INFINITY)?;
    let write = |table: &Table| -> anyhow::Result<()> {
        let file = path(archive, table.name, run);
        if let Some(folder) = file.parent() {
            std::fs::create_dir_all(folder)
                .map_err(LedgerError::io(folder, "create the folder"))?;
        }
        Ok(lines::replace(&file, &parquet(table)?)?)
    };
    write(&points_table(folder, run)?)?;
    write(&trace_table(&rows, run))
}

/// Removes the tables of all other runs: a query over the folder is to find the runs that
/// are done, and no other.
pub(super) fn drop_other_tables(archive: &Path, done: &BTreeSet<&str>) -> Result<(), LedgerError> {
    for kind in KINDS {
        let folder = archive.join(TABLES_FOLDER).join(kind);
        let files = match folder.read_dir() {
            Ok(files) => files,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            Err(error) => return Err(LedgerError::io(&folder, "read")(error)),
        };
        for file in files.flatten().map(|file| file.path()) {
            let name = file.file_stem().and_then(OsStr::to_str);
            let is_table = file.extension() == Some(OsStr::new(EXTENSION));
            if is_table && !name.is_some_and(|name| done.contains(name)) {
                std::fs::remove_file(&file).map_err(LedgerError::io(&file, "remove"))?;
            }
        }
    }
    Ok(())
}
