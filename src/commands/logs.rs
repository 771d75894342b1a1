//! The log: lines for people, or JSON on request, to standard error. Settled
//! points and events never depend on it; they go to the run folder.

use tracing_subscriber::filter::LevelFilter;

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
