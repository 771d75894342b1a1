//! A channel measures the tension: its mean goes into the point, and what
//! moves names itself. The samples of the tension are written by this test, the
//! rest is the virtual span's.

use ndarray::Array2;
use spanhold::analysis::{Analysis, Finding};
use spanhold::ingest::{Block, StreamFormat};
use spanhold::reduction::SettledPoint;
use spanhold::rehearsal::{Program, Rehearsal, VirtualSpan, perform};
use spanhold::setup::{Channel, Role, Setup, Source, SourceKind, Unit, Verdict};
use spanhold::tone::{Estimator, TonePlan, Windows};

use crate::bench::virtual_span::{self, Chance, analyse, in_sweep, model, sensors};

const RATE_HZ: f64 = 1200.0;
const FULL_SCALE_KN: f64 = 80.0;
/// The setup's tension over the true one.
const STATED: f64 = 0.97;

/// A bench with a tension channel in column 6, and two dwells recorded on it.
fn bench() -> (Setup, Rehearsal) {
    let mut chance = Chance::new(7);
    let mut setup = virtual_span::setup(&mut chance, true);
    let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
    let resonances: Vec<_> = in_sweep(&setup, &span)
        .into_iter()
        .filter(|r| r.time_constant_s < 5.0)
        .take(2)
        .collect();
    let sensors = sensors(&setup, &mut chance, 50.0);
    setup.channels.push(Channel {
        name: "tension".into(),
        role: Role::Tension,
        source: 0,
        index: 6,
        unit: Unit::Kilonewton,
        full_scale: FULL_SCALE_KN,
        uncertainty_pct: Some(0.5),
        phase_uncertainty_deg: None,
        serial: None,
        reference: None,
        position_m: None,
        position_uncertainty_mm: 20.0,
        moving_mass_kg: None,
        moving_mass_uncertainty_pct: None,
    });
    let program = Program::automatic(&resonances, 14.0);
    let rehearsal = perform(&span, &program, &sensors, RATE_HZ, 7).unwrap();
    (setup, rehearsal)
}

/// Digital value of a tension at a time: some noise of a load cell about it.
fn cell(tension_kn: f64, sample: usize) -> f64 {
    let mixed = (sample as u32).wrapping_mul(2_654_435_761).rotate_left(13);
    let scatter = f64::from(mixed) / f64::from(u32::MAX) - 0.5;
    (tension_kn + 0.004 * scatter) / FULL_SCALE_KN
}

/// The tension, kN, over time in s put into a rehearsal of two or more rows.
fn with_tension(rehearsal: &Rehearsal, tension_kn: impl Fn(f64) -> f64) -> Rehearsal {
    let (rows, frames) = rehearsal.samples.dim();
    let mut samples = Array2::zeros((rows.max(7), frames));
    samples
        .slice_mut(ndarray::s![..rows, ..])
        .assign(&rehearsal.samples);
    for (i, value) in samples.row_mut(6).iter_mut().enumerate() {
        *value = cell(tension_kn(i as f64 / RATE_HZ), i);
    }
    Rehearsal {
        samples,
        ..rehearsal.clone()
    }
}

fn points(setup: &Setup, rehearsal: &Rehearsal) -> Vec<SettledPoint> {
    let judged = analyse(setup, rehearsal, 4096);
    judged.into_iter().map(|judged| judged.point).collect()
}

/// A setup whose stated tension is wrong by 3 %.
fn misstated(setup: &Setup) -> Setup {
    let mut setup = setup.clone();
    setup.span.tension_kn *= STATED;
    setup
}

#[test]
fn the_measured_tension_is_what_the_power_rests_on() {
    let (setup, rehearsal) = bench();
    let true_kn = setup.span.tension_kn;
    let stated = misstated(&setup);
    let measured = points(&stated, &with_tension(&rehearsal, |_| true_kn));
    let mut without = stated.clone();
    without.channels.pop();
    let plain = points(&without, &rehearsal);
    assert!(measured.len() >= 2 && measured.len() == plain.len());
    for (point, plain) in measured.iter().zip(&plain) {
        assert_eq!(point.verdict, Verdict::Held, "{:?}", point.reasons);
        let tension = point.tension_kn.unwrap();
        assert!((tension.value / true_kn - 1.0).abs() < 1e-5, "{tension:?}");
        // The certificate's 0.5 %; the scatter of the mean is next to nothing.
        assert!(
            (tension.u / tension.value - 0.005).abs() < 1e-4,
            "{tension:?}"
        );
        assert_eq!(plain.tension_kn, None);
        // P goes with the root of the tension (IEEE 664).
        let (power, plain) = (point.power_total_w.unwrap(), plain.power_total_w.unwrap());
        let ratio = power.value / plain.value;
        assert!((ratio - STATED.sqrt().recip()).abs() < 1e-4, "{ratio}");
        assert!(power.u / power.value < plain.u / plain.value);
    }
}

#[test]
fn a_step_and_a_drift_of_the_tension_name_themselves() {
    let (setup, rehearsal) = bench();
    let true_kn = setup.span.tension_kn;
    let hold = points(&setup, &with_tension(&rehearsal, |_| true_kn))[0].clone();
    let middle_s = 0.5 * (hold.start_s + hold.end_s);
    let stepped = |t: f64| true_kn * if t > middle_s { 1.01 } else { 1.0 };
    let drifting = |t: f64| true_kn * (1.0 + 0.001 * (t - middle_s));
    for (rehearsal, word) in [
        (with_tension(&rehearsal, stepped), "stepped"),
        (with_tension(&rehearsal, drifting), "drifted"),
    ] {
        let point = &points(&setup, &rehearsal)[0];
        assert_eq!(point.verdict, Verdict::Rejected);
        let reason = &point.reasons[0];
        assert!(reason.contains(&format!("the tension {word}")), "{reason}");
    }
}

#[test]
fn a_tension_that_cannot_be_believed_is_not_used() {
    let (setup, rehearsal) = bench();
    let stands = setup.span.tension_kn;
    let cases: [(&dyn Fn(f64) -> f64, &str); 2] = [
        (&|_| 1e-3 * stands, "is its unit or scale wrong?"),
        (&|_| 1.1 * FULL_SCALE_KN, "at full scale"),
    ];
    for (tension_kn, said) in cases {
        let point = &points(&setup, &with_tension(&rehearsal, tension_kn))[0];
        assert_eq!(point.verdict, Verdict::Held);
        assert_eq!(point.tension_kn, None);
        let reasons = point.reasons.join("; ");
        assert!(
            reasons.contains(said) && reasons.contains("stands"),
            "{reasons}"
        );
    }
}

#[test]
fn a_slow_logger_of_its_own_may_carry_it() {
    let (mut setup, rehearsal) = bench();
    let true_kn = setup.span.tension_kn;
    let expected = points(&setup, &with_tension(&rehearsal, |_| true_kn));
    setup.sources.push(Source {
        name: "logger".into(),
        kind: SourceKind::Wav,
        rate_hz: None,
        rate_uncertainty_ppm: 0.0,
        continues: false,
        utc_offset: None,
    });
    let tension = setup.channels.last_mut().unwrap();
    (tension.source, tension.index) = (1, 0);
    let logger_hz = 10.0;
    let seconds = rehearsal.samples.ncols() as f64 / RATE_HZ;
    let frames = (seconds * logger_hz) as usize + 20;
    let logger = Array2::from_shape_fn((1, frames), |(_, i)| cell(true_kn, i));
    let sources = [(RATE_HZ, rehearsal.samples), (logger_hz, logger)];
    let plans: Vec<TonePlan> = sources
        .iter()
        .enumerate()
        .map(|(number, (rate_hz, samples))| {
            let format = StreamFormat {
                rate_hz: *rate_hz,
                channels: samples.nrows(),
                clip_level: 1.0,
                start_utc: None,
            };
            TonePlan::new(&setup, number, &format).unwrap()
        })
        .collect();
    let mut analysis = Analysis::new(&setup, &plans, None);
    let mut findings = Vec::new();
    for (number, (_, samples)) in sources.into_iter().enumerate() {
        let mut estimator = Estimator::new(plans[number].clone());
        let mut windows = Windows::new(plans[number].clone());
        let block = Block {
            first_sample: 0,
            samples,
        };
        windows.block(&block, |message| {
            findings.extend(analysis.push(number, estimator.estimate(message)));
        });
        findings.extend(analysis.source_ended(number));
    }
    let found: Vec<SettledPoint> = findings
        .into_iter()
        .filter_map(|finding| match finding {
            Finding::Point(point, _) => Some(*point),
            Finding::Event(_) | Finding::Trace(_) => None,
        })
        .collect();
    assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(&expected) {
        assert_eq!(found.verdict, Verdict::Held, "{:?}", found.reasons);
        let (tension, right) = (found.tension_kn.unwrap(), expected.tension_kn.unwrap());
        assert!(
            (tension.value / right.value - 1.0).abs() < 1e-4,
            "{tension:?}"
        );
        let (power, right) = (
            found.power_total_w.unwrap(),
            expected.power_total_w.unwrap(),
        );
        assert!((power.value / right.value - 1.0).abs() < 1e-4);
    }
}
