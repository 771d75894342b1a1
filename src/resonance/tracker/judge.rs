//! Judging a dwell that has ended: the stretch that counts, its criteria, and
//! what the approach to it says.

use std::sync::Arc;

use super::super::criteria::{Judged, Stretch};
use super::super::reading::{Reading, median, middle_hz, velocity_m_s};
use super::super::{Criterion, Dwell};
use super::{EndOfDwell, HOLD_CONSTANTS, LONGEST_DWELL_SECONDS, RING_UP_COMFORT, Tracker};
use crate::maths;
use crate::setup::Quantity;
use crate::setup::Verdict;
use crate::tone::interval::{IntervalTone, fit_interval, join_hops};
use std::f64::consts::PI;

/// Shortest stretch of constant frequency that is worth a record, s.
const DWELL_SECONDS: f64 = 1.5;
/// A hold has to fill this part of the dwell after ring-up.
const LEAST_SHARE: f64 = 0.5;
/// Impulse over the usual residual of the dwell that makes a knock.
const KNOCK: f64 = 6.0;
/// Knocks in more than this part of the hops are a rattle.
const KNOCK_SHARE: f64 = 0.1;

impl Tracker {
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
                    && channel.residual_peak > 0.01 * maths::modulus(channel.amplitude);
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

    pub(super) fn judge_dwell(&self, end: EndOfDwell) -> Option<Dwell> {
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
        // Points are taken from `max_seconds` at most, the latest ones.
        let most = (self.setup.hold.max_seconds / hop_s).ceil() as usize;
        let count = to - from;
        // Where the span keeps ringing after the drive has gone, its frequency
        // tells late: the steady run says where the dwell really ended.
        // What has been let go cannot be fitted any more.
        let kept = readings.iter().position(|r| !r.frame.samples.is_empty());
        let earliest = rung_up.min(count / 2).max(kept.unwrap_or_default());
        let (run_start, run_end) = self.steady_run(readings.get(earliest..)?);
        let (run_start, run_end) = (earliest + run_start, earliest + run_end);
        let run = run_end - run_start;
        let (first, last) = if run >= least && run as f64 >= LEAST_SHARE * (count - earliest) as f64
        {
            // As much ring-up as the run can spare beside the hold, and if need be
            // the shortest hold. A tenth over the least wait, because the hold's
            // own ratio will be asked whether it was enough.
            let wanted = least.max(hops(HOLD_CONSTANTS).min(most)).min(run);
            let safe = hops(1.1 * self.setup.hold.ring_up_time_constants);
            let waited = comfort.min(run_end - wanted).max(safe.min(run_end - least));
            (run_start.max(waited), run_end)
        } else {
            (earliest, count)
        };
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

    pub(super) fn stretch<'a>(
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
    pub(super) fn judge(
        &self,
        changed: usize,
        first: usize,
        last: usize,
        end: EndOfDwell,
    ) -> Option<Dwell> {
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
            EndOfDwell::Gap { missing, .. } => missing,
            _ => 0,
        };
        if verdict == Verdict::Rejected {
            self.say_how_it_ended(end, &mut reasons);
        }
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

    /// What the end of the dwell has to do with its not being a hold.
    fn say_how_it_ended(&self, end: EndOfDwell, reasons: &mut Vec<String>) {
        let (Some(first), Some(last)) = (self.dwell.first(), self.dwell.last()) else {
            return;
        };
        match end {
            EndOfDwell::Gap { at_s, missing } => reasons.push(format!(
                "{missing} samples are missing at {at_s:.2} s: the dwell ended there"
            )),
            EndOfDwell::Drift => {
                let moved_mhz = 1e3 * (last.frequency_hz - first.frequency_hz);
                reasons.insert(
                    0,
                    format!("the frequency drifted out of the dwell: {moved_mhz:+.1} mHz from its start to its end"),
                );
            }
            EndOfDwell::Level => reasons.push(format!(
                "the drive level was changed at {:.2} s: the dwell ended there",
                last.end_s
            )),
            EndOfDwell::TooLong => reasons.push(format!(
                "not held within {:.0} minutes: judged as it is, and begun anew",
                LONGEST_DWELL_SECONDS / 60.0
            )),
            EndOfDwell::Change | EndOfDwell::ToneLost | EndOfDwell::EndOfSamples => {}
        }
    }

    fn ratio(&self, interval: &IntervalTone) -> Option<f64> {
        let velocity = |(place, quantity): (usize, Quantity)| {
            let phasor = interval.channels.get(place)?.phasor.value;
            Some(velocity_m_s(quantity, phasor, interval.frequency_hz))
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
            let lacks = if self.places.node.is_none() {
                "there is no node channel"
            } else {
                "the node shows no ratio"
            };
            let reason = format!("whether the span has rung up is not known: {lacks}");
            return (Verdict::Steady, vec![reason]);
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
    /// resonance curve has it, and nowhere did it move more. The span traces
    /// that curve only if it has a time constant for each side; hops in which
    /// an old motion blurs the frequency tell nothing.
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
        // Within a bare span's band the drive is moved without a dwell's end.
        let own = self.dwell.iter().map(passage);
        for ([frequency_hz, frequency_u_hz], velocity_m_s) in
            self.approach.iter().copied().chain(own)
        {
            let detuning = (frequency_hz - held_hz) / bandwidth;
            if detuning.abs() > 2.0 || frequency_u_hz > 0.1 * bandwidth {
                continue;
            }
            if velocity_m_s > 1.03 * held_m_s {
                return false;
            }
            if velocity_m_s < 0.93 * held_m_s {
                below += usize::from(detuning < -0.3);
                above += usize::from(detuning > 0.3);
            }
        }
        let constant = (1.0 / (PI * bandwidth) / self.plan.hop_seconds()).ceil() as usize;
        let least = constant.max(self.plan.window_hops);
        below >= least && above >= least
    }
}

/// What a reading tells of a passage over the peak: frequency with its standard
/// uncertainty, Hz, and antinode velocity, m/s.
pub(super) fn passage(reading: &Reading) -> ([f64; 2], f64) {
    (
        [reading.frequency_hz, reading.frequency_u_hz],
        reading.antinode_m_s,
    )
}

/// The longest run of readings whose frequency stays within half a bandwidth
/// of the dwell's middle value: first and one past last.
pub(super) fn plateau(readings: &[Reading], bandwidth_hz: Option<f64>) -> (usize, usize) {
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
