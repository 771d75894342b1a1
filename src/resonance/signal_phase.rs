//! The generator's signal as a reference of phase. Pure.
//!
//! At the peak of a resonance the antinode's velocity stands at some angle against
//! the signal: amplifier, shaker, sensors and wiring decide which, so it has to be
//! learnt, for each resonance, from what shows the peak by itself: the free motion at a
//! change of the drive, or a passage over the peak. From then on the angle says how far
//! the drive stands from the peak, tan(angle at the peak − angle) = 2 (f − f_0)/df,
//! for every hop and hold, though the tension may have moved the resonance since.
//!
//! Angles are taken modulo half a turn: which antinode is looked at and which way
//! round a sensor or a cable is mounted turn them by that. The peak here is that of span
//! and shaker together, as the free motion has it.

use super::channel_map::ChannelMap;
use super::finding::CriterionFinding;
use super::peak_evidence::{MassShift, PeakEvidence};
use super::phasor::{SHOWS, fold_half_turn_rad, velocity_m_s};
use crate::maths;
use crate::tone::interval::IntervalTone;
use crate::tone::swept_response::SweptResponse;

/// Farthest that a dwell may be from where its resonance was when it was learnt:
/// bandwidths, and a part of the frequency for what the tension moves it by.
const SAME_BANDWIDTHS: f64 = 1.5;
const SAME_PART: f64 = 0.003;
/// Largest standard uncertainty of an angle that is worth learning, rad.
const LARGEST_U_RAD: f64 = 0.2;
/// Resonances that are remembered, at most; the oldest goes first.
const MOST_LEARNT: usize = 200;
/// Angles of one resonance that differ by so many standard uncertainties are not
/// those of one wiring: the later counts.
const ANOTHER_WIRING: f64 = 5.0;
/// What neighbouring resonances put beside the one that is looked at turns the angle by
/// about half the bandwidth over the spacing of the harmonics (a mode one
/// spacing away moves by df/(2 df_1) of this one's peak, nearly in quadrature);
/// much of it is the same wherever the drive stands. Standard uncertainty, rad.
const NEIGHBOURS_U_RAD: f64 = 0.3;
/// Largest angle from that at the peak that is turned into a distance, rad.
const FARTHEST_RAD: f64 = 1.55;
/// What a passage may leave over the response at the peak, beside as much of what its
/// neighbours do.
const LARGEST_REST: f64 = 0.02;

/// What showed the peak.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LearntFrom {
    /// The free motion at a change of the drive.
    FreeMotion,
    /// A passage over the peak.
    Passage,
}

/// The angle of one resonance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakPhase {
    /// Where the resonance was, Hz.
    pub natural_hz: f64,
    /// Its half-power bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// Standard uncertainty of that, Hz.
    pub bandwidth_u_hz: f64,
    /// Angle of the antinode's velocity against the signal at the peak, rad, modulo half a
    /// turn.
    pub angle_rad: f64,
    /// Its standard uncertainty, rad.
    pub angle_u_rad: f64,
    /// What showed the peak.
    pub from: LearntFrom,
}

/// Antinode velocity over drive signal, (m/s)/V, as angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignalAngle {
    /// Angle, rad.
    pub rad: f64,
    /// Its standard uncertainty, rad.
    pub u_rad: f64,
}

/// Where the drive stands by the angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignalEvidence {
    /// In the terms of the free motion.
    pub peak: PeakEvidence,
    /// What had shown the peak.
    pub from: LearntFrom,
}

/// The angles of all resonances that were learnt.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SignalPhases {
    learnt: Vec<PeakPhase>,
}

impl SignalEvidence {
    /// The same for the span without what moves with its drive.
    #[must_use]
    pub fn without_drive_mass(self, shift: MassShift) -> Self {
        Self {
            peak: self.peak.without_drive_mass(shift),
            ..self
        }
    }
}

impl SignalAngle {
    /// Over a hold; `None` where there is no signal channel or it shows nothing.
    pub fn of(channels: &ChannelMap, interval: &IntervalTone) -> Option<Self> {
        let signal = &interval.channels.get(channels.signal?)?.phasor;
        let (place, quantity) = channels.antinode?;
        let antinode = &interval.channels.get(place)?.phasor;
        let relative = |size: f64, u: f64| (size > SHOWS * u).then(|| u / size);
        let u_rad = maths::hypot(
            relative(maths::modulus(signal.value), signal.part_u())?,
            relative(maths::modulus(antinode.value), antinode.part_u())?,
        );
        let velocity = velocity_m_s(quantity, antinode.value, interval.frequency_hz);
        Some(Self {
            rad: maths::argument(velocity / signal.value),
            u_rad,
        })
    }
}

impl PeakPhase {
    /// From a dwell that showed its peak by the free motion.
    fn of_free_motion(angle: SignalAngle, peak: &PeakEvidence) -> Self {
        let twice = 2.0 * peak.detuning;
        Self {
            natural_hz: peak.natural_hz,
            bandwidth_hz: peak.bandwidth_hz,
            bandwidth_u_hz: peak.bandwidth_u_hz,
            angle_rad: fold_half_turn_rad(angle.rad + maths::atan(twice)),
            angle_u_rad: maths::hypot(
                angle.u_rad,
                2.0 * peak.detuning_u / (1.0 + maths::square(twice)),
            ),
            from: LearntFrom::FreeMotion,
        }
    }

    /// From a passage, if that shows enough; `spacing_hz` of the harmonics.
    pub fn of_passage(found: &SweptResponse, spacing_hz: f64) -> Option<Self> {
        let neighbours = found.bandwidth_hz / spacing_hz;
        let angle_u_rad = maths::hypot(found.phase_u_rad, NEIGHBOURS_U_RAD * neighbours);
        let fits = found.rest <= LARGEST_REST + NEIGHBOURS_U_RAD * neighbours;
        (fits && angle_u_rad <= LARGEST_U_RAD).then_some(Self {
            natural_hz: found.frequency_hz,
            bandwidth_hz: found.bandwidth_hz,
            bandwidth_u_hz: found.bandwidth_u_hz,
            angle_rad: fold_half_turn_rad(found.phase_rad),
            angle_u_rad,
            from: LearntFrom::Passage,
        })
    }

    /// How far above the peak the drive stands by an angle, half-power bandwidths.
    pub fn detuning(&self, angle_rad: f64) -> f64 {
        let away = fold_half_turn_rad(self.angle_rad - angle_rad);
        // Nearer to a quarter turn an angle tells no distance.
        0.5 * maths::tan(away.clamp(-FARTHEST_RAD, FARTHEST_RAD))
    }

    /// Where the drive stands by an angle at a frequency.
    pub fn evidence(
        &self,
        angle: SignalAngle,
        frequency_hz: f64,
        spacing_hz: f64,
    ) -> SignalEvidence {
        let detuning = self.detuning(angle.rad);
        let (twice, away) = (
            2.0 * detuning,
            fold_half_turn_rad(self.angle_rad - angle.rad),
        );
        let bandwidth_hz = self.bandwidth_hz;
        // What neighbours turn grows with the distance between the two dwells.
        let neighbours = NEIGHBOURS_U_RAD * bandwidth_hz / spacing_hz * away.abs().min(1.0);
        let angle_u_rad = maths::hypot(maths::hypot(self.angle_u_rad, angle.u_rad), neighbours);
        let detuning_u = 0.5 * (1.0 + maths::square(twice)) * angle_u_rad;
        SignalEvidence {
            peak: PeakEvidence {
                natural_hz: frequency_hz - detuning * bandwidth_hz,
                natural_u_hz: maths::hypot(
                    detuning_u * bandwidth_hz,
                    detuning * self.bandwidth_u_hz,
                ),
                bandwidth_hz,
                bandwidth_u_hz: self.bandwidth_u_hz,
                detuning,
                detuning_u,
            },
            from: self.from,
        }
    }

    fn is_of(&self, frequency_hz: f64) -> bool {
        let farthest_hz = SAME_BANDWIDTHS * self.bandwidth_hz + SAME_PART * frequency_hz;
        (self.natural_hz - frequency_hz).abs() <= farthest_hz
    }
}

impl SignalPhases {
    /// Takes what a dwell's free motion showed.
    pub fn learn(&mut self, angle: SignalAngle, peak: &PeakEvidence) {
        self.enter(PeakPhase::of_free_motion(angle, peak));
    }

    /// Takes an angle. Of one resonance the better known one stands, wherever that
    /// resonance is by now: two angles are not averaged, because they may come from the
    /// same passage or the same free motion, looked at with two dwells, and because
    /// neighbouring resonances turn both alike.
    pub fn enter(&mut self, new: PeakPhase) {
        if new.angle_u_rad > LARGEST_U_RAD || !new.angle_rad.is_finite() {
            return;
        }
        let known = self
            .nearest(new.natural_hz)
            .and_then(|at| self.learnt.get_mut(at));
        let Some(known) = known else {
            if self.learnt.len() >= MOST_LEARNT {
                self.learnt.remove(0);
            }
            self.learnt.push(new);
            return;
        };
        let apart = fold_half_turn_rad(new.angle_rad - known.angle_rad);
        let total_u = maths::hypot(new.angle_u_rad, known.angle_u_rad);
        if apart.abs() > ANOTHER_WIRING * total_u || new.angle_u_rad <= known.angle_u_rad {
            *known = new;
        } else {
            known.natural_hz = new.natural_hz;
        }
    }

    /// What was learnt of the resonance at a frequency.
    pub fn at(&self, frequency_hz: f64) -> Option<&PeakPhase> {
        self.learnt.get(self.nearest(frequency_hz)?)
    }

    fn nearest(&self, frequency_hz: f64) -> Option<usize> {
        let off = |phase: &PeakPhase| (phase.natural_hz - frequency_hz).abs();
        self.learnt
            .iter()
            .enumerate()
            .filter(|(_, phase)| phase.is_of(frequency_hz))
            .min_by(|a, b| off(a.1).total_cmp(&off(b.1)))
            .map(|(at, _)| at)
    }
}

/// Where the signal says that the drive stands, against `limit` bandwidths.
pub(super) fn signal_finding(signal: SignalEvidence, limit: f64) -> CriterionFinding {
    let peak = signal.peak;
    let met = peak.is_on_peak(limit);
    let learnt = match signal.from {
        LearntFrom::FreeMotion => "the free motion when the drive changed",
        LearntFrom::Passage => "a passage over the peak",
    };
    let stands = format!(
        "by the phase against the drive signal, known at the peak from {learnt}, the drive stood {:+.2} ± {:.2} bandwidths from the peak, at most {limit:.2} are allowed",
        peak.detuning,
        2.0 * peak.detuning_u
    );
    let sentence = match met {
        Some(false) => format!("off resonance: {stands}"),
        _ => format!("resonance neither shown nor excluded: {stands}"),
    };
    CriterionFinding::new(peak.detuning, met, sentence)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peak(natural_hz: f64, detuning: f64, detuning_u: f64) -> PeakEvidence {
        PeakEvidence {
            natural_hz,
            natural_u_hz: 1e-3,
            bandwidth_hz: 0.1,
            bandwidth_u_hz: 1e-3,
            detuning,
            detuning_u,
        }
    }

    fn angle(deg: f64) -> SignalAngle {
        SignalAngle {
            rad: deg.to_radians(),
            u_rad: 0.0,
        }
    }

    /// Half a bandwidth above the peak the velocity lags by 45 degrees more, the
    /// definition of the half-power points; a sensor turned round changes nothing.
    #[test]
    fn an_angle_tells_the_detuning_once_the_peak_was_shown() {
        let mut phases = SignalPhases::default();
        assert_eq!(phases.at(20.0), None);
        // Shown half a bandwidth below the peak, at 70 degrees: 25 at the peak.
        phases.learn(angle(70.0), &peak(20.0, -0.5, 0.02));
        let known = phases.at(20.02).unwrap();
        for (deg, detuning) in [(25.0, 0.0), (-20.0, 0.5), (160.0, 0.5), (70.0, -0.5)] {
            let found = known.evidence(angle(deg), 20.0, 2.0).peak;
            assert!((found.detuning - detuning).abs() < 1e-9, "{deg}: {found:?}");
        }
        // 0.02 bandwidths at 45 degrees are 0.02 rad, and half as many at the peak.
        let found = known.evidence(angle(25.0), 20.0, 2.0).peak;
        assert!((found.detuning_u - 0.01).abs() < 1e-9, "{found:?}");
        assert_eq!(phases.at(20.5), None);
    }

    #[test]
    fn another_wiring_replaces_what_was_learnt() {
        let mut phases = SignalPhases::default();
        phases.learn(angle(10.0), &peak(20.0, 0.0, 0.02));
        phases.learn(angle(-60.0), &peak(20.0, 0.0, 0.03));
        let later = phases.at(20.0).unwrap();
        assert!((later.angle_rad.to_degrees() + 60.0).abs() < 1e-9);
    }

    /// One passage is looked at once for each dwell that follows it, and again when
    /// a dwell is judged in parts: that makes it known no better.
    #[test]
    fn what_is_shown_twice_is_known_no_better() {
        let mut phases = SignalPhases::default();
        let passage = PeakPhase {
            natural_hz: 20.0,
            bandwidth_hz: 0.1,
            bandwidth_u_hz: 1e-3,
            angle_rad: 0.2,
            angle_u_rad: 0.05,
            from: LearntFrom::Passage,
        };
        for _ in 0..5 {
            phases.enter(passage);
        }
        assert_eq!(phases.at(20.0), Some(&passage));
        // A poorer one later tells only where the resonance is now.
        phases.enter(PeakPhase {
            natural_hz: 20.03,
            angle_rad: 0.25,
            angle_u_rad: 0.08,
            ..passage
        });
        let moved = PeakPhase {
            natural_hz: 20.03,
            ..passage
        };
        assert_eq!(phases.at(20.0), Some(&moved));
    }
}
