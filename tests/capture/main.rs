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

#[path = "../bench/mod.rs"]
mod bench;
mod device_port;
mod faults;
mod live;
mod page;
mod played;
mod service;
mod terminal;
