//! Fixed sensors over a whole sweep: all points together tell the sensors from the waves.
//!
//! In: the points of a run and of its bare run, with what their fixed sensors show. Out: the
//! points with ratios that rest on all of them, and what sensors and conductor turned out to
//! be. Pure.

mod fit;
mod model;
mod refined;
mod statement;

pub use fit::SweepFitError;
pub use refined::{Refined, refined};
pub use statement::{FixedSweep, SweptChannel};

#[cfg(test)]
mod tests;
