//! Dwell → settled point.

use std::collections::{BTreeMap, BTreeSet};

use super::calibration::{InCommon, calibration};
pub use super::fitted_channel::{FittedChannel, fitted_channels};
use super::fitted_channel::{Parts, sensor_of};
use super::fixed_sensors::{FixedHold, fixed_fits};

use super::budget::{BudgetLine, budget};
use super::courses::Courses;
use super::equations::{Inputs, Quantities};
use super::fields::PointValue;
use super::gauge::Gauge;
use super::measured::{COVERAGE, Measured};
use super::point::SettledPoint;
use super::signal_errors::{self, hum_at, near_mains_hz};
use super::uncertainty::{Cause, InputPhasor, propagate};
use crate::maths;
use crate::resonance::criteria::FLAT_TOPS_PCT;
use crate::resonance::phasor::velocity_m_s;
use crate::resonance::standing_wave::{WaveFitError, unstated_stiffness_u};
use crate::resonance::{Dwell, MOST_REASONS};
use crate::setup::{Channel, Quantity, Role, SensorPositions, Setup, Verdict};
use crate::span::StrungConductor;
use crate::tone::flattening::Extremes;
use crate::tone::interval::IntervalTone;
use crate::tone::noise_marks::Limited;

/// Reduces a dwell. `fits` holds the channels of its own source and, where
/// strain gauges hang on another one, theirs over the same time.
/// `start_utc` labels sample 0. The point number is the ledger's to give.
pub fn settle(
    setup: &Setup,
    dwell: &Dwell,
    fits: &[FittedChannel],
    start_utc: Option<jiff::Timestamp>,
) -> SettledPoint {
    let mut point = empty_point(dwell, start_utc);
    let basis = match PointBasis::of(setup, dwell, fits) {
        Ok(basis) => basis,
        Err(reason) => {
            point.reasons.push(reason);
            return point;
        }
    };
    if let Some(Err(error)) = &basis.fixed {
        point
            .reasons
            .push(format!("no ratio by the fixed sensors: {error}"));
    }
    let PointBasis {
        interval,
        antinode,
        parts,
        fixed,
        inputs,
        courses,
        causes,
    } = basis;
    let places = places_read(setup, dwell, interval, &inputs);
    let node = fits.iter().find(|fit| fit.channel.role == Role::Node);
    let found = propagate(&inputs, &causes);
    found.enter_motion(&mut point);
    let unknown_hum = |fit: &FittedChannel| {
        let mains_hz = near_mains_hz(interval.frequency_hz, point_seconds(dwell))?;
        hum_at(fit, mains_hz).is_none().then_some(mains_hz)
    };
    if unknown_hum(antinode).is_some() {
        let without_u = |m: Option<Measured>| m.map(|m| Measured::without_u(m.value));
        point.antinode_velocity_mm_s = without_u(point.antinode_velocity_mm_s);
        point.antinode_amplitude_mm_pp = without_u(point.antinode_amplitude_mm_pp);
    }
    match node.and_then(unknown_hum) {
        Some(mains_hz) => point.reasons.push(format!(
            "no ratio: the drive is within {:.2} Hz of {mains_hz} Hz, where mains hum on the node sensor cannot be told from motion in {:.0} s, and no hold away from it before this one has shown how much hum there is; a longer hold, or another resonance first, is right",
            (interval.frequency_hz - mains_hz).abs(),
            point_seconds(dwell),
        )),
        None => enter_ratio(&mut point, &found, &inputs, &causes),
    }
    point.reasons.extend(signal_errors::reasons(fits));
    match courses.unsteady_drive(fits) {
        Some(reason) => point.reasons.push(reason),
        None => enter_force_power(&mut point, &found, fits),
    }
    enter_strains(&mut point, &parts.gauges, &found, &courses);
    if let Some(Ok(fixed)) = &fixed {
        enter_fixed(&mut point, fixed);
        if inputs.fixed.is_none() {
            beside(
                setup,
                (dwell, interval),
                (fits, fixed),
                &courses,
                &mut point,
            );
        }
    }
    enter_peak(&mut point, dwell);
    point.node_position_m = places.node_m;
    point.antinode_position_m = places.antinode_m;
    let frequency_hz = found.frequency_hz.value;
    let waves = fixed
        .as_ref()
        .and_then(|fixed| fixed.as_ref().ok())
        .filter(|fixed| fixed.doubts(setup, frequency_hz).is_empty())
        .and_then(|fixed| fixed.trusted(setup, frequency_hz));
    point.node_pattern_bandwidths = waves
        .and_then(|waves| waves.pattern)
        .map(|pattern| Measured::new(pattern.detuning, COVERAGE * pattern.detuning_u));
    point.harmonic = waves
        .and_then(|waves| waves.harmonic(setup, frequency_hz))
        .or_else(|| setup.harmonic_of(frequency_hz));
    let conductor = waves.map_or_else(|| setup.strung_conductor(), |waves| waves.conductor);
    enter_node_count(setup, &conductor, &mut point, frequency_hz);
    enter_incomplete(&mut point, &inputs, fits, &parts);
    enter_level(setup, &mut point, &found);
    if point.verdict == Verdict::Rejected {
        // What such a point lacks matters less than why it does not count.
        point.reasons.truncate(MOST_REASONS);
    }
    point.snr_db = Some(antinode.fit.snr_db());
    point.distortion_pct = Some(100.0 * antinode.fit.distortion);
    point.clipped_samples = fits
        .iter()
        .filter(|fit| fit.channel.role.finds_tone() && !fit.channel.is_worked_out())
        .map(|fit| fit.clipped)
        .sum();
    point
}

/// Which node was read, where its place is known.
fn enter_node_count(
    setup: &Setup,
    conductor: &StrungConductor,
    point: &mut SettledPoint,
    frequency_hz: f64,
) {
    let Some(place_m) = point.node_position_m else {
        return;
    };
    let count = conductor.node_at(frequency_hz, place_m, setup.span.damper_position_m);
    match count {
        Some(count) => {
            point.node_from_drive = Some(count.from_drive);
            point.node_from_damper = count.from_damper;
        }
        None => point.reasons.push(format!(
            "which node was read is not known: {place_m} m from the drive-end clamp is no place of a node at {frequency_hz:.2} Hz by the setup's tension and mass"
        )),
    }
}

/// What each cause contributes to the uncertainty of the dwell's point; empty
/// where it has no value.
pub fn budget_of(setup: &Setup, dwell: &Dwell, fits: &[FittedChannel]) -> Vec<BudgetLine> {
    let Ok(basis) = PointBasis::of(setup, dwell, fits) else {
        return Vec::new();
    };
    budget(&basis.inputs, &basis.causes, |sensor| {
        fits.iter()
            .find(|fit| sensor_of(fit, &basis.parts) == Some(sensor))
            .map_or_else(String::new, |fit| fit.channel.name.clone())
    })
}

/// What a point and its budget are computed from.
pub(super) struct PointBasis<'a> {
    interval: &'a IntervalTone,
    antinode: &'a FittedChannel<'a>,
    parts: Parts<'a>,
    /// What the fixed sensors show, or why that is nothing; `None` where there are none.
    pub(super) fixed: Option<Result<FixedHold, WaveFitError>>,
    pub(super) inputs: Inputs,
    courses: Courses<'a>,
    pub(super) causes: Vec<Cause>,
}

impl<'a> PointBasis<'a> {
    /// Of a dwell, or why it has no value.
    pub(super) fn of(
        setup: &Setup,
        dwell: &'a Dwell,
        fits: &'a [FittedChannel<'a>],
    ) -> Result<Self, String> {
        let find = |role: Role| fits.iter().find(|fit| fit.channel.role == role);
        let (Some(interval), Some(antinode)) = (&dwell.interval, find(Role::Antinode)) else {
            return Err("no value: no tone could be fitted at the antinode".to_owned());
        };
        let parts = Parts::of(fits);
        let fixed = FixedHold::new(setup, interval.frequency_hz, fits);
        if let Some(Err(error)) = &fixed
            && antinode.channel.is_worked_out()
        {
            return Err(format!("no value: {error}"));
        }
        let read = fixed.as_ref().and_then(|fixed| fixed.as_ref().ok());
        let inputs = inputs(
            setup,
            dwell,
            interval,
            (antinode, read),
            &find,
            &parts.gauges,
        );
        let courses = Courses::new(interval, antinode, dwell.transient);
        let causes = causes(setup, (dwell, interval), &inputs, (fits, &parts), &courses);
        Ok(Self {
            interval,
            antinode,
            parts,
            fixed,
            inputs,
            courses,
            causes,
        })
    }
}

fn point_seconds(dwell: &Dwell) -> f64 {
    dwell.hold_end_s - dwell.hold_start_s
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

/// What fixed sensors rest on beside the sensors themselves.
fn fixed_causes(setup: &Setup, frequency_hz: f64) -> Vec<Cause> {
    let loss_u = setup.conductor.loss_uncertainty_pct / (100.0 * COVERAGE);
    let mut causes = vec![
        Cause::TensionLoss { standard_u: loss_u },
        Cause::BendingLoss { standard_u: loss_u },
    ];
    if setup.conductor.bending_stiffness_n_m2.is_none() {
        causes.push(Cause::UnstatedStiffness {
            standard_u: unstated_stiffness_u(setup, frequency_hz),
        });
    }
    causes
}

/// What the fixed sensors show of themselves.
fn enter_fixed(point: &mut SettledPoint, fixed: &FixedHold) {
    point.wave_condition = Some(fixed.waves.condition);
    point.wave_residual_pct = Some(100.0 * fixed.waves.residual_ratio());
}

/// The ratio by the fixed sensors beside the one that a moved pair shows.
fn beside(
    setup: &Setup,
    (dwell, interval): (&Dwell, &IntervalTone),
    (fits, fixed): (&[FittedChannel], &FixedHold),
    courses: &Courses,
    point: &mut SettledPoint,
) {
    let Some(own) = point.iswr else {
        return;
    };
    let doubts = fixed.doubts(setup, interval.frequency_hz);
    if !doubts.is_empty() {
        let doubts = doubts.into_iter();
        let doubts = doubts.map(|doubt| format!("no ratio by the fixed sensors: {doubt}"));
        point.reasons.extend(doubts);
        return;
    }
    let mut read = fixed.clone();
    if let Some(place_m) = point.node_position_m {
        read.inputs.nominal = read.waves.node_nearest(place_m);
    }
    let nominal = read.inputs.nominal;
    let inputs = Inputs {
        antinode: (nominal.antinode_m_s, Quantity::Velocity),
        node: Some((nominal.node_m_s, Quantity::Velocity)),
        quadrature_sign: (nominal.node_m_s / nominal.antinode_m_s).im.signum(),
        frequency_hz: interval.frequency_hz,
        force_n: None,
        moving_mass_kg: 0.0,
        drive_position_m: None,
        drive_motion: None,
        strains: Vec::new(),
        conductor: setup.strung_conductor(),
        sensor_distance_m: None,
        fixed: Some(read.inputs),
    };
    let sensors: Vec<FittedChannel> = fixed_fits(fits).copied().collect();
    let parts = Parts {
        gauges: Vec::new(),
        fixed: sensors.iter().collect(),
    };
    let causes = causes(
        setup,
        (dwell, interval),
        &inputs,
        (&sensors, &parts),
        courses,
    );
    let Some(iswr) = propagate(&inputs, &causes).iswr else {
        return;
    };
    point.wave_iswr = Some(iswr);
    let joint_u = maths::hypot(iswr.u, own.u);
    let difference = Measured::new(iswr.value - own.value, joint_u);
    point.wave_difference_pct = Some(difference.times(100.0 / own.value));
}

/// Where antinode and node were read.
fn places_read(
    setup: &Setup,
    dwell: &Dwell,
    interval: &IntervalTone,
    inputs: &Inputs,
) -> SensorPositions {
    match &inputs.fixed {
        Some(fixed) => SensorPositions {
            node_m: Some(fixed.nominal.node_m),
            antinode_m: Some(fixed.nominal.antinode_m),
        },
        None => positions(setup, dwell, interval),
    }
}

/// Where the sensors stood during the hold.
fn positions(setup: &Setup, dwell: &Dwell, interval: &IntervalTone) -> SensorPositions {
    let hold_s = (dwell.hold_start_s, dwell.hold_end_s);
    setup.sensor_positions(interval.frequency_hz, hold_s)
}

fn inputs<'a>(
    setup: &Setup,
    dwell: &Dwell,
    interval: &IntervalTone,
    (antinode, fixed): (&FittedChannel, Option<&FixedHold>),
    find: &impl Fn(Role) -> Option<&'a FittedChannel<'a>>,
    gauges: &[&FittedChannel],
) -> Inputs {
    let phasor = |fit: &FittedChannel| (fit.fit.phasor.value, fit.channel.unit.quantity());
    let node = find(Role::Node);
    let places = positions(setup, dwell, interval);
    let velocity = |(value, quantity)| velocity_m_s(quantity, value, interval.frequency_hz);
    // Where nobody moves a sensor, what the fixed ones say stands for the pair.
    let fixed = fixed.filter(|_| antinode.channel.is_worked_out());
    let read = fixed.map(|fixed| {
        let nominal = fixed.inputs.nominal;
        [nominal.antinode_m_s, nominal.node_m_s].map(|m_s| (m_s, Quantity::Velocity))
    });
    let (antinode, node) = match read {
        Some([antinode, node]) => (antinode, Some(node)),
        None => (phasor(antinode), node.map(phasor)),
    };
    Inputs {
        frequency_hz: interval.frequency_hz,
        antinode,
        node,
        force_n: find(Role::DriveForce).map(|force| force.fit.phasor.value),
        moving_mass_kg: find(Role::DriveForce)
            .and_then(|force| force.channel.moving_mass_kg)
            .unwrap_or_default(),
        drive_position_m: setup.span.drive_position_m,
        drive_motion: find(Role::DriveMotion).map(phasor),
        strains: gauges.iter().map(|gauge| gauge.fit.phasor.value).collect(),
        conductor: setup.strung_conductor(),
        sensor_distance_m: places
            .node_m
            .zip(places.antinode_m)
            .map(|(node, antinode)| node - antinode),
        quadrature_sign: node.map_or(1.0, |node| {
            (velocity(node) / velocity(antinode)).im.signum()
        }),
        fixed: fixed.map(|fixed| fixed.inputs.clone()),
    }
}

/// Every cause of error. `fits` are the channels that the point rests on.
fn causes(
    setup: &Setup,
    (dwell, interval): (&Dwell, &IntervalTone),
    inputs: &Inputs,
    (fits, parts): (&[FittedChannel], &Parts),
    courses: &Courses,
) -> Vec<Cause> {
    // Percent expanded (k = 2) → relative standard.
    let standard = |pct: f64| pct / (100.0 * COVERAGE);
    let mut causes = vec![
        Cause::Frequency {
            standard_u: interval.frequency_u_hz,
        },
        Cause::Tension {
            standard_u: standard(setup.span.tension_uncertainty_pct),
        },
        Cause::Mass {
            standard_u: standard(setup.conductor.mass_uncertainty_pct),
        },
        Cause::Stiffness {
            standard_u: standard(setup.conductor.bending_stiffness_uncertainty_pct),
        },
    ];
    let mut references: BTreeMap<&str, (f64, Vec<InputPhasor>)> = BTreeMap::new();
    let mut clocks: BTreeSet<usize> = BTreeSet::new();
    let mut in_common = InCommon::default();
    let near_mains_hz = near_mains_hz(inputs.frequency_hz, point_seconds(dwell));
    let node_m = places_read(setup, dwell, interval, inputs).node_m;
    causes.extend(signal_errors::ring_up(setup, dwell, node_m));
    if inputs.fixed.is_some() {
        causes.extend(fixed_causes(setup, inputs.frequency_hz));
    }
    for channel_fit in fits {
        let channel = channel_fit.channel;
        // What is worked out errs by what it is worked out from.
        let Some(sensor) = sensor_of(channel_fit, parts).filter(|_| !channel.is_worked_out())
        else {
            continue;
        };
        clocks.insert(channel.source);
        if channel.moving_mass_kg.is_some() {
            causes.push(Cause::MovingMass {
                standard_u: standard(channel.moving_mass_uncertainty_pct()),
            });
        }
        causes.extend(Cause::noise(sensor, &channel_fit.fit.phasor));
        if matches!(
            sensor,
            InputPhasor::Antinode | InputPhasor::Node | InputPhasor::Wave(_)
        ) {
            causes.push(Cause::Place {
                sensor,
                standard_u: 1e-3 * channel.position_uncertainty_mm / COVERAGE,
            });
        }
        causes.extend(signal_errors::of_channel(
            channel_fit,
            sensor,
            fits,
            near_mains_hz,
        ));
        let matched = parts.matched(sensor, setup, inputs.frequency_hz);
        if matched.is_some() {
            in_common.add(sensor, channel);
        }
        causes.extend(calibration(channel, sensor, matched));
        if let Some(reference) = &channel.reference {
            let entry = references
                .entry(&reference.name)
                .or_insert((standard(reference.uncertainty_pct), Vec::new()));
            entry.1.push(sensor);
        }
    }
    causes.extend(in_common.causes());
    causes.extend(
        references
            .into_values()
            .map(|(standard_u, sensors)| Cause::Gain {
                sensors,
                standard_u,
            }),
    );
    if let Some((_, source)) = setup.main_source() {
        causes.push(Cause::Clock {
            standard_u: source.rate_uncertainty_ppm * 1e-6 / COVERAGE,
        });
    }
    causes.extend(courses.causes(fits, parts));
    causes
}

/// What the uncertainties lack where a channel states no calibration, and
/// which values it moves: those that follow a change of the channel's gain.
fn enter_incomplete(
    point: &mut SettledPoint,
    inputs: &Inputs,
    fits: &[FittedChannel],
    parts: &Parts,
) {
    /// Of the gain, as a share; whatever follows moves by about as much.
    const TRIAL: f64 = 0.01;
    let mains_hz = near_mains_hz(inputs.frequency_hz, point.end_s - point.start_s);
    for fit in fits {
        let channel = fit.channel;
        let lacks = if mains_hz.is_some_and(|hz| hum_at(fit, hz).is_none()) {
            "mains hum beside the drive not known"
        } else if channel.uncertainty_pct.is_none() && channel.reference.is_none() {
            "no uncertainty_pct"
        } else {
            continue;
        };
        let Some(sensor) = sensor_of(fit, parts).filter(|_| !channel.is_worked_out()) else {
            continue;
        };
        let trial = Cause::Gain {
            sensors: vec![sensor],
            standard_u: TRIAL,
        };
        let moved = propagate(inputs, &[trial]);
        let mut trial_point = SettledPoint::default();
        moved.enter_motion(&mut trial_point);
        moved.enter_ratio(&mut trial_point);
        trial_point.power_force_w = moved.power_force_w;
        for (gauge, strain) in parts.gauges.iter().zip(&moved.strains_pp) {
            if let Some(key) = gauge_of(gauge.channel, &parts.gauges) {
                trial_point.strain_pp_um_m.insert(key, *strain);
            }
        }
        let keys = keys_that_follow(point, &trial_point, 1e-3 * TRIAL);
        if keys.is_empty() {
            continue;
        }
        point
            .uncertainty_incomplete
            .push(format!("{}: {lacks}", channel.name));
        for key in keys {
            point.mark_incomplete(key);
        }
    }
}

/// The keys of the values that a point has and that move in the trial, by more
/// than the share `least` of the value.
fn keys_that_follow(point: &SettledPoint, trial: &SettledPoint, least: f64) -> Vec<String> {
    let follows = |m: &Measured| m.u > least * m.value.abs();
    let mut keys = Vec::new();
    for (own, moved) in point.cells().into_iter().zip(trial.cells()) {
        match (own.value, moved.value) {
            (PointValue::Measured(Some(_)), PointValue::Measured(Some(m))) if follows(&m) => {
                keys.push(own.field.key.to_owned());
            }
            (PointValue::Gauges(own_gauges), PointValue::Gauges(moved)) => {
                let touched = moved
                    .iter()
                    .filter(|(gauge, m)| own_gauges.contains_key(gauge) && follows(m));
                keys.extend(touched.map(|(gauge, _)| format!("{}.{gauge}", own.field.key)));
            }
            _ => {}
        }
    }
    keys
}

/// Where the free motion and the drive signal have the peak.
fn enter_peak(point: &mut SettledPoint, dwell: &Dwell) {
    // Around a motion that was not steady there is no telling what was free.
    let shown = dwell.shown_peak();
    let Some(peak) = shown.filter(|_| dwell.verdict != Verdict::Rejected) else {
        return;
    };
    let of = |value: f64, standard_u: f64| Some(Measured::new(value, COVERAGE * standard_u));
    point.natural_frequency_hz = of(peak.natural_hz, peak.natural_u_hz);
    point.free_bandwidth_hz = of(peak.bandwidth_hz, peak.bandwidth_u_hz);
    point.detuning_bandwidths = of(peak.detuning, peak.detuning_u);
}

/// How far the level is from the one that was to be kept.
fn enter_level(setup: &Setup, point: &mut SettledPoint, found: &Quantities<Measured>) {
    let Some(level) = setup.amplitude else {
        return;
    };
    point.target_deviation_pct = level.deviation_pct(
        found.frequency_hz.value,
        found.antinode_velocity_m_s.value,
        point.largest_strain_pp_um_m(),
    );
    if let Some(pct) = point.target_deviation_pct
        && pct.abs() > level.tolerance_pct
    {
        point.reasons.push(format!(
            "taken at another level than the setup asks for, {}: not judged by a criterion for that level",
            level.statement()
        ));
    }
}

/// Standard uncertainties from which a gauge shows a strain at all: a dead one is
/// no small strain.
const SHOWS: f64 = 5.0;

/// No standing wave has a ratio above 1; gains and noise may add a little.
const LARGEST_RATIO: f64 = 1.1;

/// The ratio and what hangs on it. Where noise leaves its quadrature part
/// uncertain by as much as itself, its distribution is folded at zero and
/// neither normal nor unbiased: then the ratio is absent and an upper limit is
/// said instead.
fn enter_ratio(
    point: &mut SettledPoint,
    found: &Quantities<Measured>,
    inputs: &Inputs,
    causes: &[Cause],
) {
    let Some(Measured { value: iswr, u }) = found.iswr else {
        point
            .reasons
            .push("no ratio, efficiency or power: the setup has no node channel".into());
        return;
    };
    let of = |which: fn(&Cause) -> bool| {
        let some: Vec<Cause> = causes.iter().filter(|c| which(c)).cloned().collect();
        propagate(inputs, &some).iswr.map_or(0.0, |iswr| iswr.u)
    };
    let noise_u = of(|cause| {
        matches!(
            cause,
            Cause::Noise { .. } | Cause::Rounding { .. } | Cause::Hum { .. } | Cause::Knocks { .. }
        )
    });
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
            point.node_offset_mm.map_or(0.0, |offset| offset.value.abs())
        ));
        return;
    }
    if limit >= 2.0 * iswr {
        point.reasons.push(format!(
            "the node is too faint: its ratio lies below {limit:.5} (k = 2) and cannot be told from zero; a longer hold (dwell and hold.max_seconds) or a quieter node sensor is right"
        ));
        return;
    }
    // Not noise alone: the rest of the causes together.
    if u.is_finite() && u >= iswr {
        let u_text = if u > LARGEST_RATIO {
            "more than any ratio can be".to_owned()
        } else {
            format!("{u:.2}")
        };
        point.reasons.push(format!(
            "no ratio: its uncertainty (k = 2) is {u_text}, as much as the value itself"
        ));
        return;
    }
    found.enter_ratio(point);
    warn_of_offset(point, iswr, phase_u > 0.0);
}

/// A node sensor far off sees mostly the antinode's motion: then a phase error
/// of one degree between the channels already moves the ratio.
fn warn_of_offset(point: &mut SettledPoint, iswr: f64, phase_stated: bool) {
    let (Some(offset), Some(phase)) = (point.node_offset_mm, point.node_phase_deg) else {
        return;
    };
    let (offset_mm, phase_deg) = (offset.value, phase.value);
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

fn enter_force_power(
    point: &mut SettledPoint,
    found: &Quantities<Measured>,
    fits: &[FittedChannel],
) {
    if found.power_force_w.is_none() {
        return;
    }
    let of_drive =
        |fit: &&FittedChannel| matches!(fit.channel.role, Role::DriveForce | Role::DriveMotion);
    for fit in fits.iter().filter(of_drive) {
        if let Some(reason) = saturation_reason("power at the drive", fit) {
            point.reasons.push(reason);
            return;
        }
    }
    match found.power_force_w {
        Some(power) if power.value > 0.0 => point.power_force_w = Some(power),
        Some(_) => point.reasons.push(
            "no power at the drive: force and motion have opposite signs there; turn the sign of one in the setup"
                .into(),
        ),
        None => {}
    }
}

fn enter_strains(
    point: &mut SettledPoint,
    gauges: &[&FittedChannel],
    found: &Quantities<Measured>,
    courses: &Courses,
) {
    let seconds = point.end_s - point.start_s;
    let frequency_hz = found.frequency_hz.value;
    let hum_hz = near_mains_hz(frequency_hz, seconds);
    for (gauge, strain) in gauges.iter().zip(&found.strains_pp) {
        let name = &gauge.channel.name;
        if gauge.missing > 0 {
            point.reasons.push(format!(
                "no strain from {name}: the gauge gave no value at some instants; look for a broken gauge or cable"
            ));
            continue;
        }
        if gauge.clipped > 0 {
            point.reasons.push(format!(
                "no strain from {name}: {} samples reached full scale; a wider range is right",
                gauge.clipped
            ));
            continue;
        }
        if let Some(reason) = saturation_reason("strain", gauge) {
            point.reasons.push(reason);
            continue;
        }
        if let Some(hum_hz) = hum_hz {
            point.reasons.push(format!(
                "no strain from {name}: the drive is within {:.2} Hz of {hum_hz} Hz, where mains hum on the gauge cannot be told from strain in {seconds:.0} s; a longer hold is right",
                (frequency_hz - hum_hz).abs(),
            ));
            continue;
        }
        let floor_pp = 2.0 * SHOWS * gauge.fit.phasor.part_u();
        if strain.value <= floor_pp {
            point.reasons.push(format!(
                "no strain from {name}: the gauge shows none at the drive's frequency, or less than {:.2} um/m peak-to-peak; is it dead, or its cable off?",
                1e6 * floor_pp
            ));
            continue;
        }
        if let Some(change_pct) = courses.unsteady_pct(gauge) {
            point.reasons.push(format!(
                "no strain from {name}: the gauge's reading changed by {change_pct:.0} % during the hold while the span moved evenly; look at the gauge and its cable"
            ));
            continue;
        }
        if let Some(key) = gauge_of(gauge.channel, gauges) {
            point.strain_pp_um_m.insert(key, strain.times(1e6));
        }
    }
}

/// The channel as the results name it, among all gauges of the setup.
fn gauge_of(channel: &Channel, gauges: &[&FittedChannel]) -> Option<Gauge> {
    let location = channel.role.location()?;
    let at_this_clamp = gauges
        .iter()
        .filter(|other| other.channel.role == channel.role)
        .count();
    Some(if at_this_clamp > 1 {
        Gauge::one_at(location, &channel.name)
    } else {
        Gauge::only_at(location)
    })
}

/// Why a value is not given that rests on a channel at its limit.
fn saturation_reason(value: &str, fit: &FittedChannel) -> Option<String> {
    let takes = |loss: f64| format!("which takes {:.1} % from its reading", 100.0 * loss);
    let how = match (fit.fit.harmonics.extremes(), fit.fit.marks.limited()) {
        (Extremes::Flat { loss }, _) if 100.0 * loss > FLAT_TOPS_PCT => {
            format!(
                "its tops are cut off flat below full scale, {}",
                takes(loss)
            )
        }
        (Extremes::Slewed { loss }, _) if 100.0 * loss > FLAT_TOPS_PCT => {
            format!("it cannot follow its steepest parts, {}", takes(loss))
        }
        (_, Some(Limited::Level)) => {
            "its tops are cut off flat: sample after sample stands at one value".to_owned()
        }
        (_, Some(Limited::Slope)) => {
            "it cannot follow its steepest parts: its slope stays at one value".to_owned()
        }
        _ => return None,
    };
    Some(format!(
        "no {value} from {}: {how}; look for an amplifier that is overdriven",
        fit.channel.name
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::Quantity;
    use crate::span::StrungConductor;
    use num_complex::Complex64;

    /// A ratio of 0.1 whose node channel has a gain that is so uncertain, as a share.
    fn ratio(standard_u: f64) -> SettledPoint {
        let inputs = Inputs {
            frequency_hz: 20.0,
            antinode: (Complex64::ONE, Quantity::Velocity),
            node: Some((Complex64::new(0.0, 0.1), Quantity::Velocity)),
            force_n: None,
            moving_mass_kg: 0.0,
            drive_position_m: None,
            drive_motion: None,
            strains: Vec::new(),
            conductor: StrungConductor {
                tension_n: 18_000.0,
                mass_kg_per_m: 0.98,
                bending_stiffness_n_m2: 0.0,
                length_m: 36.0,
            },
            sensor_distance_m: None,
            quadrature_sign: 1.0,
            fixed: None,
        };
        let causes = [Cause::Gain {
            sensors: vec![InputPhasor::Node],
            standard_u,
        }];
        let mut point = SettledPoint::default();
        enter_ratio(&mut point, &propagate(&inputs, &causes), &inputs, &causes);
        point
    }

    #[test]
    fn a_ratio_that_is_as_uncertain_as_it_is_large_is_not_given() {
        let known = ratio(0.01);
        assert!(
            known.iswr.is_some() && known.reasons.is_empty(),
            "{known:?}"
        );
        for standard_u in [0.51, 1e14] {
            let unknown = ratio(standard_u);
            assert!(unknown.iswr.is_none() && unknown.power_total_w.is_none());
            let [reason] = &unknown.reasons[..] else {
                panic!("{:?}", unknown.reasons);
            };
            assert!(reason.starts_with("no ratio: its uncertainty"), "{reason}");
        }
    }
}
