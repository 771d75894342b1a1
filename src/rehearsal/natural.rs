//! Natural vibrations of the virtual span: its poles, with what each does to
//! the field. Pure.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::RehearsalError;
use super::beam::Field;
use super::model::DamperResonance;
use super::poles::{self, Window};
use super::span::VirtualSpan;

/// One natural vibration of the span with everything attached to it.
#[derive(Debug, Clone)]
pub(super) struct Pole {
    /// `lambda`, rad/s, upper half plane.
    pub(super) s: Complex64,
    /// Residue of the displacement field per newton of the source's force.
    pub(super) residue: Field,
}

impl VirtualSpan {
    fn characteristic(&self, s: Complex64) -> Complex64 {
        let (mut system, _) = self.beam.system(s, &self.impedances(s, true), &[0.0, 0.0]);
        let denominator = match self.damper_m {
            Some(_) => self.model.damper.denominator(s),
            None => Complex64::new(1.0, 0.0),
        };
        system.solve() * denominator
    }

    /// This span with `nominal`'s tension times `ratio`: its poles followed
    /// from where they are, its resonances left as they were.
    pub(super) fn with_tension(&self, nominal: &Self, ratio: f64) -> Self {
        let mut moved = self.clone();
        moved.beam.tension_n = nominal.beam.tension_n * ratio;
        let function = |s: Complex64| moved.characteristic(s);
        let spacing = TAU * self.spacing_hz();
        let followed: Vec<Complex64> = self
            .poles
            .iter()
            .map(|p| poles::follow(&function, p.s, spacing).unwrap_or(p.s))
            .collect();
        let poles = (0..followed.len())
            .filter_map(|k| moved.pole(&followed, k))
            .collect();
        moved.poles = poles;
        moved
    }

    pub(super) fn find_poles(&self) -> Result<Vec<Pole>, RehearsalError> {
        let spacing = TAU * self.spacing_hz();
        let top = TAU * self.highest_hz() + 6.0 * spacing;
        let function = |s: Complex64| self.characteristic(s);
        let mut guesses: Vec<Complex64> = (1..1000)
            .map(|n| self.stiff_string_rad_s(n))
            .take_while(|omega| *omega < top)
            .map(|omega| Complex64::new(0.0, omega))
            .collect();
        if self.damper_m.is_some() {
            let damper = &self.model.damper.resonances;
            guesses.extend(damper.iter().map(DamperResonance::pole));
        }
        let window = Window {
            low: Complex64::new(-0.3 * top, 0.55 * spacing),
            high: Complex64::new(0.3 * spacing, top),
        };
        let found = poles::zeros(&function, window, &guesses, spacing).map_err(|e| {
            RehearsalError::Poles {
                found: e.found,
                counted: e.counted,
            }
        })?;
        Ok((0..found.len())
            .filter_map(|k| self.pole(&found, k))
            .collect())
    }

    /// Natural frequency of the hinged stiff string, only a first guess, rad/s.
    fn stiff_string_rad_s(&self, n: u32) -> f64 {
        let k = f64::from(n) * PI / self.setup.span.length_m;
        let stiff = self.beam.tension_n * k * k + self.beam.stiffness_n_m2 * k.powi(4);
        (stiff / self.beam.mass_kg_per_m).sqrt()
    }

    /// Pole number `k` with the residue of the field there: Cauchy's integral
    /// over a circle that holds no other pole, by the trapezoidal rule.
    fn pole(&self, all: &[Complex64], k: usize) -> Option<Pole> {
        const POINTS: u32 = 8;
        let s = *all.get(k)?;
        let nearest = all
            .iter()
            .filter(|z| **z != s)
            .map(|z| (z - s).norm())
            .fold(s.norm(), f64::min);
        let radius = 0.02 * nearest;
        let mut residue = Field::zero(&self.beam, s);
        for point in 0..POINTS {
            let offset = Complex64::from_polar(radius, TAU * f64::from(point) / f64::from(POINTS));
            residue.add(&self.field(s + offset), offset / f64::from(POINTS));
        }
        Some(Pole { s, residue })
    }
}
