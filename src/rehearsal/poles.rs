//! Zeros of an analytic function in a rectangle of the s plane, all of them:
//! function and guesses in, zeros out. Pure.
//!
//! Newton's method with the zeros already found divided out (Maehly), and the
//! argument principle as the count that must be reached.

use num_complex::Complex64;
use std::f64::consts::PI;

/// A rectangle of the s plane, rad/s.
#[derive(Debug, Clone, Copy)]
pub(super) struct SearchRegion {
    pub(super) low: Complex64,
    pub(super) high: Complex64,
}

impl SearchRegion {
    fn contains(&self, s: Complex64) -> bool {
        s.re > self.low.re && s.re < self.high.re && s.im > self.low.im && s.im < self.high.im
    }
}

/// How many zeros were found and how many there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Incomplete {
    pub(super) found: usize,
    pub(super) counted: usize,
}

/// All zeros of `function` in `window`, by rising frequency. `spacing` is
/// about the distance of neighbouring zeros, rad/s.
pub(super) fn zeros(
    function: &dyn Fn(Complex64) -> Complex64,
    window: SearchRegion,
    guesses: &[Complex64],
    spacing: f64,
) -> Result<Vec<Complex64>, Incomplete> {
    let counted = count(function, window, spacing);
    let mut found: Vec<Complex64> = Vec::new();
    // The given guesses first; a lattice over the window catches what strongly
    // coupled conductors and dampers have shifted away from them.
    let lattice = (0..4096).map(|k| {
        let along = f64::from(k) * 0.618_033_988_75 % 1.0;
        let across = f64::from(k) * 0.414_213_562_37 % 1.0;
        Complex64::new(
            window.low.re * across * across,
            window.low.im + (window.high.im - window.low.im) * along,
        )
    });
    for guess in guesses.iter().copied().chain(lattice) {
        if found.len() == counted {
            break;
        }
        if let Some(zero) = newton(function, guess, &found, spacing)
            && window.contains(zero)
            && found.iter().all(|z| (z - zero).norm() > 1e-7 * zero.norm())
        {
            found.push(zero);
        }
    }
    if found.len() != counted {
        return Err(Incomplete {
            found: found.len(),
            counted,
        });
    }
    found.sort_by(|a, b| a.im.total_cmp(&b.im));
    Ok(found)
}

/// The zero next to `from`, where it has moved only a little.
pub(super) fn follow(
    function: &dyn Fn(Complex64) -> Complex64,
    from: Complex64,
    spacing: f64,
) -> Option<Complex64> {
    newton(function, from, &[], spacing)
}

fn newton(
    function: &dyn Fn(Complex64) -> Complex64,
    guess: Complex64,
    found: &[Complex64],
    spacing: f64,
) -> Option<Complex64> {
    let h = Complex64::from(1e-4 * spacing);
    let mut s = guess;
    for step_number in 0..60 {
        let value = function(s);
        if value.norm_sqr() == 0.0 {
            return Some(s);
        }
        let slope = (function(s + h) - function(s - h)) / (h * 2.0);
        let mut rate = slope / value;
        // Far from a zero the ones already found must not attract again; close
        // to one they no longer matter and would only cost digits.
        for zero in found {
            rate -= (s - zero).inv();
        }
        let mut step = rate.inv();
        if !step.is_finite() {
            return None;
        }
        if step.norm() > spacing {
            step *= spacing / step.norm();
        }
        s -= step;
        if step_number > 0 && step.norm() < 1e-12 * s.norm() {
            return Some(s);
        }
    }
    None
}

/// Number of zeros in the window: turns of the function's phase around it.
fn count(function: &dyn Fn(Complex64) -> Complex64, window: SearchRegion, spacing: f64) -> usize {
    let corners = [
        window.low,
        Complex64::new(window.high.re, window.low.im),
        window.high,
        Complex64::new(window.low.re, window.high.im),
        window.low,
    ];
    let mut turned = 0.0;
    for pair in corners.windows(2) {
        let &[from, to] = pair else { continue };
        let steps = ((to - from).norm() / (0.25 * spacing)).ceil().max(1.0);
        let mut last = (from, function(from));
        for k in 1..=(steps as usize) {
            let s = from + (to - from) * (k as f64 / steps);
            let next = (s, function(s));
            turned += turn(function, last, next, 0);
            last = next;
        }
    }
    (turned / (2.0 * PI)).round().max(0.0) as usize
}

/// Phase turned between two points, halving until a part turns little.
fn turn(
    function: &dyn Fn(Complex64) -> Complex64,
    from: (Complex64, Complex64),
    to: (Complex64, Complex64),
    depth: u32,
) -> f64 {
    let phase = (to.1 / from.1).arg();
    if phase.abs() < 0.8 || depth > 30 {
        return phase;
    }
    let s = (from.0 + to.0) * 0.5;
    let middle = (s, function(s));
    turn(function, from, middle, depth + 1) + turn(function, middle, to, depth + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_all_zeros_of_a_known_product() {
        // sinh has its zeros at j n pi; two more are multiplied in, one of them
        // close to a zero of sinh.
        let extra = [Complex64::new(-0.3, 7.0), Complex64::new(-0.01, 4.0 * PI)];
        let function = |s: Complex64| s.sinh() * (s - extra[0]) * (s - extra[1]);
        let window = SearchRegion {
            low: Complex64::new(-2.0, 0.5),
            high: Complex64::new(0.4, 6.5 * PI),
        };
        let guesses: Vec<_> = (1..7)
            .map(|n| Complex64::new(0.0, 3.0 * f64::from(n)))
            .collect();
        let found = zeros(&function, window, &guesses, PI).unwrap();
        assert_eq!(found.len(), 8);
        for n in 1..=6 {
            let want = Complex64::new(0.0, f64::from(n) * PI);
            assert!(found.iter().any(|z| (z - want).norm() < 1e-9), "n = {n}");
        }
        for want in extra {
            assert!(found.iter().any(|z| (z - want).norm() < 1e-9), "{want}");
        }
    }
}
