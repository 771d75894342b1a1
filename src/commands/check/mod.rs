//! `spanhold check SETUP [FILE…]`: listens for some seconds and says what is
//! wrong before a day is lost.
//!
//! In: serial devices, or recordings. Out: levels, noise, mains pick-up,
//! clipping and rate of every channel, and a list of what to put right.
//! Writes nothing.

mod listen;
mod measure;
mod verdict;

use std::path::PathBuf;

use anyhow::Context as _;
use serde::Serialize;

use super::layout::{Column, layout, wrap};
use super::logs::{self, LogFormat};
use super::points_table::with_uncertainty;
use super::{Failure, Status, terminal};
use crate::pipeline;
use crate::setup;
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
    let checked = Checked::of(&loaded, &heard)?;
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
    let each =
        |cell: &dyn Fn(&ChannelReport) -> String| checked.channels.iter().map(cell).collect();
    let number = |value: f64| with_uncertainty(value, None);
    let columns = [
        Column::new("channel", "", 0, each(&|c| c.name.clone())).left(),
        Column::new("unit", "", 0, each(&|c| c.unit.clone())).left(),
        Column::new("peak", "", 0, each(&|c| number(c.measured.peak))),
        Column::new(
            "of range",
            "%",
            1,
            each(&|c| format!("{:.1}", c.measured.used_pct)),
        ),
        Column::new("rms", "", 3, each(&|c| number(c.measured.rms))),
        Column::new("offset", "", 4, each(&|c| number(c.measured.mean))),
        Column::new(
            "noise",
            "/sqrt(Hz)",
            2,
            each(&|c| c.measured.noise_density.map_or_else(String::new, number)),
        ),
        Column::new(
            "strongest line",
            "peak at Hz",
            5,
            each(&|c| {
                c.measured.strongest.map_or_else(String::new, |line| {
                    format!("{} at {:.1}", number(line.peak), line.frequency_hz)
                })
            }),
        ),
        Column::new(
            "mains",
            "peak at Hz",
            6,
            each(&|c| {
                let lines = c.measured.mains.iter();
                lines
                    .map(|line| format!("{} at {:.0}", number(line.peak), line.frequency_hz))
                    .collect::<Vec<_>>()
                    .join(", ")
            }),
        ),
        Column::new(
            "clipped",
            "samples",
            7,
            each(&|c| c.measured.clipped.to_string()),
        ),
    ];
    let mut text = layout(&columns, width);
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
