//! `spanhold plan`: the harmonics to visit and what to expect there.
//!
//! In: a setup file. Out: a table, CSV or JSON on standard output; warnings on
//! standard error (in JSON they are in the result). Reads nothing else.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::{Context as _, anyhow};

use super::{Failure, Status, terminal};
use crate::plan::{Assumptions, ChannelOutlook, Plan, PlannedHarmonic};
use crate::report::text_table::TextTable;
use crate::setup::{self, Setup};

/// Arguments of `plan`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The setup file
    setup: PathBuf,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print the harmonics as CSV
    #[arg(long)]
    csv: bool,
    /// Efficiency to assume for bandwidth, node motion and force, %
    #[arg(long, value_name = "PCT", default_value_t = Assumptions::default().efficiency_pct)]
    efficiency_pct: f64,
    /// Resolution of the converter to assume, bits
    #[arg(long, value_name = "BITS", default_value_t = Assumptions::default().converter_bits,
          value_parser = clap::value_parser!(u32).range(2..=32))]
    bits: u32,
}

/// Runs `plan`.
pub fn run(args: &Args) -> Result<Status, Failure> {
    if !(args.efficiency_pct > 0.0 && args.efficiency_pct <= 100.0) {
        return Err(anyhow!(
            "--efficiency-pct {}: an efficiency lies above 0 and up to 100 %",
            args.efficiency_pct
        )
        .into());
    }
    let setup = setup::load(&args.setup).map_err(|faults| anyhow!("{faults}"))?;
    let plan = Plan::of(
        &setup,
        Assumptions {
            efficiency_pct: args.efficiency_pct,
            converter_bits: args.bits,
        },
    );
    let text = if args.json {
        serde_json::to_string_pretty(&plan).context("the plan as JSON")? + "\n"
    } else if args.csv {
        csv_text(&plan)?
    } else {
        table(&setup, &plan)
    };
    terminal::print(&text).context("standard output")?;
    if !args.json {
        for warning in &plan.warnings {
            terminal::say(format_args!("warning: {warning}"));
        }
    }
    Ok(Status::Done)
}

fn csv_text(plan: &Plan) -> Result<String, Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for harmonic in &plan.harmonics {
        writer.serialize(harmonic).context("the plan as CSV")?;
    }
    let bytes = writer.into_inner().context("the plan as CSV")?;
    Ok(String::from_utf8(bytes).context("the plan as CSV")?)
}

fn table(setup: &Setup, plan: &Plan) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(out, "{}", setup.test.title);
    let _ = writeln!(
        out,
        "{}; {} m at {} kN; c = {:.1} m/s, Z = {:.1} N s/m, f1 = {:.3} Hz\n\
         assumed: efficiency {} %, {} bits; velocity, acceleration and force are peak; places are \
         mm from the clamp, of the bare span's standing wave; strain at the clamps is the \
         handbook's with all wires slipping, the most there can be\n",
        setup.conductor.designation,
        setup.span.length_m,
        setup.span.tension_kn,
        plan.wave_speed_m_s,
        plan.wave_impedance_n_s_per_m,
        plan.fundamental_hz,
        plan.assumed.efficiency_pct,
        plan.assumed.converter_bits,
    );
    out += &harmonics(&plan.harmonics).text(terminal::width());
    if plan.harmonics.iter().any(|h| h.drive_near_node) {
        out.push_str("*  the drive sits near a node of this harmonic\n");
    }
    channels(&mut out, &plan.channels);
    out
}

fn harmonics(harmonics: &[PlannedHarmonic]) -> TextTable<'_, PlannedHarmonic> {
    let near = |h: &PlannedHarmonic| if h.drive_near_node { "*" } else { "" };
    let number = |value: Option<f64>, decimals: usize| {
        value.map_or_else(String::new, |v| format!("{v:.decimals$}"))
    };
    TextTable::new(harmonics)
        .words("n", "", 0, |h| format!("{}{}", h.harmonic, near(h)))
        .numbers("f", "Hz", 0, |h| number(Some(h.frequency_hz), 2))
        .numbers("wind", "m/s", 3, |h| number(Some(h.wind_speed_m_s), 2))
        .numbers("loop", "m", 4, |h| number(Some(h.loop_length_m), 2))
        .numbers("node, mm", "from damper end", 0, |h| {
            number(h.node_from_damper_end_mm, 0)
        })
        .numbers("antinode, mm", "from damper end", 0, |h| {
            number(h.antinode_from_damper_end_mm, 0)
        })
        .numbers("node, mm", "from drive end", 5, |h| {
            number(h.node_from_drive_end_mm, 0)
        })
        .numbers("antinode, mm", "from drive end", 5, |h| {
            number(h.antinode_from_drive_end_mm, 0)
        })
        .numbers("velocity", "mm/s", 0, |h| {
            number(h.antinode_velocity_mm_s, 1)
        })
        .numbers("amplitude", "mm pp", 0, |h| {
            number(h.antinode_amplitude_mm_pp, 3)
        })
        .numbers("accel.", "m/s2", 1, |h| {
            number(h.antinode_acceleration_m_s2, 1)
        })
        .numbers("node", "m/s2", 3, |h| number(h.node_acceleration_m_s2, 1))
        .numbers("drive", "m/s2", 4, |h| number(h.drive_acceleration_m_s2, 1))
        .numbers("df", "Hz", 2, |h| number(Some(h.bandwidth_hz), 3))
        .numbers("ring-up", "s", 1, |h| {
            number(Some(h.ring_up_time_constant_s), 1)
        })
        .numbers("strain", "um/m pp", 1, |h| {
            number(h.clamp_strain_pp_um_m, 0)
        })
        .numbers("force", "N", 2, |h| number(h.drive_force_n, 1))
}

fn channels(out: &mut String, channels: &[ChannelOutlook]) {
    out.push_str("\nchannel: expected peak, smallest to largest; range, resolution, rate\n");
    for c in channels {
        let unit = serde_json::to_value(c.unit)
            .ok()
            .and_then(|v| v.as_str().map(str::to_owned))
            .unwrap_or_default();
        let _ = writeln!(
            out,
            "  {:<16} {} to {} {unit}, full scale {}; range {}, resolution {}, rate {}",
            c.name,
            cell(c.smallest_peak, 0, 3),
            cell(c.largest_peak, 0, 3),
            c.full_scale,
            suffices(c.range_suffices),
            suffices(c.resolution_suffices),
            suffices(c.rate_suffices),
        );
    }
}

fn suffices(answer: Option<bool>) -> &'static str {
    match answer {
        Some(true) => "suffices",
        Some(false) => "DOES NOT SUFFICE",
        None => "unknown",
    }
}

fn cell(value: Option<f64>, width: usize, decimals: usize) -> String {
    value.map_or_else(
        || format!("{:>width$}", "-"),
        |v| format!("{v:>width$.decimals$}"),
    )
}
