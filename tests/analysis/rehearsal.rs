//! A trainer makes a recording of the virtual span, and what is in it is what
//! the truth beside it says.

use std::f64::consts::TAU;
use std::path::Path;

use assert_cmd::assert::OutputAssertExt as _;
use spanhold::rehearsal::{DwellTruth, Expectation, SpanModel, VirtualSpan};
use spanhold::setup;

use crate::bench::run_folder::{self, repository};

fn spanhold(arguments: &[&str]) -> assert_cmd::assert::Assert {
    run_folder::spanhold(arguments).assert()
}

fn truth(path: &Path) -> Vec<DwellTruth> {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// All samples of a WAV file as fractions of full scale, channel by channel.
fn samples(path: &Path) -> (f64, Vec<Vec<f64>>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let mut channels = vec![Vec::new(); usize::from(spec.channels)];
    let count = channels.len();
    if spec.sample_format == hound::SampleFormat::Float {
        for (k, value) in reader.samples::<f32>().enumerate() {
            channels[k % count].push(f64::from(value.unwrap()));
        }
    } else {
        let full = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
        for (k, value) in reader.samples::<i32>().enumerate() {
            channels[k % count].push(f64::from(value.unwrap()) / full);
        }
    }
    (f64::from(spec.sample_rate), channels)
}

/// Peak of a tone of known frequency, with an offset beside it, by projection
/// on whole cycles as nearly as samples allow.
fn peak(samples: &[f64], rate_hz: f64, frequency_hz: f64) -> f64 {
    let cycles = (samples.len() as f64 * frequency_hz / rate_hz).floor();
    let n = (cycles * rate_hz / frequency_hz).round() as usize;
    let mean = samples[..n].iter().sum::<f64>() / n as f64;
    let (mut c, mut s) = (0.0, 0.0);
    for (k, x) in samples[..n].iter().enumerate() {
        let (sine, cosine) = (TAU * frequency_hz * k as f64 / rate_hz).sin_cos();
        c += (x - mean) * cosine;
        s += (x - mean) * sine;
    }
    2.0 * c.hypot(s) / n as f64
}

#[test]
fn the_demo_recordings_hold_what_their_truth_says() {
    for name in ["damped-trial", "bare-trial"] {
        let setup = setup::load(&repository(&format!("config/{name}.toml"))).unwrap();
        let dwells = truth(&repository(&format!("recordings/{name}.truth.jsonl")));
        let (rate_hz, channels) = samples(&repository(&format!("recordings/{name}.wav")));
        assert!(rate_hz >= 8.0 * setup.sweep.high_hz);
        for dwell in dwells.iter().filter(|d| d.expected == Expectation::Held) {
            let [start, end] = dwell.settled_s[0];
            let part = (start * rate_hz) as usize..(end * rate_hz) as usize;
            for channel in &setup.channels {
                // Strain gauges carry mains beside the tone, which a projection
                // over an odd interval does not quite reject.
                let tolerance = if channel.role.is_clamp_strain() {
                    0.03
                } else {
                    0.005
                };
                let want = dwell.channel_peak[&channel.name];
                let got = channel.full_scale
                    * peak(
                        &channels[channel.index][part.clone()],
                        rate_hz,
                        dwell.frequency_hz,
                    );
                assert!(
                    (got / want - 1.0).abs() < tolerance,
                    "{name}, dwell {}, {}: {got} instead of {want}",
                    dwell.dwell,
                    channel.name
                );
            }
        }
        let held = |d: &&DwellTruth| d.expected == Expectation::Held;
        assert_eq!(
            dwells.iter().filter(held).count(),
            if name == "bare-trial" { 5 } else { 8 }
        );
        assert_eq!(dwells.len(), if name == "bare-trial" { 5 } else { 10 });
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let run = |name: &str, seed: &str| {
        let out = folder.path().join(name);
        let out = out.to_str().unwrap();
        let arguments = ["rehearse", "config/damped-trial.toml", "--out", out];
        let more = ["--harmonics", "10,11", "--seconds", "4", "--seed", seed];
        spanhold(&[arguments.as_slice(), &more].concat()).success();
        let folder = folder.path().join(name);
        (
            std::fs::read(folder.join("damped-trial.wav")).unwrap(),
            std::fs::read(folder.join("damped-trial.truth.jsonl")).unwrap(),
        )
    };
    let first = run("first", "5");
    assert_eq!(first, run("again", "5"));
    assert_ne!(first.0, run("other", "6").0);
}

#[test]
fn every_format_holds_the_same_signal() {
    let folder = tempfile::tempdir().unwrap();
    let mut read = Vec::new();
    for (format, bits) in [("i16", 16), ("i24", 24), ("i32", 32), ("f32", 32)] {
        let out = folder.path().join(format);
        let arguments = [
            "rehearse",
            "config/damped-trial.toml",
            "--harmonics=12",
            "--seconds=3",
            "--format",
            format,
            "--out",
            out.to_str().unwrap(),
        ];
        spanhold(&arguments).success();
        let path = out.join("damped-trial.wav");
        let spec = hound::WavReader::open(&path).unwrap().spec();
        assert_eq!(
            (spec.channels, spec.sample_rate, spec.bits_per_sample),
            (6, 220, bits)
        );
        read.push((format, samples(&path).1));
    }
    let (_, reference) = &read[2];
    for (format, channels) in &read {
        // Half a step of the coarser of both.
        let step = if *format == "i16" {
            0.51 / 32768.0
        } else {
            0.51 / 8_388_608.0
        };
        for (one, other) in channels.iter().flatten().zip(reference.iter().flatten()) {
            assert!((one - other).abs() <= step, "{format}: {one} {other}");
        }
    }
}

/// Clamp strain of a vibrating span without damper, its wires bending each by
/// itself: half a wire times its curvature at the clamp, eps = pi d sqrt(m/EI) f y_max (zero to peak; EPRI
/// Wind-Induced Conductor Motion, eq. 3.2-14 divided by E). It holds for loops
/// long against the fading length sqrt(EI/T).
#[test]
fn clamp_strain_follows_the_handbook() {
    let dwells = truth(&repository("recordings/bare-trial.truth.jsonl"));
    // As config/bare-trial.toml has it: 26 wires of aluminium, 7 of steel.
    let wire_m: f64 = 3.44e-3;
    for dwell in dwells {
        let f_y_m_s = 1e-3 * dwell.antinode_velocity_mm_s / TAU;
        let strain = TAU / 2.0 * wire_m * (0.98_f64 / 16.0).sqrt() * f_y_m_s;
        let got = 0.5e-6 * dwell.strain_pp_um_m["end"];
        assert!(
            (got / strain - 1.0).abs() < 0.01,
            "{} Hz: {got} {strain}",
            dwell.frequency_hz
        );
    }
}

#[test]
fn a_doubtful_dwell_of_every_kind() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let output = spanhold(&[
        "rehearse",
        "config/damped-trial.toml",
        "--harmonics=10-14",
        "--seconds=25",
        "--faults",
        "--json",
        "--out",
        out,
    ])
    .success();
    let text = String::from_utf8(output.get_output().stdout.clone()).unwrap();
    let dwells: Vec<DwellTruth> = serde_json::from_str(&text).unwrap();
    assert_eq!(dwells.len(), 5 + 11);
    let count = |e| dwells.iter().filter(|d| d.expected == e).count();
    assert_eq!(count(Expectation::Held), 5);
    assert!(count(Expectation::NotHeld) >= 8);
    assert_eq!(
        dwells,
        truth(&folder.path().join("damped-trial.truth.jsonl"))
    );
}

#[test]
fn what_is_wrong_is_said_with_exit_code_2() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let cases: [(&[&str], &str); 4] = [
        (&["--harmonics=500"], "harmonic 500"),
        (&["--harmonics=nine"], "neither a number nor a range"),
        (&["--rate=100"], "four times"),
        (&["--seconds=-3"], "--seconds"),
    ];
    for (arguments, message) in cases {
        let all = [
            &["rehearse", "config/damped-trial.toml", "--out", out],
            arguments,
        ]
        .concat();
        let output = spanhold(&all).code(2);
        let text = String::from_utf8_lossy(&output.get_output().stderr).into_owned();
        assert!(text.contains(message), "{arguments:?}: {text}");
    }
    spanhold(&["rehearse", "config/none.toml", "--out", out]).code(2);
}

#[test]
fn a_setup_is_all_a_virtual_span_needs() {
    let setup = setup::load(&repository("config/damped-trial.toml")).unwrap();
    let span = VirtualSpan::new(&setup, &SpanModel::default()).unwrap();
    let inside = span
        .resonances()
        .iter()
        .filter(|r| r.frequency_hz > setup.sweep.low_hz && r.frequency_hz < setup.sweep.high_hz);
    // (27 − 11) Hz over c/(2 L) = 1.88 Hz: 8.5 loops more.
    assert!((8..=9).contains(&inside.count()));
}

/// Common practice, no source: on a conductor of 18 mm an antinode velocity of
/// about 310 mm/s peak goes with 300 µm/m peak-to-peak at the clamp, at 45 Hz.
#[test]
fn a_level_kept_by_clamp_strain_takes_the_velocity_of_the_trade() {
    use spanhold::plan::{Assumptions, Plan};
    use spanhold::rehearsal::{DriveFrequency, Program, Sensors, Step, Transition, perform};

    // 26 wires of aluminium and 7 of steel, by area and modulus (69 and 207 GPa,
    // common handbook values): 0.67 kg/m, least stiffness 7.4 N m².
    let text = "[test]\ntitle = \"invented\"\ndamper = \"invented\"\n\
                [conductor]\ndesignation = \"invented\"\ndiameter_mm = 18.0\nmass_kg_per_m = 0.67\n\
                bending_stiffness_n_m2 = 84.0\nouter_wire_diameter_mm = 2.84\n\
                least_bending_stiffness_n_m2 = 7.4\n\
                [span]\nlength_m = 36.0\ntension_kn = 14.0\ndamper_position_m = 0.8\n\
                drive_position_m = 1.1\n\
                [amplitude]\nrule = \"clamp-strain\"\nvalue = 300.0\ntolerance_pct = 10.0\n\
                [[source]]\nname = \"bench\"\nkind = \"wav\"\nrate_hz = 700.0\n\
                [[channel]]\nname = \"antinode\"\nrole = \"antinode\"\nsource = \"bench\"\nindex = 0\n\
                unit = \"m/s2\"\nfull_scale = 400.0\n\
                [[channel]]\nname = \"node\"\nrole = \"node\"\nsource = \"bench\"\nindex = 1\n\
                unit = \"m/s2\"\nfull_scale = 400.0\n\
                [[channel]]\nname = \"end\"\nrole = \"clamp-strain\"\nsource = \"bench\"\nindex = 2\n\
                unit = \"um/m\"\nfull_scale = 1000.0\nlocation = \"end\"\n\
                [[channel]]\nname = \"damper\"\nrole = \"clamp-strain\"\nsource = \"bench\"\nindex = 3\n\
                unit = \"um/m\"\nfull_scale = 1000.0\nlocation = \"damper\"\n";
    let setup = setup::parse(text, "invented.toml").unwrap();
    let span = VirtualSpan::new(&setup, &SpanModel::default()).unwrap();
    let planned = Plan::of(&setup, Assumptions::of(&setup));
    let mut tried = 0;
    for resonance in span.resonances() {
        if !(40.0..48.0).contains(&resonance.frequency_hz) {
            continue;
        }
        let at = DriveFrequency::Frequency(resonance.frequency_hz);
        let program = Program {
            lead_in_s: 0.0,
            steps: vec![Step::new(at, 1.0).reached_by(Transition::Settled)],
            lead_out_s: 0.0,
        };
        let sensors = Sensors::with_snr_db(60.0);
        let truth = perform(&span, &program, &sensors, 700.0, 1).unwrap().truth;
        let velocity_mm_s = truth[0].antinode_velocity_mm_s;
        // The level is kept at the larger gauge.
        let strains = truth[0].strain_pp_um_m.values();
        let strain_pp_um_m = strains.copied().fold(0.0, f64::max);
        assert!((strain_pp_um_m - 300.0).abs() < 1.0, "{strain_pp_um_m}");
        assert!((velocity_mm_s / 310.0 - 1.0).abs() < 0.3, "{velocity_mm_s}");
        // The plan's formula is the limit of a long span without loss.
        let plan_mm_s = planned.harmonics[0].antinode_velocity_mm_s.unwrap();
        assert!(
            (velocity_mm_s / plan_mm_s - 1.0).abs() < 0.05,
            "{velocity_mm_s} {plan_mm_s}"
        );
        tried += 1;
    }
    assert!(tried >= 3, "{tried}");
    // The field is what it was: only the gauges read otherwise.
    let mut stiff = setup.clone();
    stiff.conductor.outer_wire_diameter_mm = None;
    stiff.conductor.least_bending_stiffness_n_m2 = None;
    let other = VirtualSpan::new(&stiff, &SpanModel::default()).unwrap();
    assert_eq!(span.resonances(), other.resonances());
}

#[test]
fn each_resonance_may_have_a_recording_of_its_own_begun_when_it_had_rung_up() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("each");
    let config = repository("config/damped-trial.toml");
    let arguments = [
        "rehearse",
        config.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--each",
        "--harmonics",
        "7-9",
        "--seconds",
        "12",
        "--snr-db",
        "50",
    ];
    spanhold(&arguments).success();
    let truth = truth(&out.join("damped-trial.truth.jsonl"));
    assert_eq!(truth.len(), 3);
    for (nth, dwell) in (1..).zip(&truth) {
        let name = format!("damped-trial-{nth:02}.wav");
        assert_eq!(
            (dwell.dwell, dwell.recording.as_deref()),
            (nth, Some(&*name))
        );
        let (rate_hz, channels) = samples(&out.join(&name));
        let antinode = &channels[0];
        assert_eq!(antinode.len(), (12.0 * rate_hz) as usize);
        // As large in its first as in its last third.
        let third = antinode.len() / 3;
        let at = |part: &[f64]| peak(part, rate_hz, dwell.frequency_hz);
        let (first, last) = (at(&antinode[..third]), at(&antinode[2 * third..]));
        assert!((first / last - 1.0).abs() < 0.01, "{first} {last}");
    }
}
