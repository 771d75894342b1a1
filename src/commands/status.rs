//! `spanhold status RUN`: how a capture stands, seen from another terminal.
//!
//! Asked of the capture itself, by the address that the run folder keeps; where none
//! answers, read from the run's files.

use std::path::PathBuf;

use anyhow::Context as _;

use super::{Failure, Status, terminal};
use crate::guidance::{CaptureState, Guide};
use crate::ledger::{Run, RunState};
use crate::live::{KeptAddress, read_state};
use crate::pipeline::capture::Coverage;
use crate::plan::{Assumptions, Plan};
use crate::setup;

/// Arguments of `status`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// Print the state as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let live = KeptAddress::read(&args.run).map(|kept| read_state(&kept));
    let state = match live {
        Some(Ok(state)) => state,
        Some(Err(error)) => from_files(args, &error.to_string())?,
        None => from_files(args, "the run has no live page")?,
    };
    let text = if args.json {
        serde_json::to_string_pretty(&state).map_err(anyhow::Error::from)? + "\n"
    } else {
        text(&state)
    };
    super::print(&text)?;
    Ok(Status::Done)
}

/// What the files of a run tell.
fn from_files(args: &Args, why: &str) -> Result<CaptureState, Failure> {
    let run = Run::open(&args.run)
        .with_context(|| format!("the run folder \"{}\"", args.run.display()))?;
    let setup =
        setup::parse(&run.setup_text, crate::ledger::SETUP_FILE).map_err(anyhow::Error::from)?;
    for note in &run.notes {
        terminal::say(note);
    }
    let how = match (run.record.state, &run.record.reason) {
        (RunState::Done, _) => "all input was used".to_owned(),
        (RunState::Running, _) => {
            format!("no live view of it ({why}); this is what its files hold")
        }
        (_, Some(reason)) => reason.clone(),
        (RunState::Stopped, None) => "it was stopped".to_owned(),
        (RunState::Failed, None) => "it failed".to_owned(),
    };
    let planned = Plan::of(&setup, Assumptions::of(&setup)).harmonics_hz();
    let exclusions = run.exclusions();
    let coverage = Coverage::new(&planned).without(&exclusions, &run.points);
    let name = args.run.file_name().unwrap_or(args.run.as_os_str());
    let mut guide = Guide::new(&setup, &name.to_string_lossy(), &[]);
    guide.exclusions(exclusions);
    run.events.iter().for_each(|event| guide.event(event));
    let mut state = guide.after_the_end(&coverage, &run.points, run.record.sessions, &how);
    state.tension_of(&run.points);
    Ok(state)
}

fn text(state: &CaptureState) -> String {
    let reading = &state.reading;
    let mut lines = vec![
        format!("{}: {}", state.run.folder, state.run.title),
        format!("now        {}", state.now),
    ];
    lines.extend(
        state
            .alarms
            .iter()
            .map(|alarm| format!("ALARM      {alarm}")),
    );
    lines.extend(state.also.iter().map(|text| format!("           {text}")));
    for (i, text) in state.missing.iter().enumerate() {
        let head = if i == 0 { "missing" } else { "" };
        lines.push(format!("{head:<10} {text}"));
    }
    let mut row = |head: &str, value: Option<f64>, u: Option<f64>, decimals: usize, unit: &str| {
        let u = u.map_or_else(String::new, |u| format!(" ± {u}"));
        lines.extend(value.map(|value| format!("{head:<10} {value:.decimals$}{u} {unit}")));
    };
    row(
        "frequency",
        reading.frequency_hz,
        reading.frequency_u_hz,
        4,
        "Hz",
    );
    row(
        "antinode",
        reading.antinode_velocity_mm_s,
        reading.antinode_velocity_u_mm_s,
        1,
        "mm/s peak",
    );
    row(
        "node",
        reading.node_velocity_mm_s,
        reading.node_velocity_u_mm_s,
        2,
        "mm/s peak",
    );
    row("ratio", reading.iswr, reading.iswr_u, 4, "");
    row(
        "level",
        reading.target_deviation_pct,
        None,
        1,
        "% off target",
    );
    row(
        "tension",
        state.tension.tension_kn,
        state.tension.tension_u_kn,
        3,
        "kN",
    );
    for gauge in &state.strain {
        if let (Some(channel), Some(pp)) = (&gauge.channel, gauge.strain_pp_um_m) {
            let limit = gauge
                .limit_pp_um_m
                .map_or_else(String::new, |limit| format!(" of {limit}"));
            lines.push(format!("strain     {pp:.0}{limit} um/m pp at {channel}"));
        }
    }
    let of = |name: &str| {
        let own = state.harmonics.iter().filter(|mark| mark.state == name);
        own.map(|mark| mark.harmonic.to_string())
            .collect::<Vec<_>>()
            .join(" ")
    };
    for name in ["held", "steady", "off-peak", "failed", "open"] {
        let numbers = of(name);
        if !numbers.is_empty() {
            lines.push(format!("{name:<10} n {numbers}"));
        }
    }
    lines.extend(state.next.map(|next| {
        format!(
            "next       n {} about {:.1} Hz",
            next.harmonic, next.expected_hz
        )
    }));
    for device in &state.devices {
        let sends = if device.sends {
            "sends".to_owned()
        } else {
            format!("NO SAMPLES for {:.0} s", device.silent_s)
        };
        lines.push(format!(
            "device     \"{}\" {sends}; {} samples lost, {} corrupt, {} restarts",
            device.source, device.lost_samples, device.corrupt, device.restarts
        ));
    }
    let recording = &state.recording;
    if let (Some(behind_s), Some(mb)) = (recording.behind_s, recording.disk_free_mb) {
        lines.push(format!(
            "recording  {mb} MB free; the analysis is {behind_s:.1} s behind"
        ));
    }
    lines.join("\n") + "\n"
}
