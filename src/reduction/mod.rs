//! Hold → settled point: efficiency, power, strain, uncertainty. Pure.

mod budget;
pub mod equations;
pub mod fields;
mod gauge;
pub(crate) mod measured;
mod point;
pub mod settle;
pub mod uncertainty;

pub use budget::{BudgetLine, budget};
pub use gauge::{Gauge, NoGauge};
pub use measured::{COVERAGE, Measured};
pub use point::{PointRow, SettledPoint};
pub use settle::settle;
