//! The line at the foot of the terminal while a drive is tuned, and lines above it. Only
//! ever drawn on a terminal.

use std::io::{self, Write};

use indicatif::{ProgressBar, ProgressStyle};

use crate::guidance::CaptureState;

/// The line; a copy draws the same one.
#[derive(Debug, Clone)]
pub struct TuningLine(ProgressBar);

impl TuningLine {
    /// `None` unless standard error is a terminal.
    pub fn on_terminal() -> Option<Self> {
        if !console::Term::stderr().is_term() {
            return None;
        }
        let bar = ProgressBar::new_spinner();
        if let Ok(style) = ProgressStyle::with_template("{wide_msg}") {
            bar.set_style(style);
        }
        Some(Self(bar))
    }

    /// What to do now, and the numbers for it.
    pub fn show(&self, state: &CaptureState) {
        self.0.set_message(status_line(state));
        self.0.tick();
    }

    /// A line that stays, cut to the width of the terminal.
    pub fn above(&self, text: &str) {
        let width = usize::from(console::Term::stderr().size().1).max(40);
        self.0.println(console::truncate_str(text, width - 1, "…"));
    }

    /// Leaves no trace of itself.
    pub fn clear(&self) {
        self.0.finish_and_clear();
    }
}

/// The log's lines stand above.
impl Write for TuningLine {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.suspend(|| io::stderr().write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stderr().flush()
    }
}

/// In one line: what to do, then what is read.
fn status_line(state: &CaptureState) -> String {
    let reading = &state.reading;
    let mut parts = vec![state.now.clone()];
    parts.extend(reading.frequency_hz.map(|hz| format!("{hz:.3} Hz")));
    parts.extend(
        reading
            .antinode_velocity_mm_s
            .map(|v| format!("{v:.1} mm/s")),
    );
    parts.extend(reading.efficiency_pct.map(|pct| format!("{pct:.2} %")));
    let largest = state.strain.iter().filter_map(|gauge| gauge.strain_pp_um_m);
    parts.extend(
        largest
            .reduce(f64::max)
            .map(|pp| format!("{pp:.0} µm/m pp")),
    );
    let done = state.harmonics.iter().filter(|mark| mark.done).count();
    parts.push(format!("{done}/{} done", state.harmonics.len()));
    parts.join(" | ")
}
