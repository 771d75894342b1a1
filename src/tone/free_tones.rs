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

use super::free_response::{
    OVERLAP, free_tone, least_squares, normal, shortened, solve, sum_of_squares, take_off,
};

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
        channels,
        count,
        step_s,
    };
    let mut fit = problem.refined(&[problem.start(farthest_hz)?])?;
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

struct Problem<'a> {
    channels: &'a [NoisySeries],
    count: usize,
    step_s: f64,
}

/// A fit: the exponents, and for each channel the amplitudes (the constant
/// first) and what is left.
struct Fit {
    lambdas: Vec<Complex64>,
    amplitudes: Vec<Vec<Complex64>>,
    rests: Vec<Vec<Complex64>>,
    /// Sum of the squares of all rests, each over its noise.
    cost: f64,
}

impl Problem<'_> {
    fn free(&self, lambda: Complex64) -> Vec<Complex64> {
        free_tone(lambda, self.step_s, self.count)
    }

    fn columns(&self, lambdas: &[Complex64]) -> Vec<Vec<Complex64>> {
        std::iter::once(vec![Complex64::ONE; self.count])
            .chain(lambdas.iter().map(|lambda| self.free(*lambda)))
            .collect()
    }

    fn fit(&self, lambdas: &[Complex64]) -> Option<Fit> {
        let columns = self.columns(lambdas);
        let mut fit = Fit {
            lambdas: lambdas.to_vec(),
            amplitudes: Vec::new(),
            rests: Vec::new(),
            cost: 0.0,
        };
        for channel in self.channels {
            let linear = least_squares(&columns, &channel.values)?;
            let mut rest = channel.values.clone();
            take_off(&mut rest, &columns, &linear);
            fit.cost += sum_of_squares(&rest) / channel.noise_square;
            fit.amplitudes.push(linear);
            fit.rests.push(rest);
        }
        fit.cost.is_finite().then_some(fit)
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

    /// Slope of each tone along its exponent, what amplitudes can take up of it
    /// taken off.
    fn slopes(&self, fit: &Fit) -> Option<Vec<Vec<Complex64>>> {
        let columns = self.columns(&fit.lambdas);
        columns
            .iter()
            .skip(1)
            .map(|free| {
                let mut slope: Vec<Complex64> = free
                    .iter()
                    .enumerate()
                    .map(|(i, value)| value * (i as f64 * self.step_s))
                    .collect();
                let taken_up = least_squares(&columns, &slope)?;
                take_off(&mut slope, &columns, &taken_up);
                Some(slope)
            })
            .collect()
    }

    /// The normal equations of a step along the exponents.
    fn step(&self, fit: &Fit) -> Option<(Vec<Vec<Complex64>>, Vec<Complex64>)> {
        let slopes = self.slopes(fit)?;
        let products = normal(&slopes);
        let size = slopes.len();
        let mut matrix = vec![vec![Complex64::ZERO; size]; size];
        let mut right = vec![Complex64::ZERO; size];
        for ((channel, amplitudes), rest) in
            self.channels.iter().zip(&fit.amplitudes).zip(&fit.rests)
        {
            let tones = amplitudes.get(1..)?;
            for ((row, own), products) in matrix.iter_mut().zip(tones).zip(&products) {
                for ((entry, other), product) in row.iter_mut().zip(tones).zip(products) {
                    *entry += own.conj() * other * product / channel.noise_square;
                }
            }
            for ((entry, own), slope) in right.iter_mut().zip(tones).zip(&slopes) {
                let along: Complex64 = slope.iter().zip(rest).map(|(a, b)| a.conj() * b).sum();
                *entry += own.conj() * along / channel.noise_square;
            }
        }
        Some((matrix, right))
    }

    /// Steps of Gauss and Newton from some exponents, each shortened until the
    /// rest shrinks.
    fn refined(&self, start: &[Complex64]) -> Option<Fit> {
        let mut fit = self.fit(start)?;
        // Nothing grows by more than e² over the series.
        let fastest = 2.0 / (self.count as f64 * self.step_s);
        for _ in 0..ITERATIONS {
            let (matrix, right) = self.step(&fit)?;
            let Some(change) = solve(matrix, right) else {
                break;
            };
            let better = shortened(fit.cost, |scale| {
                let moved: Vec<Complex64> = fit
                    .lambdas
                    .iter()
                    .zip(&change)
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
    fn grid(&self, slowest: f64, farthest: f64) -> impl Iterator<Item = Complex64> {
        let length_s = self.count as f64 * self.step_s;
        let step_s = self.step_s;
        std::iter::once(slowest / length_s)
            .chain(
                std::iter::successors(Some(1.0 / length_s), |decay| Some(1.6 * decay))
                    .take_while(move |decay| decay * step_s < 1.2),
            )
            .flat_map(move |decay| {
                let spacing = 0.7 * decay.max(PI / length_s);
                let count = (farthest / spacing).ceil() as i64;
                (-count..=count).map(move |i| Complex64::new(-decay, i as f64 * spacing))
            })
    }

    fn start(&self, farthest_hz: f64) -> Option<Complex64> {
        self.grid(0.5, TAU * farthest_hz)
            .filter_map(|lambda| Some((self.fit(&[lambda])?.cost, lambda)))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, lambda)| lambda)
    }

    /// The exponent whose tone takes most off the rests.
    fn another(&self, fit: &Fit) -> Complex64 {
        let gain = |lambda: &Complex64| {
            let tone = self.free(*lambda);
            let size = sum_of_squares(&tone);
            self.channels
                .iter()
                .zip(&fit.rests)
                .map(|(channel, rest)| {
                    let along: Complex64 = tone.iter().zip(rest).map(|(a, b)| a.conj() * b).sum();
                    along.norm_sqr() / (size * channel.noise_square)
                })
                .sum::<f64>()
        };
        self.grid(0.0, 0.98 * PI / self.step_s)
            .map(|lambda| (gain(&lambda), lambda))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(Complex64::ZERO, |(_, lambda)| lambda)
    }

    fn tones(&self, fit: &Fit) -> Option<FreeTones> {
        let left = fit.cost / self.freedom(fit.lambdas.len())?;
        let (matrix, _) = self.step(fit)?;
        let size = fit.lambdas.len();
        let tones = (0..size)
            .map(|i| {
                let mut unit = vec![Complex64::ZERO; size];
                *unit.get_mut(i)? = Complex64::ONE;
                let spread = solve(matrix.clone(), unit)?.get(i)?.re;
                // Noise as it was before, or as much as is left.
                let variance = OVERLAP * left.max(1.0) * spread.max(0.0);
                let lambda_u = (0.5 * variance).sqrt();
                let lambda = *fit.lambdas.get(i)?;
                let over_noise = self
                    .channels
                    .iter()
                    .zip(&fit.amplitudes)
                    .filter_map(|(channel, own)| {
                        Some(own.get(i + 1)?.norm_sqr() / channel.noise_square)
                    })
                    .sum();
                Some(FreeTone {
                    offset_hz: lambda.im / TAU,
                    offset_u_hz: lambda_u / TAU,
                    bandwidth_hz: -lambda.re / PI,
                    bandwidth_u_hz: lambda_u / PI,
                    over_noise,
                })
            })
            .collect::<Option<_>>()?;
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
