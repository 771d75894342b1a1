//! `spanhold plan`: the harmonics to visit and what to expect there.
//!
//! In: a setup file. Out: a table, CSV or JSON on standard output; warnings on
//! standard error (in JSON they are in the result). With `--at HZ` where the
//! sensors belong at a frequency that was found, with `--place-sensors N` where sensors
//! that stay do; reads the run of the bare span if one is named, and writes the sheet
//! that is asked for.

mod fixed;
mod places;

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::{Context as _, anyhow};

use super::known_span::known_span;
use super::{Failure, Status, terminal};
use crate::plan::fixed_places::PlaceRange;
use crate::plan::{
    Assumptions, ChannelOutlook, KnownSpan, Plan, PlannedHarmonic, ReadFrequency, efficiency_basis,
};
use crate::report::number::duration;
use crate::report::required_curves::curve_remarks;
use crate::report::text_table::{TextTable, wrap};
use crate::setup::{self, LevelRule, Setup};

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
    /// Efficiency to assume for bandwidth, dwells, node motion and force, %;
    /// without it 10 with a damper, 0.3 for a bare span
    #[arg(long, value_name = "PCT")]
    efficiency_pct: Option<f64>,
    /// Where the sensors belong at this frequency, Hz, at which the span was found
    /// to resonate: nodes and antinodes from both clamps, mm. Give the digits that
    /// were read: 23.41, not 23.4
    #[arg(long, value_name = "HZ", value_parser = places::read_frequency, conflicts_with = "csv")]
    at: Option<ReadFrequency>,
    /// The run of the bare span: harmonics and places by its own resonances instead of
    /// tension and mass
    #[arg(long, value_name = "BARE_RUN")]
    bare: Option<PathBuf>,
    /// Write a sheet to print and take to the span: the harmonics with places, level and
    /// times, and the places over the whole sweep; a page (FILE.html) or text
    #[arg(long, value_name = "FILE", conflicts_with = "csv")]
    sheet: Option<PathBuf>,
    /// Step of the sheet, Hz; without it one that makes some hundred rows
    #[arg(long, value_name = "HZ", requires = "sheet", value_parser = step)]
    step_hz: Option<f64>,
    /// The best places for so many fixed sensors (role wave) over the whole sweep, and what
    /// each harmonic's ratio will be known to
    #[arg(long, value_name = "N", conflicts_with_all = ["csv", "at", "sheet"])]
    place_sensors: Option<usize>,
    /// With --place-sensors: a stretch where they may stand, m from the drive-end clamp;
    /// several are allowed
    #[arg(long, value_name = "FROM:TO", requires = "place_sensors", value_parser = fixed::stretch)]
    between: Vec<PlaceRange>,
    /// What fixed sensors at these places, m from the drive-end clamp, are worth
    #[arg(long, value_name = "M,M,…", value_delimiter = ',', conflicts_with_all = ["csv", "at", "sheet", "place_sensors"])]
    sensors_at: Option<Vec<f64>>,
    /// Resolution of the converter to assume, bits; without it 16
    #[arg(long, value_name = "BITS", value_parser = clap::value_parser!(u32).range(2..=32))]
    bits: Option<u32>,
}

/// Runs `plan`.
pub fn run(args: &Args) -> Result<Status, Failure> {
    if let Some(pct) = args.efficiency_pct
        && !(pct > 0.0 && pct <= 100.0)
    {
        return Err(
            anyhow!("--efficiency-pct {pct}: an efficiency lies above 0 and up to 100 %").into(),
        );
    }
    let setup = setup::load(&args.setup).map_err(|faults| anyhow!("{faults}"))?;
    let known = known_span(&setup, args.bare.as_deref())?;
    if args.place_sensors.is_some() || args.sensors_at.is_some() {
        return fixed::run(args, &setup, &known);
    }
    let usual = Assumptions::of(&setup);
    let assumed = Assumptions {
        efficiency_pct: args.efficiency_pct.unwrap_or(usual.efficiency_pct),
        converter_bits: args.bits.unwrap_or(usual.converter_bits),
    };
    let plan = Plan::by(&setup, &known, assumed);
    if args.at.is_some() || args.sheet.is_some() {
        return places::run(args, &setup, &known, &plan);
    }
    let text = if args.json {
        serde_json::to_string_pretty(&plan).context("the plan as JSON")? + "\n"
    } else if args.csv {
        csv_text(&plan)?
    } else {
        let basis = match args.efficiency_pct {
            Some(_) => "as given",
            None => efficiency_basis(&setup),
        };
        table(&setup, &known, &plan, basis)
    };
    super::print(&text)?;
    if !args.json {
        for warning in plan
            .warnings
            .iter()
            .chain(&curve_remarks(&setup, &args.setup))
        {
            terminal::say(format_args!("warning: {warning}"));
        }
    }
    Ok(Status::Done)
}

fn step(text: &str) -> Result<f64, String> {
    let step: Option<f64> = text.parse().ok();
    step.filter(|hz| (1e-3..=10.0).contains(hz))
        .ok_or_else(|| format!("\"{text}\" is no step; from 0.001 to 10 Hz is right"))
}

/// What the places of a plan are worth with a damper on.
const DAMPED_PLACES: &str = "the damper moves each resonance by up to half the spacing of the \
                             harmonics, and the node with it, by the millimetres for 0.1 Hz; how \
                             far, nobody knows beforehand: find the resonance, then ask --at HZ. The \
                             places, from the drive-end clamp, hold at exactly these frequencies";

/// What the level means where it is kept by strain.
const LEAST_LEVEL: &str = "the level is kept by clamp strain: the strain predicted for a velocity is \
                           the most there can be, so the velocity, amplitude and acceleration \
                           below are the least that the level needs; where wires stick, more is \
                           needed. Channels have to have room for more";

fn csv_text(plan: &Plan) -> Result<String, Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for harmonic in &plan.harmonics {
        writer.serialize(harmonic).context("the plan as CSV")?;
    }
    let bytes = writer.into_inner().context("the plan as CSV")?;
    Ok(String::from_utf8(bytes).context("the plan as CSV")?)
}

fn table(setup: &Setup, known: &KnownSpan, plan: &Plan, basis: &str) -> String {
    let width = terminal::width();
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(out, "{}", setup.test.title);
    let _ = writeln!(
        out,
        "{}; {} m at {} kN; c = {:.1} m/s, Z = {:.1} N s/m, f1 = {:.3} Hz\n\
         velocity, acceleration and force are peak; places are mm from the clamp; strain at the clamps is the handbook's with all wires slipping, the \
         most there can be",
        setup.conductor.designation,
        setup.span.length_m,
        setup.span.tension_kn,
        plan.wave_speed_m_s,
        plan.wave_impedance_n_s_per_m,
        plan.fundamental_hz,
    );
    out += &wrap(&format!("by {}", known.basis()), width, "", "  ");
    let assumed = format!(
        "assumed: efficiency {} % ({basis}), {} bits",
        plan.assumed.efficiency_pct, plan.assumed.converter_bits
    );
    out += &wrap(&assumed, width, "", "  ");
    if setup.span.damper_position_m.is_some() {
        out += &wrap(DAMPED_PLACES, width, "", "  ");
    }
    let is_kept_by_strain = setup
        .amplitude
        .is_some_and(|level| level.rule == LevelRule::ClampStrain);
    if is_kept_by_strain {
        out += &wrap(LEAST_LEVEL, width, "", "  ");
    }
    let dwells = format!(
        "dwell: from the change of frequency on, {} + 3 time constants of ring-up and one and a \
         half of the shortest hold; all together {}, without the time to go from one to the next",
        setup.hold.ring_up_time_constants,
        duration(plan.dwells_s)
    );
    out += &wrap(&dwells, width, "", "  ");
    out.push('\n');
    let is_damped = setup.span.damper_position_m.is_some();
    out += &harmonics(&plan.harmonics, is_damped).text(width);
    if plan.harmonics.iter().any(|h| h.drive_near_node) {
        out.push_str("*  the drive sits near a node of this harmonic\n");
    }
    channels(&mut out, &plan.channels);
    out
}

fn harmonics(harmonics: &[PlannedHarmonic], is_damped: bool) -> TextTable<'_, PlannedHarmonic> {
    // Where a damper is on, only the drive end tells where a node is.
    let [from_damper, from_drive] = if is_damped { [6, 0] } else { [0, 5] };
    let near = |h: &PlannedHarmonic| if h.drive_near_node { "*" } else { "" };
    let number = |value: Option<f64>, decimals: usize| {
        value.map_or_else(String::new, |v| format!("{v:.decimals$}"))
    };
    TextTable::new(harmonics)
        .words("n", "", 0, |h| format!("{}{}", h.harmonic, near(h)))
        .numbers("f", "Hz", 0, |h| number(Some(h.frequency_hz), 2))
        .numbers("wind", "m/s", 3, |h| number(Some(h.wind_speed_m_s), 2))
        .numbers("loop", "m", 4, |h| number(Some(h.loop_length_m), 2))
        .numbers("node, mm", "from damper end", from_damper, |h| {
            number(h.node_from_damper_end_mm, 0)
        })
        .numbers("antinode, mm", "from damper end", from_damper, |h| {
            number(h.antinode_from_damper_end_mm, 0)
        })
        .numbers("node, mm", "from drive end", from_drive, |h| {
            number(h.node_from_drive_end_mm, 0)
        })
        .numbers("antinode, mm", "from drive end", from_drive, |h| {
            number(h.antinode_from_drive_end_mm, 0)
        })
        .numbers("± mm", "drive end", from_drive, |h| {
            number(h.from_drive_end_u_mm, 0)
        })
        .numbers("node moves", "mm/0.1 Hz", from_drive, |h| {
            number(h.node_travel_mm_per_hz.map(|travel| 0.1 * travel), 0)
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
        .numbers("dwell", "s", 0, |h| number(Some(h.dwell_s), 0))
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
