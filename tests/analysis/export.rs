//! `spanhold export`: the tables and recordings of a run for other programs. That other
//! programs read them is tried by `tests/reference/archive/archive.py`.

use crate::bench::run_folder::{RunFolder, code, repository, stderr};

fn exported(format: &str) -> RunFolder {
    let bench = RunFolder::empty();
    let recording = repository("recordings/bare-trial.wav");
    std::fs::copy(recording, bench.path("bare-trial.wav")).unwrap();
    let run = [
        "reprocess",
        &repository("config/bare-trial.toml").display().to_string(),
        "bare-trial.wav",
        "--out",
        "run",
    ];
    assert_eq!(code(&bench.spanhold(&run)), 0);
    let output = bench.spanhold(&["export", "run", "--format", format, "--out", "made"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    bench
}

#[test]
fn csv_has_the_values_of_the_run_and_the_units_in_its_heading() {
    let bench = exported("csv");
    let rows = |file: &str| -> Vec<Vec<String>> {
        let mut csv = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_path(bench.path(file))
            .unwrap();
        csv.records()
            .map(|row| row.unwrap().iter().map(str::to_owned).collect())
            .collect()
    };
    for (made, own, keys) in [
        (
            "made/points.csv",
            "run/points.csv",
            [
                "iswr",
                "frequency_hz [Hz]",
                "antinode_velocity_mm_s [mm/s peak]",
            ],
        ),
        (
            "made/trace.csv",
            "run/trace.csv",
            ["iswr", "frequency_hz [Hz]", "drive_force_n [N peak]"],
        ),
    ] {
        let (made, own) = (rows(made), rows(own));
        assert_eq!(made.len(), own.len());
        for key in keys {
            let column = |rows: &[Vec<String>], name: &str| -> Vec<String> {
                let place = rows[0].iter().position(|heading| heading == name);
                let place = place.unwrap_or_else(|| panic!("{name}: {:?}", rows[0]));
                rows[1..].iter().map(|row| row[place].clone()).collect()
            };
            let plain = key.split(' ').next().unwrap();
            assert_eq!(column(&made, key), column(&own, plain), "{key}");
        }
    }
    let again = bench.spanhold(&["export", "run", "--format", "csv", "--out", "made"]);
    assert_eq!(code(&again), 2);
    assert!(stderr(&again).contains("--force"), "{}", stderr(&again));
}

/// Read by the layout of dataset 58: 13 lines, then the bytes that the second line tells.
#[test]
fn a_universal_file_holds_every_sample_in_si_units() {
    let bench = exported("uff58");
    let bytes = std::fs::read(bench.path("made/recordings.uff")).unwrap();
    let mut reader = hound::WavReader::open(repository("recordings/bare-trial.wav")).unwrap();
    let channels = usize::from(reader.spec().channels);
    let bits = u32::from(reader.spec().bits_per_sample);
    let codes: Vec<i32> = reader.samples().map(Result::unwrap).collect();
    let setup = spanhold::setup::load(&repository("config/bare-trial.toml")).unwrap();
    let mut rest = &bytes[..];
    for channel in &setup.channels {
        let mut lines = Vec::new();
        for _ in 0..13 {
            let end = rest.iter().position(|byte| *byte == b'\n').unwrap();
            lines.push(std::str::from_utf8(&rest[..end]).unwrap());
            rest = &rest[end + 1..];
        }
        assert_eq!((lines[0], &lines[1][..7]), ("    -1", "    58b"));
        let count: usize = lines[1][31..43].trim().parse().unwrap();
        assert!(lines[3].starts_with(&channel.name), "{}", lines[3]);
        let frames = codes.len() / channels;
        assert_eq!(
            (count, lines[8][10..20].trim()),
            (8 * frames, &*frames.to_string())
        );
        for (frame, value) in rest[..count].chunks_exact(8).enumerate() {
            let value = f64::from_le_bytes(value.try_into().unwrap());
            let code = f64::from(codes[frame * channels + channel.index]);
            let right =
                code / f64::from(1 << (bits - 1)) * channel.full_scale * channel.unit.to_si();
            assert!(
                (value - right).abs() <= 1e-15 * right.abs(),
                "{frame}: {value} {right}"
            );
        }
        rest = rest[count..].strip_prefix(b"    -1\n").unwrap();
    }
    assert!(rest.is_empty());
    // A recording that has changed since is not passed on.
    let recording = bench.path("bare-trial.wav");
    let mut wav = std::fs::read(&recording).unwrap();
    let last = wav.len() - 1;
    wav[last] ^= 1;
    std::fs::write(recording, wav).unwrap();
    let again = bench.spanhold(&["export", "run", "--format", "uff58", "--out", "other"]);
    assert_eq!(code(&again), 2, "{}", stderr(&again));
    assert!(stderr(&again).contains("HAS CHANGED"), "{}", stderr(&again));
    assert!(!bench.path("other/recordings.uff").exists());
}
