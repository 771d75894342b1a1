//! What a person sees of a capture: the live page, and lines on the terminal.
//!
//! In: what the capture tells its listener. Out: the state at the bulletin, a status line,
//! a line a point. None of it is waited for.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use super::super::tuning_line::TuningLine;
use crate::analysis::{Event, Exclusion};
use crate::evaluation::criteria::RequiredCurve;
use crate::guidance::{CaptureState, Guide};
use crate::ledger::{NOTES_FILE, read_exclusions};
use crate::live::{Bulletin, KeptAddress};
use crate::pipeline::capture::CaptureMoment;
use crate::plan::KnownSpan;
use crate::reduction::SettledPoint;
use crate::setup::{Setup, Verdict, read_small_text};
use crate::tone::{ToneMessage, TonePlan};

/// The page: where its values hang, and what the run folder is to keep of it.
pub struct ShownPage {
    pub bulletin: Arc<Bulletin>,
    pub kept: KeptAddress,
    pub folder: PathBuf,
}

/// Page and terminal, each where there is one.
pub struct View {
    guide: Guide,
    page: Option<ShownPage>,
    line: Option<TuningLine>,
    latest: Option<CaptureState>,
    notes: NotesSeen,
    /// Limits that were passed, with the local time.
    alarms: Vec<String>,
}

impl View {
    pub fn new(
        setup: &Setup,
        known: KnownSpan,
        setup_file: &Path,
        folder: &Path,
        page: Option<ShownPage>,
        line: Option<TuningLine>,
    ) -> Self {
        let name = folder.file_name().unwrap_or(folder.as_os_str());
        let mut guide = Guide::new(setup, &name.to_string_lossy(), &curves(setup, setup_file));
        guide.span(known);
        let view = Self {
            guide,
            page,
            line,
            latest: None,
            notes: NotesSeen::of(folder),
            alarms: Vec::new(),
        };
        view.publish(&view.guide.before_the_first_sample());
        view
    }

    fn is_watched(&self) -> bool {
        self.page.is_some() || self.line.is_some()
    }

    /// The run folder is there: it keeps where the page is.
    pub fn ready(&self) {
        if let Some(page) = &self.page
            && let Err(error) = page.kept.keep(&page.folder)
        {
            tracing::warn!(%error, "The run folder does not keep the address of the live page.");
        }
    }

    pub fn sources(&mut self, plans: &[TonePlan]) {
        self.guide.sources(plans);
    }

    pub fn heard(&mut self, source: usize, message: &ToneMessage) {
        if self.is_watched() {
            self.guide.hear(source, message);
        }
    }

    pub fn event(&mut self, event: &Event) {
        self.guide.event(event);
    }

    pub fn look(&mut self, look: &CaptureMoment) {
        if !self.is_watched() {
            return;
        }
        if let Some(exclusions) = self.notes.exclusions(look.points) {
            self.guide.exclusions(exclusions);
        }
        let state = self.guide.state(look);
        if let Some(line) = &self.line {
            line.show(&state);
        }
        self.publish(&state);
        self.latest = Some(state);
    }

    fn publish(&self, state: &CaptureState) {
        let Some(page) = &self.page else {
            return;
        };
        let signals = serde_json::to_vec(&self.guide.traces());
        match serde_json::to_vec(state).and_then(|state| Ok((state, signals?))) {
            Ok((state, signals)) => page.bulletin.publish(state, signals),
            Err(error) => tracing::warn!(%error, "The live page cannot be written."),
        }
    }

    pub fn point(&self, point: &SettledPoint) {
        if let Some(line) = &self.line {
            line.above(&point_line(point, &local_time()));
        }
    }

    /// A limit was passed; the log has said it.
    pub fn alarm(&mut self, message: &str) {
        self.alarms.push(format!("{}  {message}", local_time()));
    }

    pub fn stopping(&mut self) {
        if let Some(state) = self.latest.take() {
            self.publish(&state.ended("it was asked to stop, or its input ended"));
        }
        if let Some(line) = &self.line {
            line.clear();
        }
    }

    /// The limits that were passed, once more.
    pub fn alarms(&self) -> &[String] {
        &self.alarms
    }
}

/// The notes of the run, which the page and other programs write beside the capture.
pub(super) struct NotesSeen {
    folder: PathBuf,
    /// Length and time of the file when it was last read.
    stamp: Option<(u64, SystemTime)>,
}

impl NotesSeen {
    pub(super) fn of(folder: &Path) -> Self {
        Self {
            folder: folder.to_owned(),
            stamp: None,
        }
    }

    /// The points that are not to count, where a note has come since it was last asked.
    pub(super) fn exclusions(&mut self, points: &[SettledPoint]) -> Option<Vec<Exclusion>> {
        let file = self.folder.join(NOTES_FILE).metadata().ok()?;
        let stamp = (file.len(), file.modified().ok()?);
        if self.stamp == Some(stamp) {
            return None;
        }
        self.stamp = Some(stamp);
        read_exclusions(&self.folder, points)
            .inspect_err(|error| tracing::warn!(%error, "The notes of the run cannot be read."))
            .ok()
    }
}

/// The required curves of a setup; what cannot be read is said by the ledger.
fn curves(setup: &Setup, setup_file: &Path) -> Vec<(String, RequiredCurve)> {
    setup
        .curve_files(setup_file)
        .filter_map(|(_, curve, path)| {
            let text = read_small_text(&path).ok()?;
            Some((curve.to_owned(), RequiredCurve::parse(&text, curve).ok()?))
        })
        .collect()
}

fn local_time() -> String {
    jiff::ZonedDateTime::now().strftime("%H:%M:%S").to_string()
}

/// A point in one short line.
fn point_line(point: &SettledPoint, time: &str) -> String {
    let number = |value: Option<f64>, decimals: usize, unit: &str| {
        value.map_or_else(
            || format!("– {unit}"),
            |value| format!("{value:.decimals$} {unit}"),
        )
    };
    let verdict = point.verdict.word();
    let harmonic = point
        .harmonic
        .map_or_else(|| "–".to_owned(), |n| n.to_string());
    let mut line = format!(
        "{time}  point {:<3} {verdict:<8}  n {harmonic:<3}  {:>10}",
        point.point,
        number(point.frequency_hz.map(|hz| hz.value), 3, "Hz"),
    );
    if point.verdict != Verdict::Rejected {
        let _ = write!(
            line,
            "  {:>10}  {:>8}",
            number(point.antinode_velocity_mm_s.map(|v| v.value), 1, "mm/s"),
            number(point.efficiency_pct.map(|pct| pct.value), 2, "%"),
        );
    }
    if let Some(reason) = point
        .reasons
        .first()
        .filter(|_| point.verdict != Verdict::Held)
    {
        let _ = write!(line, "  {reason}");
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduction::Measured;

    #[test]
    fn a_point_is_one_short_line() {
        let mut point = SettledPoint {
            point: 3,
            verdict: Verdict::Held,
            harmonic: Some(9),
            frequency_hz: Some(Measured::new(18.262_13, 0.001)),
            antinode_velocity_mm_s: Some(Measured::new(199.84, 2.0)),
            efficiency_pct: Some(Measured::new(12.337, 0.2)),
            ..SettledPoint::default()
        };
        assert_eq!(
            point_line(&point, "14:32:10"),
            "14:32:10  point 3   held      n 9     18.262 Hz  199.8 mm/s   12.34 %"
        );
        point.verdict = Verdict::Rejected;
        point.reasons = vec!["a beat of 0.35 Hz".into()];
        assert_eq!(
            point_line(&point, "14:32:10"),
            "14:32:10  point 3   rejected  n 9     18.262 Hz  a beat of 0.35 Hz"
        );
    }
}
