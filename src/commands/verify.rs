//! `spanhold verify RUN`: everything recomputed from the recordings with the
//! stored setup; does the run stand, byte for byte?

use std::path::PathBuf;

use super::{Failure, Status};
use crate::verification::{Conclusion, Verification, VerifyError, verify};

/// Arguments of `verify`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// Exit code 1 where the result does not stand, 2 where what it was made from
/// is missing.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let verification = verify(&args.run).map_err(|error| match error {
        VerifyError::Program(_) => Failure::Device(error.into()),
        other => Failure::Input(other.into()),
    })?;
    let text = if args.json {
        serde_json::to_string_pretty(&verification).map_err(anyhow::Error::from)? + "\n"
    } else {
        text(&verification)
    };
    super::print(&text)?;
    match verification.conclusion {
        Conclusion::Identical | Conclusion::LastDigits => Ok(Status::Done),
        Conclusion::DoesNotStand => Ok(Status::CriterionNotMet),
        Conclusion::Incomplete => Err(Failure::Input(anyhow::anyhow!(
            "{}",
            verification.missing.join(" ")
        ))),
    }
}

fn text(verification: &Verification) -> String {
    let mut lines = verification.notes.clone();
    lines.extend(verification.findings.iter().cloned());
    let (run, points) = (&verification.run, verification.points);
    lines.push(match verification.conclusion {
        Conclusion::Identical => format!(
            "{run} stands: identical. {points} points, and {}, come out of the recordings again, \
             byte for byte.",
            files(verification)
        ),
        Conclusion::LastDigits => format!(
            "{run} stands: agrees to the last digits (other arithmetic version). {points} points, \
             and {}, come out of the recordings again.",
            files(verification)
        ),
        Conclusion::DoesNotStand => format!("{run} DOES NOT STAND."),
        Conclusion::Incomplete => format!(
            "{run}: {points} points, and {}, come out of the recordings again; not everything could \
             be verified.",
            files(verification)
        ),
    });
    lines.join("\n") + "\n"
}

/// What was compared beside the points.
fn files(verification: &Verification) -> String {
    let compared = |name: &str| verification.files.iter().any(|file| file.file == name);
    let mut parts = vec!["all that the run says of them"];
    if compared("reduction.json") {
        parts.push("their reduction and verdict");
    }
    if compared("report.html") {
        parts.push("their report");
    }
    match parts.as_slice() {
        [one] => (*one).to_owned(),
        [before @ .., last] => format!("{} and {last}", before.join(", ")),
        [] => String::new(),
    }
}
