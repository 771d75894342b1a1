//! One record for a frequency that moves, however many dwells the tracker cut
//! it into.
//!
//! In: rejected dwells in which the frequency moved, in order. Out: one record of
//! all that follow one another the same way. Pure.

use super::super::Dwell;
use super::super::criteria::DRIFTED;

/// A frequency that goes on as it went keeps its pace within this factor. A sweep to a
/// resonance at which the drive then drifts is no part of that drift, a thousand times slower.
const SAME_PACE: f64 = 10.0;

/// A passage in hand.
#[derive(Debug, Default)]
pub(super) struct Passage {
    /// Its record so far: the longest piece, with the times of the whole.
    record: Option<Dwell>,
    pieces: usize,
    /// Where the frequency began and where it was last, Hz.
    from_hz: f64,
    to_hz: f64,
    /// Hz a second over the last piece.
    pace: f64,
    /// End of the last piece, s; `None` without a passage.
    until_s: Option<f64>,
    /// Whether a record of it that was given says that the frequency moved.
    is_named: bool,
}

impl Passage {
    /// Takes a dwell through which the frequency went from the first of these
    /// to the second, Hz; gives the record of a passage that it does not continue.
    pub(super) fn piece(&mut self, dwell: Dwell, [from_hz, to_hz]: [f64; 2]) -> Option<Dwell> {
        let pace = (to_hz - from_hz) / (dwell.end_s - dwell.start_s);
        let goes_on = self.until_s.is_some_and(|until_s| {
            let gap_s = dwell.start_s - until_s;
            let step_hz = (from_hz - self.to_hz).abs();
            gap_s < dwell.end_s - dwell.start_s
                && step_hz <= 2.0 * (to_hz - from_hz).abs()
                && (1.0 / SAME_PACE..=SAME_PACE).contains(&(pace / self.pace))
        });
        let ended = if goes_on { None } else { self.end() };
        if self.record.is_none() {
            self.from_hz = from_hz;
        }
        (self.to_hz, self.pace) = (to_hz, pace);
        self.until_s = Some(dwell.end_s);
        match self.record.as_mut() {
            Some(record) => {
                self.pieces += 1;
                let (start_s, end_s) = (record.start_s, dwell.end_s);
                if seconds(&dwell) > seconds(record) {
                    *record = dwell;
                }
                (record.start_s, record.end_s) = (start_s, end_s);
            }
            // What was told of a passage is not told again; a first piece may have had
            // more to say of other things.
            None if goes_on && self.is_named => {}
            None => {
                self.pieces = 1;
                self.record = Some(dwell);
            }
        }
        ended
    }

    /// Whether its record can wait no longer: it began before this.
    pub(super) fn began_before(&self, s: f64) -> bool {
        self.record
            .as_ref()
            .is_some_and(|record| record.hold_start_s < s)
    }

    /// Gives the record; the passage may go on.
    pub(super) fn tell(&mut self) -> Option<Dwell> {
        let mut record = self.record.take()?;
        if self.pieces > 1 {
            record.reasons = vec![format!(
                "{DRIFTED} from {:.3} Hz to {:.3} Hz in {:.0} s: a passage, no dwell",
                self.from_hz,
                self.to_hz,
                record.end_s - record.start_s
            )];
        }
        self.is_named = record.reasons.iter().any(|said| said.starts_with(DRIFTED));
        Some(record)
    }

    /// The passage has ended; gives its record, if that was not given yet.
    pub(super) fn end(&mut self) -> Option<Dwell> {
        let record = self.tell();
        *self = Self::default();
        record
    }
}

fn seconds(dwell: &Dwell) -> f64 {
    dwell.hold_end_s - dwell.hold_start_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::resonance::peak_evidence::MassShift;
    use crate::setup::Verdict;

    fn dwell(start_s: f64, end_s: f64) -> Dwell {
        Dwell {
            start_s,
            end_s,
            verdict: Verdict::Rejected,
            reasons: vec!["its own".into()],
            criteria: Vec::new(),
            hold_start_s: start_s,
            hold_end_s: end_s,
            bandwidth_hz: None,
            transient: None,
            peak: None,
            angle: None,
            signal: None,
            mass_shift: MassShift::default(),
            interval: None,
            clipped: Vec::new(),
            missing_values: Vec::new(),
            missing_samples: 0,
        }
    }

    #[test]
    fn pieces_of_one_passage_are_one_record() {
        let mut passage = Passage::default();
        assert_eq!(passage.piece(dwell(0.0, 5.0), [20.0, 20.1]), None);
        assert_eq!(passage.piece(dwell(5.0, 12.0), [20.12, 20.2]), None);
        assert_eq!(passage.piece(dwell(12.0, 15.0), [20.21, 20.3]), None);
        let record = passage.end().unwrap();
        assert_eq!((record.start_s, record.end_s), (0.0, 15.0));
        assert_eq!((record.hold_start_s, record.hold_end_s), (5.0, 12.0));
        assert_eq!(
            record.reasons,
            ["the frequency drifted from 20.000 Hz to 20.300 Hz in 15 s: a passage, no dwell"]
        );
        assert_eq!(passage.end(), None);
    }

    #[test]
    fn another_direction_or_another_place_is_another_passage() {
        for next in [[20.1, 20.0], [25.0, 25.1]] {
            let mut passage = Passage::default();
            assert_eq!(passage.piece(dwell(0.0, 5.0), [20.0, 20.1]), None);
            let first = passage.piece(dwell(5.0, 10.0), next).unwrap();
            assert_eq!((first.start_s, first.end_s), (0.0, 5.0));
            assert_eq!(first.reasons, ["its own"]);
            assert!(passage.end().is_some());
        }
    }

    #[test]
    fn what_was_told_of_a_passage_is_not_told_again() {
        let mut passage = Passage::default();
        let mut first = dwell(0.0, 5.0);
        first.reasons = vec!["the frequency drifted by +2.00 bandwidths".into()];
        passage.piece(first, [20.0, 20.1]);
        assert!(passage.began_before(1.0));
        assert!(passage.tell().is_some());
        assert_eq!(passage.piece(dwell(5.0, 10.0), [20.1, 20.2]), None);
        assert_eq!(passage.end(), None);
    }

    #[test]
    fn a_passage_whose_first_record_said_other_things_is_told_once_more() {
        let mut passage = Passage::default();
        passage.piece(dwell(0.0, 5.0), [20.0, 20.1]);
        assert_eq!(passage.tell().unwrap().reasons, ["its own"]);
        assert_eq!(passage.piece(dwell(5.0, 10.0), [20.1, 20.2]), None);
        assert_eq!(passage.piece(dwell(10.0, 15.0), [20.2, 20.3]), None);
        assert_eq!(
            passage.tell().unwrap().reasons,
            ["the frequency drifted from 20.100 Hz to 20.300 Hz in 10 s: a passage, no dwell"]
        );
        assert_eq!(passage.piece(dwell(15.0, 20.0), [20.3, 20.4]), None);
        assert_eq!(passage.end(), None);
    }

    /// A sweep to 11.95 Hz, and there a drift by 0.8 mHz a minute the same way.
    #[test]
    fn a_sweep_is_no_piece_of_the_drift_behind_it() {
        let mut passage = Passage::default();
        assert_eq!(passage.piece(dwell(41.0, 46.0), [10.453, 11.947]), None);
        let sweep = passage.piece(dwell(46.0, 900.0), [11.947, 11.958]).unwrap();
        assert_eq!((sweep.start_s, sweep.end_s), (41.0, 46.0));
        let drift = passage.end().unwrap();
        assert_eq!((drift.start_s, drift.end_s), (46.0, 900.0));
        // Nor the other way round.
        passage.piece(dwell(46.0, 900.0), [11.947, 11.958]);
        assert!(
            passage
                .piece(dwell(900.0, 905.0), [11.958, 13.45])
                .is_some()
        );
    }
}
