//! What a number may be.
//!
//! In: a number. Out: whether it is possible, and the words for what would be.

/// The smallest and largest magnitude taken for a measured quantity in the
/// units of the setup file. Far outside anything a bench can have; inside it no
/// product or quotient of setup numbers overflows or vanishes.
const MAGNITUDES: std::ops::RangeInclusive<f64> = 1e-9..=1e12;

/// The interval a number has to lie in.
#[derive(Debug, Clone)]
pub(in crate::setup) struct Limits {
    above: Option<f64>,
    at_least: Option<f64>,
    below: Option<f64>,
    at_most: Option<f64>,
    /// What would be right, as a noun: "a length above 0 m".
    pub(in crate::setup) right: String,
}

impl Limits {
    /// Above zero.
    pub(in crate::setup) fn above_zero(what: &str, unit: &str) -> Self {
        Self {
            above: Some(0.0),
            at_least: None,
            below: None,
            at_most: None,
            right: format!("{what} above 0{}", spaced(unit)),
        }
    }

    /// Zero or more.
    pub(in crate::setup) fn not_negative(what: &str, unit: &str) -> Self {
        Self {
            above: None,
            at_least: Some(0.0),
            below: None,
            at_most: None,
            right: format!("{what} of 0{} or more", spaced(unit)),
        }
    }

    /// A percentage, 0 and 100 included.
    pub(in crate::setup) fn percentage(what: &str) -> Self {
        Self {
            above: None,
            at_least: Some(0.0),
            below: None,
            at_most: Some(100.0),
            right: format!("{what} from 0 to 100 %"),
        }
    }

    /// The same, and below `limit`; `limit_words` says it with its unit.
    pub(in crate::setup) fn and_below(mut self, limit: f64, limit_words: &str) -> Self {
        self.below = Some(limit);
        self.right = format!("{} and below {limit_words}", self.right);
        self
    }

    /// The same, and not above `limit`; `limit_words` says it with its unit.
    pub(in crate::setup) fn up_to(mut self, limit: f64, limit_words: &str) -> Self {
        self.at_most = Some(limit);
        self.right = format!("{} and up to {limit_words}", self.right);
        self
    }

    pub(in crate::setup) fn allow(&self, number: f64) -> bool {
        let size = number.abs();
        number.is_finite()
            && (size == 0.0 || MAGNITUDES.contains(&size))
            && self.above.is_none_or(|limit| number > limit)
            && self.at_least.is_none_or(|limit| number >= limit)
            && self.below.is_none_or(|limit| number < limit)
            && self.at_most.is_none_or(|limit| number <= limit)
    }
}

fn spaced(unit: &str) -> String {
    if unit.is_empty() {
        String::new()
    } else {
        format!(" {unit}")
    }
}
