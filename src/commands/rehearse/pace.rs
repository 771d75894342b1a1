//! The clock of a device that plays, and what to say when it is not kept.
//!
//! In: sample counts, the time now, how long the line had no room. Out: when a
//! sample is due, and sentences. Pure: the time is handed in.

use std::time::{Duration, Instant};

/// A lag longer than this is worth a word.
pub const LAG_WORTH_SAYING: Duration = Duration::from_secs(1);

/// The device's clock.
#[derive(Debug)]
pub struct Pace {
    rate_hz: f64,
    /// When sample `origin` was taken; `None` before the first.
    began: Option<Instant>,
    origin: u64,
    counter: u64,
    longest_lag: Duration,
    /// How long the line had no room since the stream was last on time.
    blocked: Duration,
    /// Whether the lag, or that no reader is there, was said.
    said: bool,
    stuck: bool,
}

impl Pace {
    /// A clock that starts with the first sample asked for.
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            began: None,
            origin: 0,
            counter: 0,
            longest_lag: Duration::ZERO,
            blocked: Duration::ZERO,
            said: false,
            stuck: false,
        }
    }

    /// When all samples before `counter` have been taken. It follows from the
    /// count alone, so that nothing adds up.
    pub fn due(&mut self, counter: u64, now: Instant) -> Instant {
        self.counter = counter;
        let seconds = (counter - self.origin) as f64 / self.rate_hz;
        *self.began.get_or_insert(now) + Duration::from_secs_f64(seconds)
    }

    /// They are on the line, which had no room for `blocked`; `early`: no
    /// reader is known to be there. What to say about it.
    pub fn sent(&mut self, now: Instant, blocked: Duration, early: bool) -> Option<String> {
        self.stuck = false;
        if early && blocked > LAG_WORTH_SAYING {
            (self.began, self.origin, self.said) = (Some(now), self.counter, false);
            return Some("a reader has come; the rehearsal begins".into());
        }
        let lag = now.saturating_duration_since(self.due(self.counter, now));
        self.longest_lag = self.longest_lag.max(lag);
        self.blocked += blocked;
        if lag < LAG_WORTH_SAYING / 10 {
            self.blocked = Duration::ZERO;
            return std::mem::take(&mut self.said).then(|| "in time again; nothing is lost".into());
        }
        if lag < LAG_WORTH_SAYING || std::mem::replace(&mut self.said, true) {
            return None;
        }
        let who = if self.blocked > lag / 2 {
            "the reader"
        } else {
            "this computer"
        };
        Some(format!(
            "{who} does not keep up: {:.1} s behind real time; nothing is lost, the rest comes late",
            lag.as_secs_f64()
        ))
    }

    /// A frame finds no room. What to say about it, once.
    pub fn stuck(&mut self, early: bool) -> Option<String> {
        self.stuck = true;
        if std::mem::replace(&mut self.said, true) {
            return None;
        }
        Some(if early {
            "nobody reads yet; the rehearsal waits for a reader".into()
        } else {
            "nobody reads any more; waiting, nothing is lost".into()
        })
    }

    /// Whether the last frame found no room.
    pub fn is_stuck(&self) -> bool {
        self.stuck
    }

    /// How far behind its clock the stream ever was.
    pub fn longest_lag(&self) -> Duration {
        self.longest_lag
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);

    #[test]
    fn a_day_of_frames_is_due_to_the_microsecond() {
        let (mut pace, start) = (Pace::new(1000.1), Instant::now());
        pace.due(0, start);
        for hour in 1..=24_u64 {
            let due = pace.due(hour * 3_600_360, start + MS);
            let off = (due - start).abs_diff(Duration::from_hours(hour));
            assert!(off < Duration::from_micros(1), "{off:?}");
        }
    }

    #[test]
    fn without_a_reader_the_clock_begins_with_the_first() {
        let (mut pace, start) = (Pace::new(1000.0), Instant::now());
        pace.due(20, start);
        assert!(pace.stuck(true).unwrap().contains("nobody reads yet"));
        assert_eq!((pace.stuck(true), pace.is_stuck()), (None, true));
        let later = start + 9000 * MS;
        let said = pace.sent(later, 8900 * MS, true).unwrap();
        assert!(said.contains("begins"), "{said}");
        assert_eq!(pace.due(40, later), later + 20 * MS);
        assert_eq!(
            (pace.longest_lag(), pace.is_stuck()),
            (Duration::ZERO, false)
        );
    }

    #[test]
    fn a_lag_is_said_once_and_so_is_its_end() {
        for (blocked, who) in [(1400 * MS, "the reader"), (Duration::ZERO, "this computer")] {
            let (mut pace, start) = (Pace::new(1000.0), Instant::now());
            pace.due(20, start);
            let said = pace.sent(start + 1500 * MS, blocked, false).unwrap();
            assert!(said.contains(who) && said.contains("1.5 s"), "{said}");
            pace.due(40, start);
            assert_eq!(pace.sent(start + 1500 * MS, Duration::ZERO, false), None);
            pace.due(1480, start);
            let over = pace.sent(start + 1500 * MS, Duration::ZERO, false).unwrap();
            assert!(over.contains("in time again"), "{over}");
            assert_eq!(pace.longest_lag(), 1480 * MS);
        }
    }
}
