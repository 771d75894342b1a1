//! Why there is no matching.

/// Why a recording is no matching; a sentence for each reason, never empty.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}", .0.join("\n"))]
pub struct MatchFaults(pub Vec<String>);
