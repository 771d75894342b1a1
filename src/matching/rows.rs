//! Windows → rows: the relative response by frequency, with its uncertainty.

use super::windows::WaveWindow;
use crate::maths;
use num_complex::Complex64;

/// Windows within this part of a frequency make one row.
const ROW_WIDTH: f64 = 0.03;
/// The windows of a dwell are no further apart, and not put into two rows.
const ONE_DWELL: f64 = 0.001;
/// Windows in a row, at least: fewer show no scatter.
pub(super) const LEAST_WINDOWS: usize = 3;
/// A row has a scatter of its own from so many windows on; else that of all rows stands.
const OWN_SCATTER: usize = 10;
/// No ratio is known better, as a part of itself squared: a recording without noise has
/// weights, too.
const LEAST_VARIANCE: f64 = 1e-18;
/// And none shows more than this of a tone over noise, dB.
const LARGEST_SNR_DB: f64 = 300.0;
/// Probability that k = 2 stands for.
const TWO_SIGMA: f64 = 0.954_5;

/// One row of one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub gain: f64,
    /// Over the gain.
    pub gain_standard_u: f64,
    pub phase_rad: f64,
    pub phase_standard_u_rad: f64,
    pub windows: u32,
    pub snr_db: f64,
}

/// The rows of all channels, which share their frequencies.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rows {
    /// Rising.
    pub frequencies_hz: Vec<f64>,
    /// Row by row, channel by channel.
    parts: Vec<Vec<Part>>,
}

impl Rows {
    pub(super) fn of_channel(&self, number: usize) -> Vec<Part> {
        let parts = self.parts.iter();
        parts.filter_map(|row| row.get(number).copied()).collect()
    }
}

/// One window of one channel relative to the mean of all.
#[derive(Debug, Clone, Copy)]
struct Relative {
    value: Complex64,
    /// Variance of its real and of its imaginary part from noise, over its squared modulus.
    variance: f64,
}

/// What the windows of a row make together.
struct Mean {
    value: Complex64,
    weight: f64,
    /// Weighted squares of what the windows depart from it, in gain and in phase: chi-square
    /// with one degree of freedom less than there are windows.
    departures: [f64; 2],
}

pub(super) fn rows(windows: &[&WaveWindow], channels: usize) -> Rows {
    let mut sorted: Vec<&WaveWindow> = windows.to_vec();
    sorted.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let groups: Vec<&[&WaveWindow]> = groups(&sorted)
        .into_iter()
        .filter(|group| group.len() >= LEAST_WINDOWS)
        .collect();
    let relatives: Vec<Vec<Vec<Relative>>> = groups
        .iter()
        .map(|group| (0..channels).map(|n| relative(group, n)).collect())
        .collect();
    let means: Vec<Vec<Mean>> = relatives
        .iter()
        .map(|row| row.iter().map(|windows| mean(windows)).collect())
        .collect();
    let freedom: usize = groups.iter().map(|group| group.len() - 1).sum();
    // Over all rows: what the scatter is of what noise explains.
    let pooled: Vec<[f64; 2]> = (0..channels)
        .map(|channel| {
            [0, 1].map(|part| {
                let departures = means.iter().filter_map(|row| row.get(channel));
                let sum: f64 = departures
                    .filter_map(|mean| mean.departures.get(part))
                    .sum();
                excess(sum, freedom)
            })
        })
        .collect();
    let parts = groups.iter().zip(&means).map(|(group, row)| {
        let of_channels = row.iter().zip(&pooled).enumerate();
        of_channels
            .map(|(channel, (mean, pooled))| part(group, channel, mean, *pooled))
            .collect()
    });
    Rows {
        frequencies_hz: groups.iter().map(|group| middle_hz(group)).collect(),
        parts: parts.collect(),
    }
}

/// Windows by rising frequency, cut into rows.
fn groups<'a, 'w>(sorted: &'a [&'w WaveWindow]) -> Vec<&'a [&'w WaveWindow]> {
    let mut groups = Vec::new();
    let mut left = sorted;
    while let Some(first) = left.first() {
        let from_hz = first.frequency_hz;
        let mut before_hz = from_hz;
        let end = left.iter().position(|window| {
            let step = window.frequency_hz / before_hz - 1.0;
            let width = window.frequency_hz / from_hz - 1.0;
            before_hz = window.frequency_hz;
            // A slow sweep is one long dwell by its steps.
            width > 2.0 * ROW_WIDTH || (width > ROW_WIDTH && step > ONE_DWELL)
        });
        let (group, rest) = left.split_at(end.unwrap_or(left.len()));
        groups.push(group);
        left = rest;
    }
    groups
}

fn middle_hz(group: &[&WaveWindow]) -> f64 {
    let sum: f64 = group.iter().map(|window| window.frequency_hz).sum();
    sum / group.len() as f64
}

fn relative(group: &[&WaveWindow], number: usize) -> Vec<Relative> {
    let one = |window: &&WaveWindow| {
        let count = window.shown.len() as f64;
        let sum: Complex64 = window.shown.iter().map(|shown| shown.displacement).sum();
        let own = window.shown.get(number)?;
        let squares: f64 = window
            .shown
            .iter()
            .map(|shown| maths::square(shown.relative_u))
            .sum();
        let own_square = maths::square(own.relative_u);
        // The channel is a part of the mean that it is held against. All are alike to
        // within a tenth, which is enough for a variance.
        let variance = maths::square(1.0 - 1.0 / count) * own_square
            + (squares - own_square) / maths::square(count);
        Some(Relative {
            value: own.displacement / (sum / count),
            variance: variance.max(LEAST_VARIANCE),
        })
    };
    group.iter().filter_map(one).collect()
}

fn mean(windows: &[Relative]) -> Mean {
    let mut weight = 0.0;
    let mut sum = Complex64::new(0.0, 0.0);
    for window in windows {
        weight += 1.0 / window.variance;
        sum += window.value / window.variance;
    }
    let value = sum / weight;
    let mut departures = [0.0; 2];
    for window in windows {
        let departure = window.value / value - 1.0;
        let [gain, phase] = &mut departures;
        *gain += maths::square(departure.re) / window.variance;
        *phase += maths::square(departure.im) / window.variance;
    }
    Mean {
        value,
        weight,
        departures,
    }
}

/// By what a variance from noise has to be multiplied for the scatter there is: 1 where noise
/// explains it. Few windows know their scatter badly (Student's t).
fn excess(departures: f64, freedom: usize) -> f64 {
    if freedom == 0 {
        return 1.0;
    }
    let freedom = freedom as f64;
    let wider = 0.5 * maths::students_t_within(TWO_SIGMA, freedom);
    (departures / freedom * maths::square(wider)).max(1.0)
}

fn part(group: &[&WaveWindow], channel: usize, mean: &Mean, pooled: [f64; 2]) -> Part {
    let own = |part: usize| {
        let departures = mean.departures.get(part).copied().unwrap_or(0.0);
        if group.len() >= OWN_SCATTER {
            excess(departures, group.len() - 1)
        } else {
            1.0
        }
    };
    let [gain_excess, phase_excess] = pooled;
    let standard_u = |excess: f64| (excess / mean.weight).sqrt();
    let snr: f64 = group
        .iter()
        .filter_map(|window| Some(window.shown.get(channel)?.snr_db.min(LARGEST_SNR_DB)))
        .sum();
    Part {
        gain: maths::modulus(mean.value),
        gain_standard_u: standard_u(gain_excess.max(own(0))),
        phase_rad: maths::argument(mean.value),
        phase_standard_u_rad: standard_u(phase_excess.max(own(1))),
        windows: group.len() as u32,
        snr_db: snr / group.len() as f64,
    }
}
