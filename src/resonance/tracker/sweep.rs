//! A frequency that goes on moving and never stands still long enough for a
//! dwell: a sweep leaves no record, and should not go unsaid.
//!
//! In: frequency hop by hop. Out: one remark a sweep, when it has ended. Pure.

use std::collections::VecDeque;

use super::super::Remark;

/// Hops over which the frequency is compared: a second.
const HOPS: usize = 4;
/// It moves if it has gone so far in them, Hz.
const MOVES_HZ: f64 = 0.012;
/// Standard uncertainties of a frequency that are no movement.
const NOISE: f64 = 6.0;
/// Least length of a sweep that is said, s, and how far it has to go, Hz.
const LEAST_S: f64 = 5.0;
const LEAST_HZ: f64 = 0.1;

/// The sweep in hand.
#[derive(Debug, Default)]
pub(super) struct Passing {
    recent: VecDeque<f64>,
    /// When it began, s, and where, Hz.
    began: Option<(f64, f64)>,
    last: (f64, f64),
}

impl Passing {
    /// Takes the next hop; gives the sweep that it ends.
    pub(super) fn hop(&mut self, at_s: f64, hz: f64, u_hz: f64) -> Option<Remark> {
        self.recent.push_back(hz);
        let before_hz = if self.recent.len() > HOPS {
            self.recent.pop_front()?
        } else {
            return None;
        };
        let moved_hz = hz - before_hz;
        let moves = moved_hz.abs() > MOVES_HZ.max(NOISE * u_hz);
        let goes_on = self.began.is_none_or(|(began_s, from_hz)| {
            self.last.0 <= began_s || (self.last.1 - from_hz).signum() == moved_hz.signum()
        });
        if moves && goes_on {
            self.began.get_or_insert((at_s, before_hz));
            self.last = (at_s, hz);
            return None;
        }
        self.end()
    }

    /// The sweep has ended.
    pub(super) fn end(&mut self) -> Option<Remark> {
        let (from_s, from_hz) = self.began.take()?;
        let (to_s, to_hz) = self.last;
        let is_long = to_s - from_s >= LEAST_S && (to_hz - from_hz).abs() >= LEAST_HZ;
        is_long.then(|| Remark {
            at_s: from_s,
            kind: "sweep",
            message: format!(
                "The frequency moved from {from_hz:.2} Hz to {to_hz:.2} Hz in {:.0} s without standing still: a passage, no dwell.",
                to_s - from_s
            ),
        })
    }

    /// The tone was lost or samples are missing.
    pub(super) fn interrupt(&mut self) -> Option<Remark> {
        self.recent.clear();
        self.end()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn remarks(hz: impl Fn(f64) -> f64) -> Vec<Remark> {
        let mut sweep = Passing::default();
        let hops = (0..240).map(|i| 0.25 * f64::from(i));
        let mut found: Vec<Remark> = hops
            .filter_map(|at_s| sweep.hop(at_s, hz(at_s), 1e-3))
            .collect();
        found.extend(sweep.interrupt());
        found
    }

    #[test]
    fn a_sweep_is_said_once() {
        for rate in [-0.1, 0.02, 1.0] {
            let found = remarks(|t| 20.0 + rate * (t - 10.0).clamp(0.0, 25.0));
            assert_eq!(found.len(), 1, "{rate}: {found:?}");
            assert!((found[0].at_s - 10.0).abs() < 1.5, "{found:?}");
        }
    }

    #[test]
    fn a_step_and_a_frequency_that_stands_are_no_sweep() {
        assert!(remarks(|t| if t < 20.0 { 20.0 } else { 22.0 }).is_empty());
        assert!(remarks(|t| 20.0 + 0.002 * (3.0 * t).sin()).is_empty());
    }
}
