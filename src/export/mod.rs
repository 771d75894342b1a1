//! Points, traces and recordings of runs in formats that other programs read.
//!
//! In: a run folder. Out: tables with the unit in the name of each column
//! ([`points_table`], [`trace_table`]) and the bytes of files of them; its recordings as
//! a universal file ([`uff58`]). Touches the run folder and its recordings, to read them.

mod csv_file;
mod parquet_file;
mod table;
mod uff58;

#[cfg(test)]
mod tests;

pub use csv_file::csv;
pub use parquet_file::parquet;
pub use table::{Column, Table, Values, points_table, trace_table};
pub use uff58::{Uff58Error, uff58};

/// Why a table cannot be written.
#[derive(Debug, thiserror::Error)]
#[error("the table cannot be written as Parquet: {0}")]
pub struct ExportError(String);
