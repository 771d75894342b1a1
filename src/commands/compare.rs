//! `spanhold compare`: runs against each other, harmonic by harmonic.
//!
//! In: run folders; the first is the reference. Out: differences with
//! uncertainty and E_n numbers, repeatability and reproducibility, as tables
//! or JSON on standard output.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::{Context as _, anyhow};
use serde::Serialize;

use super::layout::{Column, layout, wrap};
use super::opened_run::OpenedRun;
use super::{Failure, Status, terminal};
use crate::evaluation::comparison::{
    Difference, HarmonicPrecision, Quantity, differences, precision_by_harmonic,
};
use crate::reduction::SettledPoint;
use crate::setup::Setup;

/// Settings of two benches that differ by more than this part are named.
const NOTABLE_DIFFERENCE: f64 = 0.01;

/// Arguments of `compare`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Run folders, the reference first; LABEL=RUN names what a run belongs
    /// to, runs with one label are repeats
    #[arg(required = true, num_args = 2.., value_name = "[LABEL=]RUN")]
    runs: Vec<String>,
    /// What to compare
    #[arg(long, value_enum, default_value_t)]
    quantity: Quantity,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// One run of the comparison.
struct Member {
    label: String,
    folder: PathBuf,
    opened: OpenedRun,
}

/// A run against the reference.
#[derive(Debug, Serialize)]
struct Against {
    label: String,
    run: String,
    differences: Vec<Difference>,
    /// Points of the reference without a partner in this run.
    without_partner: usize,
    /// How many of the differences have |E_n| above 1.
    disagreeing: usize,
}

#[derive(Debug, Serialize)]
struct Comparison {
    quantity: Quantity,
    unit: &'static str,
    reference: String,
    runs: Vec<Against>,
    precision: Vec<HarmonicPrecision>,
    warnings: Vec<String>,
}

/// Runs `compare`.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let members = args
        .runs
        .iter()
        .map(|text| member(text))
        .collect::<Result<Vec<_>, _>>()?;
    let comparison = compare(&members, args.quantity)?;
    let text = if args.json {
        serde_json::to_string_pretty(&comparison).context("the result as JSON")? + "\n"
    } else {
        report(&comparison)
    };
    terminal::print(&text).context("standard output")?;
    if !args.json {
        for warning in &comparison.warnings {
            terminal::say(format_args!("warning: {warning}"));
        }
    }
    Ok(Status::Done)
}

/// `LABEL=RUN` or `RUN`. A folder that exists is taken as it stands, whatever
/// is in its name.
fn member(text: &str) -> Result<Member, Failure> {
    let whole = PathBuf::from(text);
    let (label, folder) = match text.split_once('=') {
        Some((label, folder)) if !whole.exists() && !label.is_empty() => {
            (label.to_owned(), PathBuf::from(folder))
        }
        _ => (text.to_owned(), whole),
    };
    let opened = OpenedRun::open_reduced(&folder)?;
    Ok(Member {
        label,
        folder,
        opened,
    })
}

fn compare(members: &[Member], quantity: Quantity) -> Result<Comparison, Failure> {
    let Some((reference, others)) = members.split_first() else {
        return Err(anyhow!("two run folders or more are right").into());
    };
    let spacing_hz = reference
        .opened
        .setup
        .strung_conductor()
        .string_harmonic_hz(1);
    let theirs = &reference.opened.run.points;
    let runs: Vec<Against> = others
        .iter()
        .map(|other| {
            let differences = differences(theirs, &other.opened.run.points, quantity, spacing_hz);
            Against {
                label: other.label.clone(),
                run: other.folder.display().to_string(),
                without_partner: with_value(theirs, quantity).saturating_sub(differences.len()),
                disagreeing: disagreeing(&differences),
                differences,
            }
        })
        .collect();
    if runs.iter().all(|run| run.differences.is_empty()) {
        return Err(anyhow!(
            "no harmonic of the reference run \"{}\" with a value of this quantity occurs in \
             another run",
            reference.folder.display()
        )
        .into());
    }
    Ok(Comparison {
        quantity,
        unit: quantity.unit(),
        reference: reference.folder.display().to_string(),
        runs,
        precision: precision_by_harmonic(&cells(members), quantity, spacing_hz),
        warnings: warnings(reference, others),
    })
}

fn with_value(points: &[SettledPoint], quantity: Quantity) -> usize {
    points
        .iter()
        .filter(|p| p.verdict != crate::setup::Verdict::Rejected)
        .filter(|p| p.frequency_hz.is_some() && quantity.of(p).0.is_some())
        .count()
}

fn disagreeing(differences: &[Difference]) -> usize {
    differences
        .iter()
        .filter(|d| d.e_n.is_some_and(|e_n| e_n.abs() > 1.0))
        .count()
}

/// The runs by label, in the order in which the labels first occur.
fn cells(members: &[Member]) -> Vec<Vec<&[SettledPoint]>> {
    let mut labels: Vec<&str> = Vec::new();
    for member in members {
        if !labels.contains(&member.label.as_str()) {
            labels.push(&member.label);
        }
    }
    labels
        .iter()
        .map(|label| {
            members
                .iter()
                .filter(|member| member.label == *label)
                .map(|member| member.opened.run.points.as_slice())
                .collect()
        })
        .collect()
}

fn warnings(reference: &Member, others: &[Member]) -> Vec<String> {
    let mut out = Vec::new();
    for other in others {
        for (name, ours, theirs) in settings(&other.opened.setup, &reference.opened.setup) {
            if (ours / theirs - 1.0).abs() > NOTABLE_DIFFERENCE {
                out.push(format!(
                    "\"{}\" was taken with {name} = {ours}, the reference with {theirs}",
                    other.folder.display()
                ));
            }
        }
    }
    if shares_references(reference, others) {
        out.push(
            "runs share a calibration reference: E_n takes them as independent and is too small; \
             their repeatability says more"
                .to_owned(),
        );
    }
    out
}

fn settings(ours: &Setup, theirs: &Setup) -> Vec<(&'static str, f64, f64)> {
    let mut all = vec![
        (
            "conductor.mass_kg_per_m",
            ours.conductor.mass_kg_per_m,
            theirs.conductor.mass_kg_per_m,
        ),
        (
            "conductor.diameter_mm",
            ours.conductor.diameter_mm,
            theirs.conductor.diameter_mm,
        ),
        ("span.length_m", ours.span.length_m, theirs.span.length_m),
        (
            "span.tension_kn",
            ours.span.tension_kn,
            theirs.span.tension_kn,
        ),
    ];
    if let Some((a, b)) = ours
        .span
        .damper_position_m
        .zip(theirs.span.damper_position_m)
    {
        all.push(("span.damper_position_m", a, b));
    }
    if let Some((a, b)) = ours.amplitude.zip(theirs.amplitude)
        && a.rule == b.rule
    {
        all.push(("amplitude.value", a.value, b.value));
    }
    all
}

fn shares_references(reference: &Member, others: &[Member]) -> bool {
    let names = |member: &Member| -> Vec<String> {
        let channels = &member.opened.setup.channels;
        channels
            .iter()
            .filter_map(|channel| channel.reference.as_ref())
            .map(|reference| reference.name.clone())
            .collect()
    };
    let first = names(reference);
    others
        .iter()
        .any(|other| names(other).iter().any(|name| first.contains(name)))
}

fn report(comparison: &Comparison) -> String {
    let width = terminal::width();
    let unit = comparison.unit;
    let mut text = String::new();
    for run in &comparison.runs {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{} against {}", run.run, comparison.reference);
        text += &layout(&difference_columns(&run.differences, unit), width);
        let _ = writeln!(
            text,
            "{} harmonics compared, {} of the reference without partner, {} with |E_n| above 1 \
             (ISO/IEC 17043).\n",
            run.differences.len(),
            run.without_partner,
            run.disagreeing
        );
    }
    text.push_str("Over all runs, by harmonic of the reference (ISO 5725-2)\n");
    text += &layout(&precision_columns(&comparison.precision, unit), width);
    let legend = "± is the expanded uncertainty (k = 2). Runs with one label are repeats; without \
                  repeats there is no repeatability. Whether runs may be compared, and what a \
                  difference means, is for the responsible engineer.";
    text.push('\n');
    text += &wrap(legend, width, "", "");
    if !text.ends_with('\n') {
        text.push('\n');
    }
    text
}

fn difference_columns(rows: &[Difference], unit: &str) -> Vec<Column> {
    let each = |cell: &dyn Fn(&Difference) -> String| rows.iter().map(cell).collect::<Vec<_>>();
    let optional = |v: Option<f64>, d: usize| v.map_or_else(String::new, |v| format!("{v:.d$}"));
    vec![
        Column::new(
            "n",
            "",
            5,
            each(&|r| r.harmonic.map_or_else(String::new, |n| n.to_string())),
        ),
        Column::new(
            "f ref.",
            "Hz",
            0,
            each(&|r| format!("{:.3}", r.reference_frequency_hz)),
        ),
        Column::new("f", "Hz", 1, each(&|r| format!("{:.3}", r.frequency_hz))),
        Column::new("ref.", unit, 0, each(&|r| format!("{:.3}", r.reference))),
        Column::new("±", unit, 4, each(&|r| optional(r.reference_u, 3))),
        Column::new("run", unit, 0, each(&|r| format!("{:.3}", r.value))),
        Column::new("±", unit, 3, each(&|r| optional(r.value_u, 3))),
        Column::new(
            "difference",
            unit,
            0,
            each(&|r| format!("{:+.3}", r.difference)),
        ),
        Column::new("±", unit, 0, each(&|r| optional(r.difference_u, 3))),
        Column::new(
            "E_n",
            "",
            0,
            each(&|r| r.e_n.map_or_else(String::new, |e| format!("{e:+.2}"))),
        ),
    ]
}

fn precision_columns(rows: &[HarmonicPrecision], unit: &str) -> Vec<Column> {
    let each =
        |cell: &dyn Fn(&HarmonicPrecision) -> String| rows.iter().map(cell).collect::<Vec<_>>();
    let optional = |v: Option<f64>| v.map_or_else(String::new, |v| format!("{v:.3}"));
    vec![
        Column::new(
            "n",
            "",
            5,
            each(&|r| r.harmonic.map_or_else(String::new, |n| n.to_string())),
        ),
        Column::new("f", "Hz", 0, each(&|r| format!("{:.3}", r.frequency_hz))),
        Column::new(
            "labels",
            "",
            2,
            each(&|r| r.precision.laboratories.to_string()),
        ),
        Column::new("results", "", 3, each(&|r| r.precision.results.to_string())),
        Column::new(
            "mean",
            unit,
            0,
            each(&|r| format!("{:.3}", r.precision.mean)),
        ),
        Column::new(
            "s_r",
            unit,
            0,
            each(&|r| optional(r.precision.repeatability)),
        ),
        Column::new("s_L", unit, 1, each(&|r| optional(r.precision.between))),
        Column::new(
            "s_R",
            unit,
            0,
            each(&|r| optional(r.precision.reproducibility)),
        ),
        Column::new(
            "s of means",
            unit,
            1,
            each(&|r| optional(r.precision.of_means)),
        ),
    ]
}
