//! The stages joined by bounded channels; owns the threads.
