//! `spanhold capture SETUP --out RUN`: the daemon.
//!
//! In: serial devices. Out: a run folder with recordings, points, events.
//! A run that was broken off, by whatever, is gone on with by the same
//! command: what was recorded and not analysed yet is analysed first.

mod alarm;
mod view;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use sd_notify::NotifyState;
use serde::Serialize;

use super::known_span::known_span;
use super::logs::{CaptureLog, LogFormat};
use super::points_table::{point_notes, points_table};
use super::tuning_line::TuningLine;
use super::{Failure, Status, terminal};
use crate::analysis::{Event, Exclusion};
use crate::ingest::SystemClock;
use crate::ledger::{Run, RunState};
use crate::live::{Access, Bulletin, KeptAddress, PageServer, ServerLimits};
use crate::pipeline::capture::{
    CaptureError, CaptureMoment, CaptureRequest, Captured, Coverage, Listener, SerialDevices,
    Surroundings, SystemDisk, capture, fits_capture,
};
use crate::pipeline::{self, StopReason};
use crate::plan::{Assumptions, Plan};
use crate::recorder::SystemStorage;
use crate::reduction::SettledPoint;
use crate::report::required_curves::curve_remarks;
use crate::report::text_table::wrap;
use crate::setup;
use crate::tone::{ToneMessage, TonePlan};
use alarm::Hook;
use view::{NotesSeen, ShownPage, View};

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
    /// The run of the bare span: what is said while tuning, the harmonics of the plan and the
    /// places of the sensors, goes by its resonances instead of tension and mass. It makes no
    /// difference to the points
    #[arg(long, value_name = "BARE_RUN")]
    bare: Option<PathBuf>,
    /// How the log is written to standard error; on a terminal only what a
    /// person needs, unless this is given
    #[arg(long, value_enum, value_name = "FORMAT")]
    log: Option<LogFormat>,
    /// Write the whole log to this file as well, one JSON object a line
    #[arg(long, value_name = "FILE")]
    log_file: Option<PathBuf>,
    /// Where the live page is shown; without it on this computer alone, where
    /// it was before or on a free port. Any other address asks viewers for the
    /// token that is printed with it
    #[arg(long, value_name = "ADDRESS:PORT", conflicts_with = "no_page")]
    page: Option<SocketAddr>,
    /// Show no live page
    #[arg(long)]
    no_page: bool,
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
    /// Threads of the analysis; makes no difference to the results
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
    let known = known_span(&loaded.setup, args.bare.as_deref())?;
    let (server, page) = show_page(args)?.unzip();
    let line = TuningLine::on_terminal().filter(|_| args.log.is_none());
    let log = CaptureLog {
        format: args.log,
        line: line.as_ref(),
        file: args.log_file.as_deref(),
    };
    log.start()?;
    for warning in &loaded.warnings {
        tracing::warn!("{}", warning.in_file(&loaded.file));
    }
    for remark in curve_remarks(&loaded.setup, &args.setup) {
        tracing::warn!("{remark}");
    }
    fits_capture(&loaded.setup)?;
    if line.is_some() {
        terminal::say(CAUTIONS);
    } else {
        tracing::info!("{CAUTIONS}");
    }
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    let assumed = Assumptions::of(&loaded.setup);
    let planned = Plan::by(&loaded.setup, &known, assumed).harmonics_hz();
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
    let view = View::new(&loaded.setup, known, &args.setup, &args.out, page, line);
    let mut listener = ServiceNotices::new(args.on_alarm.clone().map(Hook::new), view, &args.out);
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
    });
    // Whoever watches is told before what was read from is gone.
    drop(server);
    let ended = ended?;
    print(args, &ended)?;
    for alarm in listener.view.alarms() {
        terminal::say(format_args!("alarm at {alarm}"));
    }
    match ended.reason {
        StopReason::Complete | StopReason::Asked if ended.alarmed => Ok(Status::CriterionNotMet),
        StopReason::Complete | StopReason::Asked => Ok(Status::Done),
        StopReason::SinkFailed(error) => Err(Failure::Device(error)),
        other => Err(Failure::Device(anyhow::anyhow!("{other}"))),
    }
}

/// The page where it is wanted, its address said first of all. Where nobody asked for an
/// address a capture goes on without a page.
fn show_page(args: &Args) -> Result<Option<(PageServer, ShownPage)>, Failure> {
    if args.no_page {
        return Ok(None);
    }
    let (listener, kept) = match KeptAddress::listen(args.page, &args.out) {
        Ok(listening) => listening,
        Err(error) if args.page.is_some() => return Err(Failure::Input(error.into())),
        Err(error) => {
            terminal::say(format_args!("no live page: {error}"));
            return Ok(None);
        }
    };
    let bulletin = Arc::new(Bulletin::default());
    let access = Access {
        address: kept.address,
        token: kept.token.clone(),
    };
    let limits = ServerLimits::default();
    let run = args.out.clone();
    let server = PageServer::start(listener, access, Arc::clone(&bulletin), run, limits)
        .context("cannot start a thread for the live page")
        .map_err(Failure::Device)?;
    terminal::address(&kept.url());
    // Who writes needs the token on this computer, too.
    if kept.url() != kept.url_to_write() {
        terminal::say(format_args!(
            "to write notes from the page, open it at {}",
            kept.url_to_write()
        ));
    }
    let page = ShownPage {
        bulletin,
        kept,
        folder: args.out.clone(),
    };
    Ok(Some((server, page)))
}

/// The service manager, if there is one, the user's command for alarms, page and terminal.
struct ServiceNotices {
    view: View,
    notes: NotesSeen,
    watchdog: Option<(Duration, Instant)>,
    hook: Option<Hook>,
}

impl ServiceNotices {
    fn new(hook: Option<Hook>, view: View, run: &Path) -> Self {
        Self {
            view,
            notes: NotesSeen::of(run),
            // Three times as often as it is asked for.
            watchdog: sd_notify::watchdog_enabled().map(|interval| (interval / 3, Instant::now())),
            hook,
        }
    }
}

impl Listener for ServiceNotices {
    fn ready(&mut self) {
        self.view.ready();
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

    fn sources(&mut self, plans: &[TonePlan]) {
        self.view.sources(plans);
    }

    fn heard(&mut self, source: usize, message: &ToneMessage) {
        self.view.heard(source, message);
    }

    fn look(&mut self, look: &CaptureMoment) {
        self.view.look(look);
    }

    fn exclusions(&mut self, points: &[SettledPoint]) -> Option<Vec<Exclusion>> {
        self.notes.exclusions(points)
    }

    fn event(&mut self, event: &Event) {
        self.view.event(event);
    }

    fn point(&mut self, point: &SettledPoint) {
        self.view.point(point);
    }

    fn status(&mut self, line: &str) {
        notify(&[NotifyState::Status(line)]);
        if let Some(hook) = &mut self.hook {
            hook.collect();
        }
    }

    fn alarm(&mut self, message: &str) {
        self.view.alarm(message);
        if let Some(hook) = &mut self.hook {
            hook.start(message);
        }
    }

    fn stopping(&mut self) {
        self.view.stopping();
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
    // Notes may have been written while it went on.
    let run = Run::open(&args.out).map_err(anyhow::Error::from)?;
    let coverage = ended.coverage.without(&run.exclusions(), &ended.points);
    let text = if args.json {
        let summary = Summary {
            run: args.out.display().to_string(),
            state: ended.record.state,
            reason: ended.record.reason.as_deref(),
            coverage: coverage.summary(),
            points: &ended.points,
        };
        let mut text = serde_json::to_string_pretty(&summary).map_err(anyhow::Error::from)?;
        text.push('\n');
        text
    } else {
        let width = terminal::width();
        format!(
            "{}\n{}{}{}\n",
            points_table(&ended.points, width),
            point_notes(&run, width),
            coverage_text(&coverage, width),
            args.out.display()
        )
    };
    terminal::print(&text).map_err(|error| {
        Failure::Device(anyhow::Error::from(error).context("cannot write to standard output"))
    })
}
