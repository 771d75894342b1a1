//! Time histories of other programs: the demo's recording as a table and as a universal
//! file gives the points that it gives itself. That another program's files are read is
//! tried by `tests/reference/uff58`.

use std::fmt::Write as _;

use serde_json::Value;

use crate::bench::run_folder::{RunFolder, code, repository, stderr};
use crate::bench::setups::{demo, edited};

/// A folder with the demo's setup, without pictures, and its recording.
fn bench() -> RunFolder {
    let bench = RunFolder::with_setup(&demo());
    let recording = repository("recordings/damped-trial.wav");
    std::fs::copy(recording, bench.path("damped.wav")).unwrap();
    bench
}

fn reprocessed(bench: &RunFolder, recording: &str, run: &str) -> Vec<Value> {
    let made = bench.spanhold(&["reprocess", "setup.toml", recording, "--out", run]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    let lines = bench.points(run);
    lines
        .iter()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// The same points, as far as a text or a change of unit leaves them.
fn assert_same_points(own: &[Value], other: &[Value]) {
    assert_eq!(own.len(), other.len());
    for (own, other) in own.iter().zip(other) {
        assert_eq!(own["verdict"], other["verdict"]);
        for key in [
            "frequency_hz",
            "antinode_velocity_mm_s",
            "efficiency_pct",
            "power_force_w",
        ] {
            let (own, other) = (own[key].as_f64().unwrap(), other[key].as_f64().unwrap());
            assert!((other / own - 1.0).abs() < 1e-7, "{key}: {own} {other}");
        }
    }
}

/// The first seconds of the recording, which hold two dwells, as rows.
fn rows(seconds: usize) -> Vec<Vec<f64>> {
    let mut reader = hound::WavReader::open(repository("recordings/damped-trial.wav")).unwrap();
    let spec = reader.spec();
    let columns = usize::from(spec.channels);
    let full_scale = f64::from(1_u32 << (spec.bits_per_sample - 1));
    let samples: Vec<f64> = reader
        .samples::<i32>()
        .take(seconds * spec.sample_rate as usize * columns)
        .map(|sample| f64::from(sample.unwrap()) / full_scale)
        .collect();
    samples.chunks(columns).map(<[f64]>::to_vec).collect()
}

#[test]
fn a_table_gives_the_points_of_the_recording() {
    let bench = bench();
    // A heading in Latin-1, decimal commas, semicolons.
    let mut table = b"Pr\xfcfstand 2;;;;;;\r\nt in s;a;b;c;d;e;f\r\n".to_vec();
    let rows = rows(80);
    for (frame, row) in rows.iter().enumerate() {
        let mut line = format!("{:.6}", frame as f64 / 220.0);
        for value in row {
            write!(line, ";{value:?}").unwrap();
        }
        table.extend(line.replace('.', ",").bytes());
        table.extend(b"\r\n");
    }
    std::fs::write(bench.path("damped.csv"), table).unwrap();
    let silent = bench.spanhold(&["import", "setup.toml", "damped.csv", "--out", "silent"]);
    assert_eq!(code(&silent), 2);
    assert!(
        stderr(&silent).contains("column 1, channel \"antinode\", rises evenly"),
        "{}",
        stderr(&silent)
    );
    // The shares of full scale that they are could be values.
    let import = |more: &[&str]| {
        let import = [
            "import",
            "setup.toml",
            "damped.csv",
            "--out",
            "imported",
            "--time-column",
            "1",
        ];
        bench.spanhold(&[&import, more].concat())
    };
    let unsaid = import(&[]);
    assert_eq!(code(&unsaid), 2);
    assert!(
        stderr(&unsaid).contains("--numbers units"),
        "{}",
        stderr(&unsaid)
    );
    let made = import(&["--numbers", "full-scale"]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    assert!(
        stderr(&made).contains("channel \"antinode\": up to "),
        "{}",
        stderr(&made)
    );
    // Nothing is replaced.
    let again = import(&["--numbers", "full-scale"]);
    assert_eq!(code(&again), 2);
    assert!(
        stderr(&again).contains("is there already"),
        "{}",
        stderr(&again)
    );

    let imported = reprocessed(&bench, "imported/damped.wav", "run");
    let own = reprocessed(&bench, "damped.wav", "own");
    assert!(imported.len() >= 2, "{imported:?}");
    // The last dwell of the shorter one may have been cut.
    let whole = imported.len() - 1;
    assert_same_points(&own[..whole], &imported[..whole]);
    assert_eq!(code(&bench.spanhold(&["verify", "run"])), 0);
}

#[test]
fn a_universal_file_of_our_own_comes_back_with_its_points() {
    let bench = bench();
    let own = reprocessed(&bench, "damped.wav", "own");
    let exported = bench.spanhold(&["export", "own", "--format", "uff58", "--out", "made"]);
    assert_eq!(code(&exported), 0, "{}", stderr(&exported));
    let made = bench.spanhold(&[
        "import",
        "setup.toml",
        "made/recordings.uff",
        "--out",
        "back",
    ]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    assert!(
        stderr(&made).contains(" samples at 220 Hz"),
        "{}",
        stderr(&made)
    );
    // It is known by its first line, too.
    std::fs::copy(bench.path("made/recordings.uff"), bench.path("unnamed.txt")).unwrap();
    let unnamed = bench.spanhold(&["import", "setup.toml", "unnamed.txt", "--out", "back"]);
    assert_eq!(code(&unnamed), 0, "{}", stderr(&unnamed));
    assert_eq!(
        std::fs::read(bench.path("back/unnamed.wav")).unwrap(),
        std::fs::read(bench.path("back/recordings.wav")).unwrap()
    );
    let back = reprocessed(&bench, "back/recordings.wav", "run");
    assert_same_points(&own, &back);
}

#[test]
fn another_quantity_or_a_missing_channel_is_refused() {
    let bench = bench();
    reprocessed(&bench, "damped.wav", "own");
    let exported = bench.spanhold(&["export", "own", "--format", "uff58", "--out", "made"]);
    assert_eq!(code(&exported), 0);
    let velocity = edited(
        &demo(),
        &[(
            "name = \"node\"\nrole = \"node\"\nsource = \"bench\"\nindex = 1\nunit = \"m/s2\"",
            "name = \"node\"\nrole = \"node\"\nsource = \"bench\"\nindex = 1\nunit = \"m/s\"",
        )],
    );
    std::fs::write(bench.path("velocity.toml"), velocity).unwrap();
    let one_more = demo()
        + "[[channel]]\nname = \"more\"\nrole = \"monitor\"\nsource = \"bench\"\nindex = 6\nunit = \"V\"\nfull_scale = 1.0\n";
    std::fs::write(bench.path("more.toml"), one_more).unwrap();
    for (setup, said) in [
        (
            "velocity.toml",
            "channel \"node\" is in m/s^2, and in the setup in m/s",
        ),
        ("more.toml", "the file has 0 time responses at node 7"),
    ] {
        let refused = bench.spanhold(&["import", setup, "made/recordings.uff", "--out", "no"]);
        assert_eq!(code(&refused), 2, "{setup}");
        assert!(
            stderr(&refused).contains(said),
            "{setup}: {}",
            stderr(&refused)
        );
    }
}

/// A run is told by its setup and its recordings; a table among them is pointed to where it
/// comes in.
#[test]
fn a_table_in_place_of_a_recording_is_sent_to_import() {
    let bench = bench();
    std::fs::write(bench.path("damped.csv"), "antinode;node\n1,5;2\n").unwrap();
    for command in [
        vec!["reprocess", "setup.toml", "damped.csv", "--out", "run"],
        vec!["check", "setup.toml", "damped.csv"],
    ] {
        let refused = bench.spanhold(&command);
        assert_eq!(code(&refused), 2, "{command:?}");
        assert!(
            stderr(&refused).contains("`spanhold import`"),
            "{}",
            stderr(&refused)
        );
    }
}

/// Invented: two channels of one device at 200 Hz.
#[test]
fn values_in_units_come_to_full_scale_and_wrong_times_are_refused() {
    let bench = bench();
    let setup = edited(&demo(), &[("rate_hz = 220.0", "rate_hz = 200.0")]);
    std::fs::write(bench.path("slow.toml"), setup).unwrap();
    let table = |name: &str, interval: f64| {
        let mut text = "t,a,b,c,d,e,f,number\n".to_owned();
        for frame in 0..40 {
            let value = f64::from(frame % 7) - 3.0;
            writeln!(
                text,
                "{:.3},{value:.1},2.0,{value:.1},0.5,1.0,1.0,{frame}",
                interval * f64::from(frame)
            )
            .unwrap();
        }
        std::fs::write(bench.path(name), text).unwrap();
    };
    table("seconds.csv", 0.005);
    table("milliseconds.csv", 5.0);
    let import = |file: &str, more: &[&str]| {
        let import = [
            "import",
            "slow.toml",
            file,
            "--out",
            "made",
            "--numbers",
            "units",
        ];
        bench.spanhold(&[&import, more].concat())
    };
    let wrong = import("milliseconds.csv", &["--time-column", "1"]);
    assert_eq!(code(&wrong), 2);
    assert!(
        stderr(&wrong).contains("come at 0.2000000 Hz"),
        "{}",
        stderr(&wrong)
    );
    let made = import("seconds.csv", &["--time-column", "1"]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    for said in [
        "belong to no channel of the setup: 8",
        "40 samples at 200 Hz",
        "channel \"antinode\": up to 3.000 m/s2",
    ] {
        assert!(stderr(&made).contains(said), "{said}: {}", stderr(&made));
    }
}
