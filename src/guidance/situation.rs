//! One moment: what is known, what is seen, and what follows for whoever turns the drive.
//! Pure.

use super::advice::{Advice, place_decimals};
use super::known::Known;
use super::state::{HarmonicMark, NextHarmonic};
use super::traces::rounded;
use crate::maths;
use crate::pipeline::capture::{Coverage, LinkHealth};
use crate::recorder::SpaceForecast;
use crate::reduction::SettledPoint;
use crate::resonance::standing_wave::TrustedWaves;
use crate::resonance::{DriveStanding, DwellOutlook, PeakShownBy};

/// A source that has sent nothing for so long sends nothing, s: a device sends several
/// frames a second.
const SILENT_S: f64 = 1.2;
/// The analysis is behind by so much before what it sees is called old, s.
const BEHIND_S: f64 = 5.0;
/// A node sensor is worth moving that stands so far beside its node, mm, and sees more of
/// the loop than of the node's own motion.
const BESIDE_NODE_MM: f64 = 20.0;
const NOT_STEADY: &str = "the motion is not steady yet: wait, or look for a beat";

/// What stands beside the analysis.
pub(super) struct Moment<'a> {
    pub points: &'a [SettledPoint],
    pub coverage: &'a Coverage,
    pub alarms: &'a [String],
    pub links: &'a [LinkHealth],
    pub disk: Option<SpaceForecast>,
    pub behind_s: f64,
    pub catches_up: bool,
    pub session: u32,
    pub utc: Option<jiff::Timestamp>,
}

/// Where node and antinode are, and by what.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Places {
    pub node_from_drive_end_mm: f64,
    pub antinode_from_drive_end_mm: f64,
    /// Of both, k = 2.
    pub from_drive_end_u_mm: f64,
    /// By the waves that the fixed sensors show; else by what is known of the wave speed.
    pub by_waves: bool,
}

/// All that one state is made of.
pub(super) struct Situation<'a> {
    pub known: &'a Known,
    /// Whether anything has come from the main source yet.
    pub heard: bool,
    pub outlook: Option<&'a DwellOutlook>,
    /// Where the drive stands, by whatever tells it.
    pub standing: Option<DriveStanding>,
    /// What the fixed sensors show while the drive stands, or why that is not to be trusted;
    /// `None` where there are none.
    pub waves: Option<Result<TrustedWaves, String>>,
    /// The harmonic that the drive is at.
    pub harmonic: Option<u32>,
    pub moment: Moment<'a>,
}

impl Situation<'_> {
    /// Whether the drive is shown to stand at the peak, and by what.
    pub(super) fn on_peak(&self) -> (Option<bool>, Option<PeakShownBy>) {
        let Some(outlook) = self.outlook else {
            return (None, None);
        };
        let Some(standing) = self.standing else {
            return (outlook.passed_the_peak.then_some(true), None);
        };
        let limit = outlook.peak_limit;
        let on_peak = match standing.by {
            // As the criterion of the drive phase has it.
            PeakShownBy::DriveForce if standing.detuning.abs() <= limit => Some(true),
            _ => standing.is_on_peak(limit),
        };
        // A passage shows what nothing denies.
        if on_peak.is_none() && outlook.passed_the_peak {
            return (Some(true), None);
        }
        (on_peak, Some(standing.by))
    }

    /// How far above the peak the drive stands, where it is beyond what is allowed and
    /// beyond what is open.
    fn off_peak(&self) -> Option<DriveStanding> {
        let (outlook, standing) = (self.outlook?, self.standing?);
        let off = standing.detuning.abs();
        (off > outlook.peak_limit && off > standing.detuning_u).then_some(standing)
    }

    pub(super) fn level_deviation_pct(&self) -> Option<f64> {
        let (level, outlook) = (self.known.setup.amplitude?, self.outlook?);
        let strain = self.known.bench.largest_strain_pp_um_m();
        level.deviation_pct(outlook.frequency_hz, outlook.antinode_m_s, strain)
    }

    fn level_is_off_pct(&self) -> Option<f64> {
        let tolerance_pct = self.known.setup.amplitude?.tolerance_pct;
        self.level_deviation_pct()
            .filter(|pct| pct.abs() > tolerance_pct)
    }

    /// How far the node sensor stands beside the node, m: its in-phase part is Y_a sin(k delta).
    pub(super) fn node_offset_m(&self) -> Option<f64> {
        let outlook = self.outlook.filter(|outlook| is_rung_up(outlook))?;
        let in_phase = outlook.ratio?.re.clamp(-1.0, 1.0);
        let conductor = self.known.setup.strung_conductor();
        Some(maths::asin(in_phase) / conductor.wave_number_per_m(outlook.frequency_hz))
    }

    fn node_is_beside<'p>(&self, place: Option<&'p Places>) -> Option<&'p Places> {
        let ratio = self.outlook?.ratio?;
        let offset_mm = 1e3 * self.node_offset_m()?.abs();
        let place = place?;
        let is_seen = ratio.re.abs() > ratio.im.abs();
        (is_seen && offset_mm > BESIDE_NODE_MM.max(place.from_drive_end_u_mm)).then_some(place)
    }

    pub(super) fn advice(
        &self,
        place: Option<&Places>,
        marks: &[HarmonicMark],
        next: Option<NextHarmonic>,
    ) -> Advice {
        let silent = self.moment.links.iter().find(|link| !sends(link));
        if let Some(link) = silent {
            return Advice::NoSamples {
                source: link.source.clone(),
                silent_s: rounded(link.silent_s, 3),
            };
        }
        if let Some(sentence) = self.moment.alarms.first() {
            return Advice::Limit {
                sentence: sentence.clone(),
            };
        }
        if self.moment.behind_s > BEHIND_S {
            return Advice::CatchingUp {
                behind_s: self.moment.behind_s.round(),
            };
        }
        let Some(outlook) = self.outlook else {
            return if self.heard {
                Advice::NoTone
            } else {
                Advice::Waiting
            };
        };
        if outlook.at_rest {
            return Advice::NoTone;
        }
        if !outlook.stands {
            return Advice::LetStand;
        }
        if let Some(standing) = self.off_peak() {
            let (by_hz, by_u_hz) = standing.detuning_hz().unzip();
            let by_hz = by_hz.map(|hz| rounded(hz.abs(), 3));
            let by_u_hz = by_u_hz.map(|hz| rounded(hz, 2));
            return if standing.detuning < 0.0 {
                Advice::TurnUp { by_hz, by_u_hz }
            } else {
                Advice::TurnDown { by_hz, by_u_hz }
            };
        }
        if !is_rung_up(outlook) {
            return Advice::RingUp {
                left_s: outlook.ring_up_left_s.filter(|_| outlook.ratio_rests),
            };
        }
        if let Some(deviation_pct) = self.level_is_off_pct().filter(|_| outlook.is_still) {
            return Advice::Level {
                deviation_pct: rounded(deviation_pct, 3),
            };
        }
        if let Some(place) = self.node_is_beside(place) {
            return Advice::MoveNode {
                node_from_drive_end_m: rounded(1e-3 * place.node_from_drive_end_mm, 5),
                from_drive_end_u_mm: rounded(place.from_drive_end_u_mm, 3),
            };
        }
        let is_troubled = outlook.hold_s == 0.0 || !outlook.unmet.is_empty();
        // What moves so soon after ring-up is still that; and a hold just begun may yet move.
        let may_move = outlook.hold_s < 0.5 * outlook.least_hold_s;
        if (is_troubled || may_move) && outlook.comfort_left_s > 0.0 {
            return Advice::RingUp {
                left_s: Some(outlook.comfort_left_s),
            };
        }
        if is_troubled {
            let first = outlook.unmet.first();
            let sentence = first.map_or_else(|| NOT_STEADY.to_owned(), |(_, text)| text.clone());
            return Advice::PutRight { sentence };
        }
        if outlook.hold_s < outlook.least_hold_s {
            return Advice::Hold {
                hold_s: outlook.hold_s,
                least_hold_s: outlook.least_hold_s,
            };
        }
        // A dwell gives one point.
        if outlook.has_point && is_open_again(marks) {
            return Advice::ComeBack;
        }
        match self.on_peak().0 {
            Some(true) => Advice::Done {
                next_hz: next.map(|next| rounded(next.expected_hz, 4)),
            },
            _ => Advice::PassOverPeak,
        }
    }

    /// What is missing for the proof.
    pub(super) fn missing(&self) -> Vec<String> {
        let Some(outlook) = self.outlook.filter(|outlook| !outlook.at_rest) else {
            return vec!["a tone of the drive".into()];
        };
        if !outlook.stands {
            return vec!["a frequency that stands still".into()];
        }
        let mut missing = Vec::new();
        match outlook.ring_up_left_s {
            None => missing.push("ring-up: the node shows no motion of its own".into()),
            Some(left_s) if left_s > 0.0 => {
                missing.push(format!("ring-up: {:.0} s", left_s.ceil()));
            }
            Some(_) => {}
        }
        match self.on_peak().0 {
            Some(true) => {}
            Some(false) => missing.push("the peak: the drive stands off it".into()),
            None if outlook.why_no_standing.is_empty() => {
                missing.push("the peak: neither shown nor excluded".into());
            }
            None => {
                let why = &outlook.why_no_standing;
                let waves = self.waves.as_ref().and_then(|waves| waves.as_ref().ok());
                let pattern = waves.and_then(|waves| waves.pattern);
                let pattern = pattern.filter(|_| is_rung_up(outlook));
                let by_nodes = pattern.map(|pattern| format!("; {}", pattern.in_words()));
                missing.push(format!("the peak: {why}{}", by_nodes.unwrap_or_default()));
            }
        }
        if outlook.hold_s < outlook.least_hold_s {
            let (hold_s, least_s) = (outlook.hold_s.floor(), outlook.least_hold_s.ceil());
            missing.push(format!("the hold: {hold_s:.0} of {least_s:.0} s"));
        }
        if is_rung_up(outlook) {
            if outlook.hold_s == 0.0 {
                missing.push(NOT_STEADY.into());
            }
            if let Some(pct) = self.level_is_off_pct() {
                missing.push(format!("the level: {pct:+.0} % off its target"));
            }
        }
        missing.extend(outlook.unmet.iter().map(|(_, sentence)| sentence.clone()));
        missing
    }

    pub(super) fn also(
        &self,
        advice: &Advice,
        place: Option<&Places>,
        marks: &[HarmonicMark],
    ) -> Vec<String> {
        let mut also = Vec::new();
        let found = self.on_peak().0 == Some(true);
        let is_advice = matches!(advice, Advice::MoveNode { .. });
        if let Some(place) = place.filter(|place| (found || place.by_waves) && !is_advice) {
            let u_mm = place.from_drive_end_u_mm;
            let decimals = place_decimals(u_mm);
            let by = if place.by_waves {
                ", by the fixed sensors"
            } else {
                ""
            };
            also.push(format!(
                "node at {:.decimals$} m, antinode at {:.decimals$} m from the drive-end clamp (± {u_mm:.0} mm{by})",
                1e-3 * place.node_from_drive_end_mm,
                1e-3 * place.antinode_from_drive_end_mm,
            ));
        }
        if let Some(Err(why)) = &self.waves {
            also.push(format!(
                "the fixed sensors do not say where the node is: {why}"
            ));
        }
        if matches!(advice, Advice::PassOverPeak)
            && let Some(outlook) = self.outlook
            && !outlook.why_no_standing.is_empty()
        {
            also.push(format!(
                "nothing shows where the peak is: {}",
                outlook.why_no_standing
            ));
        }
        let done = marks.iter().filter(|mark| mark.done).count();
        also.push(format!("{done} of {} harmonics done", marks.len()));
        also
    }
}

/// Whether the harmonic that the drive is at has lost its point to an exclusion.
fn is_open_again(marks: &[HarmonicMark]) -> bool {
    let mut current = marks.iter().filter(|mark| mark.current);
    current.any(|mark| mark.state == "open" && !mark.reasons.is_empty())
}

/// Whether the span has rung up.
pub(super) fn is_rung_up(outlook: &DwellOutlook) -> bool {
    outlook.stands && outlook.ring_up_left_s.is_some_and(|left_s| left_s <= 0.0)
}

/// Whether samples come.
pub(super) fn sends(link: &LinkHealth) -> bool {
    let is_connected = link
        .counts
        .as_ref()
        .is_none_or(|counts| counts.is_connected);
    is_connected && link.silent_s < SILENT_S
}
