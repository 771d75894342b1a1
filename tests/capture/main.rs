//! `spanhold capture`, run as a laboratory runs it: a device on a serial line
//! (a pseudo terminal), a process that is stopped, killed, and started again.
#![cfg(unix)]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a failure in a test's own scaffolding is the test's message"
)]

mod bench;
mod faults;
mod kills;
mod line;
mod live;
mod played;
#[cfg(target_os = "linux")]
mod soak;
