//! Many dwells, many kills, many hours: what only large numbers show. A share
//! of each campaign runs with the other tests; the whole, about an hour, with
//! `cargo test --release --test campaigns -- --include-ignored`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a failure in a test's own scaffolding is the test's message"
)]

#[cfg(unix)]
mod altered;
mod bare_span;
#[path = "../bench/mod.rs"]
mod bench;
mod coverage;
mod damper_power;
mod faults;
mod fixed_sensors;
mod fixed_sweep;
mod held_or_not;
#[cfg(target_os = "linux")]
mod hour_long_hold;
#[cfg(unix)]
mod kills;
#[cfg(unix)]
mod live_sweep;
mod look_alikes;
#[cfg(target_os = "linux")]
mod memory;
#[cfg(target_os = "linux")]
mod real_time_hour;
mod share;
mod signal_faults;
#[cfg(target_os = "linux")]
mod simulation;
#[cfg(target_os = "linux")]
mod soak;
mod tone_limits;
mod unsteady_readings;
