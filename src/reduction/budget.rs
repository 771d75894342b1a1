//! The uncertainty budget of a point: what each cause contributes.
//!
//! In: the inputs of a point and the causes of error. Out: a line a cause, in
//! words, with its part in the main results. Pure.

use serde::{Deserialize, Serialize};

use super::equations::{Inputs, Quantities, evaluate};
use super::measured::COVERAGE;
use super::uncertainty::{Cause, InputPhasor, squares};
use crate::maths;

/// What one cause contributes to the expanded uncertainty (k = 2) of a result,
/// in % of the result: the root of the sum of their squares, over all lines, is
/// the uncertainty. `None` where the point has no such result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// The cause, in words.
    pub cause: String,
    /// To the antinode velocity, %.
    pub antinode_velocity_pct: Option<f64>,
    /// To the ratio, and so to the efficiency, %.
    pub iswr_pct: Option<f64>,
    /// To the power past the node, %.
    pub power_total_pct: Option<f64>,
    /// To the power by drive force, %.
    pub power_force_pct: Option<f64>,
    /// To the largest strain, %.
    pub strain_pct: Option<f64>,
}

/// The budget; causes with the same words, such as the noise of one channel in
/// phase and in quadrature, are one line. `name` gives a channel's name.
pub fn budget(
    inputs: &Inputs,
    causes: &[Cause],
    name: impl Fn(InputPhasor) -> String,
) -> Vec<BudgetLine> {
    let value = evaluate(inputs);
    let mut lines: Vec<(String, Quantities<f64>)> = Vec::new();
    for cause in causes {
        let own = squares(inputs, &value, cause);
        let words = cause.words(&name);
        match lines.iter_mut().find(|(known, _)| *known == words) {
            Some((_, sum)) => *sum = sum.both(&own, |a, b| a + b),
            None => lines.push((words, own)),
        }
    }
    lines
        .into_iter()
        .map(|(cause, squares)| line(cause, &value, &squares))
        .filter(BudgetLine::contributes)
        .collect()
}

fn line(cause: String, value: &Quantities<f64>, squares: &Quantities<f64>) -> BudgetLine {
    let part = |value: f64, square: f64| 100.0 * COVERAGE * square.sqrt() / value.abs();
    let of = |value: Option<f64>, square: Option<f64>| {
        let (value, square) = value.zip(square)?;
        (value != 0.0).then(|| part(value, square))
    };
    let largest = (0..value.strains_pp.len()).max_by(|a, b| {
        let strain = |at: &usize| value.strains_pp.get(*at).copied().unwrap_or_default();
        strain(a).total_cmp(&strain(b))
    });
    let strain = |of: &Quantities<f64>| largest.and_then(|at| of.strains_pp.get(at).copied());
    BudgetLine {
        cause,
        antinode_velocity_pct: of(
            Some(value.antinode_velocity_m_s),
            Some(squares.antinode_velocity_m_s),
        ),
        iswr_pct: of(value.iswr, squares.iswr),
        power_total_pct: of(value.power_total_w, squares.power_total_w),
        power_force_pct: of(value.power_force_w, squares.power_force_w),
        strain_pct: of(strain(value), strain(squares)),
    }
}

impl BudgetLine {
    /// The parts in the order of the columns.
    pub fn parts(&self) -> [Option<f64>; 5] {
        [
            self.antinode_velocity_pct,
            self.iswr_pct,
            self.power_total_pct,
            self.power_force_pct,
            self.strain_pct,
        ]
    }

    /// Whether it adds anything that can be seen, a millionth of a percent.
    fn contributes(&self) -> bool {
        self.parts().into_iter().flatten().any(|part| part > 1e-6)
    }

    /// The headings of [`Self::parts`].
    pub const HEADINGS: [&'static str; 5] = [
        "antinode velocity",
        "ratio",
        "power",
        "power by force",
        "strain",
    ];

    /// All lines together, in square.
    pub fn sums(lines: &[Self]) -> [Option<f64>; 5] {
        let mut sums = [None; 5];
        for line in lines {
            for (sum, part) in sums.iter_mut().zip(line.parts()) {
                if let Some(part) = part {
                    *sum = Some(maths::hypot(sum.unwrap_or(0.0), part));
                }
            }
        }
        sums
    }
}
