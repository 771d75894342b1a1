//! The tracker: cuts the stream of readings into dwells and picks in each the
//! stretch that is judged.
//!
//! A dwell ends where the frequency leaves its middle value by a third of a
//! bandwidth, where the drive level is changed, where samples are missing, or
//! where the tone is lost. It is judged **whole**: from the end of ring-up to the end of the dwell, less
//! the moments of the change itself. Were any sub-stretch allowed, the crest
//! of a slow wander would pass as a hold. Only a knock (an isolated impulse)
//! cuts a dwell in two, and each part then has to ring up anew.

use std::collections::VecDeque;
use std::f64::consts::PI;
use std::sync::Arc;

use super::criteria::{Judged, Stretch};
use super::level::{DriveLevel, LevelNews, STEADY_HOPS};
use super::reading::{Places, Reading, median, middle_hz};
use super::{Criterion, Dwell};
use crate::reduction::Verdict;
use crate::setup::Setup;
use crate::span::StrungConductor;
use crate::tone::interval::{IntervalTone, fit_interval, join_hops};
use crate::tone::{ToneGap, TonePlan};

/// Shortest stretch of constant frequency that is worth a record, s.
const DWELL_SECONDS: f64 = 1.5;
/// A frequency this many bandwidths away is another dwell's.
const ANOTHER_FREQUENCY: f64 = 0.35;
/// Hops whose middle frequency is the dwell's own; more would only cost time.
const REMEMBERED_HOPS: usize = 1200;
/// Smallest change that begins another dwell, Hz: while an old motion dies away
/// beside the new one, ratio and frequency of a window are not to be trusted
/// to less.
const LEAST_CHANGE_HZ: f64 = 0.01;
/// Ring-up is waited for up to this many time constants where the dwell is
/// long enough: exp(−7) leaves 0.1 %.
const RING_UP_COMFORT: f64 = 7.0;
/// A hold has to fill this part of the dwell after ring-up.
const LEAST_SHARE: f64 = 0.5;
/// Impulse over the usual residual of the dwell that makes a knock.
const KNOCK: f64 = 6.0;
/// Knocks in more than this part of the hops are a rattle.
const KNOCK_SHARE: f64 = 0.1;
/// How far back the approach to a resonance is remembered, s.
const APPROACH_SECONDS: f64 = 900.0;
/// A dwell without a point is judged after this long and begun anew, s:
/// whoever forgot to switch off at night finds out why, and memory stays flat.
const LONGEST_DWELL_SECONDS: f64 = 3600.0;

/// Why a dwell ended, for its reasons.
#[derive(Debug, Clone, Copy, PartialEq)]
enum EndOfDwell {
    Change,
    /// The frequency left the dwell's own little by little.
    Drift,
    /// The drive level was changed.
    Level,
    /// It went on for longer than anyone waits.
    TooLong,
    Gap {
        at_s: f64,
        missing: u64,
    },
    ToneLost,
    EndOfSamples,
}

/// Readings → dwells.
#[derive(Debug)]
pub struct Tracker {
    setup: Setup,
    conductor: StrungConductor,
    plan: TonePlan,
    places: Places,
    dwell: Vec<Reading>,
    /// Whether the dwell in hand has had its point.
    settled: bool,
    /// Hops until it is worth looking again whether it may have one.
    rest_hops: usize,
    level: DriveLevel,
    /// Frequency (Hz) and antinode velocity (m/s) of hops before this dwell.
    approach: VecDeque<(f64, f64)>,
}

impl Tracker {
    /// A tracker at the start of the source that carries the antinode.
    pub fn new(setup: &Setup, plan: &TonePlan) -> Self {
        Self {
            setup: setup.clone(),
            conductor: StrungConductor::of(setup),
            places: Places::new(setup, plan),
            plan: plan.clone(),
            dwell: Vec::new(),
            settled: false,
            rest_hops: 0,
            level: DriveLevel::default(),
            approach: VecDeque::new(),
        }
    }

    /// Where the channels stand in a frame.
    pub fn places(&self) -> &Places {
        &self.places
    }

    /// Takes the next hop, `None` where no tone stands out; gives the dwell that
    /// it brought to an end, or one that has been held for the longest time that
    /// is waited for.
    pub fn hop(&mut self, reading: Option<Reading>) -> Option<Dwell> {
        let Some(reading) = reading else {
            return self.close(EndOfDwell::ToneLost);
        };
        let mut closed = self.change(&reading).and_then(|end| self.close(end));
        let news = self.level_news(&reading);
        if news == LevelNews::Changed {
            closed = closed.or_else(|| self.close(EndOfDwell::Level));
        }
        self.dwell.push(reading);
        if news == LevelNews::SteadyAgain {
            // What came before was the change itself.
            let changing = self.dwell.len().saturating_sub(STEADY_HOPS);
            self.dwell.drain(..changing);
        }
        self.let_old_samples_go();
        closed
            .or_else(|| self.settle_early())
            .or_else(|| self.end_the_endless())
    }

    /// Takes a gap: the dwell in hand ends there.
    pub fn gap(&mut self, gap: &ToneGap) -> Option<Dwell> {
        self.close(EndOfDwell::Gap {
            at_s: gap.at_s,
            missing: gap.missing_samples,
        })
    }

    /// The source has ended.
    pub fn finish(&mut self) -> Option<Dwell> {
        self.close(EndOfDwell::EndOfSamples)
    }

    /// Half-power bandwidth from the ratio of some readings (design, 7.4). The
    /// median of the signed quadrature parts, so that hum and noise at the node
    /// cancel.
    fn bandwidth_hz(&self, readings: &[Reading]) -> Option<f64> {
        let ratio = median(
            readings
                .iter()
                .filter_map(|reading| reading.ratio.map(|r| r.im)),
        )?
        .abs();
        let frequency_hz = middle_hz(readings)?;
        Some(
            self.conductor
                .half_power_bandwidth_hz(frequency_hz, ratio.min(1.0)),
        )
    }

    /// Whether the drive frequency has left the dwell's own by
    /// [`ANOTHER_FREQUENCY`] bandwidths, however slowly it went.
    fn change(&self, reading: &Reading) -> Option<EndOfDwell> {
        let recent = self.dwell.len().saturating_sub(8 * self.plan.window_hops);
        let remembered = self.dwell.len().saturating_sub(REMEMBERED_HOPS);
        let own_hz = middle_hz(self.dwell.get(remembered..)?)?;
        let bandwidth = self.bandwidth_hz(self.dwell.get(recent..)?).unwrap_or(0.1);
        let noise = 6.0 * reading.frequency_u_hz;
        let width_hz = (ANOTHER_FREQUENCY * bandwidth)
            .max(LEAST_CHANGE_HZ)
            .max(noise);
        if (reading.frequency_hz - own_hz).abs() <= width_hz {
            return None;
        }
        // A jump shows within one window; a drift has been on its way for long.
        let before = self
            .dwell
            .len()
            .checked_sub(self.plan.window_hops)
            .and_then(|i| self.dwell.get(i));
        let little = before.is_some_and(|before| {
            (reading.frequency_hz - before.frequency_hz).abs() < 0.3 * width_hz
        });
        Some(if little {
            EndOfDwell::Drift
        } else {
            EndOfDwell::Change
        })
    }

    /// The level is that of the drive, where there is a force channel.
    fn level_news(&mut self, reading: &Reading) -> LevelNews {
        let recent = self.dwell.len().saturating_sub(8 * self.plan.window_hops);
        let bandwidth = self
            .dwell
            .get(recent..)
            .and_then(|recent| self.bandwidth_hz(recent))
            .unwrap_or(0.1);
        let level = reading.force_n.unwrap_or(reading.antinode_m_s);
        self.level.hop(level, reading.frequency_hz, bandwidth)
    }

    /// Keeps no more of a dwell than could still matter.
    fn end_the_endless(&mut self) -> Option<Dwell> {
        let longest = (LONGEST_DWELL_SECONDS / self.plan.hop_seconds()) as usize;
        if self.dwell.len() < longest {
            return None;
        }
        if self.settled {
            self.dwell.drain(..longest / 2);
            return None;
        }
        self.close(EndOfDwell::TooLong)
    }

    fn let_old_samples_go(&mut self) {
        let keep_s = 2.0 * self.setup.hold.max_seconds + 10.0;
        let keep = (keep_s / self.plan.hop_seconds()) as usize;
        if let Some(old) = self.dwell.len().checked_sub(keep + 1)
            && let Some(reading) = self.dwell.get_mut(old)
        {
            let mut light = (*reading.frame).clone();
            light.samples = Arc::default();
            reading.frame = Arc::new(light);
        }
    }

    /// A dwell that goes on and on gets its point after `max_seconds`. Where
    /// the whole stretch does not hold, a few hops more do not change that.
    fn settle_early(&mut self) -> Option<Dwell> {
        if self.settled {
            return None;
        }
        if self.rest_hops > 0 {
            self.rest_hops -= 1;
            return None;
        }
        let hop_s = self.plan.hop_seconds();
        let wanted = (self.setup.hold.max_seconds / hop_s).ceil() as usize;
        let start = self.dwell.len().checked_sub(wanted)?;
        let last = self.dwell.get(start..)?;
        let bandwidth = self.bandwidth_hz(last)?;
        let (changed, end) = plateau(&self.dwell, Some(bandwidth));
        if end < self.dwell.len() {
            return None;
        }
        let waited_s = start.checked_sub(changed)? as f64 * hop_s;
        if waited_s * PI * bandwidth < RING_UP_COMFORT {
            return None;
        }
        let light = self.stretch(last, None, Some(bandwidth), waited_s).judge();
        if light
            .iter()
            .any(|(criterion, _)| criterion.met == Some(false))
        {
            return None;
        }
        self.rest_hops = wanted / 4;
        let dwell = self.judge(changed, start, self.dwell.len(), EndOfDwell::EndOfSamples)?;
        if dwell.verdict == Verdict::Rejected {
            return None;
        }
        self.settled = true;
        Some(dwell)
    }

    fn close(&mut self, end: EndOfDwell) -> Option<Dwell> {
        let dying_away = end != EndOfDwell::Level && self.level.drive_gone();
        let judged = if self.settled || dying_away {
            None
        } else {
            self.judge_dwell(end)
        };
        if end == EndOfDwell::Level {
            // How the span moved at another level tells nothing about the peak.
            self.approach.clear();
            self.dwell.clear();
        } else {
            self.level.restart();
        }
        let remember = (APPROACH_SECONDS / self.plan.hop_seconds()) as usize;
        for reading in self.dwell.drain(..) {
            self.approach
                .push_back((reading.frequency_hz, reading.antinode_m_s));
        }
        while self.approach.len() > remember {
            self.approach.pop_front();
        }
        self.settled = false;
        self.rest_hops = 0;
        judged
    }

    /// Hops in which a single impulse stands far above what is usual.
    fn knocks(&self, readings: &[Reading]) -> Vec<usize> {
        let mut hops: Vec<usize> = Vec::new();
        for (place, _) in self.places.judged() {
            let channel = |reading: &Reading| reading.frame.channels.get(place).copied();
            let Some(usual) = median(
                readings
                    .iter()
                    .filter_map(|reading| Some(channel(reading)?.residual_rms)),
            ) else {
                continue;
            };
            hops.extend(readings.iter().enumerate().filter_map(|(i, reading)| {
                let channel = channel(reading)?;
                let strong = channel.residual_peak > KNOCK * usual
                    && channel.residual_peak > 0.01 * channel.amplitude.norm();
                strong.then_some(i)
            }));
        }
        hops.sort_unstable();
        hops.dedup();
        if hops.len() as f64 > KNOCK_SHARE * readings.len() as f64 {
            Vec::new()
        } else {
            hops
        }
    }

    fn judge_dwell(&self, end: EndOfDwell) -> Option<Dwell> {
        let guard = if matches!(end, EndOfDwell::Change | EndOfDwell::Level) {
            self.plan.window_hops
        } else {
            0
        };
        let readings = self.dwell.get(..self.dwell.len().saturating_sub(guard))?;
        let later = readings.get(readings.len() / 2..)?;
        let bandwidth = self.bandwidth_hz(later);
        let (changed, plateau_end) = plateau(readings, bandwidth);
        let hop_s = self.plan.hop_seconds();
        let dwell_hops = (DWELL_SECONDS / hop_s).ceil() as usize;
        // Parts between knocks; without any, the whole dwell.
        let mut bounds = vec![changed];
        let own = readings.get(changed..plateau_end)?;
        bounds.extend(self.knocks(own).iter().map(|hop| changed + hop + 1));
        bounds.push(plateau_end);
        let parts = bounds.windows(2).filter_map(|pair| match pair {
            [from, to] if *to >= from + dwell_hops => Some((*from, *to)),
            _ => None,
        });
        let mut best: Option<Dwell> = None;
        for (from, to) in parts {
            let Some(dwell) = self.judge_part(from, to, bandwidth, end) else {
                continue;
            };
            let better = best.as_ref().is_none_or(|best| {
                let rank = |dwell: &Dwell| match dwell.verdict {
                    Verdict::Held => 2,
                    Verdict::Steady => 1,
                    Verdict::Rejected => 0,
                };
                let length = |dwell: &Dwell| dwell.hold_end_s - dwell.hold_start_s;
                (rank(&dwell), length(&dwell)) > (rank(best), length(best))
            });
            if better {
                best = Some(dwell);
            }
        }
        best
    }

    /// Judges `from..to`, the ring-up at its start left out.
    fn judge_part(
        &self,
        from: usize,
        to: usize,
        bandwidth: Option<f64>,
        end: EndOfDwell,
    ) -> Option<Dwell> {
        let hop_s = self.plan.hop_seconds();
        let readings = self.dwell.get(from..to)?;
        let frequency_hz = middle_hz(readings)?;
        let least = (Stretch::least_seconds(&self.setup, frequency_hz) / hop_s).ceil() as usize;
        let constant_s = bandwidth.map_or(0.0, |bandwidth| 1.0 / (PI * bandwidth));
        let hops = |constants: f64| {
            ((constants * constant_s / hop_s).ceil() as usize).max(self.plan.window_hops)
        };
        let rung_up = hops(self.setup.hold.ring_up_time_constants);
        let comfort = hops(self.setup.hold.ring_up_time_constants.max(RING_UP_COMFORT));
        let count = to - from;
        // Where the span keeps ringing after the drive has gone, its frequency
        // tells late: the steady run says where the dwell really ended.
        let earliest = rung_up.min(count / 2);
        let (run_start, run_end) = self.steady_run(readings.get(earliest..)?);
        let (run_start, run_end) = (earliest + run_start, earliest + run_end);
        let run = run_end - run_start;
        let (first, last) = if run >= least && run as f64 >= LEAST_SHARE * (count - earliest) as f64
        {
            // As much ring-up as the run can spare.
            (run_start.max(comfort.min(run_end - least)), run_end)
        } else {
            (earliest, count)
        };
        // Points are taken from `max_seconds` at most, the latest ones.
        let most = (self.setup.hold.max_seconds / hop_s).ceil() as usize;
        let first = first.max(last.saturating_sub(most));
        self.judge(from, from + first, from + last, end)
    }

    /// Longest run of hops whose amplitude stays where the dwell's middle
    /// value is. A run that starts or ends inside gives a window's length away
    /// at that side: its samples are partly those of the change.
    fn steady_run(&self, readings: &[Reading]) -> (usize, usize) {
        let Some(middle) = median(readings.iter().map(|reading| reading.antinode_m_s)) else {
            return (0, 0);
        };
        let noise =
            median(readings.iter().map(|reading| reading.antinode_u_rel)).unwrap_or_default();
        let width = 0.01 * self.setup.hold.amplitude_variation_pct + 4.0 * noise;
        let inside = |reading: &Reading| (reading.antinode_m_s / middle - 1.0).abs() <= width;
        let best = longest_run(readings, inside);
        let hops = self.plan.window_hops;
        let from = if best.0 > 0 { best.0 + hops } else { 0 };
        let to = if best.1 < readings.len() {
            best.1.saturating_sub(hops)
        } else {
            best.1
        };
        if from < to { (from, to) } else { (0, 0) }
    }

    fn stretch<'a>(
        &'a self,
        readings: &'a [Reading],
        interval: Option<&'a IntervalTone>,
        bandwidth_hz: Option<f64>,
        waited_s: f64,
    ) -> Stretch<'a> {
        Stretch {
            setup: &self.setup,
            plan: &self.plan,
            places: &self.places,
            readings,
            interval,
            bandwidth_hz,
            waited_s,
        }
    }

    /// Judges hops `first..last`, the last change having been before `changed`.
    fn judge(&self, changed: usize, first: usize, last: usize, end: EndOfDwell) -> Option<Dwell> {
        let readings = self.dwell.get(first..last)?;
        let frequency_hz = middle_hz(readings)?;
        let samples = join_hops(
            readings
                .iter()
                .map(|reading| reading.frame.samples.as_ref()),
        );
        let interval = fit_interval(&self.plan, samples.view(), frequency_hz).ok();
        let ratio = interval.as_ref().and_then(|interval| self.ratio(interval));
        let bandwidth = interval.as_ref().zip(ratio).map(|(interval, ratio)| {
            self.conductor
                .half_power_bandwidth_hz(interval.frequency_hz, ratio)
        });
        let hop_s = self.plan.hop_seconds();
        let waited_s = (first - changed) as f64 * hop_s;
        let judged = self
            .stretch(readings, interval.as_ref(), bandwidth, waited_s)
            .judge();
        let (verdict, mut reasons) = self.verdict(&judged, readings);
        let missing_samples = match end {
            EndOfDwell::Gap { at_s, missing } => {
                if verdict == Verdict::Rejected {
                    reasons.push(format!(
                        "{missing} samples are missing at {at_s:.2} s: the dwell ended there"
                    ));
                }
                missing
            }
            EndOfDwell::Drift if verdict == Verdict::Rejected => {
                let moved = self.dwell.last()?.frequency_hz - self.dwell.first()?.frequency_hz;
                reasons.insert(
                    0,
                    format!("the frequency drifted out of the dwell: {:+.1} mHz from its start to its end", 1e3 * moved),
                );
                0
            }
            EndOfDwell::Level if verdict == Verdict::Rejected => {
                let at_s = self.dwell.last()?.end_s;
                reasons.push(format!(
                    "the drive level was changed at {at_s:.2} s: the dwell ended there"
                ));
                0
            }
            EndOfDwell::TooLong if verdict == Verdict::Rejected => {
                let minutes = LONGEST_DWELL_SECONDS / 60.0;
                reasons.push(format!(
                    "not held within {minutes:.0} minutes: judged as it is, and begun anew"
                ));
                0
            }
            _ => 0,
        };
        if interval.is_none() {
            reasons.push("no tone could be fitted over the whole stretch".into());
        }
        Some(Dwell {
            start_s: self.dwell.get(changed)?.end_s - hop_s,
            end_s: self.dwell.last()?.end_s,
            verdict: if interval.is_some() {
                verdict
            } else {
                Verdict::Rejected
            },
            reasons,
            criteria: judged
                .into_iter()
                .map(|(criterion, _)| criterion)
                .collect::<Vec<Criterion>>(),
            hold_start_s: readings.first()?.end_s - hop_s,
            hold_end_s: readings.last()?.end_s,
            bandwidth_hz: bandwidth,
            interval,
            frames: readings
                .iter()
                .map(|reading| Arc::clone(&reading.frame))
                .collect(),
            missing_samples,
        })
    }

    fn ratio(&self, interval: &IntervalTone) -> Option<f64> {
        let velocity = |(place, quantity): (usize, crate::setup::Quantity)| {
            let phasor = interval.channels.get(place)?.phasor.value;
            Some(super::reading::velocity_m_s(
                quantity,
                phasor,
                interval.frequency_hz,
            ))
        };
        Some(
            (velocity(self.places.node?)? / velocity(self.places.antinode?)?)
                .im
                .abs(),
        )
    }

    fn verdict(&self, judged: &[Judged], readings: &[Reading]) -> (Verdict, Vec<String>) {
        let failed: Vec<String> = judged
            .iter()
            .filter(|(criterion, _)| criterion.met == Some(false))
            .map(|(_, sentence)| sentence.clone())
            .collect();
        if !failed.is_empty() {
            return (Verdict::Rejected, failed);
        }
        let open = |name: &str| {
            judged
                .iter()
                .find(|(c, _)| c.name == name && c.met.is_none())
        };
        if open("ring-up").is_some() {
            let reason = "whether the span has rung up is not known: there is no node channel";
            return (Verdict::Steady, vec![reason.into()]);
        }
        match open("drive phase") {
            Some((_, sentence)) if !self.passed_the_peak(readings) => {
                (Verdict::Steady, vec![sentence.clone()])
            }
            _ => (Verdict::Held, Vec::new()),
        }
    }

    /// Whether the approach went over the peak: on both sides of the held
    /// frequency, 0.3 to 2 bandwidths away, the span moved less, as the
    /// resonance curve has it, and nowhere did it move more.
    fn passed_the_peak(&self, readings: &[Reading]) -> bool {
        let (Some(held_hz), Some(held_m_s), Some(bandwidth)) = (
            middle_hz(readings),
            median(readings.iter().map(|reading| reading.antinode_m_s)),
            self.bandwidth_hz(readings),
        ) else {
            return false;
        };
        // At 0.3 bandwidths the curve is down to 1/sqrt(1 + 0.6²) = 0.86.
        let mut below = 0;
        let mut above = 0;
        for (frequency_hz, velocity_m_s) in &self.approach {
            let detuning = (frequency_hz - held_hz) / bandwidth;
            if detuning.abs() > 2.0 {
                continue;
            }
            if *velocity_m_s > 1.03 * held_m_s {
                return false;
            }
            if *velocity_m_s < 0.93 * held_m_s {
                below += usize::from(detuning < -0.3);
                above += usize::from(detuning > 0.3);
            }
        }
        below >= self.plan.window_hops && above >= self.plan.window_hops
    }
}

/// The longest run of readings whose frequency stays within half a bandwidth
/// of the dwell's middle value: first and one past last.
fn plateau(readings: &[Reading], bandwidth_hz: Option<f64>) -> (usize, usize) {
    let Some(own_hz) = middle_hz(readings) else {
        return (0, 0);
    };
    let width_hz = 0.5 * bandwidth_hz.unwrap_or(0.1);
    longest_run(readings, |reading| {
        (reading.frequency_hz - own_hz).abs() <= width_hz.max(6.0 * reading.frequency_u_hz)
    })
}

/// The longest run of readings that are `inside`: first and one past last.
fn longest_run(readings: &[Reading], inside: impl Fn(&Reading) -> bool) -> (usize, usize) {
    let (mut best, mut start) = ((0, 0), 0);
    for end in 0..=readings.len() {
        if readings.get(end).is_some_and(&inside) {
            continue;
        }
        if end - start > best.1 - best.0 {
            best = (start, end);
        }
        start = end + 1;
    }
    best
}
