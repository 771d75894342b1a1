//! Everything that needs no device: the setup file, the analysis against
//! outside values, the commands on recordings and run folders, and the order of
//! the sources themselves.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a failure in a test's own scaffolding is the test's message"
)]

mod altered_runs;
mod archive;
mod audit;
#[path = "../bench/mod.rs"]
mod bench;
mod decay;
mod device_clock;
mod device_stream;
mod drive_point;
mod drive_signal;
mod energy;
mod export;
mod first_guess;
mod first_setup;
mod fixed_places;
mod fixed_readings;
mod fixed_sensors;
mod fixed_sweep;
mod guidance;
mod hostile_names;
mod level_changes;
mod licences;
mod line_and_comparison;
mod matching;
mod missing_values;
mod mutated_bytes;
mod notes;
#[path = "../fuzz/parsers.rs"]
mod parsers;
mod places_at;
mod plan;
mod promises;
mod published_sheets;
mod recordings_read;
mod recordings_written;
mod reduce;
mod rehearsal;
mod report_page;
mod reprocess;
mod seal;
#[path = "../fuzz/seeds.rs"]
mod seeds;
mod sensor_places;
mod setup;
mod silent_channels;
mod sine_fit;
mod stretches;
mod tampering;
mod tension;
mod tidy;
mod time_histories;
mod uncertainty;
mod worked_examples;
