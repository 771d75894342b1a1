//! The free tones that ring beside a steady one, on several channels at once.
//! Pure.
//!
//! In: complex amplitudes against one frequency, one series a channel, with the
//! noise of each. Out: the decaying tones that all channels share, each with
//! uncertainty.
//!
//! After a change the drive is constant: its frequency, or another one, or
//! nothing. What is seen against the frequency before is then
//!
//! `v_c(t) = a_c + sum over k of b_ck exp(lambda_k t)`,
//!
//! a_c what is driven at that frequency, lambda_k the poles of the resonances that
//! ring (one of them may be the new drive, which does not decay). The poles are the
//! span's and common to all channels; the amplitudes are each channel's own. They
//! are found by variable projection (Golub and Pereyra): the amplitudes are solved
//! for and taken off, and steps of Gauss and Newton go along the poles alone. Poles
//! are added as long as what is left is more than noise.
//! `tests/reference/free_tones_scipy.py` does the same by SciPy.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::free_response::OVERLAP;
use super::pole_grid::{self, Weighted, exponential};
use super::series_fit::{ComplexSeries, Factored, Factors, Fitted, MOST, Normal, shortened};
use crate::maths;

/// Free tones, at most.
const MOST_TONES: usize = 5;
/// Of noise the best of some hundred exponents takes off about this much, in units
/// of a value's noise, and each unknown beside it one; a tone has to take off three
/// times that to be one.
const BEST_OF_NOISE: f64 = 4.0;
const OVER_BEST_OF_NOISE: f64 = 3.0;
/// Steps of Gauss and Newton, at most.
const ITERATIONS: usize = 30;

/// A series of complex amplitudes of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct NoisySeries {
    /// Its values, evenly spaced.
    pub values: Vec<Complex64>,
    /// Mean square of a value's noise.
    pub noise_square: f64,
}

/// One free tone. Uncertainties are standard ones, from what the fit leaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FreeTone {
    /// Its frequency less that against which the series stand, Hz.
    pub offset_hz: f64,
    /// Its standard uncertainty, Hz.
    pub offset_u_hz: f64,
    /// Half-power bandwidth that its decay tells, Hz.
    pub bandwidth_hz: f64,
    /// Its standard uncertainty, Hz.
    pub bandwidth_u_hz: f64,
    /// Its power over the noise of one value, all channels together, at the start.
    pub over_noise: f64,
}

/// All free tones of some series.
#[derive(Debug, Clone, PartialEq)]
pub struct FreeTones {
    /// The tones, in the order in which they were found.
    pub tones: Vec<FreeTone>,
    /// Power of what is left over that of the noise.
    pub rest_over_noise: f64,
}

/// Finds the tones of series with one value every `step_s`, the first of them
/// within `farthest_hz`. `None` for too few values.
pub fn free_tones(channels: &[NoisySeries], step_s: f64, farthest_hz: f64) -> Option<FreeTones> {
    let count = channels.first()?.values.len();
    let usable = channels.iter().all(|channel| {
        channel.values.len() == count
            && channel.noise_square > 0.0
            && channel.noise_square.is_finite()
    });
    if !usable || count < 6 {
        return None;
    }
    let problem = Problem {
        channels: channels
            .iter()
            .map(|channel| Channel {
                series: channel.values.iter().copied().collect(),
                weight: 1.0 / channel.noise_square,
            })
            .collect(),
        count,
        step_s,
    };
    let mut fit = problem.refined(&[problem.start(channels, farthest_hz)?])?;
    let of_noise = OVER_BEST_OF_NOISE * (BEST_OF_NOISE + 1.0 + channels.len() as f64);
    while fit.lambdas.len() < MOST_TONES {
        let mut lambdas = fit.lambdas.clone();
        lambdas.push(problem.another(&fit));
        let Some(with) = problem.refined(&lambdas) else {
            break;
        };
        let Some(freedom) = problem.freedom(with.lambdas.len()) else {
            break;
        };
        if fit.cost - with.cost <= of_noise * (with.cost / freedom).max(1.0) {
            break;
        }
        fit = with;
    }
    problem.tones(&fit)
}

struct Problem {
    channels: Vec<Channel>,
    count: usize,
    step_s: f64,
}

struct Channel {
    series: ComplexSeries,
    /// One over the mean square of its noise.
    weight: f64,
}

/// A fit: the exponents, and for each channel the amplitudes (the constant
/// first) and what is left.
struct Fit {
    lambdas: Vec<Complex64>,
    /// A constant, and a free tone for each exponent.
    columns: Vec<ComplexSeries>,
    products: Factored,
    channels: Vec<Fitted>,
    /// Sum of the squares of all rests, each over its noise.
    cost: f64,
}

impl Problem {
    fn fit(&self, lambdas: &[Complex64]) -> Option<Fit> {
        let ratio = |lambda: &Complex64| exponential(lambda * self.step_s);
        let ratios: Vec<Complex64> = lambdas.iter().map(ratio).collect();
        let mut columns = vec![ComplexSeries::constant(self.count)];
        let mut channels = Vec::with_capacity(self.channels.len());
        let products = maths::wide!({
            columns.truncate(1);
            for ratio in &ratios {
                columns.push(ComplexSeries::tone(*ratio, self.count));
            }
            let products = Normal::of(&columns).factored();
            channels.clear();
            if let Some(products) = &products {
                for channel in &self.channels {
                    channels.push(products.fitted(&columns, &channel.series));
                }
            }
            products
        })?;
        let costs = self.channels.iter().zip(&channels);
        let cost: f64 = costs
            .map(|(channel, fitted)| fitted.cost * channel.weight)
            .sum();
        cost.is_finite().then(|| Fit {
            lambdas: lambdas.to_vec(),
            columns,
            products,
            channels,
            cost,
        })
    }

    /// Degrees of freedom, complex values, with so many tones; `None` without any.
    fn freedom(&self, tones: usize) -> Option<f64> {
        let values = self.channels.len() * self.count;
        let unknowns = self.channels.len() * (1 + tones) + tones;
        values
            .checked_sub(unknowns)
            .filter(|n| *n > 0)
            .map(|n| n as f64)
    }

    /// The normal equations of a step along the exponents, what the amplitudes can take up
    /// taken off, and their right side.
    fn step(&self, fit: &Fit) -> (Normal, Factors) {
        let size = fit.lambdas.len();
        let step_s = Complex64::new(self.step_s, 0.0);
        let mut matrix = Normal::new(size);
        let mut right = [Complex64::ZERO; MOST];
        maths::wide!({
            let mut slopes = Vec::with_capacity(size);
            for column in fit.columns.iter().skip(1) {
                let mut slope = column.by_number(step_s);
                let taken_up = fit.products.solve(&slope.along(&fit.columns));
                for (column, factor) in fit.columns.iter().zip(taken_up) {
                    slope.add(column, -factor);
                }
                slopes.push(slope);
            }
            let products = Normal::of(&slopes);
            matrix = Normal::new(size);
            right = [Complex64::ZERO; MOST];
            for (channel, fitted) in self.channels.iter().zip(&fit.channels) {
                // The constant comes first.
                let mut tones = [Complex64::ZERO; MOST];
                for (tone, amplitude) in tones.iter_mut().zip(fitted.factors.iter().skip(1)) {
                    *tone = *amplitude;
                }
                matrix.add_turned(&products, &tones, channel.weight);
                let along = fitted.rest.along(&slopes);
                for ((entry, own), along) in right.iter_mut().zip(tones).zip(along) {
                    *entry += own.conj() * along * channel.weight;
                }
            }
        });
        (matrix, right)
    }

    /// Steps of Gauss and Newton from some exponents, each shortened until the
    /// rest shrinks.
    fn refined(&self, start: &[Complex64]) -> Option<Fit> {
        let mut fit = self.fit(start)?;
        // Nothing grows by more than e² over the series.
        let fastest = 2.0 / (self.count as f64 * self.step_s);
        for _ in 0..ITERATIONS {
            let (matrix, right) = self.step(&fit);
            let Some(matrix) = matrix.factored() else {
                break;
            };
            let change = matrix.solve(&right);
            let better = shortened(fit.cost, |scale| {
                let moved: Vec<Complex64> = fit
                    .lambdas
                    .iter()
                    .zip(change)
                    .map(|(lambda, change)| lambda + change * scale)
                    .collect();
                if moved.iter().any(|lambda| lambda.re > fastest) {
                    return None;
                }
                self.fit(&moved).map(|moved| (moved.cost, moved))
            });
            let Some(next) = better else {
                break;
            };
            let done = next.cost > (1.0 - 1e-10) * fit.cost;
            fit = next;
            if done {
                break;
            }
        }
        Some(fit)
    }

    /// Decays from none to one that is over in a value, each with frequencies as
    /// far apart as it is broad, up to `farthest` rad/s.
    fn grid(&self, slowest: f64, farthest: f64) -> Vec<Complex64> {
        let length_s = self.count as f64 * self.step_s;
        let decays = std::iter::successors(Some(1.0 / length_s), |decay| Some(1.6 * decay))
            .take_while(|decay| decay * self.step_s < 1.2);
        let decays = std::iter::once(slowest / length_s).chain(decays);
        pole_grid::grid(decays, length_s, farthest)
    }

    /// The exponent whose tone takes most off beside a constant.
    fn start(&self, channels: &[NoisySeries], farthest_hz: f64) -> Option<Complex64> {
        let centred = channels.iter().map(|channel| {
            let mean = channel.values.iter().sum::<Complex64>() / self.count as f64;
            channel.values.iter().map(|value| value - mean).collect()
        });
        let centred: Vec<Vec<Complex64>> = centred.collect();
        let grid = self.grid(0.5, TAU * farthest_hz);
        pole_grid::most_taken_off(&grid, &self.weighted(&centred), self.step_s, true)
    }

    /// The exponent whose tone takes most off the rests.
    fn another(&self, fit: &Fit) -> Complex64 {
        let rests = fit.channels.iter();
        let rests: Vec<Vec<Complex64>> = rests
            .map(|fitted| fitted.rest.values().take(self.count).collect())
            .collect();
        let grid = self.grid(0.0, 0.98 * PI / self.step_s);
        pole_grid::most_taken_off(&grid, &self.weighted(&rests), self.step_s, false)
            .unwrap_or(Complex64::ZERO)
    }

    fn weighted<'a>(&self, values: &'a [Vec<Complex64>]) -> Vec<Weighted<'a>> {
        let weights = self.channels.iter().map(|channel| channel.weight);
        values.iter().map(Vec::as_slice).zip(weights).collect()
    }

    fn tones(&self, fit: &Fit) -> Option<FreeTones> {
        let left = fit.cost / self.freedom(fit.lambdas.len())?;
        let matrix = self.step(fit).0.factored()?;
        let tones = fit
            .lambdas
            .iter()
            .enumerate()
            .map(|(i, lambda)| {
                let spread = matrix.spread(i);
                // Noise as it was before, or as much as is left.
                let variance = OVERLAP * left.max(1.0) * spread.max(0.0);
                let lambda_u = (0.5 * variance).sqrt();
                let over_noise = self
                    .channels
                    .iter()
                    .zip(&fit.channels)
                    .filter_map(|(channel, fitted)| {
                        Some(fitted.factors.get(i + 1)?.norm_sqr() * channel.weight)
                    })
                    .sum();
                FreeTone {
                    offset_hz: lambda.im / TAU,
                    offset_u_hz: lambda_u / TAU,
                    bandwidth_hz: -lambda.re / PI,
                    bandwidth_u_hz: lambda_u / PI,
                    over_noise,
                }
            })
            .collect();
        Some(FreeTones {
            tones,
            rest_over_noise: left,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The series and the values of `tests/reference/free_tones_scipy.py`.
    #[test]
    fn the_same_as_scipy_on_the_same_channels() {
        let values = include_str!("../../tests/reference/free_tones_values.csv");
        let series = include_str!("../../tests/reference/free_tones_series.csv");
        let rows = |table: &'static str, case: &'static str| {
            let rows = table.lines().skip(1).filter_map(move |line| {
                let rest = line.strip_prefix(case)?.strip_prefix(',')?;
                Some(rest.split(',').map(|t| t.parse().unwrap()).collect())
            });
            rows.collect::<Vec<Vec<f64>>>()
        };
        for case in ["cut", "level", "retuned", "broad"] {
            let given = rows(series, case);
            let step_s = given[0][1];
            let channels: Vec<NoisySeries> = (0..3)
                .map(|channel| {
                    let own = given
                        .iter()
                        .filter(|row| row[0].total_cmp(&f64::from(channel)).is_eq());
                    let own: Vec<&Vec<f64>> = own.collect();
                    NoisySeries {
                        values: own
                            .iter()
                            .map(|row| Complex64::new(row[3], row[4]))
                            .collect(),
                        noise_square: own.first().map_or(0.0, |row| row[2] * row[2]),
                    }
                })
                .filter(|channel| !channel.values.is_empty())
                .collect();
            let found = free_tones(&channels, step_s, 0.6).unwrap();
            let right = rows(values, case);
            assert_eq!(found.tones.len(), right.len(), "{case}: {found:?}");
            assert!(
                (0.7..1.3).contains(&found.rest_over_noise),
                "{case}: {found:?}"
            );
            for row in &right {
                // Column 0 counts the tones.
                let [_, hz, u_hz, df_hz, df_u_hz] = row[..] else {
                    panic!("{row:?}");
                };
                let off = |tone: &&FreeTone| (tone.offset_hz - hz).abs();
                let tone = found
                    .tones
                    .iter()
                    .min_by(|a, b| off(a).total_cmp(&off(b)))
                    .unwrap();
                assert!(off(&tone) < 2e-3 * u_hz, "{case}: {tone:?} for {row:?}");
                assert!(
                    (tone.bandwidth_hz - df_hz).abs() < 2e-3 * df_u_hz,
                    "{case}: {tone:?} for {row:?}"
                );
                assert!(
                    (tone.offset_u_hz / u_hz - 1.0).abs() < 0.01,
                    "{case}: {tone:?}"
                );
                assert!(
                    (tone.bandwidth_u_hz / df_u_hz - 1.0).abs() < 0.01,
                    "{case}: {tone:?}"
                );
            }
        }
    }

    #[test]
    fn too_few_values_are_nothing() {
        let short = NoisySeries {
            values: vec![Complex64::ONE; 5],
            noise_square: 1.0,
        };
        assert_eq!(free_tones(&[short], 0.25, 0.6), None);
        assert_eq!(free_tones(&[], 0.25, 0.6), None);
    }
}
