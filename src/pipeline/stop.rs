//! Why a run ends, and how it is asked to.

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use signal_hook::consts::{SIGINT, SIGTERM};

/// Exit code of a run that was told twice to stop and left at once. What was
/// acknowledged is on the disk; the last samples may not be.
const FORCED_EXIT_CODE: i32 = 3;

/// Why a run ended. Starts as [`StopReason::Unknown`], never as success.
#[derive(Debug, Default)]
pub enum StopReason {
    /// Not known (yet).
    #[default]
    Unknown,
    /// Every source came to its end.
    Complete,
    /// It was asked to.
    Asked,
    /// A source broke off; the others were used to their ends.
    SourceFailed {
        /// The source.
        name: String,
        /// What is wrong and what would be right.
        what: String,
    },
    /// A stage ended before its input did: a fault of this program.
    StageDied {
        /// The stage's thread.
        name: String,
    },
    /// The results could not be written.
    SinkFailed(anyhow::Error),
}

impl StopReason {
    /// Takes note of a reason. The graver one stays; of two alike the first.
    pub(super) fn note(&mut self, reason: Self) {
        if reason.gravity() > self.gravity() {
            *self = reason;
        }
    }

    fn gravity(&self) -> u8 {
        match self {
            Self::Unknown => 0,
            Self::Complete => 1,
            Self::Asked => 2,
            Self::SourceFailed { .. } => 3,
            Self::StageDied { .. } => 4,
            Self::SinkFailed(_) => 5,
        }
    }
}

impl std::fmt::Display for StopReason {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Unknown => f.write_str("the run broke off for an unknown reason"),
            Self::Complete => f.write_str("all input was used"),
            Self::Asked => f.write_str("it was asked to stop"),
            Self::SourceFailed { name, what } => write!(f, "source \"{name}\": {what}"),
            Self::StageDied { name } => write!(
                f,
                "the thread \"{name}\" ended too early: a fault of this program; what was logged \
                 before is whole"
            ),
            Self::SinkFailed(error) => f.write_str(&in_one_line(error)),
        }
    }
}

/// An error and what caused it; causes that a text names already are not said
/// twice.
pub fn in_one_line(error: &anyhow::Error) -> String {
    let mut line = String::new();
    for cause in error.chain().map(ToString::to_string) {
        if line.contains(&cause) {
            continue;
        }
        if !line.is_empty() {
            line.push_str(": ");
        }
        line.push_str(&cause);
    }
    line
}

/// A flag that Ctrl-C or SIGTERM sets. The second signal leaves at once.
pub fn on_signals() -> io::Result<Arc<AtomicBool>> {
    let flag = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // In this order: the first signal finds the flag unset, and sets it.
        signal_hook::flag::register_conditional_shutdown(
            signal,
            FORCED_EXIT_CODE,
            Arc::clone(&flag),
        )?;
        signal_hook::flag::register(signal, Arc::clone(&flag))?;
    }
    Ok(flag)
}
