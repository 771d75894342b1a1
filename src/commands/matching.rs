//! `spanhold match SETUP FILE… --out MATCH`: a recording with all fixed sensors at one place → gain
//! and phase of each relative to their mean, in a file that a setup can name.

use std::path::PathBuf;

use anyhow::Context as _;
use serde::Serialize;

use super::{Failure, Status, terminal};
use crate::pipeline::{self, ReplayOptions};
use crate::report::text_table::TextTable;
use crate::reprocessing::{MatchMade, MatchRequest, match_recordings};
use crate::setup::{MatchedChannel, MatchedRow};

/// Arguments of `match`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The setup file
    setup: PathBuf,
    /// The recordings (WAV) with all `wave` channels at one place, or folders of
    /// recordings; with several sources NAME=FILE says whose each is
    #[arg(required = true, value_name = "FILE")]
    files: Vec<String>,
    /// The file to write, to be named by `matching = "MATCH"` in a setup beside it
    #[arg(long, value_name = "MATCH")]
    out: PathBuf,
    /// Replace MATCH where it is there
    #[arg(long)]
    force: bool,
    /// Print the result as JSON instead of a table
    #[arg(long)]
    json: bool,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Summary<'a> {
    file: String,
    notes: &'a [String],
    channels: Vec<ChannelSummary<'a>>,
}

#[derive(Serialize)]
struct ChannelSummary<'a> {
    name: &'a str,
    rows: &'a [MatchedRow],
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    let request = MatchRequest {
        setup: &args.setup,
        recordings: &args.files,
        out: &args.out,
        replace: args.force,
        block_frames: ReplayOptions::default().block_frames,
    };
    let made = match_recordings(request, jiff::Timestamp::now(), &stop)?;
    for note in &made.notes {
        terminal::say(note);
    }
    let text = if args.json {
        json(args, &made).context("the matching as JSON")?
    } else {
        table(args, &made)
    };
    super::print(&text)?;
    Ok(Status::Done)
}

fn json(args: &Args, made: &MatchMade) -> serde_json::Result<String> {
    let channels = made.matching.channels.iter();
    let channels = channels.map(|channel| ChannelSummary {
        name: &channel.name,
        rows: &channel.rows,
    });
    let summary = Summary {
        file: args.out.display().to_string(),
        notes: &made.notes,
        channels: channels.collect(),
    };
    Ok(serde_json::to_string_pretty(&summary)? + "\n")
}

/// The ends of what a channel's rows hold, lowest and highest.
fn ends(channel: &MatchedChannel, value: fn(&MatchedRow) -> f64) -> (f64, f64) {
    let values = channel.rows.iter().map(value);
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    })
}

fn table(args: &Args, made: &MatchMade) -> String {
    let range = |(low, high): (f64, f64), decimals: usize| {
        format!("{low:+.decimals$} to {high:+.decimals$}")
    };
    let channels = TextTable::new(&made.matching.channels)
        .words("channel", "", 0, |c| c.name.clone())
        .numbers("frequencies", "Hz", 2, |c| {
            let (low, high) = ends(c, |row| row.frequency_hz);
            format!("{low:.1} to {high:.1}")
        })
        .numbers("gain off the mean", "%", 0, |c| {
            range(ends(c, |row| 100.0 * (row.gain - 1.0)), 3)
        })
        .numbers("±", "%", 0, |c| {
            format!("{:.3}", ends(c, |row| 100.0 * row.gain_u).1)
        })
        .numbers("phase off the mean", "deg", 0, |c| {
            range(ends(c, |row| row.phase_deg), 3)
        })
        .numbers("±", "deg", 0, |c| {
            format!("{:.3}", ends(c, |row| row.phase_u_deg).1)
        })
        .numbers("rows", "", 3, |c| c.rows.len().to_string())
        .numbers("least SNR", "dB", 3, |c| {
            format!("{:.0}", ends(c, |row| row.snr_db).0)
        });
    format!(
        "{}(± is the largest expanded uncertainty, k = 2; the mean is the complex mean of all)\n{}\n",
        channels.text(terminal::width()),
        args.out.display()
    )
}
