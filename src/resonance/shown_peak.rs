//! Where the peak is by all that shows it without a drive force: the span's free
//! motion and the phase against the drive signal, weighed by their uncertainty. Pure.

use super::peak_evidence::{MassShift, PeakEvidence, off_peak_effect, peak_finding};
use super::signal_phase::{SignalEvidence, signal_finding};
use crate::setup::Verdict;

/// What the free motion and the drive signal show together.
#[derive(Debug, Clone, PartialEq)]
pub struct ShownPeak {
    /// Both, weighed.
    pub together: PeakEvidence,
    /// Whether the drive stands at the peak: shown, excluded, or neither.
    pub met: Option<bool>,
    /// Whether one of them says that it does not.
    pub contradicted: bool,
    /// What to say where it is not shown.
    reason: String,
}

impl ShownPeak {
    /// Against `limit` half-power bandwidths; `None` where neither shows anything. `shift`
    /// leads from the peak of span and shaker to that of the span alone.
    pub fn of(
        peak: Option<PeakEvidence>,
        signal: Option<SignalEvidence>,
        shift: MassShift,
        limit: f64,
    ) -> Option<Self> {
        let together = together(peak, signal, shift)?;
        let peak = peak.map(|peak| peak.without_drive_mass(shift));
        let signal = signal.map(|signal| signal.without_drive_mass(shift));
        let met = together.is_on_peak(limit);
        let each: Vec<_> = peak
            .map(|peak| peak_finding(peak, limit))
            .into_iter()
            .chain(signal.map(|signal| signal_finding(signal, limit)))
            .collect();
        let contradicted = each.iter().any(|finding| finding.met == Some(false));
        let agrees = each.into_iter().find(|finding| finding.met == met);
        // Neither by itself says what both do.
        let reason = agrees.map_or_else(
            || {
                let what = match met {
                    Some(false) => "off resonance",
                    _ => "resonance neither shown nor excluded",
                };
                format!(
                    "{what}: by the span's free motion and by the phase against the drive signal the drive stood {} and {} bandwidths from the peak, {:+.2} ± {:.2} together, at most {limit:.2} are allowed",
                    in_words(peak),
                    in_words(signal.map(|signal| signal.peak)),
                    together.detuning,
                    2.0 * together.detuning_u,
                )
            },
            |finding| finding.sentence,
        );
        Some(Self {
            together,
            met,
            contradicted,
            reason,
        })
    }

    /// Verdict and reasons of a dwell that meets all else, `others` being what has to be
    /// said anyway.
    pub fn verdict(self, others: impl Iterator<Item = String>) -> (Verdict, Vec<String>) {
        let effect = off_peak_effect(self.together.detuning);
        match self.met {
            Some(true) => (Verdict::Held, others.collect()),
            Some(false) => {
                let own = [self.reason, effect].into_iter();
                (Verdict::OffPeak, own.chain(others).collect())
            }
            None => (
                Verdict::Steady,
                std::iter::once(self.reason).chain(others).collect(),
            ),
        }
    }
}

/// Both, weighed by their uncertainty, for the span without what moves with its drive.
pub fn together(
    peak: Option<PeakEvidence>,
    signal: Option<SignalEvidence>,
    shift: MassShift,
) -> Option<PeakEvidence> {
    let both = match (peak, signal.map(|signal| signal.peak)) {
        (Some(peak), Some(signal)) => Some(peak.with(signal)),
        (peak, signal) => peak.or(signal),
    };
    both.map(|both| both.without_drive_mass(shift))
}

fn in_words(peak: Option<PeakEvidence>) -> String {
    peak.map_or_else(String::new, |peak| {
        format!("{:+.2} ± {:.2}", peak.detuning, 2.0 * peak.detuning_u)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::resonance::signal_phase::LearntFrom;

    fn evidence(detuning: f64, detuning_u: f64) -> PeakEvidence {
        PeakEvidence {
            natural_hz: 20.0,
            natural_u_hz: 1e-3,
            bandwidth_hz: 0.1,
            bandwidth_u_hz: 1e-3,
            detuning,
            detuning_u,
        }
    }

    fn shown(peak: Option<PeakEvidence>, signal: Option<PeakEvidence>) -> (Verdict, Vec<String>) {
        let signal = signal.map(|peak| SignalEvidence {
            peak,
            from: LearntFrom::Passage,
        });
        let shown = ShownPeak::of(peak, signal, MassShift::default(), 0.18).unwrap();
        shown.verdict(std::iter::empty())
    }

    #[test]
    fn what_one_leaves_open_the_other_may_show() {
        let open = Some(evidence(0.1, 0.1));
        assert_eq!(shown(open, None).0, Verdict::Steady);
        assert_eq!(shown(None, open).0, Verdict::Steady);
        assert_eq!(shown(open, Some(evidence(0.02, 0.02))).0, Verdict::Held);
        let off = shown(open, Some(evidence(0.4, 0.03)));
        assert_eq!(off.0, Verdict::OffPeak);
        assert!(off.1[0].contains("passage over the peak"), "{off:?}");
    }

    /// Half a bandwidth below the peak of the span alone is off it, though the shaker's mass
    /// has the peak of both there.
    #[test]
    fn the_mass_of_the_shaker_moves_the_peak() {
        let shift = MassShift {
            hz: 0.05,
            u_hz: 1e-3,
        };
        let shown = ShownPeak::of(Some(evidence(0.0, 0.02)), None, shift, 0.18).unwrap();
        assert_eq!(shown.met, Some(false));
        assert!((shown.together.detuning + 0.5).abs() < 1e-9, "{shown:?}");
        assert!(
            (shown.together.natural_hz - 20.05).abs() < 1e-9,
            "{shown:?}"
        );
    }

    #[test]
    fn two_that_contradict_each_other_show_nothing() {
        let (verdict, reasons) = shown(Some(evidence(0.0, 0.02)), Some(evidence(0.5, 0.02)));
        assert_eq!(verdict, Verdict::Steady);
        assert!(
            reasons[0].contains("+0.00 ± 0.04 and +0.50 ± 0.04"),
            "{reasons:?}"
        );
    }
}
