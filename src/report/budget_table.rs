//! The uncertainty budget of a point as rows of a table.
//!
//! In: the lines of a budget. Out: a row of texts a cause, the largest first,
//! and a last one for all of them together. Pure.

use super::number::significant;
use crate::reduction::BudgetLine;

/// The word for the last row.
const TOGETHER: &str = "All together, in square";

/// What is less than this is not worth a digit, %.
const LEAST_PCT: f64 = 0.001;

/// What stands in front of such a table.
pub const CAPTION: &str = "What each cause contributes to the expanded uncertainty (k = 2), in % of \
                           the value; independent causes add in square (JCGM 100, 5.1.2).";

/// The headings: the cause, then the results.
pub fn headings() -> Vec<String> {
    let results = BudgetLine::HEADINGS.map(|heading| format!("{heading}, %"));
    std::iter::once("Cause".to_owned()).chain(results).collect()
}

/// The rows, those that matter most for the ratio first; what adds nothing to any
/// result is left out.
pub fn rows(lines: &[BudgetLine]) -> Vec<Vec<String>> {
    let weight = |line: &BudgetLine| {
        let largest = line.parts().into_iter().flatten().fold(0.0, f64::max);
        (line.iswr_pct.unwrap_or(0.0), largest)
    };
    let mut sorted: Vec<&BudgetLine> = lines
        .iter()
        .filter(|line| {
            line.parts()
                .into_iter()
                .flatten()
                .any(|part| part >= LEAST_PCT)
        })
        .collect();
    sorted.sort_by(|a, b| {
        let (a, b) = (weight(a), weight(b));
        b.0.total_cmp(&a.0).then(b.1.total_cmp(&a.1))
    });
    sorted
        .into_iter()
        .map(|line| row(&line.cause, line.parts()))
        .chain(std::iter::once(row(TOGETHER, BudgetLine::sums(lines))))
        .collect()
}

fn row(cause: &str, parts: [Option<f64>; 5]) -> Vec<String> {
    let text = |part: Option<f64>| match part {
        None => String::new(),
        Some(part) if part < LEAST_PCT => "0".to_owned(),
        Some(part) => significant(part, 2),
    };
    std::iter::once(cause.to_owned())
        .chain(parts.map(text))
        .collect()
}
