//! The progress bar of `reprocess`: on a terminal only, nothing in a pipe.

use indicatif::{ProgressBar, ProgressStyle};

use crate::reprocessing::ArchiveProgress;

/// Frames done of frames there are, and points so far.
#[derive(Debug)]
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar for `frames` frames. Draws nothing unless standard error is a
    /// terminal.
    pub fn new(frames: u64) -> Self {
        let bar = ProgressBar::new(frames);
        if let Ok(style) = ProgressStyle::with_template(
            "{wide_bar} {percent:>3} %  {msg}  {elapsed} elapsed, {eta} left",
        ) {
            bar.set_style(style);
        }
        bar.set_message("no point yet");
        Self(bar)
    }

    /// Frames done.
    pub fn frames(&self, frames: u64) {
        self.0.set_position(frames);
    }

    /// Points so far.
    pub fn points(&self, points: usize) {
        let s = if points == 1 { "" } else { "s" };
        self.0.set_message(format!("{points} point{s}"));
    }

    /// Leaves no trace of itself.
    pub fn clear(&self) {
        self.0.finish_and_clear();
    }
}

/// Bytes of recordings done of bytes there are, with rate and time left, and runs ended.
#[derive(Debug)]
pub struct ArchiveBar {
    bar: ProgressBar,
    runs: usize,
}

impl ArchiveBar {
    /// A bar for so many runs. Draws nothing unless standard error is a terminal.
    pub fn new(runs: usize) -> Self {
        let bar = ProgressBar::new(0);
        if let Ok(style) = ProgressStyle::with_template(
            "{wide_bar} {percent:>3} %  {msg}  {bytes_per_sec}  {elapsed} elapsed, {eta} left",
        ) {
            bar.set_style(style);
        }
        Self { bar, runs }
    }

    /// How far it is.
    pub fn show(&self, progress: ArchiveProgress) {
        self.bar.set_length(progress.total_bytes);
        self.bar.set_position(progress.bytes);
        let failed = match progress.failed {
            0 => String::new(),
            failed => format!(", {failed} failed"),
        };
        self.bar
            .set_message(format!("{} of {} runs{failed}", progress.runs, self.runs));
    }

    /// Leaves no trace of itself.
    pub fn clear(&self) {
        self.bar.finish_and_clear();
    }
}
