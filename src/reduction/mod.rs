//! Hold → settled point: efficiency, power, strain, uncertainty. Pure.

mod budget;
mod calibration;
mod courses;
pub mod equations;
pub mod fields;
pub mod fitted_channel;
mod fixed_evidence;
pub mod fixed_inputs;
pub mod fixed_sensors;
mod gauge;
pub mod harmonic_numbers;
pub mod hum;
pub(crate) mod measured;
mod point;
pub mod settle;
mod signal_errors;
pub mod uncertainty;

pub use budget::{BudgetLine, budget};
pub use fixed_evidence::{FixedEvidence, ShownByFixed, fixed_evidence};
pub use gauge::{Gauge, NoGauge};
pub use measured::{COVERAGE, Measured};
pub use point::{PointRow, SettledPoint};
pub use settle::settle;
