//! What the tests share: setups to start from, the program run in a folder or
//! capturing from a line, and a virtual span with the analysis of what it
//! records.

#![allow(dead_code, reason = "each test binary uses its part")]

#[cfg(unix)]
pub mod captured;
pub mod finished_run;
pub mod fixed_sensors;
pub mod json_leaves;
#[cfg(unix)]
pub mod line;
pub mod readings;
pub mod recordings;
pub mod run_folder;
pub mod setups;
pub mod virtual_span;
