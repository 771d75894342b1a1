//! A frequency that goes to and fro, so that no dwell stands long enough for a record:
//! two tones that beat, a drive that is modulated. It should not go unsaid.
//!
//! In: the dwells that ended too short to be judged, in order. Out: one remark while it
//! lasts. Pure.

use super::super::Remark;

/// How long it has to last, s, and how many pieces the dwells are in by then.
const LEAST_S: f64 = 10.0;
const LEAST_PIECES: usize = 5;
/// A passage goes one way: it ends as far from where it began as it came about.
const MOST_NET: f64 = 0.5;

/// The pieces that follow one another.
#[derive(Debug, Default)]
pub(super) struct Restless {
    seen: Option<Seen>,
}

#[derive(Debug)]
struct Seen {
    began_s: f64,
    began_hz: f64,
    lowest_hz: f64,
    highest_hz: f64,
    pieces: usize,
    is_said: bool,
}

impl Restless {
    /// Takes a dwell that was too short to be judged, the times in s and the frequencies in Hz
    /// of its hops; says so once, when that has been going on for long.
    pub(super) fn piece(&mut self, hops: impl Iterator<Item = (f64, f64)>) -> Option<Remark> {
        let mut last = None;
        for (at_s, hz) in hops {
            let seen = self.seen.get_or_insert(Seen {
                began_s: at_s,
                began_hz: hz,
                lowest_hz: hz,
                highest_hz: hz,
                pieces: 0,
                is_said: false,
            });
            seen.lowest_hz = seen.lowest_hz.min(hz);
            seen.highest_hz = seen.highest_hz.max(hz);
            last = Some((at_s, hz));
        }
        let (seen, (last_s, last_hz)) = self.seen.as_mut().zip(last)?;
        seen.pieces += 1;
        let net_hz = (last_hz - seen.began_hz).abs();
        let is_long = last_s - seen.began_s >= LEAST_S && seen.pieces >= LEAST_PIECES;
        let goes_to_and_fro = net_hz <= MOST_NET * (seen.highest_hz - seen.lowest_hz);
        if seen.is_said || !is_long || !goes_to_and_fro {
            return None;
        }
        seen.is_said = true;
        Some(Remark {
            at_s: seen.began_s,
            kind: "restless",
            message: format!(
                "Since {:.1} s the frequency has been going to and fro between {:.3} and {:.3} Hz, and no dwell stands long enough to be judged: do two tones beat, or is the drive modulated?",
                seen.began_s, seen.lowest_hz, seen.highest_hz
            ),
        })
    }

    /// A dwell was long enough, or nothing drives the span any more.
    pub(super) fn end(&mut self) {
        self.seen = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is said of pieces of `hops` hops each, a quarter of a second long, whose
    /// frequency is `hz` of the time.
    fn said(seconds: f64, hops: usize, hz: impl Fn(f64) -> f64) -> Vec<Remark> {
        let mut restless = Restless::default();
        let times: Vec<f64> = (0..(4.0 * seconds) as u32)
            .map(|k| 0.25 * f64::from(k))
            .collect();
        let pieces = times.chunks(hops);
        pieces
            .filter_map(|piece| restless.piece(piece.iter().map(|t| (*t, hz(*t)))))
            .collect()
    }

    #[test]
    fn a_beating_drive_is_said_once() {
        let found = said(60.0, 4, |t| 7.63 + 0.03 * (3.0 * t).sin());
        let [remark] = &found[..] else {
            panic!("{found:?}");
        };
        assert!(
            remark.at_s.abs() < 1e-9 && remark.message.contains("between 7.60"),
            "{remark:?}"
        );
    }

    #[test]
    fn a_passage_and_a_short_restlessness_are_not() {
        assert!(said(60.0, 4, |t| 20.0 + 0.1 * t).is_empty());
        assert!(said(9.0, 4, |t| 7.63 + 0.03 * (3.0 * t).sin()).is_empty());
        let mut restless = Restless::default();
        assert!(restless.piece(std::iter::empty()).is_none());
    }
}
