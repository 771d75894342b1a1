//! The bare span's own losses, and what is left for the damper.
//!
//! In: the points of a bare run, a point of a damped run, and which part of the
//! bare power is still lost with the damper on ([`super::retained`]). Out: the
//! bare span's power at that point's frequency and level, the power that is
//! taken off, and the damper's power, all with uncertainty, or the reason why
//! there is none. Pure.
//!
//! `P_bare(f, V) = P(f) (V/V_bare)^l`, P(f) interpolated between the bare run's
//! harmonics (IEEE 664, IEC 62567). Published exponents l run from 2.0 to 2.5
//! (EPRI 2009, through a public data file); 2 is taken with that spread as its
//! uncertainty unless the bare run was taken at several levels and says
//! otherwise. Outside the frequencies of the bare run nothing is said.

use crate::maths;
use crate::reduction::{COVERAGE, Measured, SettledPoint};
use crate::setup::Verdict;

/// Exponent of the level taken where the bare run has one level only.
pub const DEFAULT_LEVEL_EXPONENT: f64 = 2.0;

/// Its standard uncertainty: a rectangular distribution up to the largest
/// published exponent, ±0.5.
const DEFAULT_EXPONENT_STANDARD_U: f64 = 0.5 / 1.732_050_8;

/// Points of the bare run closer together than this part of the frequency
/// stand for the same harmonic.
const SAME_HARMONIC: f64 = 0.01;

/// Whether two points of a run that count are of one harmonic.
pub(super) fn same_harmonic(a: &SettledPoint, b: &SettledPoint) -> bool {
    let counted = |p: &SettledPoint| p.verdict != Verdict::Rejected;
    let near = a
        .frequency_hz
        .zip(b.frequency_hz)
        .is_some_and(|(a, b)| (a.value - b.value).abs() <= SAME_HARMONIC * a.value);
    let other = a.harmonic.zip(b.harmonic).is_some_and(|(a, b)| a != b);
    counted(a) && counted(b) && near && !other
}

/// Levels at one harmonic tell the exponent if the highest is at least this
/// many times the lowest.
pub(super) const LEAST_LEVEL_RATIO: f64 = 1.3;

/// Between neighbouring bare points further apart than this many spacings of
/// the harmonics the losses may be anything from the one's to the other's.
const LARGEST_STEP_SPACINGS: f64 = 2.5;

/// What the subtraction makes of one power; all in W.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Subtraction {
    /// The bare span's power at the point's frequency and level.
    pub bare: Measured,
    /// What of it is still lost with the damper on.
    pub retained: Measured,
    /// The damper's.
    pub damper: Measured,
}

/// Why the bare span's power cannot be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// The bare run has nothing to go by.
    #[error(
        "the bare run has no held or steady point with frequency, antinode velocity and power \
         with its uncertainty"
    )]
    NoPoints,
    /// No extrapolation.
    #[error(
        "{frequency_hz:.2} Hz lies outside the bare run ({low_hz:.2} Hz to {high_hz:.2} Hz); take \
         bare points on both sides of it"
    )]
    OutsideRange {
        /// The point's frequency.
        frequency_hz: f64,
        /// Lowest of the bare run.
        low_hz: f64,
        /// Highest of the bare run.
        high_hz: f64,
    },
    /// The point itself lacks what is needed.
    #[error("the point has no {0}")]
    Missing(&'static str),
}

/// One harmonic of the bare run, brought to 1 mm/s.
#[derive(Debug, Clone, Copy)]
struct BareHarmonic {
    frequency_hz: f64,
    /// Mean of P/V^l, W per (mm/s)^l.
    coefficient: f64,
    /// Standard uncertainty relative to the coefficient.
    relative: f64,
    /// ln V around which the exponent turns.
    log_level: f64,
}

/// The losses of a bare span.
#[derive(Debug, Clone)]
pub struct BareLosses {
    harmonics: Vec<BareHarmonic>,
    exponent: Measured,
    exponent_fitted: bool,
    spacing_hz: f64,
    /// Relative standard uncertainty that bare and damped powers share.
    shared_standard_u: f64,
}

/// One usable point of the bare run.
#[derive(Debug, Clone, Copy)]
struct BarePoint {
    frequency_hz: f64,
    velocity_mm_s: f64,
    power_w: f64,
    /// Standard uncertainty of the power.
    standard_u_w: f64,
}

impl BareLosses {
    /// From the points of a bare run; `spacing_hz` is the spacing of the
    /// span's harmonics, c/(2L). Losses are those of the standard's form,
    /// `power_total_w`.
    pub fn of(points: &[SettledPoint], spacing_hz: f64) -> Result<Self, Refusal> {
        Self::by(points, spacing_hz, |p| p.power_total_w)
    }

    /// As [`Self::of`], for another power of the points, W. Like is taken off
    /// like.
    pub fn by(
        points: &[SettledPoint],
        spacing_hz: f64,
        power: impl Fn(&SettledPoint) -> Option<Measured>,
    ) -> Result<Self, Refusal> {
        let mut usable: Vec<BarePoint> = points
            .iter()
            .filter(|p| p.verdict != Verdict::Rejected)
            .filter_map(|p| {
                let power = power(p)?;
                let usable = BarePoint {
                    frequency_hz: p.frequency_hz?.value,
                    velocity_mm_s: p.antinode_velocity_mm_s?.value,
                    power_w: power.value,
                    standard_u_w: power.standard_u(),
                };
                let sound = usable.velocity_mm_s > 0.0 && power.value.is_finite() && power.has_u();
                sound.then_some(usable)
            })
            .collect();
        usable.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        let groups: Vec<&[BarePoint]> = usable
            .chunk_by(|a, b| b.frequency_hz - a.frequency_hz <= SAME_HARMONIC * a.frequency_hz)
            .collect();
        if groups.is_empty() {
            return Err(Refusal::NoPoints);
        }
        let fit = level_exponent(&groups);
        let default =
            Measured::with_standard_u(DEFAULT_LEVEL_EXPONENT, DEFAULT_EXPONENT_STANDARD_U);
        let exponent = fit.unwrap_or(default);
        Ok(Self {
            harmonics: groups
                .iter()
                .map(|group| BareHarmonic::of(group, exponent.value))
                .collect(),
            exponent,
            exponent_fitted: fit.is_some(),
            spacing_hz,
            shared_standard_u: 0.0,
        })
    }

    /// The same losses for a damped run whose powers share this relative
    /// standard uncertainty with them, from the same sensors and the same
    /// conductor: it acts on the difference only.
    #[must_use]
    pub fn sharing(self, shared_standard_u: f64) -> Self {
        Self {
            shared_standard_u,
            ..self
        }
    }

    /// The lowest and the highest frequency of the bare run, Hz.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        let (first, last) = (self.harmonics.first()?, self.harmonics.last()?);
        Some((first.frequency_hz, last.frequency_hz))
    }

    /// How many harmonics of the bare run are gone by.
    pub fn harmonics(&self) -> usize {
        self.harmonics.len()
    }

    /// The exponent l of the level in `(V/V_bare)^l`.
    pub fn level_exponent(&self) -> Measured {
        self.exponent
    }

    /// Whether the bare run's levels gave that exponent; else the default
    /// stands.
    pub fn level_exponent_fitted(&self) -> bool {
        self.exponent_fitted
    }

    /// The bare span's power, W, at a frequency and an antinode velocity (peak).
    pub fn power_w(&self, frequency_hz: f64, velocity_mm_s: f64) -> Result<Measured, Refusal> {
        let (below, above) = self.neighbours(frequency_hz)?;
        let gap_hz = above.frequency_hz - below.frequency_hz;
        let level = maths::powf(velocity_mm_s, self.exponent.value);
        let part = if gap_hz > 0.0 {
            (frequency_hz - below.frequency_hz) / gap_hz
        } else {
            0.0
        };
        let straight = below.coefficient + part * (above.coefficient - below.coefficient);
        // Losses go with a power of frequency, which is straight on
        // logarithmic axes; the distance to the plain straight line says how
        // much the choice matters.
        let curved = log_log(below, above, frequency_hz).unwrap_or(straight);
        let power_w = curved * level;
        let choice_w = (curved - straight) * level;
        let turn = maths::ln(velocity_mm_s)
            - (below.log_level + part * (above.log_level - below.log_level));
        // Both neighbours were read with the same instruments: no averaging.
        let relative = below.relative.max(above.relative);
        // A rectangular distribution between the neighbours.
        let gap_w = if gap_hz > LARGEST_STEP_SPACINGS * self.spacing_hz {
            (above.coefficient - below.coefficient).abs() * level / 12f64.sqrt()
        } else {
            0.0
        };
        let standard_u_w = [
            gap_w,
            power_w * relative,
            power_w * turn * self.exponent.standard_u(),
            choice_w,
        ]
        .into_iter()
        .fold(0.0, |sum: f64, component| maths::hypot(sum, component));
        Ok(Measured::with_standard_u(power_w, standard_u_w))
    }

    /// The bare span's power at a point's frequency and level, the `part` of it
    /// that is taken off, and what that leaves of `total`.
    pub fn subtracted(
        &self,
        point: &SettledPoint,
        total: Measured,
        part: Measured,
    ) -> Result<Subtraction, Refusal> {
        let frequency_hz = point.frequency_hz.ok_or(Refusal::Missing("frequency"))?;
        let velocity = point
            .antinode_velocity_mm_s
            .filter(|velocity| velocity.value > 0.0)
            .ok_or(Refusal::Missing("antinode velocity"))?;
        let bare = self.power_w(frequency_hz.value, velocity.value)?;
        let retained = Measured::new(
            part.value * bare.value,
            maths::hypot(part.value * bare.u, part.u * bare.value),
        );
        let power_w = total.value - retained.value;
        // A shared gain error multiplies both, and so their difference; what
        // is each one's own adds in square.
        let shared_u_2 = |power_w: f64| maths::square(COVERAGE * self.shared_standard_u * power_w);
        let own_u_2 = |p: Measured| (maths::square(p.u) - shared_u_2(p.value)).max(0.0);
        let damper = Measured::new(
            power_w,
            (own_u_2(total) + own_u_2(retained) + shared_u_2(power_w)).sqrt(),
        );
        Ok(Subtraction {
            bare,
            retained,
            damper,
        })
    }

    /// The neighbouring bare points around a frequency, Hz, where they are
    /// further apart than harmonics are.
    pub fn wide_gap(&self, frequency_hz: f64) -> Option<(f64, f64)> {
        let (below, above) = self.neighbours(frequency_hz).ok()?;
        let wide =
            above.frequency_hz - below.frequency_hz > LARGEST_STEP_SPACINGS * self.spacing_hz;
        wide.then_some((below.frequency_hz, above.frequency_hz))
    }

    fn neighbours(&self, frequency_hz: f64) -> Result<(&BareHarmonic, &BareHarmonic), Refusal> {
        let (Some(first), Some(last)) = (self.harmonics.first(), self.harmonics.last()) else {
            return Err(Refusal::NoPoints);
        };
        let above = self
            .harmonics
            .iter()
            .find(|h| h.frequency_hz >= frequency_hz);
        let below = self
            .harmonics
            .iter()
            .rfind(|h| h.frequency_hz <= frequency_hz);
        below.zip(above).ok_or(Refusal::OutsideRange {
            frequency_hz,
            low_hz: first.frequency_hz,
            high_hz: last.frequency_hz,
        })
    }
}

impl BareHarmonic {
    fn of(group: &[BarePoint], exponent: f64) -> Self {
        let count = group.len() as f64;
        let mean = |of: &dyn Fn(&BarePoint) -> f64| group.iter().map(of).sum::<f64>() / count;
        let coefficient = mean(&|r| r.power_w / maths::powf(r.velocity_mm_s, exponent));
        let standard_u = mean(&|r| r.standard_u_w / maths::powf(r.velocity_mm_s, exponent));
        Self {
            frequency_hz: mean(&|r| r.frequency_hz),
            coefficient,
            // A bare power of 0 has no relative uncertainty.
            relative: if coefficient > 0.0 {
                standard_u / coefficient
            } else {
                1.0
            },
            log_level: mean(&|r| maths::ln(r.velocity_mm_s)),
        }
    }
}

/// Power of frequency through two harmonics; `None` where there is none.
fn log_log(below: &BareHarmonic, above: &BareHarmonic, frequency_hz: f64) -> Option<f64> {
    let positive = below.coefficient > 0.0 && above.coefficient > 0.0;
    let apart = above.frequency_hz > below.frequency_hz;
    (positive && apart).then(|| {
        let part = maths::ln(frequency_hz / below.frequency_hz)
            / maths::ln(above.frequency_hz / below.frequency_hz);
        below.coefficient * maths::powf(above.coefficient / below.coefficient, part)
    })
}

/// Least squares of ln P over ln V with an own constant at every harmonic: the
/// exponent. `None` where no harmonic was read at levels far enough apart.
fn level_exponent(groups: &[&[BarePoint]]) -> Option<Measured> {
    let (mut sxx, mut sxy, mut readings, mut used) = (0.0, 0.0, Vec::new(), 0.0);
    for group in groups {
        let logs: Vec<(f64, f64, f64)> = group
            .iter()
            .filter(|r| r.power_w > 0.0)
            .map(|r| {
                (
                    maths::ln(r.velocity_mm_s),
                    maths::ln(r.power_w),
                    r.standard_u_w / r.power_w,
                )
            })
            .collect();
        let extreme = |pick: fn(f64, f64) -> f64| logs.iter().map(|l| l.0).reduce(pick);
        let (Some(low), Some(high)) = (extreme(f64::min), extreme(f64::max)) else {
            continue;
        };
        if high - low < maths::ln(LEAST_LEVEL_RATIO) {
            continue;
        }
        let count = logs.len() as f64;
        let x_mean = logs.iter().map(|l| l.0).sum::<f64>() / count;
        let y_mean = logs.iter().map(|l| l.1).sum::<f64>() / count;
        used += 1.0;
        for (x, y, relative) in logs {
            sxx += maths::square(x - x_mean);
            sxy += (x - x_mean) * (y - y_mean);
            readings.push((x - x_mean, y - y_mean, relative));
        }
    }
    if sxx <= 0.0 {
        return None;
    }
    let exponent = sxy / sxx;
    // From the readings' own uncertainties, and from their scatter about the
    // fit where it is larger and there are readings left to show it.
    let own: f64 = readings
        .iter()
        .map(|r| maths::square(r.0 * r.2 / sxx))
        .sum();
    let spare = readings.len() as f64 - used - 1.0;
    let scatter = if spare > 0.0 {
        let residual: f64 = readings
            .iter()
            .map(|r| maths::square(r.1 - exponent * r.0))
            .sum();
        residual / spare / sxx
    } else {
        0.0
    };
    Some(Measured::with_standard_u(exponent, own.max(scatter).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(frequency_hz: f64, velocity_mm_s: f64, power_w: f64) -> SettledPoint {
        SettledPoint {
            verdict: Verdict::Held,
            frequency_hz: Some(Measured::without_u(frequency_hz)),
            antinode_velocity_mm_s: Some(Measured::without_u(velocity_mm_s)),
            power_total_w: Some(Measured::new(power_w, 0.04 * power_w)),
            ..SettledPoint::default()
        }
    }

    /// Losses by the published law of self-damping (Politecnico di Milano
    /// 2000, through a public data file): A^2.43 f^5.5, that is V^2.43 f^3.07.
    fn law_w(frequency_hz: f64, velocity_mm_s: f64) -> f64 {
        2e-10 * velocity_mm_s.powf(2.43) * frequency_hz.powf(3.07)
    }

    #[test]
    fn losses_by_a_published_law_come_back_between_the_harmonics() {
        let mut run = Vec::new();
        for n in 4..24 {
            for v in [100.0, 200.0, 300.0] {
                let f = 1.9 * f64::from(n);
                run.push(point(f + 1e-4 * v, v, law_w(f, v)));
            }
        }
        let bare = BareLosses::of(&run, 1.9).unwrap();
        let exponent = bare.level_exponent();
        assert!(bare.level_exponent_fitted());
        assert!((exponent.value - 2.43).abs() < 1e-6, "{exponent:?}");
        assert!(exponent.standard_u() < 0.02, "{exponent:?}");
        for (f, v) in [(8.55, 150.0), (20.0, 200.0), (41.3, 320.0)] {
            let power = bare.power_w(f, v).unwrap();
            assert!((power.value / law_w(f, v) - 1.0).abs() < 0.01, "{f}");
            // The 4 % of the readings, and what the law between them may do:
            // f^3.07 is above a straight line by 3.07 · 2.07/8 of the gap's
            // square, 4 % at the lowest harmonics, so 8 % with k = 2.
            let relative = power.u / power.value;
            assert!((0.04..0.09).contains(&relative), "{relative}");
        }
    }

    #[test]
    fn one_level_gives_the_square_with_its_doubt() {
        let run = [point(10.0, 200.0, 0.02), point(12.0, 200.0, 0.03)];
        let bare = BareLosses::of(&run, 2.0).unwrap();
        assert!(!bare.level_exponent_fitted());
        let at_level = bare.power_w(10.0, 200.0).unwrap();
        let above = bare.power_w(10.0, 400.0).unwrap();
        assert!((at_level.value - 0.02).abs() < 1e-12);
        assert!((above.value - 0.08).abs() < 1e-12);
        // Twice the level with l between 1.5 and 2.5: ±0.2887 ln 2, and 2 % of
        // reading: by hand 2 sqrt(0.2001^2 + 0.02^2) = 0.4022.
        assert!((above.u / above.value - 0.4022).abs() < 0.001);
        assert!((at_level.u / at_level.value - 0.04).abs() < 1e-9);
    }

    #[test]
    fn outside_the_bare_run_it_refuses() {
        let run = [
            point(10.0, 200.0, 0.02),
            point(12.0, 200.0, 0.03),
            point(20.0, 200.0, 0.1),
        ];
        let bare = BareLosses::of(&run, 2.0).unwrap();
        assert!(matches!(
            bare.power_w(9.9, 200.0),
            Err(Refusal::OutsideRange { .. })
        ));
        assert!(matches!(
            bare.power_w(20.1, 200.0),
            Err(Refusal::OutsideRange { .. })
        ));
        assert!(matches!(
            bare.power_w(f64::NAN, 200.0),
            Err(Refusal::OutsideRange { .. })
        ));
        // Inside a gap of four harmonics it answers, with the gap's own doubt:
        // 0.07 W from end to end, rectangular, is 0.0202 W.
        let guess = bare.power_w(15.0, 200.0).unwrap();
        assert!(guess.u > 2.0 * 0.0202);
        assert_eq!(bare.wide_gap(15.0), Some((12.0, 20.0)));
        assert_eq!(bare.wide_gap(11.0), None);
        assert!(matches!(BareLosses::of(&[], 2.0), Err(Refusal::NoPoints)));
    }

    #[test]
    fn the_damper_gets_what_the_span_did_not_take() {
        let run = [point(10.0, 200.0, 0.02), point(12.0, 200.0, 0.03)];
        let bare = BareLosses::of(&run, 2.0).unwrap();
        let damped = point(10.0, 200.0, 0.52);
        let total = Measured::new(0.52, 0.0208);
        // A quarter of the bare power is still lost, give or take a tenth.
        let part = Measured::with_standard_u(0.25, 0.1);
        let subtraction = bare.subtracted(&damped, total, part).unwrap();
        assert!((subtraction.bare.value - 0.02).abs() < 1e-12);
        assert!((subtraction.retained.value - 0.005).abs() < 1e-12);
        assert!((subtraction.damper.value - 0.515).abs() < 1e-12);
        // By hand: 4 % of 0.005 W and 20 % of 0.02 W: 0.004005 W; with the
        // total's 0.0208 W 0.021182 W.
        assert!((subtraction.retained.u - 0.004_005).abs() < 1e-6);
        assert!((subtraction.damper.u - 0.021_182).abs() < 1e-6);
        // The 4 % all shared: 4 % of 0.515 W, and 20 % of 0.02 W.
        let shared = bare.clone().sharing(0.02);
        let subtraction = shared.subtracted(&damped, total, part).unwrap();
        assert!((subtraction.damper.u - 0.0206_f64.hypot(0.004)).abs() < 1e-6);
        let outside = point(30.0, 200.0, 0.52);
        assert!(matches!(
            bare.subtracted(&outside, total, part),
            Err(Refusal::OutsideRange { .. })
        ));
    }

    #[test]
    fn rejected_points_are_not_losses() {
        let mut rejected = point(10.0, 200.0, 5.0);
        rejected.verdict = Verdict::Rejected;
        let run = [rejected, point(10.0, 200.0, 0.02), point(12.0, 200.0, 0.03)];
        let bare = BareLosses::of(&run, 2.0).unwrap();
        assert!((bare.power_w(10.0, 200.0).unwrap().value - 0.02).abs() < 1e-12);
    }
}
