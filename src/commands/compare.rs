//! `spanhold compare`: runs against each other, resonance by resonance.
//!
//! In: run folders; the first is the reference. Out: differences with
//! uncertainty and E_n numbers, repeatability and reproducibility, as tables
//! or JSON on standard output.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow};
use clap::builder::{PossibleValuesParser, TypedValueParser as _};

use super::{Failure, Status, opened_run, terminal};
use crate::analysis::Exclusion;
use crate::evaluation::comparison::{ComparedQuantity, HarmonicDifference, HarmonicPrecision};
use crate::evaluation::reduced::without_excluded;
use crate::evaluation::run_comparison::{ComparedRun, RunComparison, compare};
use crate::reduction::SettledPoint;
use crate::report::comparison_page::{LEGEND, comparison_page};
use crate::report::loaded_run::LoadedRun;
use crate::report::point_table::marked;
use crate::report::text_table::{TextTable, wrap};

/// Arguments of `compare`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Run folders, the reference first; LABEL=RUN names what a run belongs
    /// to, runs with one label are repeats
    #[arg(required = true, num_args = 2.., value_name = "[LABEL=]RUN")]
    runs: Vec<String>,
    /// What to compare
    #[arg(long, default_value = ComparedQuantity::default().name(),
          value_parser = PossibleValuesParser::new(ComparedQuantity::ALL.map(ComparedQuantity::name))
              .try_map(|name| ComparedQuantity::by_name(&name).ok_or("no such quantity")))]
    quantity: ComparedQuantity,
    /// Write the comparison as a page to print, one HTML file
    #[arg(long, value_name = "FILE")]
    page: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// One run of the comparison.
struct Member {
    label: String,
    folder: String,
    opened: LoadedRun,
    /// Its points but those that were excluded.
    points: Vec<SettledPoint>,
    exclusions: Vec<Exclusion>,
}

/// Runs `compare`.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let members = args
        .runs
        .iter()
        .map(|text| member(text))
        .collect::<Result<Vec<_>, _>>()?;
    if let Some(folder) = named_twice(&members) {
        return Err(anyhow!(
            "{folder}: named twice; a run is no repeat of itself, and runs of their own are right"
        )
        .into());
    }
    let recordings: Vec<Vec<&str>> = members.iter().map(recordings).collect();
    let runs: Vec<ComparedRun> = members
        .iter()
        .zip(&recordings)
        .map(|(member, recordings)| ComparedRun {
            recordings,
            label: &member.label,
            name: &member.folder,
            setup: &member.opened.setup,
            points: &member.points,
            exclusions: &member.exclusions,
        })
        .collect();
    let comparison = compare(&runs, args.quantity).map_err(anyhow::Error::from)?;
    if let Some(file) = &args.page {
        std::fs::write(file, comparison_page(&comparison))
            .with_context(|| format!("{}: cannot be written", file.display()))?;
    }
    let text = if args.json {
        serde_json::to_string_pretty(&comparison).context("the result as JSON")? + "\n"
    } else {
        tables(&comparison)
    };
    super::print(&text)?;
    if !args.json {
        for left_out in &comparison.exclusions {
            let (run, exclusion) = (&left_out.run, &left_out.exclusion);
            terminal::say(format_args!("left out: {run}: {}", exclusion.sentence()));
        }
        for warning in &comparison.warnings {
            terminal::say(format_args!("warning: {warning}"));
        }
    }
    Ok(Status::Done)
}

/// A run folder that is named a second time, by whatever path.
fn named_twice(members: &[Member]) -> Option<&str> {
    let mut seen: Vec<PathBuf> = Vec::new();
    members.iter().find_map(|member| {
        let real = Path::new(&member.folder).canonicalize().ok()?;
        if seen.contains(&real) {
            return Some(member.folder.as_str());
        }
        seen.push(real);
        None
    })
}

/// The hashes of a run's recordings, as far as they are known.
fn recordings(member: &Member) -> Vec<&str> {
    let sources = &member.opened.run.record.sources;
    sources
        .iter()
        .flat_map(|source| &source.files)
        .filter_map(|file| file.blake3.as_deref())
        .collect()
}

/// `LABEL=RUN` or `RUN`. A folder that exists is taken as it stands, whatever
/// is in its name.
fn member(text: &str) -> Result<Member, Failure> {
    let (label, folder) = match text.split_once('=') {
        Some((label, folder)) if !Path::new(text).exists() && !label.is_empty() => {
            (label, PathBuf::from(folder))
        }
        _ => (text, PathBuf::from(text)),
    };
    let opened = opened_run::open_reduced(&folder)?;
    let exclusions = opened.run.exclusions();
    Ok(Member {
        label: label.to_owned(),
        folder: folder.display().to_string(),
        points: without_excluded(&opened.run.points, &exclusions),
        exclusions,
        opened,
    })
}

fn tables(comparison: &RunComparison) -> String {
    let width = terminal::width();
    let unit = comparison.unit;
    let mut text = String::new();
    for run in &comparison.runs {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{} against {}", run.run, comparison.reference);
        for statement in &run.statements {
            text += &wrap(statement, width, "- ", "  ");
        }
        text += &difference_table(&run.differences, unit).text(width);
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
    text += &precision_table(&comparison.precision, unit).text(width);
    text.push('\n');
    text += &wrap(LEGEND, width, "", "");
    text
}

/// A number with three decimals, empty where there is none.
fn three_decimals(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| format!("{value:.3}"))
}

fn whole(value: Option<u32>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}

fn difference_table<'a>(
    rows: &'a [HarmonicDifference],
    unit: &str,
) -> TextTable<'a, HarmonicDifference> {
    TextTable::new(rows)
        .numbers("n", "", 5, |r| whole(r.harmonic))
        .numbers("f ref.", "Hz", 0, |r| {
            format!("{:.3}", r.reference_frequency_hz)
        })
        .numbers("f", "Hz", 1, |r| format!("{:.3}", r.frequency_hz))
        .numbers("ref.", unit, 0, |r| format!("{:.3}", r.reference.value))
        .numbers("±", unit, 4, |r| three_decimals(r.reference.stated_u()))
        .numbers("run", unit, 0, |r| format!("{:.3}", r.value.value))
        .numbers("±", unit, 3, |r| three_decimals(r.value.stated_u()))
        .numbers("difference", unit, 0, |r| {
            format!("{:+.3}", r.difference.value)
        })
        .numbers("±", unit, 0, |r| {
            marked(
                three_decimals(r.difference.stated_u()),
                r.uncertainty_incomplete,
            )
        })
        .numbers("E_n", "", 0, |r| {
            r.e_n.map_or_else(String::new, |e_n| format!("{e_n:+.2}"))
        })
        .numbers("level", "of ref.", 0, |r| match r.level_ratio {
            Some(ratio) if r.at_other_level => format!("{ratio:.2}"),
            _ => String::new(),
        })
}

fn precision_table<'a>(
    rows: &'a [HarmonicPrecision],
    unit: &str,
) -> TextTable<'a, HarmonicPrecision> {
    TextTable::new(rows)
        .numbers("n", "", 5, |r| whole(r.harmonic))
        .numbers("f", "Hz", 0, |r| format!("{:.3}", r.frequency_hz))
        .numbers("labels", "", 2, |r| r.precision.laboratories.to_string())
        .numbers("results", "", 3, |r| r.precision.results.to_string())
        .numbers("mean", unit, 0, |r| format!("{:.3}", r.precision.mean))
        .numbers("s_r", unit, 0, |r| {
            three_decimals(r.precision.repeatability)
        })
        .numbers("s_L", unit, 1, |r| three_decimals(r.precision.between))
        .numbers("s_R", unit, 0, |r| {
            three_decimals(r.precision.reproducibility)
        })
        .numbers("s of means", unit, 1, |r| {
            three_decimals(r.precision.of_means)
        })
}
