//! `spanhold capture SETUP --out RUN`: the daemon.
//!
//! In: serial devices. Out: a run folder with recordings, points, events.
//! A run that was broken off, by whatever, is gone on with by the same
//! command: what was recorded and not analysed yet is analysed first.

mod alarm;
mod coverage;
mod links;
mod session;
mod space;
mod watch;

use std::path::PathBuf;

use anyhow::Context as _;
use serde::Serialize;
use tracing_subscriber::filter::LevelFilter;

use super::logs::{self, LogFormat};
use super::points_table::points_table;
use super::{Failure, Status, terminal};
use crate::ledger::RunState;
use crate::pipeline::{self, StopReason};
use crate::reduction::SettledPoint;
use crate::setup::{self, Setup};
use session::Ended;

const CAUTIONS: &str = "\
A strung conductor stores dangerous energy. Stay out of the line of the conductor; guard the \
span ends and the dead-weight. This program is no interlock and no emergency stop: its alarms \
come late, and not at all when a sensor, the computer or the program fails.";

/// Arguments of `capture`.
#[derive(Debug, clap::Args)]
#[command(after_help = CAUTIONS)]
pub struct Args {
    /// The setup file
    setup: PathBuf,
    /// The run folder to make, or to go on with
    #[arg(long, value_name = "RUN")]
    out: PathBuf,
    /// How the log is written
    #[arg(long, value_enum, default_value = "text", value_name = "FORMAT")]
    log: LogFormat,
    /// Command to run when a limit of the setup is passed; it finds the
    /// message in SPANHOLD_ALARM
    #[arg(long, value_name = "COMMAND")]
    on_alarm: Option<String>,
    /// End the capture when a limit of the setup is passed
    #[arg(long)]
    stop_on_alarm: bool,
    /// Stop before the disk has less than this many megabytes left
    #[arg(long, value_name = "MB", default_value_t = 500)]
    keep_free_mb: u64,
    /// Length of one recording before the next is begun, s
    #[arg(long, value_name = "SECONDS", default_value_t = 600,
          value_parser = clap::value_parser!(u32).range(1..=86_400))]
    split_seconds: u32,
    /// Give up when a device has not said what it sends after this time, s
    #[arg(long, value_name = "SECONDS", default_value_t = 10,
          value_parser = clap::value_parser!(u32).range(1..=86_400))]
    connect_seconds: u32,
    /// Print the result as JSON instead of a table
    #[arg(long)]
    json: bool,
    /// Threads for the estimates; makes no difference to the results
    #[arg(long, value_name = "N", default_value_t = 1,
          value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: u16,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Summary<'a> {
    run: String,
    state: RunState,
    reason: Option<&'a str>,
    coverage: String,
    points: &'a [SettledPoint],
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let loaded = setup::read(&args.setup).map_err(anyhow::Error::from)?;
    logs::start(args.log, LevelFilter::INFO);
    for warning in &loaded.warnings {
        tracing::warn!("{}", warning.in_file(&loaded.file));
    }
    fits_capture(&loaded.setup)?;
    tracing::info!("{CAUTIONS}");
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    let ended = session::run(args, &loaded, &stop)?;
    print(args, &ended)?;
    match ended.reason {
        StopReason::Complete | StopReason::Asked if ended.alarmed => Ok(Status::CriterionNotMet),
        StopReason::Complete | StopReason::Asked => Ok(Status::Done),
        StopReason::SinkFailed(error) => Err(Failure::Device(error)),
        other => Err(Failure::Device(anyhow::anyhow!("{other}"))),
    }
}

/// What a setup must have, and must not have, to be captured with.
fn fits_capture(setup: &Setup) -> anyhow::Result<()> {
    for source in &setup.sources {
        if !matches!(source.kind, setup::SourceKind::Serial { .. }) {
            anyhow::bail!(
                "source \"{}\" is of kind \"wav\": capture listens to devices, kind = \"serial\" is \
                 right; for recordings use `spanhold reprocess`",
                source.name
            );
        }
    }
    if setup.limits.strain_pp_um_m.is_some()
        && !setup.channels.iter().any(|c| c.role.is_clamp_strain())
    {
        anyhow::bail!(
            "limits.strain_pp_um_m is set, but no channel has the role \"clamp-strain\": nothing \
             would be watched; add the gauge or remove the limit"
        );
    }
    Ok(())
}

fn print(args: &Args, ended: &Ended) -> Result<(), Failure> {
    let text = if args.json {
        let summary = Summary {
            run: args.out.display().to_string(),
            state: ended.record.state,
            reason: ended.record.reason.as_deref(),
            coverage: ended.coverage.summary(),
            points: &ended.points,
        };
        let mut text = serde_json::to_string_pretty(&summary).map_err(anyhow::Error::from)?;
        text.push('\n');
        text
    } else {
        let width = terminal::width();
        format!(
            "{}\n{}{}\n",
            points_table(&ended.points, width),
            ended.coverage.text(width),
            args.out.display()
        )
    };
    terminal::print(&text).map_err(|error| {
        Failure::Device(anyhow::Error::from(error).context("cannot write to standard output"))
    })
}
