//! `spanhold export RUN --format FORMAT --out DIR`: the tables of a run for other
//! programs.
//!
//! In: the run folder, for `uff58` its recordings too. Out: in `DIR` `points` and `trace`, or
//! `recordings.uff`.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow};

use super::{Failure, Status};
use crate::export::{Table, Uff58Error, csv, parquet, points_table, trace_table, uff58};
use crate::ledger::Run;

/// Arguments of `export`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// The format
    #[arg(long, value_enum)]
    format: Format,
    /// The folder of the files, made if missing: points and trace, or recordings.uff
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Replace files of these names
    #[arg(long)]
    force: bool,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Format {
    /// Apache Parquet, Snappy
    Parquet,
    /// CSV, units in the heading
    Csv,
    /// The recordings as a universal file, dataset 58 in binary form
    Uff58,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let table_names = |extension: &str| {
        ["points", "trace"].map(|table| args.out.join(format!("{table}.{extension}")))
    };
    match args.format {
        Format::Parquet => write_tables(args, &table_names("parquet"), |table| Ok(parquet(table)?)),
        Format::Csv => write_tables(args, &table_names("csv"), |table| Ok(csv(table)?)),
        Format::Uff58 => write_recordings(args, &args.out.join("recordings.uff")),
    }
}

fn write_tables(
    args: &Args,
    paths: &[PathBuf; 2],
    bytes: impl Fn(&Table) -> anyhow::Result<Vec<u8>>,
) -> Result<Status, Failure> {
    let folder = std::path::absolute(&args.run).context("the folder it is started in")?;
    let name = folder.file_name().unwrap_or_default().to_string_lossy();
    let points = points_table(&args.run, &name).map_err(anyhow::Error::from)?;
    let rows = Run::open(&args.run)
        .and_then(|run| run.trace(f64::NEG_INFINITY, f64::INFINITY))
        .map_err(anyhow::Error::from)?;
    make_room(args, paths)?;
    for (table, path) in [points, trace_table(&rows, &name)].iter().zip(paths) {
        let bytes = bytes(table)?;
        std::fs::write(path, bytes).map_err(|error| not_written(error, path))?;
        super::print(&format!("{}\n", path.display()))?;
    }
    Ok(Status::Done)
}

fn write_recordings(args: &Args, path: &Path) -> Result<Status, Failure> {
    make_room(args, &[path.to_owned()])?;
    let file = File::create(path).map_err(|error| not_written(error, path))?;
    let written = uff58(&args.run, &mut BufWriter::new(file));
    if let Err(error) = written {
        // What is not whole must not be taken for a file of recordings.
        let _ = std::fs::remove_file(path);
        return Err(match error {
            Uff58Error::Write(error) => not_written(error, path),
            other => Failure::Input(other.into()),
        });
    }
    super::print(&format!("{}\n", path.display()))?;
    Ok(Status::Done)
}

/// The folder is there, and nothing in it is replaced unasked.
fn make_room(args: &Args, paths: &[PathBuf]) -> Result<(), Failure> {
    if let Some(there) = paths.iter().find(|path| path.exists() && !args.force) {
        return Err(Failure::Input(anyhow!(
            "{}: there is a file of this name; name another folder, or give --force to replace it",
            there.display()
        )));
    }
    std::fs::create_dir_all(&args.out).map_err(|error| not_written(error, &args.out))
}

fn not_written(error: std::io::Error, path: &Path) -> Failure {
    let what = format!("{}: cannot be written", path.display());
    Failure::Device(anyhow::Error::from(error).context(what))
}
