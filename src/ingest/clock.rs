//! How fast a device really samples, by the host's clock.
//!
//! In: pairs of sample index and arrival time (host monotonic clock). Out: a
//! [`RateEstimate`]. Pure: the clock is read elsewhere.
//!
//! Samples arrive late, never early: a USB bridge holds them back for up to
//! 16 ms (its latency timer), a busy host for longer. So only the promptest
//! arrival of each stretch of time counts, and the line through these is the
//! Theil–Sen one: the median of all slopes (Sen, J. Am. Stat. Assoc. 63
//! (1968) 1379), which a third of outliers does not move. Its interval is
//! Sen's own, from the variance of Kendall's statistic.

use std::time::Duration;

/// Most arrivals kept; when there are more, neighbours are merged.
const MAX_POINTS: usize = 256;

/// Shortest stretch of time of which the promptest arrival is kept.
const FIRST_STRETCH: Duration = Duration::from_millis(500);

/// Fewer points than this give no estimate.
const MIN_POINTS: usize = 10;

/// 95.45 % of a normal distribution: k = 2.
const COVERAGE_FACTOR: f64 = 2.0;

/// The sampling rate by the host's clock.
///
/// The uncertainty covers the scatter of arrival only. The host's own clock
/// adds its error: some ppm when it is kept by NTP, up to about 50 ppm (a
/// common crystal; common practice, no source) when it is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateEstimate {
    /// Rate, Hz.
    pub rate_hz: f64,
    /// Deviation from the nominal rate, parts per million.
    pub offset_ppm: f64,
    /// Expanded uncertainty of it (k = 2), parts per million.
    pub offset_u_ppm: f64,
    /// Time that was observed, s.
    pub observed_s: f64,
}

/// One prompt arrival.
#[derive(Debug, Clone, Copy)]
struct Arrival {
    nominal_s: f64,
    /// Arrival time less nominal time.
    delay_s: f64,
}

/// Collects arrivals in bounded memory.
#[derive(Debug, Clone)]
pub struct RateMonitor {
    nominal_hz: f64,
    origin: Option<(u64, Duration)>,
    stretch_s: f64,
    points: Vec<Arrival>,
    /// The promptest arrival of the stretch that is not over yet, and when
    /// that stretch began.
    open: Option<(f64, Arrival)>,
}

impl RateMonitor {
    /// For a device with this nominal rate, Hz, > 0.
    pub fn new(nominal_hz: f64) -> Self {
        Self {
            nominal_hz,
            origin: None,
            stretch_s: FIRST_STRETCH.as_secs_f64(),
            points: Vec::new(),
            open: None,
        }
    }

    /// Begins again, as after a restart of the device.
    pub fn reset(&mut self) {
        *self = Self::new(self.nominal_hz);
    }

    /// The frame before `end_sample` had arrived at `now`.
    pub fn observe(&mut self, end_sample: u64, now: Duration) {
        let (first_sample, start) = *self.origin.get_or_insert((end_sample, now));
        let nominal_s = end_sample.saturating_sub(first_sample) as f64 / self.nominal_hz;
        let arrived_s = now.saturating_sub(start).as_secs_f64();
        let arrival = Arrival {
            nominal_s,
            delay_s: arrived_s - nominal_s,
        };
        match &mut self.open {
            Some((began_s, best)) if arrived_s - *began_s < self.stretch_s => {
                if arrival.delay_s < best.delay_s {
                    *best = arrival;
                }
            }
            open => {
                if let Some((_, best)) = open.replace((arrived_s, arrival)) {
                    self.points.push(best);
                }
            }
        }
        if self.points.len() >= MAX_POINTS {
            self.merge();
        }
    }

    /// Merges neighbours, so that the points reach twice as far.
    fn merge(&mut self) {
        self.stretch_s *= 2.0;
        self.points = self
            .points
            .chunks(2)
            .filter_map(|pair| {
                pair.iter()
                    .min_by(|a, b| a.delay_s.total_cmp(&b.delay_s))
                    .copied()
            })
            .collect();
    }

    /// The estimate; `None` before there is enough to tell.
    pub fn estimate(&self) -> Option<RateEstimate> {
        // The first stretch begins with the arrival that set the origin,
        // however late that was; the others are alike.
        let points = self.points.get(1..)?;
        if points.len() < MIN_POINTS {
            return None;
        }
        let mut slopes = slopes(points);
        slopes.sort_by(f64::total_cmp);
        let count = points.len() as f64;
        let median = quantile(&slopes, 0.5)?;
        // Kendall's statistic has the variance n (n − 1)(2n + 5)/18.
        let spread = COVERAGE_FACTOR * (count * (count - 1.0) * (2.0 * count + 5.0) / 18.0).sqrt();
        let half = (spread / (2.0 * slopes.len() as f64)).min(0.5);
        let low = quantile(&slopes, 0.5 - half)?;
        let high = quantile(&slopes, 0.5 + half)?;
        // delay = slope × nominal time, so arrival = (1 + slope) × nominal.
        let rate_ratio = 1.0 / (1.0 + median);
        let (first, last) = (points.first()?, points.last()?);
        Some(RateEstimate {
            rate_hz: self.nominal_hz * rate_ratio,
            offset_ppm: (rate_ratio - 1.0) * 1e6,
            offset_u_ppm: (high - median).max(median - low) * rate_ratio * rate_ratio * 1e6,
            observed_s: last.nominal_s - first.nominal_s,
        })
    }
}

fn slopes(points: &[Arrival]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (n, a) in points.iter().enumerate() {
        for b in points.iter().skip(n + 1) {
            let span_s = b.nominal_s - a.nominal_s;
            if span_s > 0.0 {
                slopes.push((b.delay_s - a.delay_s) / span_s);
            }
        }
    }
    slopes
}

fn quantile(sorted: &[f64], fraction: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = (fraction * last as f64).round() as usize;
    sorted.get(place.min(last)).copied()
}
