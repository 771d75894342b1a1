//! What a setup means, in a few lines to read before a run.
//!
//! In: a checked [`Setup`]. Out: text. The harmonics themselves are the
//! matter of `plan`.

use super::matching::Matching;
use super::model::{Channel, Setup, SourceKind};
use super::role::Role;
use super::words::{LevelRule, Protocol, Quantity};
use std::f64::consts::PI;
use std::fmt::{self, Write};

/// A short account of a setup: derived quantities, range, hold rules, and every
/// channel with its range in its unit. All values peak unless marked.
pub fn explain(setup: &Setup) -> String {
    let mut text = String::new();
    // Writing into a String cannot fail.
    let _ = write_all(setup, &mut text);
    text
}

fn write_all(setup: &Setup, out: &mut String) -> fmt::Result {
    writeln!(
        out,
        "(velocities peak, strain and force full scale peak; ± is k = 2)"
    )?;
    write_bench(setup, out)?;
    write_waves(setup, out)?;
    write_level(setup, out)?;
    write_hold(setup, out)?;
    write_sources(setup, out)?;
    for channel in &setup.channels {
        write_channel(setup, channel, out)?;
    }
    match (&setup.matching_file, &setup.matching) {
        (Some(file), Some(matching)) => write_matching(file, matching, out),
        (Some(file), None) => writeln!(out, "matching   {file}, not read"),
        (None, _) => Ok(()),
    }
}

fn write_matching(file: &str, matching: &Matching, out: &mut String) -> fmt::Result {
    let names: Vec<&str> = matching.channels.iter().map(|c| c.name.as_str()).collect();
    write!(
        out,
        "matching   {file} of {}: {}",
        matching.made_utc.strftime("%Y-%m-%d"),
        names.join(", ")
    )?;
    // All tables have the same frequencies.
    let first = matching.channels.first();
    if let Some((low, high)) = first.and_then(|first| matching.range_hz(&first.name)) {
        write!(out, ", {low:.2} to {high:.2} Hz")?;
    }
    writeln!(out)
}

fn write_bench(setup: &Setup, out: &mut String) -> fmt::Result {
    let (test, conductor, span) = (&setup.test, &setup.conductor, &setup.span);
    writeln!(out, "test       {}", test.title)?;
    match (&test.damper, span.damper_position_m) {
        (Some(damper), Some(place)) => {
            writeln!(
                out,
                "damper     {damper}, {place} m from the damper-end clamp"
            )?;
        }
        _ => writeln!(out, "damper     none: bare span")?,
    }
    writeln!(
        out,
        "conductor  {}: {} mm, {} kg/m ± {} %",
        conductor.designation,
        conductor.diameter_mm,
        conductor.mass_kg_per_m,
        conductor.mass_uncertainty_pct
    )?;
    match conductor.bending_stiffness_n_m2 {
        Some(stiffness) => writeln!(
            out,
            "           EI {stiffness} N m2 ± {} %: power is also given with bending stiffness",
            conductor.bending_stiffness_uncertainty_pct
        )?,
        None => writeln!(
            out,
            "           EI not given: power in the standard's form only"
        )?,
    }
    let share = conductor
        .rated_strength_kn
        .map_or_else(String::new, |rated| {
            format!(
                ", {:.1} % of rated strength",
                100.0 * span.tension_kn / rated
            )
        });
    writeln!(
        out,
        "span       {} m ± {} mm at {} kN ± {} %{share}",
        span.length_m, span.length_uncertainty_mm, span.tension_kn, span.tension_uncertainty_pct
    )?;
    if let Some(drive) = span.drive_position_m {
        writeln!(out, "drive      {drive} m from the drive-end clamp")?;
    }
    if let Some(number) = span.node_from_damper {
        let from = if span.damper_position_m.is_some() {
            "damper"
        } else {
            "damper-end clamp"
        };
        writeln!(out, "node       read at node {number} from the {from}")?;
    }
    Ok(())
}

fn write_waves(setup: &Setup, out: &mut String) -> fmt::Result {
    let first = setup.string_fundamental_hz();
    writeln!(
        out,
        "waves      Z = sqrt(T m) = {:.1} N s/m, c = sqrt(T/m) = {:.1} m/s, f1 = c/(2 L) = {first:.3} Hz",
        setup.wave_impedance_n_s_per_m(),
        setup.wave_speed_m_s(),
    )?;
    let sweep = setup.sweep;
    let (low, high) = (
        (sweep.low_hz / first).ceil(),
        (sweep.high_hz / first).floor(),
    );
    write!(
        out,
        "sweep      {:.2} to {:.2} Hz: ",
        sweep.low_hz, sweep.high_hz
    )?;
    if low <= high {
        writeln!(
            out,
            "harmonics {low} to {high} of a string without stiffness"
        )
    } else {
        writeln!(out, "no harmonic of a string without stiffness")
    }
}

fn write_level(setup: &Setup, out: &mut String) -> fmt::Result {
    let Some(level) = setup.amplitude else {
        return writeln!(out, "level      not set");
    };
    write!(
        out,
        "level      {}: {} {}, points within {} %",
        level.rule.name(),
        level.value,
        level.rule.unit(),
        level.tolerance_pct
    )?;
    let velocity_mm_s = match level.rule {
        LevelRule::ConstantVelocity => level.value,
        // Y_pp = k/f, so V = 2 pi f Y_pp/2 = pi k at every f.
        LevelRule::InverseFrequency => PI * level.value,
        LevelRule::ClampStrain => return writeln!(out, " at the largest gauge"),
    };
    let amplitude_pp = |f: f64| velocity_mm_s / (PI * f);
    writeln!(
        out,
        ": antinode {velocity_mm_s:.0} mm/s peak, {:.3} mm peak-to-peak at {:.2} Hz, {:.3} at {:.2} Hz",
        amplitude_pp(setup.sweep.low_hz),
        setup.sweep.low_hz,
        amplitude_pp(setup.sweep.high_hz),
        setup.sweep.high_hz
    )
}

fn write_hold(setup: &Setup, out: &mut String) -> fmt::Result {
    let hold = setup.hold;
    writeln!(
        out,
        "hold       at least {} s and {} cycles, at most {} s, after {} ring-up time constants",
        hold.min_seconds, hold.min_cycles, hold.max_seconds, hold.ring_up_time_constants
    )?;
    writeln!(
        out,
        "           drive phase within {} degrees, drift within {} bandwidths, no phase evidence \
         where |sin(k x)| of the drive is below {}",
        hold.drive_phase_deg, hold.drift_bandwidths, hold.drive_node_sine
    )?;
    writeln!(
        out,
        "           amplitude: trend {} %, variation {} %, beat {} %; distortion {} %; at least {} dB",
        hold.amplitude_drift_pct,
        hold.amplitude_variation_pct,
        hold.beat_pct,
        hold.distortion_pct,
        hold.min_snr_db
    )
}

fn write_sources(setup: &Setup, out: &mut String) -> fmt::Result {
    for source in &setup.sources {
        let rate = source.rate_hz.map_or_else(
            || "rate as it arrives".to_owned(),
            |rate| format!("{rate} Hz expected"),
        );
        let kind = match &source.kind {
            SourceKind::Wav => "WAV recordings".to_owned(),
            SourceKind::Serial {
                port,
                baud,
                protocol,
            } => {
                let framing = match protocol {
                    Protocol::Frames => "binary frames",
                    Protocol::Lines => "text lines",
                };
                format!("{port} at {baud} baud, {framing}")
            }
        };
        writeln!(
            out,
            "source     {}: {kind}, {rate} ± {} ppm",
            source.name, source.rate_uncertainty_ppm
        )?;
    }
    Ok(())
}

fn write_channel(setup: &Setup, channel: &Channel, out: &mut String) -> fmt::Result {
    let source = setup
        .sources
        .get(channel.source)
        .map_or("", |source| source.name.as_str());
    write!(
        out,
        "channel    {}: {}, {source} column {}, ±{} {}",
        channel.name, channel.role, channel.index, channel.full_scale, channel.unit
    )?;
    if let Some(as_velocity) = velocity_range(setup, channel) {
        write!(out, " ({as_velocity})")?;
    }
    if let Some(location) = channel.role.location() {
        write!(out, ", at the {}", location.clamp())?;
    }
    if let Some(place) = channel.position_m {
        write!(out, ", {place} m from the drive-end clamp")?;
    }
    match channel.uncertainty_pct {
        Some(share) => write!(out, ", calibration ± {share} %")?,
        None => write!(out, ", uncertainty not stated")?,
    }
    if let Some(phase_deg) = channel.phase_uncertainty_deg {
        write!(out, ", phase ± {phase_deg} deg")?;
    }
    if let Some(mass_kg) = channel.moving_mass_kg {
        write!(
            out,
            ", carries {mass_kg} kg ± {} % besides the conductor",
            channel.moving_mass_uncertainty_pct()
        )?;
    }
    if let Some(reference) = &channel.reference {
        write!(
            out,
            " and ± {} % shared by \"{}\"",
            reference.uncertainty_pct, reference.name
        )?;
    }
    writeln!(out)
}

/// Full scale of a motion channel as a velocity, where it is none already: V =
/// A/omega from acceleration, V = Y omega from displacement.
fn velocity_range(setup: &Setup, channel: &Channel) -> Option<String> {
    if matches!(channel.role, Role::Monitor) {
        return None;
    }
    let si = channel.full_scale * channel.unit.to_si();
    let at = |f: f64| {
        let omega = 2.0 * PI * f;
        let velocity_m_s = match channel.unit.quantity() {
            Quantity::Acceleration => si / omega,
            Quantity::Displacement => si * omega,
            Quantity::Velocity | Quantity::Strain | Quantity::Force | Quantity::Voltage => {
                return None;
            }
        };
        Some(velocity_m_s * 1e3)
    };
    let (low, high) = (setup.sweep.low_hz, setup.sweep.high_hz);
    Some(format!(
        "{:.0} mm/s peak at {low:.2} Hz, {:.0} at {high:.2} Hz",
        at(low)?,
        at(high)?
    ))
}
