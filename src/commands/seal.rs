//! `spanhold seal RUN`: the laboratory's own signature of a run, made or
//! checked.
//!
//! In: a run folder, a key. Out: `seal.json` and `seal.json.sig` in the run
//! folder, what was found on standard output.

use std::path::PathBuf;

use super::{Failure, Status};
use crate::ledger::{SEAL_FILE, SEAL_NAMESPACE, check_seal, seal};

/// Arguments of `seal`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// Seal with this private key, as `ssh-keygen -t ed25519` makes it
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// Write the list only, to be signed by ssh-keygen: for a key with a
    /// passphrase, of an agent or on a token
    #[arg(long, conflicts_with = "key")]
    list: bool,
    /// The public key that has to have signed
    #[arg(long, value_name = "FILE", conflicts_with_all = ["key", "list"])]
    by: Option<PathBuf>,
    /// Print what was found as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// Exit code 1 where the seal does not hold, 2 where there is none.
pub fn run(args: &Args) -> Result<Status, Failure> {
    if args.key.is_some() || args.list {
        let now_utc = jiff::Timestamp::now();
        seal(&args.run, args.key.as_deref(), now_utc).map_err(anyhow::Error::from)?;
    }
    if args.list {
        let list = args.run.join(SEAL_FILE).display().to_string();
        super::print(&format!(
            "{list}\nTo be signed: ssh-keygen -Y sign -f KEY -n {SEAL_NAMESPACE} {list}\n"
        ))?;
        return Ok(Status::Done);
    }
    let checked = check_seal(&args.run, args.by.as_deref()).map_err(anyhow::Error::from)?;
    let Some(checked) = checked else {
        return Err(Failure::Input(anyhow::anyhow!(
            "{}: the run is not sealed; --key FILE seals it",
            args.run.display()
        )));
    };
    let text = if args.json {
        serde_json::to_string_pretty(&checked).map_err(anyhow::Error::from)?
    } else {
        checked.text().join("\n")
    };
    super::print(&(text + "\n"))?;
    Ok(if checked.broken.is_empty() {
        Status::Done
    } else {
        Status::CriterionNotMet
    })
}
