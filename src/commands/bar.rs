//! The progress bar of `reprocess`: on a terminal only, nothing in a pipe.

use indicatif::{ProgressBar, ProgressStyle};

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
