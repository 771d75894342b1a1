//! What `reduce` left in the run folder: `reduction.json`, `reduced.jsonl`,
//! `reduced.csv`, and the curves it was held against.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::difference::{
    Agreement, Difference, Exactness, compare_lines, compare_objects, compare_tables,
};
use super::files::Files;
use super::run_files::Accepted;
use super::stored::Stored;
use crate::evaluation::reduced_point::ReducedPoint;
use crate::ingest::sidecar::hash_of_file;
use crate::ledger::{
    LedgerError, POINTS_FILE, REDUCED_FILE, REDUCED_TABLE_FILE, REDUCTION_FILE, Run, json_lines,
    points_csv,
};
use crate::report::loaded_run::LoadedRun;
use crate::report::reduction::{ReadReduction, Reduction, RunIdentity, Stale};
use crate::report::run_evaluation::{Curve, LoadedRequest, evaluate_loaded};
use crate::setup::{Requirement, Setup};

/// Repeats the reduction from the accepted points and compares its files.
/// Returns what a report has to rest on; `None` where the reduction could not
/// be repeated.
pub(super) fn compare_reduction(
    stored: &Stored,
    setup: &Setup,
    accepted: &Accepted,
    files: &mut Files,
) -> Result<Option<ReadReduction>, LedgerError> {
    let Some(text) = stored.file(REDUCTION_FILE)? else {
        for name in [REDUCED_FILE, REDUCED_TABLE_FILE] {
            if stored.file(name)?.is_some() {
                let what = format!("it is there without {REDUCTION_FILE}");
                files.add(name, Agreement::Differs(Difference::whole(what)));
            }
        }
        return Ok(Some(ReadReduction::None));
    };
    let read = serde_json::from_slice::<Value>(&text)
        .and_then(|value| Ok((serde_json::from_value::<Reduction>(value.clone())?, value)));
    let (logged, logged_value) = match read {
        Ok(read) => read,
        Err(error) => {
            let what = format!("it is no reduction of this program: {error}");
            files.add(REDUCTION_FILE, Agreement::Differs(Difference::whole(what)));
            return Ok(None);
        }
    };
    let bare = match bare_run(stored, &logged) {
        Ok(bare) => bare,
        Err(what) => {
            files.missing.push(what);
            return Ok(None);
        }
    };
    let run = loaded(stored, setup, accepted);
    let mut identity = RunIdentity::with_points(&run.run, setup, hash(&accepted.points_text));
    identity.folder.clone_from(&logged.run.folder);
    let curves = curves(stored, setup, &logged, files)?;
    let evaluated = evaluate_loaded(LoadedRequest {
        run: &run,
        identity: &identity,
        trace: Ok(&accepted.trace),
        baseline: bare.as_ref().map(|(bare, theirs)| (bare, theirs)),
        curves: &curves,
        decay_range_mm_s: logged.decay_range_mm_s,
    });
    let evaluated = match evaluated {
        Ok(evaluated) => evaluated,
        Err(error) => {
            let what = format!("it cannot be repeated: {error}");
            files.add(REDUCTION_FILE, Agreement::Differs(Difference::whole(what)));
            return Ok(None);
        }
    };
    let exactness = exactness(stored, &logged);
    let (points, points_text) = reduced_points(stored, evaluated.points, exactness, files)?;
    let mut reduction = Reduction {
        // Who made it is not to be known from the recordings.
        version: logged.version.clone(),
        target: logged.target.clone(),
        arithmetic: logged.arithmetic,
        reduced_blake3: hash(&points_text),
        ..evaluated.reduction
    };
    if logged.run.exclusions != reduction.run.exclusions {
        files.notes.push(format!(
            "{REDUCTION_FILE}: {} It is compared with what comes out now.",
            Stale::Exclusions.sentence()
        ));
    }
    if logged.bare_points.is_empty() {
        // Reductions older than this key do not say.
        reduction.bare_points.clear();
    }
    let expected = serde_json::to_value(&reduction).unwrap_or_default();
    let agreement = compare_objects(&logged_value, &expected, exactness);
    if agreement == Agreement::LastDigits {
        reduction = logged;
    }
    files.add(REDUCTION_FILE, agreement);
    Ok(Some(ReadReduction::Whole(Box::new(reduction), points)))
}

/// Compares the points and their table; returns the accepted ones, and the
/// accepted text of `reduced.jsonl`.
fn reduced_points(
    stored: &Stored,
    recomputed: Vec<ReducedPoint>,
    exactness: Exactness,
    files: &mut Files,
) -> Result<(Vec<ReducedPoint>, Vec<u8>), LedgerError> {
    let expected = stored.made(REDUCED_FILE, json_lines(&recomputed))?;
    let logged = stored.file(REDUCED_FILE)?.unwrap_or_default();
    let agreement = compare_lines(&logged, &expected, exactness);
    let (points, text) = if agreement == Agreement::LastDigits {
        let lines = logged.split(|byte| *byte == b'\n');
        let points = lines.filter_map(|line| serde_json::from_slice(line).ok());
        (points.collect(), logged)
    } else {
        (recomputed, expected)
    };
    files.add(REDUCED_FILE, agreement);
    let expected = stored.made(REDUCED_TABLE_FILE, points_csv(&points))?;
    let logged = stored.file(REDUCED_TABLE_FILE)?.unwrap_or_default();
    let agreement = compare_tables(&logged, &expected, Exactness::Bytes);
    files.add(REDUCED_TABLE_FILE, agreement);
    Ok((points, text))
}

/// How closely a reduction has to come out again: run and reduction may have
/// been made by two programs.
pub(super) fn exactness(stored: &Stored, logged: &Reduction) -> Exactness {
    stored
        .exactness()
        .or(Exactness::of(logged.target.as_deref(), logged.arithmetic))
}

fn hash(text: &[u8]) -> String {
    blake3::hash(text).to_hex().to_string()
}

/// The run with what is accepted of it in place of what was logged.
fn loaded(stored: &Stored, setup: &Setup, accepted: &Accepted) -> LoadedRun {
    LoadedRun {
        run: accepted.run(stored, &stored.folder),
        setup: setup.clone(),
    }
}

impl Accepted {
    /// As if it had been read from a run folder of this name.
    pub(super) fn run(&self, stored: &Stored, folder: &Path) -> Run {
        Run {
            folder: folder.to_owned(),
            record: self.record.clone(),
            setup_text: stored.setup_text.clone(),
            points: self.points.clone(),
            evidence: self.evidence.clone(),
            events: self.events.clone(),
            point_notes: stored.point_notes.clone(),
            notes: stored.notes.clone(),
            alterations: Vec::new(),
        }
    }
}

/// The bare run that the reduction names, as it stands in its folder now.
/// `Err`: a sentence that says why there is none.
fn bare_run(
    stored: &Stored,
    logged: &Reduction,
) -> Result<Option<(LoadedRun, RunIdentity)>, String> {
    let Some(named) = &logged.baseline else {
        return Ok(None);
    };
    let gone = |what: &str| {
        format!(
            "The run of the bare span, \"{}\", {what}: the damper's power, the verdict and the \
             report cannot be verified without it. Put its folder where it was, or beside the run \
             folder.",
            named.folder
        )
    };
    let places = bare_places(&stored.folder, Path::new(&named.folder));
    let runs = places
        .iter()
        .filter(|place| place.join(POINTS_FILE).is_file());
    let hashed: Vec<(&PathBuf, Option<String>)> = runs
        .map(|place| (place, hash_of_file(&place.join(POINTS_FILE)).ok()))
        .collect();
    let unchanged = hashed
        .iter()
        .find(|(_, hash)| hash.as_ref() == Some(&named.points_blake3));
    let Some((place, points_blake3)) = unchanged.or(hashed.first()) else {
        return Err(gone("is gone"));
    };
    let bare =
        LoadedRun::open(place).map_err(|error| gone(&format!("cannot be read ({error})")))?;
    let hash = points_blake3.clone().unwrap_or_default();
    let mut identity = RunIdentity::with_points(&bare.run, &bare.setup, hash);
    identity.folder.clone_from(&named.folder);
    Ok(Some((bare, identity)))
}

/// Where the bare run's folder may be now: as it was named, seen from here and
/// from the run folder, and beside the run folder, should both have moved.
fn bare_places(run: &Path, named: &Path) -> Vec<PathBuf> {
    let mut places = vec![named.to_owned(), run.join(named)];
    if let Some(name) = named.file_name() {
        places.push(run.join("..").join(name));
    }
    places
}

/// For each criterion its curve: from the copy in the run folder and the text
/// in `reduction.json`, of which one may have been altered.
fn curves(
    stored: &Stored,
    setup: &Setup,
    logged: &Reduction,
    files: &mut Files,
) -> Result<Vec<Option<Curve>>, LedgerError> {
    let mut curves = Vec::new();
    for (criterion, number) in setup.criteria.iter().zip(1..) {
        let Requirement::EfficiencyCurve { curve: name } = &criterion.requirement else {
            curves.push(None);
            continue;
        };
        let used = logged.curves.iter().find(|curve| curve.criterion == number);
        let carried = stored
            .file(name)?
            .and_then(|bytes| String::from_utf8(bytes).ok());
        let is_used = |text: &str| used.is_some_and(|used| hash(text.as_bytes()) == used.blake3);
        let carried = match (carried, used) {
            // The text in `reduction.json` is what its hash says: then the copy
            // is the one that was altered.
            (Some(text), Some(used)) if !is_used(&text) && is_used(&used.text) => {
                let agreement =
                    compare_lines(text.as_bytes(), used.text.as_bytes(), Exactness::Bytes);
                files.add(name, agreement);
                None
            }
            (carried, _) => carried,
        };
        let text = carried.or_else(|| used.map(|used| used.text.clone()));
        let file = used.map_or_else(|| name.clone(), |used| used.file.clone());
        let curve = text.and_then(|text| match Curve::parse(number, file, text) {
            Ok(curve) => Some(curve),
            Err(faults) => {
                let what = format!("it is no required curve: {faults}");
                files.add(name, Agreement::Differs(Difference::whole(what)));
                None
            }
        });
        curves.push(curve);
    }
    Ok(curves)
}
