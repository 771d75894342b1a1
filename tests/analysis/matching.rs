//! Fixed sensors matched at one place: against errors that are known, against SciPy, and every
//! recording that is none.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use ndarray::Array2;
use num_complex::Complex64;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, Uniform};
use spanhold::ingest::{Block, StreamFormat};
use spanhold::matching::{MatchFaults, Matched, MatchedWindows, match_channels};
use spanhold::setup::{self, Setup};
use spanhold::tone::{Estimator, TonePlan, Windows};

use crate::bench::run_folder::{RunFolder, code, repository, stderr, stdout};
use crate::bench::setups::{demo, edited};

const RATE_HZ: f64 = 500.0;

/// An invented bench whose `wave` channels have these units and a full scale of 100.
fn bench(units: &[&str]) -> Setup {
    let mut text = "[test]\ntitle = \"invented\"\n\
        [conductor]\ndesignation = \"invented\"\ndiameter_mm = 21.8\nmass_kg_per_m = 0.98\n\
        [span]\nlength_m = 36.0\ntension_kn = 18.0\n\
        [sweep]\nlow_hz = 10.0\nhigh_hz = 40.0\n\
        [[source]]\nname = \"bench\"\nkind = \"wav\"\n\
        [[channel]]\nname = \"antinode\"\nrole = \"antinode\"\nsource = \"bench\"\nindex = 0\n\
        unit = \"m/s2\"\nfull_scale = 100.0\n"
        .to_owned();
    for (number, unit) in (1..).zip(units) {
        let _ = write!(
            text,
            "[[channel]]\nname = \"w{number}\"\nrole = \"wave\"\nsource = \"bench\"\nindex = {number}\n\
             unit = \"{unit}\"\nfull_scale = 100.0\nuncertainty_pct = 1.0\nposition_m = 30.0\n"
        );
    }
    setup::parse(&text, "bench.toml").unwrap_or_else(|faults| panic!("{faults}"))
}

/// The recording's rows, digital full scale = 1, as the tone stage hands them to the matching.
fn windows(setup: &Setup, samples: Array2<f64>) -> Result<MatchedWindows, MatchFaults> {
    let format = StreamFormat {
        rate_hz: RATE_HZ,
        channels: samples.nrows(),
        clip_level: 1.0,
        start_utc: None,
    };
    let plan = TonePlan::new(setup, 0, &format).unwrap();
    let mut estimator = Estimator::new(plan.clone());
    let mut stage = Windows::new(plan.clone());
    let mut found = MatchedWindows::new(setup)?;
    found.begin();
    let block = Block {
        first_sample: 0,
        samples,
    };
    let mut hand_on = |window| found.take(&plan, &estimator.estimate(window));
    stage.block(&block, &mut hand_on);
    stage.end(&mut hand_on);
    Ok(found)
}

fn matched(setup: &Setup, samples: Array2<f64>) -> Result<Matched, MatchFaults> {
    match_channels(setup, &windows(setup, samples)?)
}

fn faults(setup: &Setup, samples: Array2<f64>) -> String {
    matched(setup, samples).unwrap_err().to_string()
}

/// A dwell at each frequency, one after the other; the response of each row to the motion (an
/// acceleration of 20 m/s² peak), by row and frequency, and white noise of so much of full scale.
fn dwells(
    frequencies_hz: &[f64],
    dwell_s: f64,
    rows: usize,
    noise: f64,
    seed: u64,
    response: impl Fn(usize, f64) -> Complex64,
) -> Array2<f64> {
    let frames = (dwell_s * RATE_HZ) as usize;
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut samples = Array2::zeros((rows, frames * frequencies_hz.len()));
    for (nth, hz) in frequencies_hz.iter().enumerate() {
        for row in 0..rows {
            let phasor = 0.2 * response(row, *hz);
            for frame in 0..frames {
                let turn = Complex64::cis(TAU * hz * frame as f64 / RATE_HZ);
                let normal: f64 = StandardNormal.sample(&mut random);
                samples[[row, nth * frames + frame]] = (phasor * turn).re + noise * normal;
            }
        }
    }
    samples
}

/// Every 1.9 Hz from 10.3 to 38.8 Hz, as harmonics stand.
fn harmonics() -> Vec<f64> {
    (0..16).map(|n| 10.3 + 1.9 * f64::from(n)).collect()
}

/// One sensor: gain, phase in degrees, delay in s.
#[derive(Clone, Copy)]
struct Sensor(f64, f64, f64);

impl Sensor {
    fn response(self, hz: f64) -> Complex64 {
        Complex64::from_polar(self.0, self.1.to_radians() - TAU * hz * self.2)
    }
}

/// Gains to 0.5 %, phases to 0.2° (k = 2) and delays to 30 µs are found within their
/// uncertainty, k = 2: in about 95 % of rows, and as seldom beyond 1.5 U (3 sigma, 0.3 %) as chance
/// has it. Were the uncertainty too large, that would show as too many inside.
#[test]
fn known_errors_of_gain_phase_and_delay_are_found_within_their_uncertainty() {
    let (mut gains, mut phases) = (Vec::new(), Vec::new());
    for seed in 0..60 {
        let count = 2 + (seed as usize) % 4;
        let setup = bench(&["m/s2", "m/s2", "m/s2", "m/s2", "m/s2"][..count]);
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let sensors: Vec<Sensor> = (0..=count)
            .map(|_| Sensor(1.0 + 0.0025 * normal(), 0.1 * normal(), 15e-6 * normal()))
            .collect();
        let snr_db = Uniform::new(25.0, 55.0).unwrap();
        let snr_db: f64 = snr_db.sample(&mut ChaCha8Rng::seed_from_u64(seed));
        let noise = 0.2 / 2_f64.sqrt() * 10_f64.powf(-snr_db / 20.0);
        let respond = |row: usize, hz: f64| sensors[row].response(hz);
        let samples = dwells(&harmonics(), 5.0, count + 1, noise, seed, respond);
        let found = matched(&setup, samples).unwrap_or_else(|faults| panic!("{seed}: {faults}"));
        for (number, channel) in (1..).zip(&found.channels) {
            assert_eq!(channel.rows.len(), harmonics().len());
            for row in &channel.rows {
                let all = sensors[1..].iter().map(|s| s.response(row.frequency_hz));
                let mean = all.sum::<Complex64>() / count as f64;
                let truth = sensors[number].response(row.frequency_hz) / mean;
                gains.push((row.gain - truth.norm()) / row.gain_u);
                phases.push((row.phase_deg - truth.arg().to_degrees()) / row.phase_u_deg);
            }
        }
    }
    for (what, errors) in [("gain", gains), ("phase", phases)] {
        let share = |limit: f64| {
            let beyond = errors.iter().filter(|error| error.abs() > limit).count();
            100.0 * beyond as f64 / errors.len() as f64
        };
        let (outside, far) = (share(1.0), share(1.5));
        println!(
            "{what}: of {} {outside:.2} % beyond U, {far:.2} % beyond 1.5 U",
            errors.len()
        );
        assert!(
            (1.0..=7.0).contains(&outside),
            "{what}: {outside} % beyond U"
        );
        assert!(far < 0.6, "{what}: {far} % beyond 1.5 U");
    }
}

/// SciPy's cross spectra of a sweep, which know nothing of a tone; how they were made is at
/// the head of `tests/reference/relative_response_scipy.py`.
#[test]
fn a_sweep_gives_the_relative_responses_of_scipy() {
    let frames = 120_000;
    let mut samples = Array2::zeros((4, frames));
    let (mut before, mut filtered) = (0.0, 0.0);
    for frame in 0..frames {
        let t = frame as f64 / RATE_HZ;
        let cycles = 10.0 * t + 0.5 * 30.0 / 240.0 * t * t;
        let level = 0.3 * (1.0 + 0.5 * (TAU * t / 37.0).cos());
        let x = level * (TAU * cycles).cos();
        filtered = 0.95 * x + 0.05 * filtered;
        let late = 0.97 * (0.9 * x + 0.1 * before);
        for (row, value) in [x, x, filtered, late].into_iter().enumerate() {
            samples[[row, frame]] = value;
        }
        before = x;
    }
    let found = matched(&bench(&["m/s2"; 3]), samples).unwrap();
    let table = include_str!("../reference/relative_response.csv");
    let mut compared = 0;
    for line in table.lines().skip(1) {
        let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
        let [channel, hz, gain, phase_deg] = cells[..] else {
            panic!("{line}")
        };
        let rows = &found.channels[channel as usize].rows;
        let above = rows.partition_point(|row| row.frequency_hz < hz);
        let (left, right) = (rows[above - 1], rows[above]);
        let share = (hz - left.frequency_hz) / (right.frequency_hz - left.frequency_hz);
        let mixed = |left: f64, right: f64| left + share * (right - left);
        let off = mixed(left.gain, right.gain) / gain - 1.0;
        let off_deg = mixed(left.phase_deg, right.phase_deg) - phase_deg;
        assert!(off.abs() < 2e-4, "{line}: gain off by {off}");
        assert!(off_deg.abs() < 0.01, "{line}: phase off by {off_deg} deg");
        compared += 1;
    }
    assert_eq!(compared, 42);
}

/// Two sensors switched against one another (ISO 10534-2, from memory): the calibration
/// factor of the pair is sqrt(H12 of the one order times H12 of the other), here their ratio.
/// Two matched channels say the same, whatever the motion.
#[test]
fn two_sensors_agree_with_the_switching_of_two_microphones() {
    let sensors = [Sensor(1.004, 0.15, 20e-6), Sensor(0.997, -0.1, -10e-6)];
    let setup = bench(&["m/s2"; 2]);
    let found = matched(
        &setup,
        dwells(&harmonics(), 5.0, 3, 0.0, 1, |row, hz| {
            sensors[row.saturating_sub(1)].response(hz)
        }),
    )
    .unwrap();
    let [first, second] = &found.channels[..] else {
        panic!("two channels")
    };
    for (a, b) in first.rows.iter().zip(&second.rows) {
        // At two places with motions 1 and q the pair shows q c2/c1, switched q c1/c2.
        let q = Complex64::from_polar(0.7, 0.4);
        let [c1, c2] = sensors.map(|sensor| sensor.response(a.frequency_hz));
        let (plain, switched) = (q * c2 / c1, q * c1 / c2);
        let factor = (plain / switched).sqrt();
        let ours = Complex64::from_polar(b.gain / a.gain, (b.phase_deg - a.phase_deg).to_radians());
        assert!((ours / factor - 1.0).norm() < 1e-4, "{} Hz", a.frequency_hz);
        // The file is relative to the mean, so the two are one about it.
        let mean = 0.5 * Complex64::from_polar(a.gain, a.phase_deg.to_radians())
            + 0.5 * Complex64::from_polar(b.gain, b.phase_deg.to_radians());
        assert!((mean - 1.0).norm() < 1e-9);
    }
}

/// An accelerometer, a velocity and a displacement pick-up see one motion.
#[test]
fn other_quantities_are_converted() {
    let setup = bench(&["m/s2", "mm/s", "um"]);
    let samples = dwells(&harmonics(), 5.0, 4, 1e-5, 3, |row, hz| {
        let turn = Complex64::new(0.0, TAU * hz);
        match row {
            2 => 10.0 / turn,
            // Of 20 m/s² 20/ω² m: in µm over a full scale of 100 that is 0.2·1e6/ω².
            3 => 200.0 / (turn * turn),
            _ => Complex64::new(0.01, 0.0),
        }
    });
    // 0.2 · 0.01 · 100 m/s², 0.2 · 10/ω · 100 mm/s, 0.2 · 200/ω² · 100 µm: 0.2 m/s², 0.2/ω m/s,
    // 0.004/ω² m: the third shows a fiftieth.
    let said = faults(&setup, samples.clone());
    assert!(
        said.contains("\"w3\"") && said.contains("differs from the rest by -98"),
        "{said}"
    );
    let mut right = samples;
    right.row_mut(3).mapv_inplace(|x| 50.0 * x);
    assert!(right.iter().all(|x| x.abs() < 1.0), "the test's own range");
    let found = matched(&setup, right).unwrap();
    for row in found.channels.iter().flat_map(|channel| &channel.rows) {
        assert!((row.gain - 1.0).abs() < 2e-3, "{row:?}");
        assert!(row.phase_deg.abs() < 0.1, "{row:?}");
    }
}

fn one(_: usize, _: f64) -> Complex64 {
    Complex64::new(1.0, 0.0)
}

#[test]
fn what_is_no_matching_is_refused_with_the_channel_and_the_reason() {
    let three = bench(&["m/s2"; 3]);
    let with = |setup: &Setup, response: &dyn Fn(usize, f64) -> f64| {
        let rows = setup.channels.len();
        let respond = |row, hz| Complex64::new(response(row, hz), 0.0);
        faults(setup, dwells(&harmonics(), 4.0, rows, 2e-4, 5, respond))
    };
    let alone = bench(&["m/s2"]);
    let said = MatchedWindows::new(&alone).unwrap_err().to_string();
    assert!(said.contains("1 channels of the role wave"), "{said}");

    let said = with(&three, &|row, _| if row == 2 { 1e-6 } else { 1.0 });
    assert!(
        said.contains("\"w2\": it shows nothing") && !said.contains("\"w1\""),
        "{said}"
    );
    let said = with(&three, &|_, _| 1e-6);
    assert!(said.contains("no channel shows a tone"), "{said}");

    let said = with(&three, &|row, _| if row == 3 { -1.0 } else { 1.0 });
    assert!(
        said.contains("w3: polarity inverted: turn it or negate the sensitivity"),
        "{said}"
    );
    assert!(!said.contains("w1"), "{said}");
    // The first one is what the others are held against; it is found all the same.
    let said = with(&three, &|row, _| if row == 1 { -1.0 } else { 1.0 });
    assert!(
        said.contains("w1: polarity inverted") && !said.contains("w2"),
        "{said}"
    );
    let two = bench(&["m/s2"; 2]);
    let said = with(&two, &|row, _| if row == 2 { -1.0 } else { 1.0 });
    assert!(said.contains("polarity inverted: w2 against w1"), "{said}");

    let said = with(&three, &|row, _| if row == 2 { 1.13 } else { 1.0 });
    assert!(
        said.contains("\"w2\": it differs from the rest by +13.0 %"),
        "{said}"
    );
    assert!(
        !said.contains("\"w1\"") && !said.contains("\"w3\""),
        "{said}"
    );
    let turned = dwells(&harmonics(), 4.0, 4, 2e-4, 5, |row, _| {
        Complex64::from_polar(1.0, if row == 1 { -0.21 } else { 0.0 })
    });
    let said = faults(&three, turned);
    assert!(
        said.contains("\"w1\": it differs") && said.contains("-12.0 deg"),
        "{said}"
    );

    // 30 and 30.04 m from the clamp of a string of 135.5 m/s: a standing wave.
    let place = [30.0, 30.0, 30.04, 30.0];
    let said = with(&three, &|row, hz| (TAU * hz / 135.5 * place[row]).sin());
    assert!(
        said.contains("\"w2\"") && said.contains("not at one place"),
        "{said}"
    );
}

#[test]
fn a_channel_at_full_scale_and_one_that_flattens_are_named() {
    let three = bench(&["m/s2"; 3]);
    let clean = dwells(&harmonics(), 4.0, 4, 2e-4, 5, one);
    let mut clipped = clean.clone();
    clipped
        .row_mut(2)
        .mapv_inplace(|x| (6.0 * x).clamp(-1.0, 1.0));
    let said = faults(&three, clipped);
    assert!(
        said.contains("\"w2\": it saturates: at full scale"),
        "{said}"
    );
    // The amplifier ahead of the converter, far from full scale.
    let mut flattened = clean;
    flattened.row_mut(3).mapv_inplace(|x| x.clamp(-0.18, 0.18));
    let said = faults(&three, flattened);
    assert!(
        said.contains("\"w3\"") && said.contains("it saturates or rattles"),
        "{said}"
    );
    assert!(!said.contains("\"w1\""), "{said}");
}

#[test]
fn too_little_of_a_range_is_none_and_what_is_left_open_is_said() {
    let two = bench(&["m/s2"; 2]);
    let at = |hz: &[f64]| matched(&two, dwells(hz, 5.0, 3, 2e-4, 7, one));
    for little in [&[20.0][..], &[20.0, 24.0, 28.0], &[12.0, 30.0]] {
        let said = at(little).unwrap_err().to_string();
        assert!(said.contains("too little of a range"), "{said}");
    }
    let part = at(&[15.0, 20.0, 25.0]).unwrap();
    let said = part.notes.join("\n");
    assert!(
        said.contains("the matching from 15.00 to 25.00 Hz"),
        "{said}"
    );
    // By the mains no window counts: hum would sit in it.
    let mut high = two.clone();
    high.sweep.high_hz = 60.0;
    let hz = [15.0, 20.0, 25.0, 30.0, 33.0, 49.7, 52.0];
    let mains = matched(&high, dwells(&hz, 5.0, 3, 2e-4, 7, one)).unwrap();
    let rows = mains.channels[0].rows.iter();
    let rows: Vec<i64> = rows.map(|row| row.frequency_hz.round() as i64).collect();
    assert_eq!(rows, [15, 20, 25, 30, 33, 52]);
    assert!(
        mains
            .notes
            .iter()
            .any(|note| note.contains("by a mains frequency"))
    );
    // A certificate says 1 %, and the recording that it cannot be so.
    let off = dwells(&harmonics(), 5.0, 3, 2e-4, 7, |row, _| {
        Complex64::new(if row == 2 { 1.04 } else { 1.0 }, 0.0)
    });
    let said = matched(&two, off).unwrap().notes.join("\n");
    assert!(
        said.contains("the stated calibrations allow 0.71 %"),
        "{said}"
    );
}

/// Part of a recording is missing, part of it has a dead channel for a while: the rest counts.
#[test]
fn what_is_missing_or_clipped_for_a_while_spoils_nothing() {
    let two = bench(&["m/s2"; 2]);
    let sensors = [
        Sensor(1.0, 0.0, 0.0),
        Sensor(1.003, 0.1, 0.0),
        Sensor(0.997, -0.1, 0.0),
    ];
    let mut samples = dwells(&harmonics(), 8.0, 3, 1e-4, 9, |row, hz| {
        sensors[row].response(hz)
    });
    for frame in 1000..1600 {
        samples[[1, frame]] = f64::NAN;
        samples[[2, 20_000 + frame]] = 1.0;
    }
    let found = matched(&two, samples).unwrap();
    for row in &found.channels[0].rows {
        assert!((row.gain - 1.003).abs() < 3e-4, "{row:?}");
    }
    assert!(
        found
            .notes
            .iter()
            .any(|note| note.contains("\"w2\": it was at full scale"))
    );
}

/// The demo's setup with two fixed sensors, at one place.
fn fixed() -> String {
    let mut text = demo();
    for (name, index) in [("w1", 6), ("w2", 7)] {
        let _ = write!(
            text,
            "[[channel]]\nname = \"{name}\"\nrole = \"wave\"\nsource = \"bench\"\nindex = {index}\n\
             unit = \"m/s2\"\nfull_scale = 490.3325\nuncertainty_pct = 1.0\nphase_uncertainty_deg = 0.5\n\
             position_m = 29.3\n"
        );
    }
    text
}

/// From the recording to a run that carries its matching along and can be verified, also after it
/// was moved; every alteration is told.
#[test]
fn a_run_carries_its_matching_along_and_is_verified_with_it() {
    let bench = RunFolder::with_setup(&fixed());
    let done = |arguments: &[&str]| {
        let output = bench.spanhold(arguments);
        assert_eq!(code(&output), 0, "{arguments:?}: {}", stderr(&output));
        stdout(&output)
    };
    done(&[
        "rehearse",
        "setup.toml",
        "--out",
        ".",
        "--harmonics",
        "7,9,11,13",
    ]);
    let again = ["match", "setup.toml", "setup.wav", "--out", "sensors.match"];
    done(&again);
    let refused = bench.spanhold(&again);
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("--force"), "{}", stderr(&refused));
    let made = std::fs::read(bench.path("sensors.match")).unwrap();

    let with = format!("matching = \"sensors.match\"\n{}", fixed());
    std::fs::write(bench.path("with.toml"), &with).unwrap();
    // A name is no matter of matching again, and a setup that names a matching can make one.
    done(&[
        "match",
        "with.toml",
        "setup.wav",
        "--out",
        "sensors.match",
        "--force",
        "--json",
    ]);
    std::fs::write(bench.path("sensors.match"), &made).unwrap();
    done(&["reprocess", "with.toml", "setup.wav", "--out", "run"]);
    assert_eq!(
        std::fs::read(bench.path("run/sensors.match")).unwrap(),
        made
    );
    let record: serde_json::Value = serde_json::from_str(&bench.read("run", "run.json")).unwrap();
    assert_eq!(record["matching"]["path"], "sensors.match");
    assert_eq!(
        record["matching"]["blake3"],
        blake3::hash(&made).to_hex().to_string()
    );
    done(&["report", "run"]);
    assert!(bench.read("run", "report.html").contains("sensors.match"));

    // The one beside the setup is no longer needed.
    std::fs::remove_file(bench.path("sensors.match")).unwrap();
    done(&["verify", "run"]);
    let refused = bench.spanhold(&["check", "with.toml", "setup.wav"]);
    assert_eq!(code(&refused), 2);
    let said = stderr(&refused);
    assert!(
        said.contains("with.toml:1: matching: sensors.match: the matching cannot be read"),
        "{said}"
    );

    // Another matching, sound in itself, is not the one that the run was begun with. Of the same
    // setup in the same second it would be.
    let kept = bench.path("run/sensors.match");
    let setup = std::fs::read_to_string(bench.path("setup.toml")).unwrap();
    std::fs::write(bench.path("other.toml"), setup + "# another day\n").unwrap();
    done(&[
        "match",
        "other.toml",
        "setup.wav",
        "--out",
        "run/sensors.match",
        "--force",
    ]);
    let said = bench.spanhold(&["verify", "run"]);
    assert_ne!(code(&said), 0);
    let text = stdout(&said) + &stderr(&said);
    assert!(
        text.contains("it is not the matching that the run was begun with"),
        "{text}"
    );
    // One altered by hand, and none at all.
    let altered = String::from_utf8(made.clone())
        .unwrap()
        .replacen("1.0", "1.1", 1);
    std::fs::write(&kept, altered).unwrap();
    let said = bench.spanhold(&["verify", "run"]);
    let text = stdout(&said) + &stderr(&said);
    assert!(
        code(&said) != 0 && text.contains("altered since it was written"),
        "{text}"
    );
    std::fs::remove_file(&kept).unwrap();
    let said = bench.spanhold(&["verify", "run"]);
    let text = stdout(&said) + &stderr(&said);
    assert!(code(&said) != 0 && text.contains("sensors.match"), "{text}");
    std::fs::write(&kept, made).unwrap();
    done(&["verify", "run"]);
}

/// Sensors along the span instead of at one place, and one wave channel alone.
#[test]
fn a_recording_of_a_test_is_no_matching_and_leaves_no_file() {
    let apart = edited(
        &fixed(),
        &[(
            "index = 7\nunit = \"m/s2\"\nfull_scale = 490.3325\nuncertainty_pct = 1.0\nphase_uncertainty_deg = 0.5\nposition_m = 29.3",
            "index = 7\nunit = \"m/s2\"\nfull_scale = 490.3325\nuncertainty_pct = 1.0\nphase_uncertainty_deg = 0.5\nposition_m = 28.1",
        )],
    );
    let bench = RunFolder::with_setup(&apart);
    let made = bench.spanhold(&[
        "rehearse",
        "setup.toml",
        "--out",
        ".",
        "--harmonics",
        "7,9,11,13",
    ]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    let refused = bench.spanhold(&["match", "setup.toml", "setup.wav", "--out", "sensors.match"]);
    assert_eq!(code(&refused), 2);
    let said = stderr(&refused);
    assert!(
        said.contains("sensors.match was not written, the recordings are no matching"),
        "{said}"
    );
    assert!(!bench.path("sensors.match").exists());
    let alone = bench.spanhold(&[
        "match",
        repository("config/damped-trial.toml").to_str().unwrap(),
        "setup.wav",
        "--out",
        "sensors.match",
    ]);
    assert_eq!(code(&alone), 2);
    assert!(
        stderr(&alone).contains("0 channels of the role wave"),
        "{}",
        stderr(&alone)
    );
}
