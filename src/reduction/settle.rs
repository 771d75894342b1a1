//! Dwell → settled point.

use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::TAU;
use std::sync::Arc;

use super::SettledPoint;
use super::equations::{Inputs, Quantities};
use super::uncertainty::{COVERAGE, Cause, Sensor, propagate};
use crate::maths;
use crate::resonance::Dwell;
use crate::resonance::phasor::velocity_m_s;
use crate::setup::level::target_deviation_pct;
use crate::setup::{Channel, Role, Setup, StrainLocation};
use crate::tone::interval::{IntervalChannel, IntervalTone};
use crate::tone::{ToneFrame, TonePlan};

/// A channel's part in the point: the setup's channel, what was found, and how
/// many samples of the hold were clipped.
#[derive(Debug, Clone, Copy)]
pub struct Heard<'a> {
    /// The channel of the setup.
    pub channel: &'a Channel,
    /// What the fit found.
    pub found: &'a IntervalChannel,
    /// Clipped raw samples within the hold.
    pub clipped: u64,
}

/// Joins a fit to the setup's channels. `clipped` counts by place in the plan.
pub fn hear<'a>(
    setup: &'a Setup,
    plan: &TonePlan,
    interval: &'a IntervalTone,
    clipped: &[u64],
) -> Vec<Heard<'a>> {
    plan.channels
        .iter()
        .zip(&interval.channels)
        .enumerate()
        .filter_map(|(place, (planned, found))| {
            Some(Heard {
                channel: setup.channels.get(planned.setup_index)?,
                found,
                clipped: clipped.get(place).copied().unwrap_or_default(),
            })
        })
        .collect()
}

/// Clipped samples of each channel over some frames.
pub fn clipped_by_place(frames: &[Arc<ToneFrame>], channels: usize) -> Vec<u64> {
    (0..channels)
        .map(|place| {
            frames
                .iter()
                .filter_map(|frame| frame.channels.get(place))
                .map(|c| c.clipped)
                .sum()
        })
        .collect()
}

/// Reduces a dwell. `heard` holds the channels of its own source and, where
/// strain gauges hang on another one, theirs over the same time.
/// `start_utc` labels sample 0. The point number is the ledger's to give.
pub fn settle(
    setup: &Setup,
    dwell: &Dwell,
    heard: &[Heard],
    start_utc: Option<jiff::Timestamp>,
) -> SettledPoint {
    let mut point = empty_point(dwell, start_utc);
    let find = |role: Role| heard.iter().find(|heard| heard.channel.role == role);
    let (Some(interval), Some(antinode)) = (&dwell.interval, find(Role::Antinode)) else {
        point
            .reasons
            .push("no value: no tone could be fitted at the antinode".into());
        return point;
    };
    let gauges: Vec<&Heard> = heard
        .iter()
        .filter(|heard| heard.channel.role.is_clamp_strain())
        .collect();
    let inputs = inputs(setup, interval, antinode, &find, &gauges);
    let causes = causes(setup, interval, heard, &gauges);
    let (value, expanded) = propagate(&inputs, &causes);
    write_motion(&mut point, &value, &expanded);
    write_ratio(&mut point, &value, &expanded, &inputs, &causes);
    write_powers(&mut point, &value, &expanded);
    let largest = write_strains(&mut point, &gauges, &value, &expanded);
    point.harmonic = setup.harmonic_of(value.frequency_hz);
    point.target_deviation_pct = target_deviation_pct(
        setup,
        value.frequency_hz,
        value.antinode_velocity_m_s,
        largest,
    );
    point.snr_db = Some(antinode.found.snr_db());
    point.distortion_pct = Some(100.0 * antinode.found.distortion);
    point.clipped_samples = heard
        .iter()
        .filter(|heard| !matches!(heard.channel.role, Role::Monitor | Role::ClampStrain { .. }))
        .map(|heard| heard.clipped)
        .sum();
    point
}

fn empty_point(dwell: &Dwell, start_utc: Option<jiff::Timestamp>) -> SettledPoint {
    let label = start_utc.and_then(|start| {
        let offset = jiff::SignedDuration::try_from_secs_f64(dwell.hold_start_s).ok()?;
        start.checked_add(offset).ok()
    });
    SettledPoint {
        verdict: dwell.verdict,
        reasons: dwell.reasons.clone(),
        start_s: dwell.hold_start_s,
        end_s: dwell.hold_end_s,
        start_utc: label.map(|label| format!("{label:.3}")),
        bandwidth_hz: dwell.bandwidth_hz,
        missing_samples: dwell.missing_samples,
        ..SettledPoint::default()
    }
}

fn inputs<'a>(
    setup: &Setup,
    interval: &IntervalTone,
    antinode: &Heard,
    find: &impl Fn(Role) -> Option<&'a Heard<'a>>,
    gauges: &[&Heard],
) -> Inputs {
    let phasor = |heard: &Heard| (heard.found.phasor.value, heard.channel.unit.quantity());
    let node = find(Role::Node);
    let velocity = |heard: &Heard| {
        let (value, quantity) = phasor(heard);
        velocity_m_s(quantity, value, interval.frequency_hz)
    };
    Inputs {
        frequency_hz: interval.frequency_hz,
        antinode: phasor(antinode),
        node: node.map(phasor),
        force_n: find(Role::DriveForce).map(|heard| heard.found.phasor.value),
        drive_motion: find(Role::DriveMotion).map(phasor),
        strains: gauges
            .iter()
            .map(|heard| heard.found.phasor.value)
            .collect(),
        conductor: setup.strung_conductor(),
        sensor_distance_m: node
            .and_then(|node| Some(node.channel.position_m? - antinode.channel.position_m?)),
        quadrature_sign: node.map_or(1.0, |node| {
            (velocity(node) / velocity(antinode)).im.signum()
        }),
    }
}

fn causes(
    setup: &Setup,
    interval: &IntervalTone,
    heard: &[Heard],
    gauges: &[&Heard],
) -> Vec<Cause> {
    // Percent expanded (k = 2) → relative standard.
    let standard = |pct: f64| pct / (100.0 * COVERAGE);
    let mut causes = vec![
        Cause::Frequency {
            standard: interval.frequency_u_hz,
        },
        Cause::Tension {
            standard: standard(setup.span.tension_uncertainty_pct),
        },
        Cause::Mass {
            standard: standard(setup.conductor.mass_uncertainty_pct),
        },
        Cause::Stiffness {
            standard: standard(setup.conductor.bending_stiffness_uncertainty_pct),
        },
    ];
    let mut references: BTreeMap<&str, (f64, Vec<Sensor>)> = BTreeMap::new();
    let mut clocks: BTreeSet<usize> = BTreeSet::new();
    for heard in heard {
        let Some(sensor) = sensor_of(heard, gauges) else {
            continue;
        };
        clocks.insert(heard.channel.source);
        causes.extend(Cause::noise(sensor, &heard.found.phasor));
        if let Some(deg) = heard.channel.phase_uncertainty_deg {
            causes.push(Cause::Phase {
                sensor,
                standard: deg.to_radians() / COVERAGE,
            });
        }
        if let Some(pct) = heard.channel.uncertainty_pct {
            causes.push(Cause::Gain {
                sensors: vec![sensor],
                standard: standard(pct),
            });
        }
        if let Some(reference) = &heard.channel.reference {
            let entry = references
                .entry(&reference.name)
                .or_insert((standard(reference.uncertainty_pct), Vec::new()));
            entry.1.push(sensor);
        }
    }
    causes.extend(
        references
            .into_values()
            .map(|(standard, sensors)| Cause::Gain { sensors, standard }),
    );
    if let Some((_, antinode)) = setup.channel(Role::Antinode)
        && let Some(source) = setup.sources.get(antinode.source)
    {
        causes.push(Cause::Clock {
            standard: source.rate_uncertainty_ppm * 1e-6 / COVERAGE,
        });
    }
    causes
}

fn sensor_of(heard: &Heard, gauges: &[&Heard]) -> Option<Sensor> {
    match heard.channel.role {
        Role::Antinode => Some(Sensor::Antinode),
        Role::Node => Some(Sensor::Node),
        Role::DriveForce => Some(Sensor::Force),
        Role::DriveMotion => Some(Sensor::DriveMotion),
        Role::ClampStrain { .. } => gauges
            .iter()
            .position(|gauge| gauge.channel.name == heard.channel.name)
            .map(Sensor::Strain),
        Role::Wave | Role::Monitor => None,
    }
}

/// Peak velocity in m/s → peak-to-peak displacement in mm.
fn amplitude_mm_pp(velocity_m_s: f64, frequency_hz: f64) -> f64 {
    2e3 * velocity_m_s / (TAU * frequency_hz)
}

fn write_motion(point: &mut SettledPoint, value: &Quantities, expanded: &Quantities) {
    point.frequency_hz = Some(value.frequency_hz);
    point.frequency_u_hz = Some(expanded.frequency_hz);
    point.antinode_velocity_mm_s = Some(1e3 * value.antinode_velocity_m_s);
    point.antinode_velocity_u_mm_s = Some(1e3 * expanded.antinode_velocity_m_s);
    // The frequency's own part is parts per million: velocity and amplitude
    // have the same relative uncertainty.
    point.antinode_amplitude_mm_pp = Some(amplitude_mm_pp(
        value.antinode_velocity_m_s,
        value.frequency_hz,
    ));
    point.antinode_amplitude_u_mm_pp = Some(amplitude_mm_pp(
        expanded.antinode_velocity_m_s,
        value.frequency_hz,
    ));
    point.drive_phase_deg = value.drive_phase_deg;
    point.drive_phase_u_deg = expanded.drive_phase_deg;
    point.node_phase_deg = value.node_phase_deg;
    point.node_phase_u_deg = expanded.node_phase_deg;
    point.node_offset_mm = value.node_offset_m.map(|offset| 1e3 * offset);
    point.node_offset_u_mm = expanded.node_offset_m.map(|offset| 1e3 * offset);
    point.antinode_offset_mm = value.antinode_offset_m.map(|offset| 1e3 * offset);
    point.antinode_offset_u_mm = expanded.antinode_offset_m.map(|offset| 1e3 * offset);
}

/// No standing wave has a ratio above 1; gains and noise may add a little.
const LARGEST_RATIO: f64 = 1.1;

/// The ratio and what hangs on it. Where noise leaves its quadrature part
/// uncertain by as much as itself, its distribution is folded at zero and
/// neither normal nor unbiased: then the ratio is absent and an upper limit is
/// said instead.
fn write_ratio(
    point: &mut SettledPoint,
    value: &Quantities,
    expanded: &Quantities,
    inputs: &Inputs,
    causes: &[Cause],
) {
    let (Some(iswr), Some(iswr_u)) = (value.iswr, expanded.iswr) else {
        point
            .reasons
            .push("no ratio, efficiency or power: the setup has no node channel".into());
        return;
    };
    let of = |which: fn(&Cause) -> bool| {
        let some: Vec<Cause> = causes.iter().filter(|c| which(c)).cloned().collect();
        propagate(inputs, &some).1.iswr.unwrap_or_default()
    };
    let noise_u = of(|cause| matches!(cause, Cause::Noise { .. }));
    let phase_u = of(|cause| matches!(cause, Cause::Phase { .. }));
    let limit = iswr + maths::hypot(noise_u, phase_u);
    if limit > LARGEST_RATIO {
        point.reasons.push(
            "no ratio: beside noise and other motion the node and antinode sensors show no standing wave at the drive's frequency"
                .into(),
        );
        return;
    }
    if phase_u >= iswr.max(noise_u) {
        point.reasons.push(format!(
            "the antinode's motion drowns the node's: the node sensor stands {:.0} mm off the node, and with the stated uncertainty of phase its ratio lies below {limit:.5} (k = 2) and cannot be told from zero; move the sensor onto the node",
            point.node_offset_mm.unwrap_or_default().abs()
        ));
        return;
    }
    if limit >= 2.0 * iswr {
        point.reasons.push(format!(
            "the node is too faint: its ratio lies below {limit:.5} (k = 2) and cannot be told from zero; a longer hold (dwell and hold.max_seconds) or a quieter node sensor is right"
        ));
        return;
    }
    point.iswr = Some(iswr);
    point.iswr_u = Some(iswr_u);
    point.efficiency_pct = Some(100.0 * iswr);
    point.efficiency_u_pct = Some(100.0 * iswr_u);
    point.node_velocity_mm_s = value.node_velocity_m_s.map(|v| 1e3 * v);
    point.node_velocity_u_mm_s = expanded.node_velocity_m_s.map(|v| 1e3 * v);
    let pp = |velocity: Option<f64>| velocity.map(|v| amplitude_mm_pp(v, value.frequency_hz));
    point.node_amplitude_mm_pp = pp(value.node_velocity_m_s);
    point.node_amplitude_u_mm_pp = pp(expanded.node_velocity_m_s);
    point.power_total_w = value.power_total_w;
    point.power_total_u_w = expanded.power_total_w;
    point.power_total_stiffness_w = value.power_total_stiffness_w;
    point.power_total_stiffness_u_w = expanded.power_total_stiffness_w;
    warn_of_offset(point, iswr, phase_u > 0.0);
}

/// A node sensor far off sees mostly the antinode's motion: then a phase error
/// of one degree between the channels already moves the ratio.
fn warn_of_offset(point: &mut SettledPoint, iswr: f64, phase_stated: bool) {
    let (Some(offset_mm), Some(phase_deg)) = (point.node_offset_mm, point.node_phase_deg) else {
        return;
    };
    let in_phase = iswr * maths::tan(phase_deg.to_radians()).recip().abs();
    let per_degree_pct = 100.0 * in_phase * 1.0_f64.to_radians() / iswr;
    if per_degree_pct > 1.0 {
        let direction = if offset_mm > 0.0 {
            "away from"
        } else {
            "towards"
        };
        let unstated = if phase_stated {
            ""
        } else {
            " and is not in its uncertainty, as the setup states no phase_uncertainty_deg"
        };
        point.reasons.push(format!(
            "the node sensor stands {:.0} mm off the node; move it {direction} the antinode sensor: each degree of phase error between the two channels is now worth {per_degree_pct:.1} % of the ratio{unstated}",
            offset_mm.abs()
        ));
    }
}

fn write_powers(point: &mut SettledPoint, value: &Quantities, expanded: &Quantities) {
    match value.power_force_w {
        Some(power) if power > 0.0 => {
            point.power_force_w = Some(power);
            point.power_force_u_w = expanded.power_force_w;
        }
        Some(_) => point.reasons.push(
            "no power at the drive: force and motion have opposite signs there; turn the sign of one in the setup"
                .into(),
        ),
        None => {}
    }
}

/// Writes the strains; gives the largest, µm/m peak-to-peak.
fn write_strains(
    point: &mut SettledPoint,
    gauges: &[&Heard],
    value: &Quantities,
    expanded: &Quantities,
) -> Option<f64> {
    let mut largest: Option<f64> = None;
    let hum_hz = near_mains_hz(value.frequency_hz, point.end_s - point.start_s);
    for ((gauge, strain), strain_u) in gauges
        .iter()
        .zip(&value.strains_pp)
        .zip(&expanded.strains_pp)
    {
        let name = &gauge.channel.name;
        if gauge.clipped > 0 {
            point.reasons.push(format!(
                "no strain from {name}: {} samples reached full scale; a wider range is right",
                gauge.clipped
            ));
            continue;
        }
        if let Some(hum_hz) = hum_hz {
            point.reasons.push(format!(
                "no strain from {name}: the drive is within {:.2} Hz of {hum_hz} Hz, where mains hum on the gauge cannot be told from strain in {:.0} s; a longer hold is right",
                (value.frequency_hz - hum_hz).abs(),
                point.end_s - point.start_s
            ));
            continue;
        }
        let strain_um_m = 1e6 * strain;
        let same_place = gauges
            .iter()
            .filter(|other| other.channel.role == gauge.channel.role)
            .count();
        let Some(place) = gauge.channel.role.location().map(StrainLocation::name) else {
            continue;
        };
        let key = if same_place > 1 {
            format!("{place}: {name}")
        } else {
            place.to_owned()
        };
        point.strain_pp_um_m.insert(key.clone(), strain_um_m);
        point.strain_pp_u_um_m.insert(key, 1e6 * strain_u);
        largest = Some(largest.map_or(strain_um_m, |largest: f64| largest.max(strain_um_m)));
    }
    largest
}

/// The mains frequency that a hold of this length cannot tell from the drive.
/// A gauge's cable picks up hum as large as its signal, and 1.5 resolution
/// widths (1/length) are what the fit needs to hold two tones apart.
fn near_mains_hz(frequency_hz: f64, seconds: f64) -> Option<f64> {
    [50.0, 60.0]
        .into_iter()
        .find(|mains: &f64| (frequency_hz - mains).abs() < 1.5 / seconds)
}
