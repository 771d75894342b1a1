//! `spanhold check SETUP [FILE…]`: listens for some seconds and says what is
//! wrong before a day is lost.
//!
//! In: serial devices, or recordings. Out: levels, noise, mains pick-up,
//! clipping and rate of every channel, and a list of what to put right.
//! Writes nothing.

mod fixed;
mod listen;
mod measure;
mod verdict;

use std::path::PathBuf;

use anyhow::Context as _;
use serde::Serialize;

use super::logs::{self, LogFormat};
use super::{Failure, Status, terminal};
use crate::pipeline;
use crate::report::number::significant;
use crate::report::required_curves::curve_remarks;
use crate::report::text_table::{TextTable, wrap};
use crate::setup;
use measure::Line;
use verdict::{ChannelReport, Checked};

/// Arguments of `check`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The setup file
    setup: PathBuf,
    /// Recordings to look at instead of the devices; with several sources
    /// NAME=FILE says whose each is
    #[arg(value_name = "FILE")]
    files: Vec<String>,
    /// How long to listen, s
    #[arg(long, value_name = "SECONDS", default_value_t = 10,
          value_parser = clap::value_parser!(u32).range(1..=120))]
    seconds: u32,
    /// Give up when a device has not said what it sends after this time, s
    #[arg(long, value_name = "SECONDS", default_value_t = 10,
          value_parser = clap::value_parser!(u32).range(1..=86_400))]
    connect_seconds: u32,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Summary<'a> {
    faults: &'a [String],
    warnings: &'a [String],
    channels: &'a [ChannelReport],
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let loaded = setup::read(&args.setup).map_err(anyhow::Error::from)?;
    logs::start(
        LogFormat::Text,
        tracing_subscriber::filter::LevelFilter::WARN,
    );
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    let heard = listen::listen(args, &loaded, &stop)?;
    let mut checked = Checked::of(&loaded, &heard)?;
    checked
        .warnings
        .extend(curve_remarks(&loaded.setup, &args.setup));
    let text = if args.json {
        let summary = Summary {
            faults: &checked.faults,
            warnings: &checked.warnings,
            channels: &checked.channels,
        };
        serde_json::to_string_pretty(&summary).map_err(anyhow::Error::from)? + "\n"
    } else {
        table(&checked, terminal::width())
    };
    terminal::print(&text).map_err(|error| {
        Failure::Device(anyhow::Error::from(error).context("cannot write to standard output"))
    })?;
    Ok(if checked.faults.is_empty() {
        Status::Done
    } else {
        Status::CriterionNotMet
    })
}

fn table(checked: &Checked, width: usize) -> String {
    let number = |value: f64| significant(value, 4);
    let peak_at = |line: &Line, decimals: usize| {
        format!("{} at {:.decimals$}", number(line.peak), line.frequency_hz)
    };
    let channels = TextTable::new(&checked.channels)
        .words("channel", "", 0, |c| c.name.clone())
        .words("unit", "", 0, |c| c.unit.clone())
        .numbers("peak", "", 0, |c| number(c.measured.peak))
        .numbers("of range", "%", 1, |c| {
            format!("{:.1}", c.measured.used_pct)
        })
        .numbers("rms", "", 3, |c| number(c.measured.rms))
        .numbers("offset", "", 4, |c| number(c.measured.mean))
        .numbers("noise", "/sqrt(Hz)", 2, |c| {
            c.measured.noise_density.map_or_else(String::new, number)
        })
        .numbers("strongest line", "peak at Hz", 5, |c| {
            let line = c.measured.strongest.as_ref();
            line.map_or_else(String::new, |line| peak_at(line, 1))
        })
        .numbers("mains", "peak at Hz", 6, |c| {
            let lines = c.measured.mains.iter().map(|line| peak_at(line, 0));
            lines.collect::<Vec<_>>().join(", ")
        })
        .numbers("clipped", "samples", 7, |c| c.measured.clipped.to_string());
    let mut text = channels.text(width);
    for line in &checked.rates {
        text += &wrap(line, width, "", "  ");
    }
    for (title, lines) in [("wrong", &checked.faults), ("note", &checked.warnings)] {
        if !lines.is_empty() {
            text.push('\n');
        }
        for line in lines {
            text += &wrap(&format!("{title}: {line}"), width, "", "       ");
        }
    }
    text += if checked.faults.is_empty() {
        "\nNothing wrong was found.\n"
    } else {
        ""
    };
    text
}
