//! The log: lines for people, or JSON on request, to standard error. Settled
//! points and events never depend on it; they go to the run folder.

use std::fs::OpenOptions;
use std::path::Path;
use std::sync::Mutex;

use anyhow::Context as _;
use tracing_subscriber::Layer as _;
use tracing_subscriber::filter::LevelFilter;
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::time::FormatTime;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use super::tuning_line::TuningLine;

/// How the log is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum LogFormat {
    /// One readable line an entry
    Text,
    /// One JSON object a line
    Json,
}

/// Starts the log. A second start in one process leaves the first as it is.
pub fn start(format: LogFormat, level: LevelFilter) {
    let log = tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_max_level(level)
        // A log that cannot be written must not end what is logged: by default
        // the failure is printed, to the same place, and that panics.
        .log_internal_errors(false)
        .with_target(false);
    let started = match format {
        LogFormat::Text => {
            let colours = console::colors_enabled_stderr();
            log.with_ansi(colours).try_init()
        }
        LogFormat::Json => log.json().flatten_event(true).try_init(),
    };
    // Only ever fails when a log is running already.
    drop(started);
}

/// Where the log of a capture goes.
#[derive(Debug)]
pub struct CaptureLog<'a> {
    /// How it is written to standard error; `None`: as suits a terminal or a pipe.
    pub format: Option<LogFormat>,
    /// The line at the foot of the terminal, where there is one: warnings stand above it, in
    /// local time, and all else is told otherwise.
    pub line: Option<&'a TuningLine>,
    /// A file that gets every entry as a JSON object a line.
    pub file: Option<&'a Path>,
}

impl CaptureLog<'_> {
    /// Starts the log. A second start in one process leaves the first as it is.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn start(&self) -> anyhow::Result<()> {
        let Some(path) = self.file else {
            match (self.format, self.line) {
                (None, Some(line)) => above_line(line),
                (format, _) => start(format.unwrap_or(LogFormat::Text), LevelFilter::INFO),
            }
            return Ok(());
        };
        let file = OpenOptions::new()
            .append(true)
            .create(true)
            .open(path)
            .with_context(|| format!("--log-file {}: cannot be written", path.display()))?;
        let to_file = tracing_subscriber::fmt::layer()
            .json()
            .flatten_event(true)
            .log_internal_errors(false)
            .with_target(false)
            .with_writer(Mutex::new(file))
            .with_filter(LevelFilter::INFO);
        let log = tracing_subscriber::registry().with(to_file);
        let to_terminal = tracing_subscriber::fmt::layer()
            .log_internal_errors(false)
            .with_target(false)
            .with_ansi(console::colors_enabled_stderr());
        let started = match (self.format, self.line) {
            (None, Some(line)) => {
                let line = line.clone();
                let layer = to_terminal
                    .with_timer(LocalTime)
                    .with_writer(move || line.clone());
                log.with(layer.with_filter(LevelFilter::WARN)).try_init()
            }
            (Some(LogFormat::Json), _) => {
                let layer = to_terminal
                    .json()
                    .flatten_event(true)
                    .with_writer(std::io::stderr);
                log.with(layer.with_filter(LevelFilter::INFO)).try_init()
            }
            _ => {
                let layer = to_terminal.with_writer(std::io::stderr);
                log.with(layer.with_filter(LevelFilter::INFO)).try_init()
            }
        };
        drop(started);
        Ok(())
    }
}

/// Warnings above the line at the foot of a terminal.
fn above_line(line: &TuningLine) {
    let line = line.clone();
    let log = tracing_subscriber::fmt()
        .with_writer(move || line.clone())
        .with_max_level(LevelFilter::WARN)
        .log_internal_errors(false)
        .with_target(false)
        .with_timer(LocalTime)
        .with_ansi(console::colors_enabled_stderr());
    drop(log.try_init());
}

/// Hours, minutes and seconds where the bench stands.
#[derive(Debug, Clone, Copy)]
struct LocalTime;

impl FormatTime for LocalTime {
    fn format_time(&self, writer: &mut Writer<'_>) -> std::fmt::Result {
        write!(
            writer,
            "{}",
            jiff::ZonedDateTime::now().strftime("%H:%M:%S")
        )
    }
}
