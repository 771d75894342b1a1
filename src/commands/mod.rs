//! What each command does: arguments → an exit code.
//!
//! One file a command, each with its `Args` and its `run`. Results go to
//! standard output, everything else to standard error.

mod archive;
mod audit;
mod bar;
mod capture;
mod check;
mod compare;
mod export;
mod field;
mod import;
mod known_span;
mod logs;
mod matching;
mod new;
mod note;
mod opened_run;
mod plan;
mod points_table;
mod reduce;
mod reduction_table;
mod rehearse;
mod report;
mod reprocess;
mod seal;
mod status;
mod terminal;
mod tuning_line;
mod verify;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

use crate::pipeline;
use crate::reprocessing::ReprocessError;

/// How a command ended when it did not fail; [`Failure`] has the other two
/// exit codes of the design (section 5).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// Exit code 0.
    Done,
    /// Exit code 1: done, and a criterion was not met.
    CriterionNotMet,
}

/// Why a command failed. The text names the file, line, channel or device,
/// what is wrong and what would be right.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// Exit code 2: the input or the arguments are wrong.
    #[error("{}", pipeline::in_one_line(.0))]
    Input(anyhow::Error),
    /// Exit code 3: the capture or a device failed.
    #[error("{}", pipeline::in_one_line(.0))]
    Device(anyhow::Error),
}

impl From<anyhow::Error> for Failure {
    fn from(error: anyhow::Error) -> Self {
        Self::Input(error)
    }
}

impl From<ReprocessError> for Failure {
    fn from(error: ReprocessError) -> Self {
        match error {
            ReprocessError::Input(error) => Self::Input(error),
            ReprocessError::Device(error) => Self::Device(error),
        }
    }
}

#[derive(Debug, Parser)]
#[command(name = "spanhold", version, about, max_term_width = 100)]
struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Write a commented setup file from the answers to some questions
    New(new::Args),
    /// The harmonics to visit, where to read, what each channel will see
    Plan(plan::Args),
    /// Capture a sweep unattended from serial devices
    Capture(capture::Args),
    /// How a capture stands, seen from another terminal
    Status(status::Args),
    /// Listen for some seconds and say what is wrong before a day is lost
    Check(check::Args),
    /// Make recordings of time histories that other programs wrote
    Import(import::Args),
    /// Gains and phases of fixed sensors against one another, from a recording
    /// with all of them at one place
    Match(matching::Args),
    /// Turn recordings into settled points, exactly as a live capture would
    Reprocess(reprocess::Args),
    /// Take the bare span's losses off, apply the criteria
    Reduce(reduce::Args),
    /// Record a virtual span, with the truth beside the recording
    Rehearse(rehearse::Args),
    /// Runs against each other: samples, repeats, before and after fatigue
    Compare(compare::Args),
    /// At what amplitude a line span would settle with this damper
    Field(field::Args),
    /// Was each resonance truly held? The evidence, point by point
    Audit(audit::Args),
    /// Recompute everything from the recordings: do the points stand?
    Verify(verify::Args),
    /// Sign a run with the laboratory's own key, or check its seal
    Seal(seal::Args),
    /// Say something of a point, or exclude it from the verdict with a reason
    Note(note::Args),
    /// Write the report: one self-contained, printable HTML file
    Report(report::Args),
    /// Write points, trace or recordings for other programs
    Export(export::Args),
    /// Print shell completions
    Completions {
        /// The shell to print them for
        shell: clap_complete::Shell,
    },
}

/// Runs one command line; the first argument is the program's name.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let command_line = match CommandLine::try_parse_from(arguments) {
        Ok(command_line) => command_line,
        Err(error) => {
            // Help and version are not errors; clap says which stream.
            let code = if error.use_stderr() { 2 } else { 0 };
            let _ = error.print();
            return ExitCode::from(code);
        }
    };
    match dispatch(command_line.command) {
        Ok(Status::Done) => ExitCode::SUCCESS,
        Ok(Status::CriterionNotMet) => ExitCode::from(1),
        Err(failure) => {
            terminal::say(&failure);
            ExitCode::from(match failure {
                Failure::Input(_) => 2,
                Failure::Device(_) => 3,
            })
        }
    }
}

/// Prints a result to standard output.
fn print(text: &str) -> Result<(), Failure> {
    terminal::print(text).map_err(|error| {
        Failure::Device(anyhow::Error::from(error).context("cannot write to standard output"))
    })
}

fn dispatch(command: Command) -> Result<Status, Failure> {
    match command {
        Command::New(args) => new::run(&args),
        Command::Plan(args) => plan::run(&args),
        Command::Reduce(args) => reduce::run(&args),
        Command::Compare(args) => compare::run(&args),
        Command::Field(args) => field::run(&args),
        Command::Capture(args) => capture::run(&args),
        Command::Status(args) => status::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Import(args) => import::run(&args),
        Command::Match(args) => matching::run(&args),
        Command::Reprocess(args) => reprocess::run(&args),
        Command::Rehearse(args) => rehearse::run(&args),
        Command::Audit(args) => audit::run(&args),
        Command::Verify(args) => verify::run(&args),
        Command::Seal(args) => seal::run(&args),
        Command::Note(args) => note::run(&args),
        Command::Report(args) => report::run(&args),
        Command::Export(args) => export::run(&args),
        Command::Completions { shell } => {
            let mut text = Vec::new();
            let mut command = CommandLine::command();
            clap_complete::generate(shell, &mut command, "spanhold", &mut text);
            print(&String::from_utf8_lossy(&text))?;
            Ok(Status::Done)
        }
    }
}
