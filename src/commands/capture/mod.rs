//! `spanhold capture SETUP --out RUN`: the daemon.
//!
//! In: serial devices. Out: a run folder with recordings, points, events.
//! A run that was broken off, by whatever, is gone on with by the same
//! command: what was recorded and not analysed yet is analysed first.

mod alarm;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use sd_notify::NotifyState;
use serde::Serialize;
use tracing_subscriber::filter::LevelFilter;

use super::logs::{self, LogFormat};
use super::points_table::points_table;
use super::{Failure, Status, terminal};
use crate::ingest::SystemClock;
use crate::ledger::RunState;
use crate::pipeline::capture::{
    CaptureError, CaptureRequest, Captured, Coverage, Listener, SerialDevices, Surroundings,
    SystemDisk, capture, fits_capture,
};
use crate::pipeline::{self, StopReason};
use crate::plan::{Assumptions, Plan};
use crate::recorder::SystemStorage;
use crate::reduction::SettledPoint;
use crate::report::text_table::wrap;
use crate::setup;
use alarm::Hook;

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
    let planned = Plan::of(&loaded.setup, Assumptions::of(&loaded.setup))
        .harmonics
        .iter()
        .map(|harmonic| (harmonic.harmonic, harmonic.frequency_hz))
        .collect();
    let request = CaptureRequest {
        loaded: &loaded,
        setup_file: &args.setup,
        folder: &args.out,
        planned,
        split_seconds: f64::from(args.split_seconds),
        keep_free_bytes: args.keep_free_mb * 1_000_000,
        stop_on_alarm: args.stop_on_alarm,
        threads: usize::from(args.threads),
    };
    let mut listener = ServiceNotices::new(args.on_alarm.clone().map(Hook::new));
    let surroundings = Surroundings {
        clock: Arc::new(SystemClock::default()),
        storage: SystemStorage::shared(),
        disk: &SystemDisk,
        devices: &SerialDevices {
            patience: Duration::from_secs(args.connect_seconds.into()),
        },
        listener: &mut listener,
    };
    let ended = capture(&request, surroundings, &stop).map_err(|error| match error {
        CaptureError::Refused(error) => Failure::Input(error),
        CaptureError::Failed(error) => Failure::Device(error),
    })?;
    print(args, &ended)?;
    match ended.reason {
        StopReason::Complete | StopReason::Asked if ended.alarmed => Ok(Status::CriterionNotMet),
        StopReason::Complete | StopReason::Asked => Ok(Status::Done),
        StopReason::SinkFailed(error) => Err(Failure::Device(error)),
        other => Err(Failure::Device(anyhow::anyhow!("{other}"))),
    }
}

/// The service manager, if there is one, and the user's command for alarms.
struct ServiceNotices {
    watchdog: Option<(Duration, Instant)>,
    hook: Option<Hook>,
}

impl ServiceNotices {
    fn new(hook: Option<Hook>) -> Self {
        Self {
            // Three times as often as it is asked for.
            watchdog: sd_notify::watchdog_enabled().map(|interval| (interval / 3, Instant::now())),
            hook,
        }
    }
}

impl Listener for ServiceNotices {
    fn ready(&mut self) {
        notify(&[NotifyState::Ready]);
    }

    fn alive(&mut self) {
        if let Some((interval, last)) = &mut self.watchdog
            && last.elapsed() >= *interval
        {
            *last = Instant::now();
            notify(&[NotifyState::Watchdog]);
        }
    }

    fn status(&mut self, line: &str) {
        notify(&[NotifyState::Status(line)]);
        if let Some(hook) = &mut self.hook {
            hook.collect();
        }
    }

    fn alarm(&mut self, message: &str) {
        if let Some(hook) = &mut self.hook {
            hook.start(message);
        }
    }

    fn stopping(&mut self) {
        notify(&[NotifyState::Stopping]);
    }
}

fn notify(state: &[NotifyState]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!(%error, "The service manager does not listen.");
    }
}

/// The plan against the points, at most `width` columns wide.
fn coverage_text(coverage: &Coverage, width: usize) -> String {
    let mut lines = coverage.lines().into_iter();
    let head = lines.next().unwrap_or_default() + "\n";
    // A number and its frequency stay on one line.
    let text = lines.fold(head, |text, line| text + &wrap(&line, width, "  ", "    "));
    text.replace('\u{a0}', " ")
}

fn print(args: &Args, ended: &Captured) -> Result<(), Failure> {
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
            coverage_text(&ended.coverage, width),
            args.out.display()
        )
    };
    terminal::print(&text).map_err(|error| {
        Failure::Device(anyhow::Error::from(error).context("cannot write to standard output"))
    })
}
