//! The waves of all points of a sweep by one least squares fit.
//!
//! In: what each fixed sensor shows at each point, and what is stated of sensors, wave
//! number and loss. Out: [`SweepFit`]: the two waves of each point, and what the sensors
//! and the conductor turned out to be. Pure.
//!
//! One point cannot tell a sensor that errs from a wave that is so. But places, the greater
//! part of gains and phases, tension, stiffness and losses are the same at all points, while the
//! waves are others at each: what fits no point's waves is the sensors'. So they are unknowns
//! of the sweep, with what is stated of them as observations of their own, and the waves are
//! unknowns of each point (least squares with common and with local unknowns, the local ones
//! eliminated point by point; the bundle adjustment of surveying).
//!
//! A response differs from one frequency to another, and a tension drifts: of gains, phases and
//! wave number a share of what is stated changes from point to point and the rest stays. How much
//! changes is not stated anywhere. It is told by what the fit leaves: the share is the smallest
//! that explains it (the estimation of variance components, here of one). Errors that change in
//! steps or with the frequency look smaller than they are, for places and losses give way to them;
//! so the share is never taken below [`LEAST_SHARE`], and above [`MOST_SHARE`] there is no fit.

use super::model::{LOCAL, LOSSES, SweepModel, SweepPoint, Unknown, Unknowns, WAVES};
use crate::maths;
use crate::resonance::standing_wave::NodeReading;
use crate::tone::dense::{Cholesky, Symmetric};

/// What one sensor turned out to be against what is stated of it, in standard uncertainties.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweptSensor {
    /// Place: it stands further from the drive.
    pub place: Estimate,
    /// Gain: it shows more.
    pub gain: Estimate,
    /// Phase: it leads.
    pub phase: Estimate,
}

/// A value with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty.
    pub standard_u: f64,
}

/// What is read at a point's node and at the antinode before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NodeEstimate {
    /// Ratio at the node.
    pub iswr: Estimate,
    /// Velocity at the antinode, m/s peak.
    pub antinode_m_s: Estimate,
    /// Velocity at the node, m/s peak.
    pub node_m_s: Estimate,
    /// V_a² S, which the power past the node goes with, m²/s².
    pub power_m2_s2: Estimate,
}

/// A sweep as it was fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepFit {
    /// What is read at each point's node.
    pub nodes: Vec<NodeEstimate>,
    /// Share of the stated errors of gain, phase and wave number that changes from point to
    /// point, 0..1.
    pub changing_share: f64,
    /// Sum of squares of what is left, in standard uncertainties.
    pub chi_square: f64,
    /// How many numbers more there are than unknowns.
    pub degrees_of_freedom: usize,
    /// Of each run, k over the stated one less 1, by tension and mass, in standard
    /// uncertainties.
    pub tensions: Vec<Estimate>,
    /// The stiffness less the stated one, in standard uncertainties.
    pub stiffness: Estimate,
    /// The losses less the stated ones, in standard uncertainties: of tension, of bending, and
    /// what does not go with the frequency.
    pub losses: [Estimate; LOSSES],
    /// The sensors.
    pub sensors: Vec<SweptSensor>,
}

/// Why there is no fit.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SweepFitError {
    /// Too little that all have in common.
    #[error(
        "{degrees_of_freedom} numbers more than unknowns are too few to tell sensors from waves; \
         {LEAST_FREEDOM} are right: three sensors give two a point"
    )]
    TooFew {
        /// How many more.
        degrees_of_freedom: usize,
    },
    /// Something changed on the way.
    #[error(
        "one set of places, gains, phases, tension and losses does not explain all points (chi-square \
         {chi_square:.0} with {degrees_of_freedom} degrees of freedom where {:.0} % of the stated \
         errors change from point to point): was a sensor moved or exchanged, or the span strung \
         anew, between two of them?",
        100.0 * MOST_SHARE
    )]
    Changing {
        /// Sum of squares that the largest share leaves.
        chi_square: f64,
        /// Degrees of freedom.
        degrees_of_freedom: usize,
    },
    /// No numbers.
    #[error("the points taken together have no solution")]
    NoSolution,
}

/// Least share of stated errors that changes from point to point.
pub const LEAST_SHARE: f64 = 0.3;
/// Largest: what all points together could say more than each alone is little then, and errors that
/// change in steps or with the frequency look like it.
pub const MOST_SHARE: f64 = 0.7;
/// Least degrees of freedom.
pub const LEAST_FREEDOM: usize = 10;

/// Steps of the descent, at most.
const MOST_ITERATIONS: usize = 40;
/// Halvings of the range in which the share is sought.
const HALVINGS: u32 = 10;
/// One point's normal equations with its own unknowns eliminated.
struct Eliminated {
    factor: Cholesky,
    /// Column by column of the common unknowns: the point's own unknowns with it.
    cross: Vec<[f64; LOCAL]>,
    right: [f64; LOCAL],
}

/// All normal equations about where the descent stands.
struct Normal {
    points: Vec<Eliminated>,
    common: Cholesky,
    right: Vec<f64>,
}

impl SweepFit {
    /// Fits all points together.
    ///
    /// # Errors
    /// Where they tell nothing, or where no one set of sensors explains them.
    pub fn fit(points: &[SweepPoint]) -> Result<Self, SweepFitError> {
        let shown: usize = points.iter().map(|point| point.readings.len()).sum();
        let degrees_of_freedom = (2 * shown).saturating_sub(4 * points.len());
        if degrees_of_freedom < LEAST_FREEDOM {
            return Err(SweepFitError::TooFew { degrees_of_freedom });
        }
        let model = SweepModel::new(points);
        let begun = model.begin().ok_or(SweepFitError::NoSolution)?;
        let freedom = degrees_of_freedom as f64;
        let descend = |from: &Unknowns, share: f64| {
            let at = model.descend(from.clone(), share)?;
            let cost = model.cost(&at, share);
            cost.is_finite().then_some((at, cost))
        };
        let (mut found, chi_square) =
            descend(&begun, MOST_SHARE).ok_or(SweepFitError::NoSolution)?;
        if chi_square > freedom {
            return Err(SweepFitError::Changing {
                chi_square,
                degrees_of_freedom,
            });
        }
        // One standard deviation less than is to be expected, for a share that is not too small.
        let explained = freedom - (2.0 * freedom).sqrt();
        let mut closer = |share: f64| {
            let (closer, left) = descend(&found, share)?;
            (left <= explained).then(|| found = closer)
        };
        let (mut share, mut too_small) = (MOST_SHARE, LEAST_SHARE);
        let mut halvings = HALVINGS;
        if closer(LEAST_SHARE).is_some() {
            (share, halvings) = (LEAST_SHARE, 0);
        }
        for _ in 0..halvings {
            let middle = 0.5 * (too_small + share);
            match closer(middle) {
                Some(()) => share = middle,
                None => too_small = middle,
            }
        }
        model
            .conclude(&found, share, degrees_of_freedom)
            .ok_or(SweepFitError::NoSolution)
    }
}

impl SweepFit {
    /// Fits all points together without the one sensor that keeps them from fitting; says which
    /// that is. `None` where no single one does, or leaving out several would do alike.
    pub fn without_one(points: &[SweepPoint]) -> Option<(Self, usize)> {
        let numbers = || points.iter().flat_map(|point| &point.readings);
        let mut sensors: Vec<usize> = numbers().map(|reading| reading.sensor).collect();
        sensors.sort_unstable();
        sensors.dedup();
        let mut found = None;
        for sensor in sensors {
            let without: Vec<SweepPoint> = points
                .iter()
                .map(|point| {
                    let mut point = point.clone();
                    point.readings.retain(|reading| reading.sensor != sensor);
                    point
                })
                .collect();
            // Two left would fit anything.
            if without.iter().any(|point| point.readings.len() < 3) {
                continue;
            }
            if let Ok(fit) = Self::fit(&without) {
                if found.is_some() {
                    return None;
                }
                found = Some((fit, sensor));
            }
        }
        found
    }
}

impl SweepModel<'_> {
    fn normal(&self, at: &Unknowns, share: f64) -> Option<Normal> {
        let count = self.common.count();
        let mut common = Symmetric::zeros(count);
        let mut right: Vec<f64> = at.common.iter().map(|value| -value).collect();
        for place in 0..count {
            common.add(place, place, 1.0);
        }
        let mut points = Vec::with_capacity(self.points.len());
        for number in 0..self.points.len() {
            let own = at.local.get(number)?;
            let mut of_point = Symmetric::zeros(LOCAL);
            let mut own_right = [0.0; LOCAL];
            let mut cross = vec![[0.0; LOCAL]; count];
            for (place, (right, own)) in own_right.iter_mut().zip(own).enumerate().skip(WAVES) {
                of_point.add(place, place, 1.0);
                *right -= own;
            }
            for row in self.rows_of(number, at, share)? {
                for (i, value) in row.local.iter().enumerate() {
                    for (other, of_other) in row.local.iter().take(i + 1).enumerate() {
                        of_point.add(i, other, value * of_other);
                    }
                }
                for (right, value) in own_right.iter_mut().zip(row.local) {
                    *right += row.left * value;
                }
                for (n, (place, value)) in row.common.iter().enumerate() {
                    *right.get_mut(*place)? += row.left * value;
                    for (sum, local) in cross.get_mut(*place)?.iter_mut().zip(row.local) {
                        *sum += value * local;
                    }
                    for (other, of_other) in row.common.iter().take(n + 1) {
                        common.add(*place, *other, value * of_other);
                    }
                }
            }
            let factor = Cholesky::factor(&of_point)?;
            let solved: Vec<Vec<f64>> = cross.iter().map(|column| factor.solve(column)).collect();
            let own_solved = factor.solve(&own_right);
            for (i, column) in cross.iter().enumerate() {
                if column.iter().all(|value| *value == 0.0) {
                    continue;
                }
                *right.get_mut(i)? -= product(column, &own_solved);
                for (other, solved) in solved.iter().take(i + 1).enumerate() {
                    common.add(i, other, -product(column, solved));
                }
            }
            points.push(Eliminated {
                factor,
                cross,
                right: own_right,
            });
        }
        Some(Normal {
            points,
            common: Cholesky::factor(&common)?,
            right,
        })
    }

    /// Descends for a share; the weights follow the waves.
    fn descend(&self, mut at: Unknowns, share: f64) -> Option<Unknowns> {
        for _ in 0..MOST_ITERATIONS {
            let normal = self.normal(&at, share)?;
            let step = normal.common.solve(&normal.right);
            let mut largest = step.iter().map(|s| s.abs()).fold(0.0, f64::max);
            for (value, step) in at.common.iter_mut().zip(&step) {
                *value += step;
            }
            let of_points = at
                .local
                .iter_mut()
                .zip(&normal.points)
                .zip(&self.scales_m_s);
            for ((local, point), scale) in of_points {
                let mut right = point.right;
                for (column, step) in point.cross.iter().zip(&step) {
                    for (right, value) in right.iter_mut().zip(column) {
                        *right -= value * step;
                    }
                }
                let moved = point.factor.solve(&right);
                for (value, moved) in local.iter_mut().zip(&moved) {
                    *value += moved;
                }
                let waves = moved.iter().take(WAVES).map(|s| s.abs() / scale);
                largest = waves.fold(largest, f64::max);
            }
            if !largest.is_finite() {
                return None;
            }
            if largest < 1e-9 {
                return Some(at);
            }
        }
        None
    }

    fn conclude(&self, at: &Unknowns, share: f64, degrees_of_freedom: usize) -> Option<SweepFit> {
        let normal = self.normal(at, share)?;
        let covariance = normal.common.inverse();
        let estimate = |place: usize| {
            Some(Estimate {
                value: *at.common.get(place)?,
                standard_u: covariance.get(place, place).max(0.0).sqrt(),
            })
        };
        let sensor = |number: usize| {
            let first = self.common.sensor(number);
            Some(SweptSensor {
                place: estimate(first)?,
                gain: estimate(first + 1)?,
                phase: estimate(first + 2)?,
            })
        };
        let nodes = (0..self.points.len()).map(|number| self.estimate(number, at, share, &normal));
        let losses = self.common.losses();
        Some(SweepFit {
            nodes: nodes.collect::<Option<_>>()?,
            changing_share: share,
            chi_square: self.cost(at, share),
            degrees_of_freedom,
            tensions: (0..self.common.runs).map(estimate).collect::<Option<_>>()?,
            stiffness: estimate(self.common.stiffness())?,
            losses: [
                estimate(losses)?,
                estimate(losses + 1)?,
                estimate(losses + 2)?,
            ],
            sensors: (0..self.common.sensors)
                .map(sensor)
                .collect::<Option<_>>()?,
        })
    }

    /// What is read at a point's node, with uncertainties by the covariance of all unknowns.
    fn estimate(
        &self,
        number: usize,
        at: &Unknowns,
        share: f64,
        normal: &Normal,
    ) -> Option<NodeEstimate> {
        let read = |at: &Unknowns| self.node(number, at, share).map(|read| values(&read));
        let slope = |place: Unknown, step: f64| {
            let at = |by: f64| read(&at.moved(number, place, by));
            let (up, down) = (at(step)?, at(-step)?);
            let mut slope = [0.0; READ];
            for ((slope, up), down) in slope.iter_mut().zip(up).zip(down) {
                *slope = (up - down) / (2.0 * step);
            }
            Some(slope)
        };
        let wave_step = 1e-5 * self.scales_m_s.get(number)?;
        let local: Vec<[f64; READ]> = (0..LOCAL)
            .map(|i| {
                let step = if i < WAVES { wave_step } else { 1e-3 };
                slope(Unknown::Local(i), step)
            })
            .collect::<Option<_>>()?;
        // Of the common unknowns only wave number and losses are in what is read.
        let common: Vec<[f64; READ]> = (0..self.common.sensor(0))
            .map(|place| slope(Unknown::Common(place), 1e-3))
            .collect::<Option<_>>()?;
        let point = normal.points.get(number)?;
        let value = read(at)?;
        let mut estimates = [Estimate {
            value: 0.0,
            standard_u: 0.0,
        }; READ];
        for (which, estimate) in estimates.iter_mut().enumerate() {
            let of = |slopes: &[[f64; READ]]| -> Option<Vec<f64>> {
                slopes.iter().map(|of| of.get(which).copied()).collect()
            };
            let by_local = of(&local)?;
            let mut by_common = of(&common)?;
            by_common.resize(self.common.count(), 0.0);
            let solved = point.factor.solve(&by_local);
            for (value, column) in by_common.iter_mut().zip(&point.cross) {
                *value -= product(column, &solved);
            }
            let square =
                product(&by_local, &solved) + product(&by_common, &normal.common.solve(&by_common));
            *estimate = Estimate {
                value: *value.get(which)?,
                standard_u: square.max(0.0).sqrt(),
            };
        }
        let [iswr, antinode_m_s, node_m_s, power_m2_s2] = estimates;
        Some(NodeEstimate {
            iswr,
            antinode_m_s,
            node_m_s,
            power_m2_s2,
        })
    }
}

/// How many values are read at a node.
const READ: usize = 4;

/// Those of [`NodeEstimate`], in its order.
fn values(read: &NodeReading) -> [f64; READ] {
    let antinode_m_s = maths::modulus(read.antinode_m_s);
    let node_m_s = antinode_m_s * read.iswr;
    [read.iswr, antinode_m_s, node_m_s, antinode_m_s * node_m_s]
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
