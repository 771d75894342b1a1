//! What one criterion finds of a stretch: value, whether it is met, and the
//! sentence to say when it is not.

/// What a criterion's function found.
pub(super) struct CriterionFinding {
    /// In the criterion's unit; `None` where it could not be measured.
    pub(super) value: Option<f64>,
    /// Whether the criterion is met; `None`: neither shown nor excluded.
    pub(super) met: Option<bool>,
    /// What to say when it is not met.
    pub(super) sentence: String,
}

impl CriterionFinding {
    pub(super) fn new(
        value: impl Into<Option<f64>>,
        met: impl Into<Option<bool>>,
        sentence: String,
    ) -> Self {
        Self {
            value: value.into(),
            met: met.into(),
            sentence,
        }
    }
}
