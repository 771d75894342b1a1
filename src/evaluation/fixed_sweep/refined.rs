//! The points of a run and of its bare run, with the ratios that all of them together give.
//! Pure.
//!
//! Of a point changes what is read at antinode and node: ratio, efficiency, velocities, amplitudes, level,
//! bandwidth, power past the node. Frequency, force, phases and strain stay as the point has them.

use std::collections::BTreeMap;

use super::fit::{Estimate, NodeEstimate, SweepFit, SweepFitError};
use super::model::{SweepPoint, SweepReading};
use super::statement::FixedSweep;
use crate::evaluation::compatibility::same_sensor;
use crate::evaluation::reduced::is_excluded;
use crate::evaluation::run_values::RunValues;
use crate::maths;
use crate::reduction::{COVERAGE, FixedEvidence, Measured, SettledPoint};
use crate::resonance::standing_wave::{fading_parts_per_m, wave_number_standard_u_parts};
use crate::setup::{Channel, Setup, Verdict};

/// Both runs after the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Refined {
    /// Points of the run.
    pub points: Vec<SettledPoint>,
    /// Points of the bare run.
    pub bare: Option<Vec<SettledPoint>>,
    /// By number, the ratio of each point of the run that has another one now, as the point alone
    /// read it.
    pub alone: BTreeMap<u64, Measured>,
    /// What came of the fit; `None` where there was nothing to fit. `Err`: why the points stand
    /// alone.
    pub sweep: Option<Result<FixedSweep, SweepFitError>>,
}

/// One point in the fit.
struct Entered<'a> {
    /// Number of the run: 0 the run, 1 its bare run.
    run: usize,
    /// Place among the run's points.
    place: usize,
    evidence: &'a FixedEvidence,
}

/// A fixed sensor of the sweep.
struct KnownSensor<'a> {
    setup: &'a Setup,
    channel: &'a Channel,
}

/// Takes all points together that were read by fixed sensors.
pub fn refined(run: RunValues, bare: Option<RunValues>) -> Refined {
    let runs: Vec<RunValues> = std::iter::once(run).chain(bare).collect();
    let mut refined = Refined {
        points: run.points.to_vec(),
        bare: bare.map(|bare| bare.points.to_vec()),
        alone: BTreeMap::new(),
        sweep: None,
    };
    let mut sensors: Vec<KnownSensor> = Vec::new();
    let mut entered: Vec<Entered> = Vec::new();
    let mut points: Vec<SweepPoint> = Vec::new();
    for (number, run) in runs.iter().enumerate() {
        for (place, point) in run.points.iter().enumerate() {
            let evidence = run.fixed.iter().find(|(of, _)| *of == point.point);
            let Some((_, evidence)) = evidence.filter(|_| counts(run, point)) else {
                continue;
            };
            if let Some(point) = sweep_point((number, run.setup), point, evidence, &mut sensors) {
                points.push(point);
                entered.push(Entered {
                    run: number,
                    place,
                    evidence,
                });
            }
        }
    }
    if points.is_empty() {
        return refined;
    }
    let fit = SweepFit::fit(&points).map(|fit| (fit, None));
    let fit = fit.or_else(|error| match error {
        SweepFitError::Changing { .. } => SweepFit::without_one(&points)
            .map(|(fit, sensor)| (fit, Some(sensor)))
            .ok_or(error),
        _ => Err(error),
    });
    let (fit, left_out) = match fit {
        Ok(found) => found,
        Err(error) => {
            refined.sweep = Some(Err(error));
            return refined;
        }
    };
    for (of, read) in entered.iter().zip(&fit.nodes) {
        let points = match of.run {
            0 => Some(&mut refined.points),
            _ => refined.bare.as_mut(),
        };
        let point = points.and_then(|points| points.get_mut(of.place));
        let (Some(point), Some(run)) = (point, runs.get(of.run)) else {
            continue;
        };
        let alone = enter(point, run.setup, read, of.evidence);
        if let Some(alone) = alone.filter(|_| of.run == 0) {
            refined.alone.insert(point.point, alone);
        }
    }
    let names: Vec<(&str, bool)> = sensors
        .iter()
        .map(|known| (&*known.channel.name, std::ptr::eq(known.setup, run.setup)))
        .collect();
    let of_bare = entered.iter().filter(|of| of.run == 1).count();
    let setups: Vec<&Setup> = runs.iter().map(|run| run.setup).collect();
    refined.sweep = Some(Ok(FixedSweep::new(
        (&fit, left_out),
        &points,
        of_bare,
        &setups,
        &names,
    )));
    refined
}

fn counts(run: &RunValues, point: &SettledPoint) -> bool {
    point.verdict != Verdict::Rejected && !is_excluded(run.exclusions, point)
}

/// A point as the fit takes it; `None` where it has no ratio with an uncertainty.
fn sweep_point<'a>(
    (run, setup): (usize, &'a Setup),
    point: &SettledPoint,
    evidence: &FixedEvidence,
    sensors: &mut Vec<KnownSensor<'a>>,
) -> Option<SweepPoint> {
    point.iswr.filter(Measured::has_u)?;
    let frequency_hz = point.frequency_hz?.value;
    let mut readings = Vec::new();
    for shown in &evidence.sensors {
        let channel = setup.channels.iter().find(|c| c.name == shown.channel)?;
        let same = |known: &KnownSensor| is_same((known.setup, known.channel), (setup, channel));
        let sensor = sensors.iter().position(same).unwrap_or_else(|| {
            sensors.push(KnownSensor { setup, channel });
            sensors.len() - 1
        });
        readings.push(SweepReading {
            sensor,
            shown: shown.sensor(setup, frequency_hz)?,
        });
    }
    let measured = point.tension_kn.map(|tension_kn| {
        let u_kn = tension_kn.stated_u();
        setup.under_tension(
            tension_kn.value,
            u_kn.map(|u_kn| 100.0 * u_kn / tension_kn.value),
        )
    });
    let setup = measured.as_ref().unwrap_or(setup);
    let [tension_standard_u, stiffness_standard_u] =
        wave_number_standard_u_parts(setup, frequency_hz);
    let [by_tension, by_bending] = fading_parts_per_m(setup, frequency_hz);
    let loss_u = setup.conductor.loss_uncertainty_pct / (100.0 * COVERAGE);
    Some(SweepPoint {
        run,
        wave_number_per_m: setup.strung_conductor().wave_number_per_m(frequency_hz),
        tension_standard_u,
        stiffness_standard_u,
        fading_per_m: by_tension + by_bending,
        fading_standard_u_per_m: [
            loss_u * by_tension,
            loss_u * by_bending,
            loss_u * even_per_m(setup),
        ],
        node_m: point.node_position_m?,
        readings,
    })
}

/// What a loss that does not go with the frequency, as that by the air, may make α differ by,
/// 1/m: as much as the stated loss of the tension makes it in the middle of the sweep.
fn even_per_m(setup: &Setup) -> f64 {
    let middle_hz = (setup.sweep.low_hz * setup.sweep.high_hz).sqrt();
    let [by_tension, _] = fading_parts_per_m(setup, middle_hz);
    by_tension
}

/// Whether it is the same sensor in the same place, matched to the same others.
fn is_same((setup, channel): (&Setup, &Channel), (other, theirs): (&Setup, &Channel)) -> bool {
    std::ptr::eq(channel, theirs)
        || same_sensor(channel, theirs)
            && channel.position_m == theirs.position_m
            && channel.position_uncertainty_mm.to_bits() == theirs.position_uncertainty_mm.to_bits()
            && channel.phase_uncertainty_deg == theirs.phase_uncertainty_deg
            && channel.serial == theirs.serial
            && setup.matching == other.matching
}

/// Puts what is read into a point; returns the ratio it had.
fn enter(
    point: &mut SettledPoint,
    setup: &Setup,
    read: &NodeEstimate,
    evidence: &FixedEvidence,
) -> Option<Measured> {
    let alone = point.iswr?;
    let alone_m_s = 1e-3 * point.antinode_velocity_mm_s?.value;
    let of = |measured: Measured| measured.u / measured.value.abs();
    // With what is no matter of the waves, k = 2.
    let relative = |estimate: Estimate, rest_pct: f64| {
        let of_waves = COVERAGE * estimate.standard_u / estimate.value.abs();
        maths::hypot(of_waves, 0.01 * rest_pct)
    };
    let with = |value: f64, relative: f64| Measured::new(value, value.abs() * relative);

    let iswr_u = relative(read.iswr, evidence.iswr_rest_u_pct);
    let iswr = with(read.iswr.value, iswr_u);
    point.iswr = Some(iswr);
    point.efficiency_pct = Some(iswr.times(100.0));
    point.bandwidth_hz = point.bandwidth_hz.map(|hz| hz * iswr.value / alone.value);

    let times = read.antinode_m_s.value / alone_m_s;
    let antinode_u = relative(read.antinode_m_s, evidence.antinode_rest_u_pct);
    let antinode_mm_s = with(1e3 * read.antinode_m_s.value, antinode_u);
    point.antinode_velocity_mm_s = Some(antinode_mm_s);
    let amplitude = point.antinode_amplitude_mm_pp;
    let amplitude = amplitude.map(|mm_pp| with(times * mm_pp.value, antinode_u));
    point.antinode_amplitude_mm_pp = amplitude;
    point.target_deviation_pct = point
        .target_deviation_pct
        .map(|pct| 100.0 * (times * (1.0 + 0.01 * pct) - 1.0));

    let node_rest_pct = maths::hypot(evidence.iswr_rest_u_pct, evidence.antinode_rest_u_pct);
    let node_u = relative(read.node_m_s, node_rest_pct);
    point.node_velocity_mm_s = Some(with(1e3 * read.node_m_s.value, node_u));
    point.node_amplitude_mm_pp = amplitude.map(|mm_pp| with(iswr.value * mm_pp.value, node_u));

    // P = ½ sqrt(T m) V_a² S.
    let tension = point
        .tension_kn
        .map_or(0.01 * setup.span.tension_uncertainty_pct, of);
    let impedance = 0.5 * maths::hypot(tension, 0.01 * setup.conductor.mass_uncertainty_pct);
    let power_u = maths::hypot(
        relative(read.power_m2_s2, evidence.power_rest_u_pct),
        impedance,
    );
    let times = times * times * iswr.value / alone.value;
    let plain = point.power_total_w;
    point.power_total_w = plain.map(|power| with(times * power.value, power_u));
    point.power_total_stiffness_w = point.power_total_stiffness_w.map(|power| {
        // What the stiffness adds.
        let square = maths::square(of(power)) - plain.map_or(0.0, |p| maths::square(of(p)));
        with(
            times * power.value,
            maths::hypot(power_u, square.max(0.0).sqrt()),
        )
    });
    Some(alone)
}
