//! Fixed sensors beside what else a bench has: a pair that is moved, a tension channel, a
//! generator's signal, a decay. The outside is the rehearsal's exact field; benches are invented.

use spanhold::setup::{Channel, Role, Setup, Unit, Verdict};

use crate::bench::finished_run::fixed_trial;
use crate::bench::fixed_sensors::{with_fixed_sensors, with_sensors_at};
use crate::bench::recordings::cut;
use crate::bench::run_folder::{RunFolder, code, stderr, stdout};
use crate::bench::setups::{demo, edited};
use crate::bench::virtual_span::{analyse, in_dwell, in_sweep};
use crate::fixed_places::Bench;

/// A pair that is moved, and fixed sensors at these places.
fn beside_a_pair(pair: &Setup, places_m: &[f64]) -> Setup {
    let mut setup = pair.clone();
    let fixed = with_sensors_at(pair, places_m).channels.into_iter();
    setup
        .channels
        .extend(fixed.filter(|channel| channel.role == Role::Wave));
    setup
}

/// Two sensors half a wavelength apart see the same. What the pair reads beside them stands, and
/// so does the budget of its uncertainty.
#[test]
fn a_pair_keeps_its_budget_where_fixed_sensors_tell_nothing() {
    let anywhere = |pair: &Setup| beside_a_pair(pair, &[20.0, 21.0]);
    let plain = Bench::new(7500, anywhere);
    let mut resonances = in_sweep(&plain.real, &plain.span);
    resonances.retain(|r| r.time_constant_s < 5.0);
    let hz = resonances[0].frequency_hz;
    let loop_m = plain.real.strung_conductor().loop_length_m(hz);
    let last_m = plain.setup.span.length_m - 3.0;
    let bench = Bench::new(7500, |pair| beside_a_pair(pair, &[last_m - loop_m, last_m]));
    let rehearsal = bench.dwells_at(&resonances[..1], &[0.0]);
    let judged = analyse(&bench.setup, &rehearsal, 5000);
    let held = in_dwell(&judged, &rehearsal.truth[0])[0];
    assert_eq!(
        held.point.verdict,
        Verdict::Held,
        "{:?}",
        held.point.reasons
    );
    let says = |reason: &String| reason.contains("multiple of half a wavelength");
    assert!(
        held.point.reasons.iter().any(says),
        "{:?}",
        held.point.reasons
    );
    let iswr = held.point.iswr.unwrap();
    assert!((iswr.value / rehearsal.truth[0].iswr - 1.0).abs() < 0.02);
    let budget = &held.evidence.uncertainty_budget;
    assert!(budget.len() >= 3, "{budget:?}");
    assert!(
        budget.iter().any(|line| line.cause.contains("node")),
        "{budget:?}"
    );
}

/// A tension channel says what the waves are judged by, not the setup's tension, which is 6 %
/// too low here.
#[test]
fn the_waves_are_judged_by_the_measured_tension() {
    let mut bench = Bench::new(7600, |pair| {
        let mut setup = with_fixed_sensors(pair, 3);
        let model = setup.channels[0].clone();
        setup.channels.push(Channel {
            name: "tension".into(),
            role: Role::Tension,
            unit: Unit::Kilonewton,
            full_scale: 80.0,
            uncertainty_pct: Some(0.5),
            phase_uncertainty_deg: None,
            position_m: None,
            ..model
        });
        setup
    });
    // The cell shows the tension as it is.
    let cell = bench.setup.channels.len() - 1;
    bench.sensors.channels[cell].offset = bench.real.span.tension_kn;
    bench.setup.span.tension_kn *= 0.94;
    let rehearsal = bench.dwells(4, &[0.0]);
    let judged = analyse(&bench.setup, &rehearsal, 5000);
    let mut held = 0;
    for truth in &rehearsal.truth {
        let best = in_dwell(&judged, truth)[0];
        assert_eq!(
            best.point.verdict,
            Verdict::Held,
            "{:?}",
            best.point.reasons
        );
        let tension = best.point.tension_kn;
        let tension = tension.unwrap_or_else(|| panic!("{:?}", best.point.reasons));
        assert!((tension.value / bench.real.span.tension_kn - 1.0).abs() < 0.005);
        let iswr = best.point.iswr.unwrap();
        assert!(
            (iswr.value - truth.iswr).abs() < 1.5 * iswr.u,
            "{iswr:?}, {} is right",
            truth.iswr
        );
        held += 1;
    }
    assert!(held >= 3);
}

/// A free decay is read by fixed sensors as by a pair: the decrement of both is that of the same
/// span.
#[test]
fn a_decay_is_read_by_fixed_sensors_as_by_a_pair() {
    let decrement = |setup: &str| -> (f64, f64) {
        let bench = RunFolder::with_setup(setup);
        let done = |arguments: &[&str]| {
            let output = bench.spanhold(arguments);
            assert!(code(&output) < 2, "{arguments:?}: {}", stderr(&output));
            stdout(&output)
        };
        let faults = ["--harmonics", "10", "--faults=drive-cut"];
        done(&[&["rehearse", "setup.toml", "--out", "made"][..], &faults].concat());
        done(&["reprocess", "setup.toml", "made/setup.wav", "--out", "run"]);
        let reduced: serde_json::Value =
            serde_json::from_str(&done(&["reduce", "run", "--json"])).unwrap();
        let whole = &reduced["decays"][0]["whole"];
        let number = |key: &str| whole[key].as_f64().unwrap_or_else(|| panic!("{reduced:#}"));
        (number("log_decrement"), number("log_decrement_u"))
    };
    let (pair, pair_u) = decrement(&demo());
    let (fixed, fixed_u) = decrement(&fixed_trial());
    assert!(
        (pair - fixed).abs() < pair_u.hypot(fixed_u),
        "{pair} ± {pair_u}, {fixed} ± {fixed_u}"
    );
    assert!(fixed_u < 0.05 * fixed, "{fixed} ± {fixed_u}");
}

/// The phase against the generator's signal at the peak, once learnt from the free motion that
/// fixed sensors show, tells where the drive stands in a recording that shows nothing by itself
/// but to three sensors, by the place of the nodes.
#[test]
fn the_drive_signal_is_learnt_beside_fixed_sensors() {
    let three = edited(
        &fixed_trial(),
        &[(
            "role = \"drive-force\"\nsource = \"bench\"\nindex = 0\nunit = \"N\"\nfull_scale = 200.0\nuncertainty_pct = 1.5\nphase_uncertainty_deg = 0.2\n",
            "role = \"drive-signal\"\nsource = \"bench\"\nindex = 0\n",
        )],
    );
    let third = three.find("[[channel]]\nname = \"fixed-3\"").unwrap();
    let behind = three.find("# What the run is held against").unwrap();
    let two = format!("{}{}", &three[..third], &three[behind..]);
    let bench = RunFolder::with_setup(&three);
    std::fs::write(bench.path("two.toml"), two).unwrap();
    let made = [
        "rehearse",
        "setup.toml",
        "--out",
        "whole",
        "--harmonics",
        "9",
        "--seconds",
        "75",
    ];
    let output = bench.spanhold(&made);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let whole = bench.path("whole/setup.wav");
    let rate_hz = hound::WavReader::open(&whole).unwrap().spec().sample_rate as usize;
    for (name, seconds) in [("1-first.wav", 0..40), ("2-later.wav", 45..70)] {
        let frames = seconds.start * rate_hz..seconds.end * rate_hz;
        cut(&whole, &bench.path(name), frames);
    }
    let verdicts = |setup: &str, files: &[&str], out: &str| -> Vec<String> {
        let arguments = [&["reprocess", setup][..], files, &["--out", out]].concat();
        let output = bench.spanhold(&arguments);
        assert_eq!(code(&output), 0, "{}", stderr(&output));
        let points = bench.points(out).into_iter().map(|line| {
            let point: serde_json::Value = serde_json::from_str(&line).unwrap();
            point["verdict"].as_str().unwrap().to_owned()
        });
        points.collect()
    };
    let both = ["1-first.wav", "2-later.wav"];
    assert_eq!(verdicts("two.toml", &both[1..], "alone"), ["steady"]);
    assert_eq!(verdicts("two.toml", &both, "both"), ["held", "held"]);
    assert_eq!(verdicts("setup.toml", &both[1..], "by-nodes"), ["held"]);
}
