//! Natural vibrations of the virtual span: its poles, with what each does to
//! the field. Pure.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::beam::DisplacementField;
use super::driven::DrivenSpan;
use super::error::RehearsalError;
use super::model::DamperResonance;
use super::poles::{self, SearchRegion};

/// One natural vibration of the span with everything attached to it.
#[derive(Debug, Clone)]
pub(super) struct Pole {
    /// `lambda`, rad/s, upper half plane.
    pub(super) s: Complex64,
    /// Residue of the displacement field per newton of the source's force.
    pub(super) residue: DisplacementField,
}

fn characteristic(span: &DrivenSpan, s: Complex64) -> Complex64 {
    let (mut system, _) = span.beam.system(s, &span.impedances(s, true), &[0.0, 0.0]);
    let denominator = match span.damper_m {
        Some(_) => span.model.damper.denominator(s),
        None => Complex64::new(1.0, 0.0),
    };
    system.solve() * denominator
}

/// The poles of `span` that `known`, those of a span nearly like it, have moved
/// to. `spacing_hz` is the distance between modes there.
pub(super) fn follow_poles(span: &DrivenSpan, known: &[Pole], spacing_hz: f64) -> Vec<Pole> {
    let function = |s: Complex64| characteristic(span, s);
    let spacing = TAU * spacing_hz;
    let followed: Vec<Complex64> = known
        .iter()
        .map(|p| poles::follow(&function, p.s, spacing).unwrap_or(p.s))
        .collect();
    (0..followed.len())
        .filter_map(|k| pole(span, &followed, k))
        .collect()
}

/// All poles up to a little above the sweep's high frequency.
pub(super) fn find_poles(span: &DrivenSpan) -> Result<Vec<Pole>, RehearsalError> {
    let spacing = TAU * span.spacing_hz();
    let top = TAU * span.highest_hz() + 6.0 * spacing;
    let function = |s: Complex64| characteristic(span, s);
    let mut guesses: Vec<Complex64> = (1..1000)
        .map(|n| stiff_string_rad_s(span, n))
        .take_while(|omega| *omega < top)
        .map(|omega| Complex64::new(0.0, omega))
        .collect();
    if span.damper_m.is_some() {
        let damper = &span.model.damper.resonances;
        guesses.extend(damper.iter().map(DamperResonance::pole));
    }
    let window = SearchRegion {
        low: Complex64::new(-0.3 * top, 0.55 * spacing),
        high: Complex64::new(0.3 * spacing, top),
    };
    let found =
        poles::zeros(&function, window, &guesses, spacing).map_err(|e| RehearsalError::Poles {
            found: e.found,
            counted: e.counted,
        })?;
    Ok((0..found.len())
        .filter_map(|k| pole(span, &found, k))
        .collect())
}

/// Natural frequency of the hinged stiff string, only a first guess, rad/s.
fn stiff_string_rad_s(span: &DrivenSpan, n: u32) -> f64 {
    let k = f64::from(n) * PI / span.setup.span.length_m;
    let stiff = span.beam.tension_n * k * k + span.beam.stiffness_n_m2 * k.powi(4);
    (stiff / span.beam.mass_kg_per_m).sqrt()
}

/// Pole number `k` with the residue of the field there: Cauchy's integral
/// over a circle that holds no other pole, by the trapezoidal rule.
fn pole(span: &DrivenSpan, all: &[Complex64], k: usize) -> Option<Pole> {
    const POINTS: u32 = 8;
    let s = *all.get(k)?;
    let nearest = all
        .iter()
        .filter(|z| **z != s)
        .map(|z| (z - s).norm())
        .fold(s.norm(), f64::min);
    let radius = 0.02 * nearest;
    let mut residue = DisplacementField::zero(&span.beam, s);
    for point in 0..POINTS {
        let offset = Complex64::from_polar(radius, TAU * f64::from(point) / f64::from(POINTS));
        residue.add(&span.field(s + offset), offset / f64::from(POINTS));
    }
    Some(Pole { s, residue })
}
