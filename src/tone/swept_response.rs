//! A resonance from the response to a drive whose frequency moves over it. Pure.
//!
//! In: the complex response r of a motion to its drive, evenly spaced in time, and
//! the drive's frequency meanwhile. Out: natural frequency, half-power bandwidth and
//! the phase of the response at the peak, with uncertainty.
//!
//! With the motion's amplitude v = r u and a drive of constant size that turns as
//! u' = j 2 pi f(t) u, the equation of one resonance, v' = lambda v + g u (see
//! [`super::free_response`]), becomes
//!
//! `r' = (lambda − j 2 pi f(t)) r + g`, `lambda = −pi df + j 2 pi f_0`,
//!
//! so the passage may be as fast as it likes. At the peak the steady response is
//! g/(pi df): its phase is that of g.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::pole_grid::exponential;
use super::series_fit::{ComplexSeries, Fitted, Normal, least_squares, shortened};
use crate::maths;

/// Fewest values that are fitted.
const LEAST_VALUES: usize = 12;
/// Steps of Gauss and Newton, at most.
const ITERATIONS: usize = 30;
/// Bandwidths to begin with, over the likely one.
const BANDWIDTHS: [f64; 3] = [0.7, 1.2, 2.0];

/// What a passage shows. Uncertainties are standard ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweptResponse {
    /// Natural frequency, Hz.
    pub frequency_hz: f64,
    /// Its standard uncertainty, Hz.
    pub frequency_u_hz: f64,
    /// Half-power bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// Its standard uncertainty, Hz.
    pub bandwidth_u_hz: f64,
    /// Phase of the response at the peak, rad.
    pub phase_rad: f64,
    /// Its standard uncertainty, rad.
    pub phase_u_rad: f64,
    /// Rms of what the model leaves over the response at the peak.
    pub rest: f64,
}

/// Fits `responses`, one every `step_s`, to a drive that is at `drive_hz` in the mean
/// between each and the next. `likely_hz` is about the bandwidth, and neighbouring values
/// share all but the `shared`-th part of their samples. `None` where nothing can be fitted.
pub fn swept_response(
    responses: &[Complex64],
    drive_hz: &[f64],
    step_s: f64,
    likely_hz: f64,
    shared: f64,
) -> Option<SweptResponse> {
    let count = responses.len();
    if count < LEAST_VALUES || drive_hz.len() + 1 != count || likely_hz <= 0.0 {
        return None;
    }
    let middle_hz = drive_hz.iter().sum::<f64>() / (count - 1) as f64;
    let passage = Passage {
        responses: responses.iter().copied().collect(),
        turns: drive_hz.iter().map(|hz| TAU * (hz - middle_hz)).collect(),
        step_s,
    };
    let fit = passage.refined(passage.start(likely_hz)?)?;
    let (lambda, [gain, ..]) = (fit.lambda, fit.fitted.factors);
    let freedom = count.checked_sub(3).filter(|n| *n > 0)? as f64;
    let cost = fit.fitted.cost;
    let variance = shared * cost / freedom;
    let bandwidth_hz = -lambda.re / PI;
    if bandwidth_hz <= 0.0 {
        return None;
    }
    // The unknowns: g, the response at the start, lambda.
    let equations = Normal::of(&passage.slopes(&fit)).factored()?;
    let [gain_u, lambda_u] =
        [0, 2].map(|of| (0.5 * variance * equations.spread(of).max(0.0)).sqrt());
    let peak = maths::modulus(gain) / (PI * bandwidth_hz);
    Some(SweptResponse {
        frequency_hz: middle_hz + lambda.im / TAU,
        frequency_u_hz: lambda_u / TAU,
        bandwidth_hz,
        bandwidth_u_hz: lambda_u / PI,
        phase_rad: maths::argument(gain),
        phase_u_rad: gain_u / maths::modulus(gain),
        rest: (cost / count as f64).sqrt() / peak,
    })
}

struct Passage {
    responses: ComplexSeries,
    /// The drive's frequency less the middle one between a value and the next, rad/s.
    turns: Vec<f64>,
    step_s: f64,
}

struct Fit {
    lambda: Complex64,
    /// The gain and the response at the start.
    fitted: Fitted,
}

impl Passage {
    /// What a gain of one brings about from rest, and what a start of one leaves.
    fn columns(&self, lambda: Complex64) -> [Vec<Complex64>; 2] {
        let (mut driven, mut free) = (Complex64::ZERO, Complex64::ONE);
        let mut columns = [vec![driven], vec![free]];
        for turn in &self.turns {
            let rate = lambda - Complex64::new(0.0, *turn);
            let z = rate * self.step_s;
            let decay = exponential(z);
            // (exp(z) − 1)/z, as a series where the difference would lose digits.
            let mean = if z.norm_sqr() < 1e-6 {
                z * (z / 6.0 + 0.5) + 1.0
            } else {
                (decay - 1.0) / z
            };
            driven = driven * decay + mean * self.step_s;
            free *= decay;
            columns[0].push(driven);
            columns[1].push(free);
        }
        columns
    }

    fn fit(&self, lambda: Complex64) -> Option<Fit> {
        let columns = self.columns(lambda).map(ComplexSeries::from_iter);
        let fitted = least_squares(&columns, &self.responses)?;
        fitted.cost.is_finite().then_some(Fit { lambda, fitted })
    }

    /// Slopes along the gain, the start and lambda.
    fn slopes(&self, fit: &Fit) -> [ComplexSeries; 3] {
        // Central differences: what they leave out is a part in 1e8.
        let step = 1e-4 * maths::modulus(fit.lambda);
        let [up, down] = [step, -step].map(|step| self.columns(fit.lambda + step));
        let ([up_gain, up_start], [down_gain, down_start]) = (up, down);
        let [gain, start, ..] = fit.fitted.factors;
        let by_gain = up_gain.iter().zip(&down_gain);
        let by_start = up_start.iter().zip(&down_start);
        let slope = by_gain
            .zip(by_start)
            .map(|((a, b), (c, d))| ((a - b) * gain + (c - d) * start) / (2.0 * step))
            .collect();
        let [driven, free] = self.columns(fit.lambda).map(ComplexSeries::from_iter);
        [driven, free, slope]
    }

    /// The best of some bandwidths and of frequencies over the passage.
    fn start(&self, likely_hz: f64) -> Option<Fit> {
        let low = self.turns.iter().copied().fold(f64::INFINITY, f64::min);
        let high = self.turns.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (low, high) = (low - PI * likely_hz, high + PI * likely_hz);
        let count = (((high - low) / (PI * likely_hz)).ceil() as usize).clamp(3, 60);
        BANDWIDTHS
            .iter()
            .flat_map(|part| {
                let decay = -PI * likely_hz * part;
                (0..=count).map(move |i| {
                    Complex64::new(decay, low + (high - low) * i as f64 / count as f64)
                })
            })
            .filter_map(|lambda| self.fit(lambda))
            .min_by(|a, b| a.fitted.cost.total_cmp(&b.fitted.cost))
    }

    fn refined(&self, mut fit: Fit) -> Option<Fit> {
        for _ in 0..ITERATIONS {
            let [_, _, change, ..] = least_squares(&self.slopes(&fit), &fit.fitted.rest)?.factors;
            let better = shortened(fit.fitted.cost, |scale| {
                let moved = self.fit(fit.lambda + change * scale)?;
                Some((moved.fitted.cost, moved))
            });
            let Some(next) = better else {
                break;
            };
            let done = next.fitted.cost > (1.0 - 1e-10) * fit.fitted.cost;
            fit = next;
            if done {
                break;
            }
        }
        Some(fit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A resonator of mass, spring and damping, integrated in the time domain by
    /// Runge and Kutta's fourth-order rule while its force sweeps over the peak in
    /// a few time constants: nothing of the slow amplitudes is in it. Its velocity
    /// is in phase with the force at the peak (any text on vibration).
    #[test]
    fn a_fast_sweep_over_a_resonator_shows_its_peak() {
        let (natural_hz, bandwidth_hz) = (20.0, 0.12);
        let omega = TAU * natural_hz;
        let step_s = 1.0 / 4000.0;
        let frequency_hz = |t: f64| natural_hz - 0.25 + 0.02 * t;
        let angle = |t: f64| TAU * ((natural_hz - 0.25) * t + 0.01 * t * t);
        let slope = |t: f64, [y, v]: [f64; 2]| {
            let force = (angle(t) + 0.4).cos();
            [v, force - TAU * bandwidth_hz * v - omega * omega * y]
        };
        let moved = |s: [f64; 2], k: [f64; 2], h: f64| [s[0] + h * k[0], s[1] + h * k[1]];
        let mut state = [0.0; 2];
        let mut velocities = Vec::new();
        for i in 0..(26.0 / step_s) as usize {
            let t = i as f64 * step_s;
            velocities.push(state[1]);
            let a = slope(t, state);
            let b = slope(t + 0.5 * step_s, moved(state, a, 0.5 * step_s));
            let c = slope(t + 0.5 * step_s, moved(state, b, 0.5 * step_s));
            let d = slope(t + step_s, moved(state, c, step_s));
            for i in 0..2 {
                state[i] += step_s / 6.0 * (a[i] + 2.0 * (b[i] + c[i]) + d[i]);
            }
        }
        // The response against the drive without its lead of 0.4 rad, in windows of
        // half a second every quarter.
        let (mut responses, mut drive_hz) = (Vec::new(), Vec::new());
        for start in (0..velocities.len() - 2000).step_by(1000) {
            let sum: Complex64 = (start..start + 2000)
                .map(|i| {
                    let phase = Complex64::from_polar(1.0, -angle(i as f64 * step_s));
                    phase * velocities[i] * 2.0 / 2000.0
                })
                .sum();
            responses.push(sum);
            drive_hz.push(frequency_hz((start + 1500) as f64 * step_s));
        }
        drive_hz.pop();
        let found = swept_response(&responses, &drive_hz, 0.25, 0.15, 2.0).unwrap();
        assert!(
            (found.frequency_hz - natural_hz).abs() < 0.01 * bandwidth_hz,
            "{found:?}"
        );
        assert!(
            (found.bandwidth_hz / bandwidth_hz - 1.0).abs() < 0.03,
            "{found:?}"
        );
        assert!((found.phase_rad - 0.4).abs() < 0.02, "{found:?}");
        assert!(found.rest < 0.01, "{found:?}");
    }
}
