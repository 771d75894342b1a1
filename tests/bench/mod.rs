//! What the tests share: a virtual span and the analysis of what it records;
//! the program as it captures from a line.

#![allow(dead_code, reason = "each test binary uses its part")]

#[cfg(unix)]
pub mod captured;
#[cfg(unix)]
pub mod line;
pub mod virtual_span;
