//! The stages joined by bounded channels; owns the threads.

pub mod analysis;
