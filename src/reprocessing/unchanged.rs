//! Whether a run folder holds what would come out anew, so that it need not be made
//! again: the same program and arithmetic, and by their hashes the same setup, curves,
//! recordings and sidecars; and nothing in the folder altered since.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use super::archive_list::ArchiveEntry;
use super::assigned::{SourceFiles, assign};
use crate::ingest::sidecar::{hash_of_file, hash_of_sidecar};
use crate::ledger::{
    FileRecord, POINTS_FILE, REDUCTION_FILE, REPORT_FILE, Run, RunRecord, RunState, SETUP_FILE,
    SourceRecord, check_result,
};
use crate::maths::ARITHMETIC_VERSION;
use crate::report::reduction::{ReadReduction, Reduction, read_reduction};
use crate::setup::{self, Loaded, read_picture, read_small_text};

/// The record of a run that need not be made again. Whatever cannot be read is a
/// reason to make it.
pub(super) fn unchanged_run(entry: &ArchiveEntry, base: &Path, folder: &Path) -> Option<RunRecord> {
    let run = Run::open(folder).ok()?;
    let record = run.record;
    let is_whole = record.state == RunState::Done
        && record.command == "reprocess"
        && run.alterations.is_empty()
        && run.notes.is_empty();
    let same_program =
        record.version == env!("CARGO_PKG_VERSION") && record.arithmetic == ARITHMETIC_VERSION;
    // What another list had it reduced against must not stay.
    let reduced_needlessly = entry.baseline.is_none() && folder.join(REDUCTION_FILE).exists();
    if !is_whole || !same_program || reduced_needlessly {
        return None;
    }
    let loaded = setup::read(&entry.setup).ok()?;
    let same = blake3::hash(loaded.text.as_bytes()).to_hex().as_str() == record.setup_blake3
        && same_named_files(&loaded, &entry.setup, &record);
    if !same {
        return None;
    }
    let assigned = assign(&loaded.setup, base, &entry.recordings, &mut Vec::new()).ok()?;
    let pairs = assigned.iter().zip(&record.sources);
    let same_files = assigned.len() == record.sources.len()
        && pairs
            .into_iter()
            .all(|(now, then)| same_recordings(now, then).unwrap_or(false));
    same_files.then_some(record)
}

/// Whether the matching, the curves and pictures that the setup names are those that the run
/// knows.
fn same_named_files(loaded: &Loaded, setup_file: &Path, record: &RunRecord) -> bool {
    let hashed = |name: &str, bytes: &[u8]| {
        let blake3 = blake3::hash(bytes).to_hex().to_string();
        (name.to_owned(), Some(blake3))
    };
    let curves = loaded
        .setup
        .curve_files(setup_file)
        .filter_map(|(_, curve, path)| {
            let text = read_small_text(&path).ok()?;
            Some(hashed(curve, text.as_bytes()))
        });
    let pictures = loaded
        .setup
        .picture_files(setup_file)
        .filter_map(|(picture, path)| {
            let (_, bytes) = read_picture(&path).ok()?;
            Some(hashed(&picture.file, &bytes))
        });
    let known = |files: &[FileRecord]| -> BTreeMap<String, Option<String>> {
        let files = files.iter();
        files
            .map(|file| (file.path.clone(), file.blake3.clone()))
            .collect()
    };
    let matching = loaded.matching_text.as_ref();
    let matching = matching.map(|text| blake3::hash(text.as_bytes()).to_hex().to_string());
    let known_matching = record.matching.as_ref();
    let known_matching = known_matching.and_then(|file| file.blake3.clone());
    matching == known_matching
        && curves.collect::<BTreeMap<_, _>>() == known(&record.curves)
        && pictures.collect::<BTreeMap<_, _>>() == known(&record.pictures)
}

/// Whether the recordings of a source are those of the run: names, lengths, hashes and
/// sidecars.
fn same_recordings(now: &SourceFiles, then: &SourceRecord) -> io::Result<bool> {
    let name = |path: &Path| path.file_name().map(std::ffi::OsStr::to_owned);
    let known = |path: &Path| {
        then.files
            .iter()
            .find(|file| name(Path::new(&file.path)) == name(path))
    };
    if now.files.len() != then.files.len() || now.repeated.len() != then.repeated.len() {
        return Ok(false);
    }
    for path in &now.files {
        let Some(file) = known(path) else {
            return Ok(false);
        };
        // The length is known without reading.
        let same = path.metadata()?.len() == file.bytes
            && hash_of_sidecar(path)? == file.sidecar_blake3
            && file.blake3 == Some(hash_of_file(path)?);
        if !same {
            return Ok(false);
        }
    }
    Ok(true)
}

/// The reduction of an unchanged run, where it rests on the bare run as it is now and
/// the report is there.
pub(super) fn standing_reduction(folder: &Path, bare: &Path) -> Option<Reduction> {
    let run = Run::open(folder).ok()?;
    let ReadReduction::Whole(reduction, _) = read_reduction(&run).ok()? else {
        return None;
    };
    let theirs = reduction.baseline.as_ref()?;
    let bare_run = Run::open(bare).ok()?;
    let same = reduction.version == env!("CARGO_PKG_VERSION")
        && reduction.arithmetic == ARITHMETIC_VERSION
        && reduction.decay_range_mm_s.is_none()
        && theirs.points_blake3 == hash_of_file(&bare.join(POINTS_FILE)).ok()?
        && theirs.setup_blake3 == hash_of_file(&bare.join(SETUP_FILE)).ok()?
        && theirs.exclusions == bare_run.exclusions()
        && folder.join(REPORT_FILE).exists()
        && check_result(folder, REPORT_FILE).is_ok();
    same.then_some(*reduction)
}
