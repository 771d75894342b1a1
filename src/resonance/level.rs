//! How hard the span is driven, hop by hop: was the level changed?
//!
//! In: the drive level of each hop (drive force; the antinode's velocity where
//! there is no force channel) and how far the frequency is from where the level
//! was last steady. Out: whether the level was changed, and whether it has
//! become constant. Pure.

use crate::maths;
use std::collections::VecDeque;

/// Hops among which a level has to stand still to be one: two seconds.
pub const STEADY_HOPS: usize = 8;
/// Least change of level that begins another dwell. Levels that are wanted
/// differ by more; wander and beats of a dwell are judged, not cut out.
const LEAST_CHANGE: f64 = 0.2;
/// What the hops of a steady level may be apart, so that a change stands at
/// least ten times above the unrest before it.
const STEADY_SPREAD: f64 = LEAST_CHANGE / 10.0;
/// Below this part of the level before, the drive has been taken away.
const DRIVE_GONE: f64 = 0.3;

/// What a hop says about the level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LevelEvent {
    /// Nothing has changed.
    None,
    /// It has left the steady level.
    Left,
    /// It had left, and has now been constant for [`STEADY_HOPS`] hops.
    Settled,
}

/// The drive level through a dwell.
#[derive(Debug, Default)]
pub struct DriveLevel {
    recent: VecDeque<f64>,
    /// The level and the frequency (Hz) where it last stood still.
    steady: Option<(f64, f64)>,
    /// The level that was left, while the new one still moves.
    left: Option<f64>,
}

impl DriveLevel {
    /// Forgets everything: another dwell has begun for another reason.
    pub fn restart(&mut self) {
        *self = Self::default();
    }

    /// The steady level that was left, while the new one still moves.
    pub fn left(&self) -> Option<f64> {
        self.left
    }

    /// Whether the drive has been taken away, so that what is seen is the motion
    /// dying away.
    pub fn drive_gone(&self) -> bool {
        self.left
            .zip(self.recent.back())
            .is_some_and(|(left, now)| *now < DRIVE_GONE * left)
    }

    /// Takes the level of the next hop, at `frequency_hz`.
    ///
    /// Near a resonance tuning changes the level too. The resonance curve
    /// `1/sqrt(1 + 4 x²)`, x in half-power bandwidths, is nowhere steeper than
    /// a factor e a bandwidth; only what lies above that is a change of level.
    pub fn hop(&mut self, level: f64, frequency_hz: f64, bandwidth_hz: f64) -> LevelEvent {
        self.recent.push_back(level);
        while self.recent.len() > STEADY_HOPS {
            self.recent.pop_front();
        }
        if let Some((steady, steady_hz)) = self.steady {
            let tuned = ((frequency_hz - steady_hz) / bandwidth_hz).abs();
            if maths::ln(level / steady).abs() > LEAST_CHANGE + tuned {
                self.restart();
                self.recent.push_back(level);
                self.left = Some(steady);
                return LevelEvent::Left;
            }
        }
        let (least, most) = self
            .recent
            .iter()
            .fold((f64::INFINITY, 0.0_f64), |(least, most), level| {
                (least.min(*level), most.max(*level))
            });
        if self.recent.len() < STEADY_HOPS || most - least > STEADY_SPREAD * least {
            return LevelEvent::None;
        }
        self.steady = Some((0.5 * (least + most), frequency_hz));
        if self.left.take().is_some() {
            LevelEvent::Settled
        } else {
            LevelEvent::None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Hops at which something is new.
    fn events(levels: impl Iterator<Item = (f64, f64)>) -> Vec<(usize, LevelEvent)> {
        let mut level = DriveLevel::default();
        levels
            .enumerate()
            .map(|(i, (value, frequency_hz))| (i, level.hop(value, frequency_hz, 0.2)))
            .filter(|(_, event)| *event != LevelEvent::None)
            .collect()
    }

    #[test]
    fn a_turned_knob_ends_one_level_and_the_next_begins_where_it_stands_still() {
        // Steady, half of it over 5 s, steady.
        let levels = (0..80).map(|i| 1.0 - 0.5 * (f64::from(i - 30) / 20.0).clamp(0.0, 1.0));
        let events = events(levels.map(|level| (level, 30.0)));
        // ln 0.8 is more than 0.2 down, ln 0.825 is not; the ramp ends with hop 50.
        assert_eq!(events, [(38, LevelEvent::Left), (57, LevelEvent::Settled)]);
    }

    #[test]
    fn wander_and_tuning_are_no_change_of_level() {
        let wander = (0..400).map(|i| (1.0 + 0.08 * (TAU * f64::from(i) / 40.0).sin(), 30.0));
        assert_eq!(events(wander), []);
        // From 0.6 bandwidths below the peak to the peak in steps of 0.2.
        let tuned = (0..80).map(|i| {
            let x = f64::from(i / 20).mul_add(0.2, -0.6);
            (1.0 / (1.0 + 4.0 * x * x).sqrt(), 30.0 + 0.2 * x)
        });
        assert_eq!(events(tuned), []);
    }

    #[test]
    fn a_drive_that_was_cut_is_gone() {
        let mut level = DriveLevel::default();
        for i in 0..30 {
            level.hop(
                if i < 20 {
                    1.0
                } else {
                    0.01 * f64::from(30 - i)
                },
                30.0,
                0.2,
            );
        }
        assert!(level.drive_gone());
        level.restart();
        assert!(!level.drive_gone());
    }
}
