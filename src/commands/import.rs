//! `spanhold import SETUP FILE… --out DIR`: time histories of other programs →
//! recordings for `reprocess`.

use std::path::PathBuf;

use super::{Failure, Status, terminal};
use crate::reprocessing::{ImportRequest, TableNumbers, import};

/// Arguments of `import`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The setup file: which column or node is which channel, and in which unit
    setup: PathBuf,
    /// Universal files (.uff, .unv: dataset 58, time responses), or text tables of a
    /// frame a line, decimal point or comma, with or without a heading
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// The folder of the recordings, made if missing: FILE.wav and FILE.wav.json each
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// The source of the setup that the files are of, where there are several
    #[arg(long, value_name = "NAME")]
    source: Option<String>,
    /// Of a table: the column of the time in seconds, from 1; the others are the channels,
    /// `index` 0 the first of them
    #[arg(long, value_name = "N", conflicts_with = "rate")]
    time_column: Option<usize>,
    /// Of a table without the time: the sampling rate, Hz [default: the setup's]
    #[arg(long, value_name = "HZ")]
    rate: Option<f64>,
    /// Of a table: whether its numbers are in the channels' units or shares of full scale,
    /// which is the same where `full_scale = 1`
    #[arg(long, value_enum)]
    numbers: Option<Numbers>,
    /// Of a universal file: take the datasets in the order of the channels, whatever their
    /// node numbers
    #[arg(long)]
    by_order: bool,
}

/// What the numbers of a table are.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Numbers {
    /// Values in the unit of each channel
    Units,
    /// As lines of a device: times `full_scale` they are in the unit of each channel
    FullScale,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let made = import(ImportRequest {
        setup: &args.setup,
        files: &args.files,
        out: &args.out,
        source: args.source.as_deref(),
        time_column: args.time_column,
        rate_hz: args.rate,
        numbers: args.numbers.map(|numbers| match numbers {
            Numbers::Units => TableNumbers::InUnits,
            Numbers::FullScale => TableNumbers::OfFullScale,
        }),
        by_order: args.by_order,
    })?;
    for imported in made {
        let recording = imported.recording.display();
        for note in &imported.notes {
            terminal::say(format_args!("{recording}: {note}"));
        }
        super::print(&format!("{recording}\n"))?;
    }
    Ok(Status::Done)
}
