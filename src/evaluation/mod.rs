//! Points of a run, and of its bare run → damper power, second methods,
//! requirements, verdict, comparison. Pure: loaded values in, values out.
#![doc = include_str!("../guide/from-points-to-verdict.md")]

pub mod bare;
mod bare_readings;
pub mod comparison;
pub mod compatibility;
pub mod criteria;
pub mod decay;
pub mod end_motion;
pub mod evaluate;
pub mod fixed_sweep;
pub mod level_law;
pub mod line_span;
pub mod methods;
pub mod node;
pub mod reduced;
pub mod reduced_point;
pub mod retained;
pub mod run_comparison;
pub mod run_values;
pub mod unit_question;
mod unknown_stiffness;
