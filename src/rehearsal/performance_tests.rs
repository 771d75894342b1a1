//! Performed programs against the exact steady state, the poles, and each
//! other.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::physics_tests::setup;
use super::{
    Disturbance, DriveFrequency, DwellTruth, Expectation, Performance, Program, Quantisation,
    Rehearsal, Sensors, SpanModel, Step, Transition, VirtualSensor, VirtualSpan, perform,
};

const RATE_HZ: f64 = 2000.0;

fn ideal() -> Sensors {
    Sensors {
        quantisation: Quantisation::None,
        ..Sensors::default()
    }
}

fn span(damped: bool) -> VirtualSpan {
    VirtualSpan::new(&setup(damped), &SpanModel::default()).unwrap()
}

fn dwell(harmonic: u32, duration_s: f64) -> Step {
    let at = DriveFrequency::Resonance {
        harmonic,
        bandwidths: 0.0,
    };
    Step::new(at, duration_s)
}

fn program(steps: Vec<Step>) -> Program {
    Program {
        lead_in_s: 0.5,
        steps,
        lead_out_s: 0.5,
    }
}

/// Peak phasor of a row over whole cycles near `from_s`…`to_s`, by a
/// two-column least squares at the known frequency, in the channel's unit.
fn phasor(
    rehearsal: &Rehearsal,
    row: usize,
    full_scale: f64,
    f: f64,
    from_s: f64,
    to_s: f64,
) -> Complex64 {
    let [mut cc, mut cs, mut ss, mut xc, mut xs] = [0.0; 5];
    for k in (from_s * RATE_HZ) as usize..(to_s * RATE_HZ) as usize {
        let (s, c) = (TAU * f * k as f64 / RATE_HZ).sin_cos();
        let x = rehearsal.samples[[row, k]] * full_scale;
        cc += c * c;
        cs += c * s;
        ss += s * s;
        xc += x * c;
        xs += x * s;
    }
    let determinant = cc * ss - cs * cs;
    Complex64::new(
        (xc * ss - xs * cs) / determinant,
        -(xs * cc - xc * cs) / determinant,
    )
}

#[test]
fn the_settled_part_is_the_exact_steady_state() {
    for (damped, duration) in [(true, 30.0), (false, 20.0)] {
        let span = span(damped);
        let mut step = dwell(12, duration);
        if !damped {
            step = step.reached_by(Transition::Settled);
        }
        let done = perform(&span, &program(vec![step]), &ideal(), RATE_HZ, 1).unwrap();
        let truth = &done.truth[0];
        let f = truth.frequency_hz;
        for channel in &setup(damped).channels {
            let want = truth.channel_peak[&channel.name];
            let got = phasor(
                &done,
                channel.index,
                channel.full_scale,
                f,
                truth.end_s - 8.0,
                truth.end_s,
            );
            assert!(
                (got.norm() / want - 1.0).abs() < 1e-6,
                "{}: {} instead of {want}",
                channel.name,
                got.norm()
            );
        }
        // 200 mm/s without a target in the setup, acceleration omega v.
        let antinode = phasor(&done, 0, 490.0, f, truth.end_s - 8.0, truth.end_s);
        assert!((antinode.norm() / (TAU * f * 0.2) - 1.0).abs() < 1e-6);
        // Antinode velocity in phase with the force; node motion in quadrature.
        let force = phasor(&done, 2, 200.0, f, truth.end_s - 8.0, truth.end_s);
        let phase = (antinode / Complex64::new(0.0, 1.0) / force)
            .arg()
            .to_degrees();
        assert!(
            (phase / 180.0 - (phase / 180.0).round()).abs() < 1e-6,
            "{phase}"
        );
        let node = phasor(&done, 1, 100.0, f, truth.end_s - 8.0, truth.end_s);
        assert!((node / antinode).re.abs() < 0.01 * (node / antinode).norm());
        assert!(((node / antinode).norm() / truth.iswr - 1.0).abs() < 1e-6);
    }
}

/// Off the peak by x half-power bandwidths the phase is atan(2 x) (design of
/// any simple resonator; the span is one near its peak).
#[test]
fn half_a_bandwidth_off_is_45_degrees() {
    let span = span(false);
    for x in [-0.5, 0.5] {
        let at = DriveFrequency::Resonance {
            harmonic: 9,
            bandwidths: x,
        };
        let step = Step::new(at, 1.0).reached_by(Transition::Settled);
        let done = perform(&span, &program(vec![step]), &ideal(), RATE_HZ, 1).unwrap();
        let truth = &done.truth[0];
        assert!(
            (truth.drive_phase_deg + 90.0 * x).abs() < 0.05,
            "{}",
            truth.drive_phase_deg
        );
        assert_eq!(truth.expected, Expectation::NotHeld);
    }
}

/// Envelope of a row by its phasor over windows of `window_s`.
fn envelope(
    done: &Rehearsal,
    row: usize,
    f: f64,
    from_s: f64,
    window_s: f64,
    count: usize,
) -> Vec<f64> {
    (0..count)
        .map(|k| {
            let start = from_s + window_s * k as f64;
            phasor(done, row, 490.0, f, start, start + window_s).norm()
        })
        .collect()
}

#[test]
fn free_decay_and_ring_up_have_the_time_constant_of_the_pole() {
    let span = span(true);
    let r = span.resonance(15).unwrap();
    let step = dwell(15, 30.0)
        .reached_by(Transition::Jump)
        .with(Disturbance::DriveCut { at_s: 20.0 });
    let done = perform(&span, &program(vec![step]), &ideal(), RATE_HZ, 1).unwrap();
    let start = done.truth[0].start_s;
    let tau = r.time_constant_s;
    let f = r.frequency_hz;
    // Decay: the other poles, excited by the cut, die sooner or are far off.
    let decay = envelope(&done, 0, f, start + 20.0 + 2.0 * tau, tau, 3);
    for pair in decay.windows(2) {
        let slope = (pair[0] / pair[1]).ln();
        assert!((slope - 1.0).abs() < 0.03, "{slope}");
    }
    // Ring-up: what is missing to the settled level falls by e in each tau.
    let settled = phasor(&done, 0, 490.0, f, start + 15.0, start + 20.0);
    let missing: Vec<f64> = (0..3)
        .map(|k| {
            let begin = start + tau * (1.0 + f64::from(k));
            (phasor(&done, 0, 490.0, f, begin, begin + tau) - settled).norm()
        })
        .collect();
    for pair in missing.windows(2) {
        let slope = (pair[0] / pair[1]).ln();
        assert!((slope - 1.0).abs() < 0.05, "{slope}");
    }
    // 1/(pi df) of the design is the same time.
    assert!((PI * r.half_power_bandwidth_hz * tau - 1.0).abs() < 0.05);
}

/// A bare span jumped to a resonance beats with itself: drive and free
/// vibration run at their own frequencies until the latter has died.
#[test]
fn a_jump_off_resonance_beats_at_the_difference() {
    let span = span(false);
    let r = span.resonance(10).unwrap();
    let offset = 0.25;
    let step = Step::new(DriveFrequency::Frequency(r.frequency_hz + offset), 60.0)
        .reached_by(Transition::Jump);
    let done = perform(&span, &program(vec![step]), &ideal(), RATE_HZ, 1).unwrap();
    let start = done.truth[0].start_s;
    let level = envelope(&done, 0, r.frequency_hz + offset, start, 0.5, 96);
    // 0.25 Hz: maxima 4 s apart, eight windows.
    let peaks: Vec<usize> = (1..level.len() - 1)
        .filter(|k| level[*k] > level[k - 1] && level[*k] >= level[k + 1])
        .collect();
    assert!(peaks.len() >= 10, "{peaks:?}");
    for pair in peaks.windows(2) {
        assert!(pair[1].abs_diff(pair[0] + 8) <= 1, "{peaks:?}");
    }
    assert_eq!(done.truth[0].expected, Expectation::NotHeld);
}

fn noisy() -> Sensors {
    Sensors {
        default: VirtualSensor {
            offset: 0.3,
            mains_peak: 0.2,
            ..Sensors::with_snr_db(40.0).default
        },
        ..Sensors::default()
    }
}

#[test]
fn the_seed_alone_decides_the_samples() {
    let span = span(true);
    let steps = vec![
        dwell(9, 3.0),
        dwell(10, 3.0).with(Disturbance::Rattle {
            channel: 0,
            strength: 0.5,
        }),
    ];
    let program = program(steps);
    let first = perform(&span, &program, &noisy(), RATE_HZ, 7).unwrap();
    let again = perform(&span, &program, &noisy(), RATE_HZ, 7).unwrap();
    let other = perform(&span, &program, &noisy(), RATE_HZ, 8).unwrap();
    assert_eq!(first.samples, again.samples);
    assert_eq!(first.truth, again.truth);
    assert_ne!(first.samples, other.samples);
    // The chunk-wise reading is the same stream.
    let mut performance = Performance::new(&span, &program, &noisy(), RATE_HZ, 7).unwrap();
    let mut frame = 0;
    while let Some(block) = performance.next_block() {
        for k in 0..block.frames {
            let whole = first.samples[[2, frame + k]];
            assert_eq!(block.value(2, k).to_bits(), whole.to_bits());
        }
        frame += block.frames;
    }
    assert_eq!(frame, first.samples.ncols());
}

#[test]
fn noise_offset_and_mains_have_the_stated_size() {
    let span = span(true);
    let done = perform(&span, &program(vec![dwell(10, 40.0)]), &noisy(), RATE_HZ, 3).unwrap();
    let clean = perform(&span, &program(vec![dwell(10, 40.0)]), &ideal(), RATE_HZ, 3).unwrap();
    let truth = &done.truth[0];
    let (from, to) = ((truth.end_s - 30.0) * RATE_HZ, truth.end_s * RATE_HZ);
    let difference: Vec<f64> = (from as usize..to as usize)
        .map(|k| 490.0 * (done.samples[[0, k]] - clean.samples[[0, k]]))
        .collect();
    let n = difference.len() as f64;
    let mean = difference.iter().sum::<f64>() / n;
    let variance = difference.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / n;
    let peak = truth.channel_peak["antinode"];
    // Noise at 40 dB below the tone, and the mains' half square of 0.2.
    let want = 0.5 * peak * peak * 1e-4 + 0.5 * 0.04;
    assert!((mean - 0.3).abs() < 5.0 * (want / n).sqrt(), "{mean}");
    // A variance from n normal values scatters by sqrt(2/n); five of them.
    assert!(
        (variance / want - 1.0).abs() < 5.0 * (2.0 / n).sqrt(),
        "{variance} {want}"
    );
}

fn truth_of(step: Step) -> DwellTruth {
    let span = span(true);
    let done = perform(
        &span,
        &program(vec![dwell(9, 5.0), step]),
        &ideal(),
        RATE_HZ,
        1,
    )
    .unwrap();
    done.truth[1].clone()
}

#[test]
fn what_is_to_be_expected_of_a_dwell() {
    let held = truth_of(dwell(10, 30.0));
    assert_eq!(held.expected, Expectation::Held, "{}", held.why);
    assert_eq!(held.settled_s.len(), 1);
    assert!(held.settled_s[0][0] < held.start_s + 8.0 * held.time_constant_s);
    let faults = [
        Disturbance::FrequencyDrift { bandwidths: 2.0 },
        Disturbance::Beat {
            offset_hz: 0.3,
            depth: 0.1,
        },
        Disturbance::AmplitudeWander {
            period_s: 6.0,
            depth: 0.1,
        },
        Disturbance::Rattle {
            channel: 0,
            strength: 0.6,
        },
        Disturbance::Clipping {
            channel: 0,
            ratio: 1.2,
        },
        Disturbance::Saturation {
            channel: 0,
            fraction: 0.5,
        },
        Disturbance::TensionDrift { percent: 5.0 },
        Disturbance::LevelStep {
            at_s: 5.0,
            factor: 0.5,
        },
        Disturbance::DriveCut { at_s: 5.0 },
        Disturbance::Impact {
            at_s: 5.0,
            strength: 0.4,
        },
    ];
    for fault in faults {
        let truth = truth_of(dwell(10, 10.0).with(fault));
        assert_eq!(
            truth.expected,
            Expectation::NotHeld,
            "{fault:?}: {}",
            truth.why
        );
    }
    let short = truth_of(dwell(10, 5.0));
    assert_eq!(short.expected, Expectation::NotHeld);
}

#[test]
fn faults_reach_the_antinode_as_stated() {
    let span = span(true);
    let run = |fault| {
        let step = dwell(15, 60.0).with(fault);
        perform(&span, &program(vec![step]), &ideal(), RATE_HZ, 1).unwrap()
    };
    let f = span.resonance(15).unwrap().frequency_hz;
    let spread = |done: &Rehearsal| {
        let level = envelope(done, 0, f, done.truth[0].start_s + 20.0, 0.25, 160);
        let high = level.iter().copied().fold(0.0, f64::max);
        let low = level.iter().copied().fold(f64::INFINITY, f64::min);
        (high - low) / (high + low)
    };
    let wander = spread(&run(Disturbance::AmplitudeWander {
        period_s: 8.0,
        depth: 0.1,
    }));
    assert!((wander - 0.1).abs() < 0.01, "{wander}");
    let beat = spread(&run(Disturbance::Beat {
        offset_hz: 0.4,
        depth: 0.1,
    }));
    assert!((beat - 0.1).abs() < 0.01, "{beat}");
    let clipped = run(Disturbance::Clipping {
        channel: 0,
        ratio: 1.5,
    });
    let largest = clipped.samples.row(0).iter().copied().fold(0.0, f64::max);
    assert!(
        (largest - 1.5).abs() < 0.01,
        "unquantised values may pass full scale: {largest}"
    );
}

/// A tension that has drifted by p % has moved every resonance by about p/2 %.
#[test]
fn drifting_tension_moves_the_poles() {
    let span = span(true);
    let moved = span.with_tension(&span, 1.01);
    for (before, after) in span.poles.iter().zip(&moved.poles) {
        let heavily_damped = before.s.re < -0.05 * before.s.im;
        let ratio = after.s.im / before.s.im;
        assert!(
            heavily_damped || (ratio > 1.0 && ratio < 1.006),
            "{} {ratio}",
            before.s
        );
    }
    let fresh = {
        let mut changed = setup(true);
        changed.span.tension_kn *= 1.01;
        let model = SpanModel {
            viscous_n_s_per_m2: Some(span.driven.beam.viscous_n_s_per_m2),
            self_damping_s: Some(span.driven.beam.self_damping_s),
            end_loss_ratio: 0.0045 * 1.01_f64.sqrt(),
            ..SpanModel::default()
        };
        VirtualSpan::new(&changed, &model).unwrap()
    };
    for pole in &fresh.poles {
        let nearest = moved
            .poles
            .iter()
            .map(|p| (p.s - pole.s).norm())
            .fold(f64::INFINITY, f64::min);
        assert!(nearest < 1e-6 * pole.s.norm(), "{}", pole.s);
    }
}

#[test]
fn bad_input_is_refused() {
    let span = span(true);
    let run = |step, rate| perform(&span, &program(vec![step]), &ideal(), rate, 1).map(|_| ());
    let message = |result: Result<(), super::RehearsalError>| result.unwrap_err().to_string();
    assert!(message(run(dwell(99, 1.0), RATE_HZ)).contains("harmonic 99"));
    assert!(message(run(dwell(30, 1.0), 100.0)).contains("four times"));
    assert!(
        message(run(
            Step::new(DriveFrequency::Frequency(f64::NAN), 1.0),
            RATE_HZ
        ))
        .contains("NaN")
    );
    let mut reversed = setup(true);
    reversed.span.damper_position_m = Some(35.5);
    assert!(VirtualSpan::new(&reversed, &SpanModel::default()).is_err());
}

#[test]
#[ignore = "prints the speed; run by name"]
fn speed() {
    let span = span(true);
    let steps = (8..19).map(|n| dwell(n, 25.0)).collect();
    let start = std::time::Instant::now();
    let done = perform(&span, &program(steps), &noisy(), RATE_HZ, 3).unwrap();
    let seconds = done.samples.ncols() as f64 / RATE_HZ;
    println!(
        "{seconds} s in {:?}: {:.0} x",
        start.elapsed(),
        seconds / start.elapsed().as_secs_f64()
    );
}
