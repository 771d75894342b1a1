//! What is to be taken in.

use std::path::{Path, PathBuf};

/// What the numbers of a table are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableNumbers {
    /// Values in the channels' units.
    InUnits,
    /// Shares of digital full scale, as lines of a device are: times `full_scale` they are
    /// in the channels' units.
    OfFullScale,
}

/// What is to be taken in, and what the files do not say themselves.
#[derive(Debug, Clone, Copy)]
pub struct ImportRequest<'a> {
    /// The setup file.
    pub setup: &'a Path,
    /// The files.
    pub files: &'a [PathBuf],
    /// The folder of the recordings that come of them.
    pub out: &'a Path,
    /// The source of the setup that they are of; `None`: the only one.
    pub source: Option<&'a str>,
    /// Of a table: the column of the time, from 1.
    pub time_column: Option<usize>,
    /// Of a table without the time: the rate, Hz; `None`: that of the setup.
    pub rate_hz: Option<f64>,
    /// Of a table: what its numbers are; `None`: every `full_scale` is 1, so that it is
    /// the same.
    pub numbers: Option<TableNumbers>,
    /// Of a universal file: take the datasets in the order of the channels, whatever
    /// their node numbers are.
    pub by_order: bool,
}
