//! A run folder evaluated against that of its bare span.
//!
//! In: the folders, and the curves that the criteria name. Out: a
//! [`Reduction`] and the points with the damper's power, which
//! [`EvaluatedRun::write`] leaves in the run folder. Touches these files.

use std::path::{Path, PathBuf};

use super::loaded_run::{LoadError, LoadedRun};
use super::reduction::{CurveRecord, Reduction, RunIdentity, reduction, write_reduction};
use crate::analysis::TraceRow;
use crate::evaluation::compatibility::incompatibilities;
use crate::evaluation::criteria::{CurveFaults, RequiredCurve};
use crate::evaluation::evaluate::{EvaluationError, Requirements, evaluate};
use crate::evaluation::reduced::{BarePoint, without_excluded};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::evaluation::run_values::RunValues;
use crate::evaluation::unit_question;
use crate::ledger::{LedgerError, Run, RunState};
use crate::reduction::FixedEvidence;
use crate::setup::{Requirement, Setup, read_small_text};

/// What is evaluated, against what.
#[derive(Debug, Clone, Copy)]
pub struct EvaluationRequest<'a> {
    /// The run folder.
    pub run: &'a Path,
    /// The run of the bare span.
    pub baseline: Option<&'a Path>,
    /// Antinode velocities, mm/s peak, between which free decays are fitted.
    pub decay_range_mm_s: Option<(f64, f64)>,
}

/// A run that has been evaluated.
#[derive(Debug, Clone)]
pub struct EvaluatedRun {
    /// What the verdict rests on; not complete before it is written.
    pub reduction: Reduction,
    /// The points, with what the evaluation adds.
    pub points: Vec<ReducedPoint>,
    /// The run's setup.
    pub setup: Setup,
    /// What was left out in reading: torn last lines.
    pub torn: Vec<String>,
}

/// Why a run folder cannot be evaluated.
#[derive(Debug, thiserror::Error)]
pub enum RunEvaluationError {
    /// One of the folders cannot be read.
    #[error("the run folder \"{}\"", folder.display())]
    Load {
        /// The folder.
        folder: PathBuf,
        /// What is wrong.
        source: LoadError,
    },
    /// The bare run may not be the baseline of this run: each reason.
    #[error("{}", baseline_faults(folder, faults))]
    Baseline {
        /// Its folder.
        folder: PathBuf,
        /// The reasons.
        faults: Vec<String>,
    },
    /// A curve that a criterion names is nowhere.
    #[error(
        "criteria[{criterion}].curve: \"{curve}\" is neither at \"{}\" nor at \"{}\"; put the file \
         at one of them",
        in_run.display(),
        beside_setup.display()
    )]
    NoCurve {
        /// Number of the criterion, from 1.
        criterion: usize,
        /// The curve as the setup names it.
        curve: String,
        /// Where it was looked for in the run folder.
        in_run: PathBuf,
        /// Where it was looked for beside the setup file.
        beside_setup: PathBuf,
    },
    /// A curve cannot be read.
    #[error("{file}: {source}")]
    CurveFile {
        /// The file.
        file: String,
        /// What the operating system said.
        source: std::io::Error,
    },
    /// A curve is not what it was.
    #[error(
        "{file}: it is not the curve that the run was begun with; put that back, or make a run with \
         the other one"
    )]
    OtherCurve {
        /// The file.
        file: String,
    },
    /// A curve has faults.
    #[error(transparent)]
    Curve(#[from] CurveFaults),
    /// The trace holds no free decay in the range that was asked for.
    #[error("\"{}\": {source}", folder.display())]
    Decays {
        /// The run folder.
        folder: PathBuf,
        /// Which range.
        source: EvaluationError,
    },
    /// The evaluation has nothing to go by.
    #[error("{baseline}: {source}")]
    Evaluation {
        /// The bare run's folder, as it was named.
        baseline: String,
        /// What is wrong.
        source: EvaluationError,
    },
    /// A file of the run folder cannot be read or written.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

fn baseline_faults(folder: &Path, faults: &[String]) -> String {
    let name = folder.display();
    let lines: Vec<String> = faults.iter().map(|f| format!("{name}: {f}")).collect();
    lines.join("\n")
}

/// A required curve, and the record of where it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// For `reduction.json`.
    pub record: CurveRecord,
    /// The curve.
    pub curve: RequiredCurve,
}

impl Curve {
    /// From the text of a curve's file.
    ///
    /// # Errors
    /// Every fault in it.
    pub fn parse(criterion: usize, file: String, text: String) -> Result<Self, CurveFaults> {
        let curve = RequiredCurve::parse(&text, &file)?;
        let blake3 = blake3::hash(text.as_bytes()).to_hex().to_string();
        Ok(Self {
            record: CurveRecord {
                criterion,
                file,
                blake3,
                text,
            },
            curve,
        })
    }
}

/// A run, its bare run and its curves, all loaded.
#[derive(Debug, Clone, Copy)]
pub struct LoadedRequest<'a> {
    /// The run.
    pub run: &'a LoadedRun,
    /// What it is.
    pub identity: &'a RunIdentity,
    /// Its trace, or why there is none.
    pub trace: Result<&'a [TraceRow], &'a LedgerError>,
    /// The bare run, and what it is.
    pub baseline: Option<(&'a LoadedRun, &'a RunIdentity)>,
    /// For each criterion its curve, where it has one.
    pub curves: &'a [Option<Curve>],
    /// Antinode velocities, mm/s peak, between which free decays are fitted.
    pub decay_range_mm_s: Option<(f64, f64)>,
}

/// Reads the folders and the curves, and evaluates the run. Writes nothing.
///
/// # Errors
/// Where a file cannot be read, where the bare run is not one of this span,
/// and where the evaluation has nothing to go by.
pub fn evaluate_run(request: EvaluationRequest) -> Result<EvaluatedRun, RunEvaluationError> {
    let load = |folder: &Path| {
        LoadedRun::open(folder).map_err(|source| RunEvaluationError::Load {
            folder: folder.to_owned(),
            source,
        })
    };
    let run = load(request.run)?;
    let identity = RunIdentity::of(&run.run, &run.setup)?;
    let baseline = match request.baseline {
        None => None,
        Some(folder) => {
            let bare = load(folder)?;
            let theirs = RunIdentity::of(&bare.run, &bare.setup)?;
            let faults = if same_folder(request.run, folder) {
                vec!["it is the run itself; the folder of the bare span's run is right".to_owned()]
            } else {
                baseline_reasons((&run.setup, &identity), (&bare.setup, &theirs))
            };
            if !faults.is_empty() {
                return Err(RunEvaluationError::Baseline {
                    folder: folder.to_owned(),
                    faults,
                });
            }
            Some((bare, theirs))
        }
    };
    let curves = read_curves(&run)?;
    let trace = run.run.trace(f64::NEG_INFINITY, f64::INFINITY);
    let evaluated = evaluate_loaded(LoadedRequest {
        run: &run,
        identity: &identity,
        trace: trace.as_deref(),
        baseline: baseline.as_ref().map(|(bare, theirs)| (bare, theirs)),
        curves: &curves,
        decay_range_mm_s: request.decay_range_mm_s,
    });
    evaluated.map_err(|source| match source {
        source @ EvaluationError::NoDecay { .. } => RunEvaluationError::Decays {
            folder: request.run.to_owned(),
            source,
        },
        source => RunEvaluationError::Evaluation {
            baseline: request
                .baseline
                .map_or_else(String::new, |folder| folder.display().to_string()),
            source,
        },
    })
}

/// Evaluates what was loaded. Touches nothing.
///
/// # Errors
/// As [`evaluate`].
pub fn evaluate_loaded(request: LoadedRequest) -> Result<EvaluatedRun, EvaluationError> {
    let LoadedRun { run, setup } = request.run;
    let parsed: Vec<Option<RequiredCurve>> = request
        .curves
        .iter()
        .map(|curve| curve.as_ref().map(|curve| curve.curve.clone()))
        .collect();
    let of_bare = request
        .baseline
        .map_or_else(Vec::new, |(bare, _)| of_fixed(&bare.run));
    let evaluation = evaluate(
        RunValues {
            setup,
            points: &run.points,
            exclusions: &request.identity.exclusions,
            fixed: &of_fixed(run),
            trace: request.trace.ok(),
        },
        request.baseline.map(|(bare, theirs)| RunValues {
            setup: &bare.setup,
            points: &bare.run.points,
            exclusions: &theirs.exclusions,
            fixed: &of_bare,
            trace: None,
        }),
        Requirements {
            curves: &parsed,
            decay_range_mm_s: request.decay_range_mm_s,
        },
    )?;
    let mut notes = ending(request.identity);
    if let Err(error) = request.trace {
        notes.push(format!("no free decays were looked for: {error}"));
    }
    notes.extend(
        request
            .baseline
            .into_iter()
            .flat_map(|(_, theirs)| ending(theirs)),
    );
    notes.extend(run.notes_without_point());
    if let Some((bare, theirs)) = request.baseline {
        notes.extend(bare.run.notes_without_point());
        let of_bare = theirs.exclusions.iter();
        notes.extend(of_bare.map(|exclusion| {
            format!(
                "bare run: {}; its losses rest on the other points",
                exclusion.sentence()
            )
        }));
    }
    let counting = without_excluded(&run.points, &request.identity.exclusions);
    notes.extend(unit_question::of_points(setup, &counting));
    if setup.criteria.is_empty() {
        notes.push("the setup has no [[criteria]]: nothing is judged".to_owned());
    }
    let baseline = request.baseline.map(|(_, theirs)| theirs.clone());
    let mut record = reduction(request.identity.clone(), baseline, &evaluation.reduced);
    let curves = request.curves.iter().flatten();
    record.curves = curves.map(|curve| curve.record.clone()).collect();
    record.decay_range_mm_s = request.decay_range_mm_s;
    record.decays = evaluation.decays;
    if let Some((_, theirs)) = request.baseline {
        let counting = without_excluded(&evaluation.bare_points, &theirs.exclusions);
        record.bare_points = BarePoint::settled(&counting);
    }
    match evaluation.fixed_sweep {
        Some(Ok(sweep)) => {
            notes.extend(sweep.doubts.iter().cloned());
            record.fixed_sensors = Some(sweep);
        }
        Some(Err(error)) => notes.push(format!(
            "fixed sensors: the ratio of each point is its own, for {error}"
        )),
        None => {}
    }
    record.notes = notes;
    let bare = request.baseline.map(|(bare, _)| &bare.run.notes);
    Ok(EvaluatedRun {
        reduction: record,
        points: evaluation.reduced.points,
        setup: setup.clone(),
        torn: run
            .notes
            .iter()
            .chain(bare.into_iter().flatten())
            .cloned()
            .collect(),
    })
}

impl EvaluatedRun {
    /// Leaves the evaluation in the run folder; each file is at every moment
    /// the old or the new one.
    ///
    /// # Errors
    /// Where a file cannot be written, or another program writes to the folder.
    pub fn write(
        &mut self,
        folder: &Path,
        written_utc: jiff::Timestamp,
    ) -> Result<(), LedgerError> {
        write_reduction(folder, &self.points, &mut self.reduction, written_utc)
    }
}

fn same_folder(a: &Path, b: &Path) -> bool {
    let real = a.canonicalize().ok().zip(b.canonicalize().ok());
    real.is_some_and(|(a, b)| a == b)
}

/// Every reason why the bare run may not be the baseline of the run; each is a
/// setup and what the run is.
fn baseline_reasons(run: (&Setup, &RunIdentity), bare: (&Setup, &RunIdentity)) -> Vec<String> {
    let mut faults = incompatibilities(run.0, bare.0);
    if run.1.shares_recording(bare.1) {
        faults.push(
            "both runs were read from the same recording; one of the bare span is right".to_owned(),
        );
    }
    faults
}

/// Why a bare run cannot be the baseline of a run with this setup, as far as
/// the setups show it: known before a recording is read.
///
/// # Errors
/// Where the folder cannot be read or its setup does not fit.
pub fn check_baseline(setup: &Setup, folder: &Path) -> Result<(), RunEvaluationError> {
    let bare = LoadedRun::open(folder).map_err(|source| RunEvaluationError::Load {
        folder: folder.to_owned(),
        source,
    })?;
    let faults = incompatibilities(setup, &bare.setup);
    if faults.is_empty() {
        return Ok(());
    }
    Err(RunEvaluationError::Baseline {
        folder: folder.to_owned(),
        faults,
    })
}

/// What the fixed sensors showed, point by point.
fn of_fixed(run: &Run) -> Vec<(u64, &FixedEvidence)> {
    let evidence = run.evidence.iter();
    evidence
        .filter_map(|of| Some((of.point, of.evidence.fixed_sensors.as_ref()?)))
        .collect()
}

/// What the reader must know about how a run ended.
fn ending(identity: &RunIdentity) -> Vec<String> {
    let folder = &identity.folder;
    match identity.state {
        RunState::Done => Vec::new(),
        RunState::Stopped => vec![format!("{folder}: the run was stopped before its end")],
        RunState::Failed => vec![format!("{folder}: the run was ended by a fault")],
        RunState::Running => vec![format!(
            "{folder}: the run is still going on, or was broken off; more points may follow"
        )],
    }
}

/// For every criterion its curve, if it has one.
fn read_curves(loaded: &LoadedRun) -> Result<Vec<Option<Curve>>, RunEvaluationError> {
    loaded
        .setup
        .criteria
        .iter()
        .zip(1..)
        .map(|(criterion, number)| match &criterion.requirement {
            Requirement::EfficiencyCurve { curve } => read_curve(loaded, number, curve).map(Some),
            _ => Ok(None),
        })
        .collect()
}

/// The curve's path is seen from the setup file the run was begun with; the
/// run folder is looked into first, so that a run can carry its curve along.
fn read_curve(
    loaded: &LoadedRun,
    criterion: usize,
    curve: &str,
) -> Result<Curve, RunEvaluationError> {
    let in_run = loaded.run.folder.join(curve);
    let beside_setup = Path::new(&loaded.run.record.setup_file)
        .parent()
        .map_or_else(|| PathBuf::from(curve), |folder| folder.join(curve));
    let Some(path) = [&in_run, &beside_setup]
        .into_iter()
        .find(|path| path.exists())
    else {
        return Err(RunEvaluationError::NoCurve {
            criterion,
            curve: curve.to_owned(),
            in_run,
            beside_setup,
        });
    };
    let file = path.display().to_string();
    let text = match read_small_text(path) {
        Ok(text) => text,
        Err(source) => return Err(RunEvaluationError::CurveFile { file, source }),
    };
    let found = Curve::parse(criterion, file, text)?;
    let mut known = loaded.run.record.curves.iter();
    match known.find(|known| known.path == curve) {
        Some(known) if known.blake3.as_ref() != Some(&found.record.blake3) => {
            Err(RunEvaluationError::OtherCurve {
                file: found.record.file,
            })
        }
        _ => Ok(found),
    }
}
