//! Wave speed and stiffness of a span by its own resonances.
//!
//! In: what is stated of a bare span, and the frequencies at which it was found to
//! resonate. Out: a [`FittedSpan`]. Pure.
//!
//! A bare span resonates where its loops ([`StrungConductor::loops`]) are a whole
//! number. A tape and a load cell leave its wave speed uncertain by a per cent,
//! which is a third of a loop at its far end; its resonances know it to a part of
//! that. Which resonance has which number is part of the question: every
//! assignment within what is stated is tried, and where two do alike, none is
//! taken.
//!
//! Least squares in ln c and EI, with what is stated as further observations
//! (JCGM 101, 6.4.7; Gauss–Newton), so that few resonances leave the stated
//! values as they are.

use std::collections::BTreeMap;

use super::waves::StrungConductor;
use crate::maths;

/// What is known beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StatedSpan {
    /// The bare span as stated.
    pub conductor: StrungConductor,
    /// Relative standard uncertainty of the wave speed.
    pub speed_standard_u: f64,
    /// Standard uncertainty of EI, N m².
    pub stiffness_standard_u_n_m2: f64,
}

/// A span as its resonances tell it.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedSpan {
    /// With the wave speed and the stiffness that fit; the mass is as stated, the
    /// tension follows from both.
    pub conductor: StrungConductor,
    /// The number of each resonance, in the order in which they came.
    pub numbers: Vec<u32>,
    /// Root mean square of what is left, loops.
    pub residual_loops: f64,
    /// Relative standard uncertainty of the wave speed.
    pub speed_standard_u: f64,
    /// Standard uncertainty of EI, N m².
    pub stiffness_standard_u_n_m2: f64,
    /// Two spans, each a standard uncertainty away in directions that do not
    /// depend on one another.
    pub varied: [StrungConductor; 2],
}

/// Why resonances say nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpanFitError {
    /// Not enough of them.
    #[error("{0} resonances are too few to tell wave speed and stiffness by; {LEAST} are needed")]
    TooFew(usize),
    /// They fit no span near what is stated.
    #[error(
        "the resonances do not fit a bare span near the one stated: {residual_loops:.2} loops are \
         left (root mean square); tension, mass or length is wrong, or a damper was on"
    )]
    NoFit {
        /// Root mean square, loops.
        residual_loops: f64,
    },
    /// Two ways of numbering them do alike.
    #[error(
        "the resonances can be numbered in two ways (the lowest is harmonic {one} or {other}); state \
         tension and mass better, or take in resonances that stand closer together"
    )]
    Ambiguous {
        /// Number of the lowest resonance in one way.
        one: u32,
        /// And in the other.
        other: u32,
    },
}

/// Fewest resonances.
const LEAST: usize = 4;
/// How well a resonance fits a whole number of loops before it is known better.
const FIRST_SCATTER_LOOPS: f64 = 0.02;
/// No better than this: what the far clamp gives way by is no whole loop either.
const LEAST_SCATTER_LOOPS: f64 = 0.003;
/// More than this is no fit.
const MOST_SCATTER_LOOPS: f64 = 0.08;
/// Another numbering has to be worse by this much of twice the log-likelihood:
/// three standard deviations.
const WORSE_BY: f64 = 9.0;
/// Standard uncertainties within which numberings are tried.
const REACH: f64 = 3.0;
/// At least this far, relative: what is stated may be off by more than it says.
const LEAST_REACH: f64 = 0.02;

/// The two unknowns: ln c over its stated value, and EI.
#[derive(Debug, Clone, Copy)]
struct Unknowns {
    ln_speed: f64,
    stiffness_n_m2: f64,
}

struct Problem<'a> {
    stated: &'a StatedSpan,
    resonances_hz: &'a [f64],
}

struct Solved {
    at: Unknowns,
    cost: f64,
    residual_loops: f64,
}

impl StatedSpan {
    /// Fits wave speed and stiffness to resonances of the bare span.
    ///
    /// # Errors
    /// Where they say nothing.
    pub fn fit(&self, resonances_hz: &[f64]) -> Result<FittedSpan, SpanFitError> {
        if resonances_hz.len() < LEAST {
            return Err(SpanFitError::TooFew(resonances_hz.len()));
        }
        let problem = Problem {
            stated: self,
            resonances_hz,
        };
        let mut solved: Vec<(Vec<u32>, Solved)> = problem
            .numberings()
            .into_iter()
            .map(|(numbers, start)| {
                let solved = problem.solve(&numbers, start, FIRST_SCATTER_LOOPS);
                (numbers, solved)
            })
            .collect();
        solved.sort_by(|a, b| a.1.cost.total_cmp(&b.1.cost));
        let Some((numbers, best)) = solved.first() else {
            return Err(SpanFitError::NoFit {
                residual_loops: f64::INFINITY,
            });
        };
        if best.residual_loops > MOST_SCATTER_LOOPS {
            return Err(SpanFitError::NoFit {
                residual_loops: best.residual_loops,
            });
        }
        let lowest = |numbers: &[u32]| numbers.iter().min().copied().unwrap_or(0);
        if let Some((others, other)) = solved.get(1)
            && other.cost - best.cost < WORSE_BY
        {
            return Err(SpanFitError::Ambiguous {
                one: lowest(numbers),
                other: lowest(others),
            });
        }
        Ok(problem.conclude(numbers, best))
    }
}

impl Problem<'_> {
    fn span(&self, at: Unknowns) -> StrungConductor {
        let stated = self.stated.conductor;
        StrungConductor {
            tension_n: stated.tension_n * maths::exp(2.0 * at.ln_speed),
            bending_stiffness_n_m2: at.stiffness_n_m2.max(0.0),
            ..stated
        }
    }

    /// Every way of numbering the resonances within what is stated, with the
    /// unknowns that led to it.
    fn numberings(&self) -> BTreeMap<Vec<u32>, Unknowns> {
        let stated = self.stated;
        let highest = self.resonances_hz.iter().copied().fold(0.0, f64::max);
        let loops = stated.conductor.loops(highest).max(1.0);
        let reach = (REACH * stated.speed_standard_u).max(LEAST_REACH);
        // A fifth of a loop at the highest resonance, so that none is missed.
        let steps = (reach * loops / 0.2).ceil().clamp(1.0, 2000.0) as i32;
        let mut found = BTreeMap::new();
        for stiffness_step in -4..=4 {
            let apart = 0.5 * f64::from(stiffness_step) * stated.stiffness_standard_u_n_m2;
            let stiffness_n_m2 = stated.conductor.bending_stiffness_n_m2 + apart;
            if stiffness_n_m2 < 0.0 {
                continue;
            }
            for step in -steps..=steps {
                let at = Unknowns {
                    ln_speed: reach * f64::from(step) / f64::from(steps),
                    stiffness_n_m2,
                };
                let span = self.span(at);
                let numbers: Vec<u32> = self
                    .resonances_hz
                    .iter()
                    .map(|hz| span.loops(*hz).round().max(0.0) as u32)
                    .collect();
                found.entry(numbers).or_insert(at);
            }
        }
        found
    }

    /// Rows of the least-squares problem: what is left, and its derivatives.
    fn rows(&self, numbers: &[u32], at: Unknowns, scatter_loops: f64) -> Vec<[f64; 3]> {
        let step = Unknowns {
            ln_speed: 1e-6,
            stiffness_n_m2: 1e-4 * (1.0 + at.stiffness_n_m2.abs()),
        };
        let here = self.span(at);
        let faster = self.span(Unknowns {
            ln_speed: at.ln_speed + step.ln_speed,
            ..at
        });
        let stiffer = self.span(Unknowns {
            stiffness_n_m2: at.stiffness_n_m2 + step.stiffness_n_m2,
            ..at
        });
        let mut rows: Vec<[f64; 3]> = self
            .resonances_hz
            .iter()
            .zip(numbers)
            .map(|(&hz, &number)| {
                let loops = here.loops(hz);
                [
                    (f64::from(number) - loops) / scatter_loops,
                    (faster.loops(hz) - loops) / step.ln_speed / scatter_loops,
                    (stiffer.loops(hz) - loops) / step.stiffness_n_m2 / scatter_loops,
                ]
            })
            .collect();
        let stated = self.stated;
        let speed_u = stated.speed_standard_u.max(1e-9);
        let stiffness_u = stated.stiffness_standard_u_n_m2.max(1e-9);
        rows.push([-at.ln_speed / speed_u, 1.0 / speed_u, 0.0]);
        let apart = stated.conductor.bending_stiffness_n_m2 - at.stiffness_n_m2;
        rows.push([apart / stiffness_u, 0.0, 1.0 / stiffness_u]);
        rows
    }

    fn solve(&self, numbers: &[u32], start: Unknowns, scatter_loops: f64) -> Solved {
        let mut at = start;
        for _ in 0..20 {
            let normal = Normal::of(&self.rows(numbers, at, scatter_loops));
            let Some([ln_speed, stiffness_n_m2]) = normal.step() else {
                break;
            };
            let before = at;
            at.ln_speed += ln_speed;
            at.stiffness_n_m2 = (at.stiffness_n_m2 + stiffness_n_m2).max(0.0);
            let moved = (at.ln_speed - before.ln_speed).abs();
            if moved < 1e-12 && (at.stiffness_n_m2 - before.stiffness_n_m2).abs() < 1e-9 {
                break;
            }
        }
        let rows = self.rows(numbers, at, scatter_loops);
        let cost = rows.iter().map(|[left, ..]| maths::square(*left)).sum();
        let left: f64 = rows
            .iter()
            .take(numbers.len())
            .map(|[left, ..]| maths::square(left * scatter_loops))
            .sum();
        Solved {
            at,
            cost,
            residual_loops: (left / numbers.len() as f64).sqrt(),
        }
    }

    /// The uncertainties by what is left.
    fn conclude(&self, numbers: &[u32], found: &Solved) -> FittedSpan {
        let count = numbers.len() as f64;
        let of_residuals = found.residual_loops * (count / (count - 2.0).max(1.0)).sqrt();
        let scatter_loops = of_residuals.max(LEAST_SCATTER_LOOPS);
        let solved = self.solve(numbers, found.at, scatter_loops);
        let normal = Normal::of(&self.rows(numbers, solved.at, scatter_loops));
        let [[a, b], [_, d]] = normal.inverse().unwrap_or_default();
        // Cholesky: (l11, l21) and (0, l22) are the two directions.
        let l11 = a.max(0.0).sqrt();
        let l21 = if l11 > 0.0 { b / l11 } else { 0.0 };
        let l22 = (d - l21 * l21).max(0.0).sqrt();
        let moved = |ln_speed: f64, stiffness_n_m2: f64| {
            self.span(Unknowns {
                ln_speed: solved.at.ln_speed + ln_speed,
                stiffness_n_m2: solved.at.stiffness_n_m2 + stiffness_n_m2,
            })
        };
        FittedSpan {
            conductor: self.span(solved.at),
            numbers: numbers.to_vec(),
            residual_loops: solved.residual_loops,
            speed_standard_u: l11,
            stiffness_standard_u_n_m2: d.max(0.0).sqrt(),
            varied: [moved(l11, l21), moved(0.0, l22)],
        }
    }
}

/// Normal equations of two unknowns.
struct Normal {
    matrix: [[f64; 2]; 2],
    right: [f64; 2],
}

impl Normal {
    fn of(rows: &[[f64; 3]]) -> Self {
        let sum = |of: &dyn Fn(&[f64; 3]) -> f64| rows.iter().map(of).sum::<f64>();
        let cross = sum(&|[_, x, y]| x * y);
        Self {
            matrix: [
                [sum(&|[_, x, _]| x * x), cross],
                [cross, sum(&|[_, _, y]| y * y)],
            ],
            right: [sum(&|[left, x, _]| left * x), sum(&|[left, _, y]| left * y)],
        }
    }

    fn inverse(&self) -> Option<[[f64; 2]; 2]> {
        let [[a, b], [c, d]] = self.matrix;
        let determinant = a * d - b * c;
        (determinant > 0.0).then(|| {
            [
                [d / determinant, -b / determinant],
                [-c / determinant, a / determinant],
            ]
        })
    }

    fn step(&self) -> Option<[f64; 2]> {
        let [[a, b], [c, d]] = self.inverse()?;
        let [x, y] = self.right;
        Some([a * x + b * y, c * x + d * y])
    }
}

#[cfg(test)]
mod tests {
    use super::super::waves::{by_finite_elements, demo_span};
    use super::*;

    /// Numbers and frequencies by the span that they are of.
    fn reference() -> Vec<(StrungConductor, Vec<(u32, f64)>)> {
        let mut spans: Vec<(StrungConductor, Vec<(u32, f64)>)> = Vec::new();
        for (span, number, hz) in by_finite_elements() {
            match spans.iter_mut().find(|(known, _)| *known == span) {
                Some((_, rows)) => rows.push((number, hz)),
                None => spans.push((span, vec![(number, hz)])),
            }
        }
        spans
    }

    #[test]
    fn what_was_stated_wrongly_is_found_by_finite_elements() {
        let mut tried = 0;
        for (true_span, rows) in reference() {
            // Harmonics of the aeolian range only.
            let rows: Vec<_> = rows.into_iter().filter(|(n, _)| *n >= 4).collect();
            if rows.len() < 8 || true_span.bending_stiffness_n_m2 <= 0.0 {
                continue;
            }
            for (tension, stiffness) in [(1.02, 1.3), (0.985, 0.7), (1.0, 0.6)] {
                let stated = StatedSpan {
                    conductor: StrungConductor {
                        tension_n: true_span.tension_n * tension,
                        bending_stiffness_n_m2: true_span.bending_stiffness_n_m2 * stiffness,
                        ..true_span
                    },
                    speed_standard_u: 0.01,
                    stiffness_standard_u_n_m2: 0.25 * true_span.bending_stiffness_n_m2,
                };
                let hz: Vec<f64> = rows.iter().map(|(_, hz)| *hz).collect();
                let fitted = match stated.fit(&hz) {
                    Ok(fitted) => fitted,
                    Err(SpanFitError::Ambiguous { .. }) => continue,
                    Err(error) => panic!("{true_span:?}: {error}"),
                };
                let expected: Vec<u32> = rows.iter().map(|(n, _)| *n).collect();
                assert_eq!(fitted.numbers, expected);
                let speed = fitted.conductor.wave_speed_m_s() / true_span.wave_speed_m_s() - 1.0;
                assert!(
                    speed.abs() < 3.0 * fitted.speed_standard_u + 1e-5,
                    "{speed} {}",
                    fitted.speed_standard_u
                );
                tried += 1;
            }
        }
        assert!(tried >= 3, "{tried}");
    }

    #[test]
    fn too_few_and_foreign_resonances_are_refused() {
        let stated = StatedSpan {
            conductor: demo_span(),
            speed_standard_u: 0.01,
            stiffness_standard_u_n_m2: 45.0,
        };
        assert_eq!(stated.fit(&[10.0, 12.0]), Err(SpanFitError::TooFew(2)));
        // Half way between harmonics, scattered: no span has these.
        let none = [10.1, 13.3, 17.2, 19.4, 24.9, 27.1, 33.2, 38.8, 41.3];
        assert!(matches!(
            stated.fit(&none),
            Err(SpanFitError::NoFit { .. } | SpanFitError::Ambiguous { .. })
        ));
    }
}
