//! What the mutations of each parser begin with: inputs that are taken.

use std::path::Path;

use spanhold::ingest::frames::{AnnouncedChannel, Announcement, FrameWriter, encode_announcement};
use spanhold::setup::{MatchedChannel, MatchedRecording, MatchedRow, Matching, SampleFormat, Unit};

use super::parsers::LEDGER_FILES;

/// Inputs for a parser. `repository`: where the examples are; `run`: a run with
/// its reduction.
pub fn seeds(parser: &str, repository: &Path, run: &Path) -> Vec<Vec<u8>> {
    let read = |name: &str| std::fs::read(repository.join(name)).expect("an example");
    match parser {
        "setup" => ["bare-trial.toml", "damped-trial.toml", "serial-bench.toml"]
            .iter()
            .map(|name| read(&format!("config/{name}")))
            .collect(),
        "curve" => vec![
            read("config/curves/example-curve.csv"),
            b"frequency_times_diameter_m_hz,efficiency_pct\n0.2,10\n1.0,50\n".to_vec(),
        ],
        "matching" => vec![matching().text().into_bytes()],
        "archive-list" => vec![
            b"# a\nrun,setup,baseline,recordings\nb,b.toml,,b/\na 1,a.toml,b,1.wav,\"x=2,.wav\"\n"
                .to_vec(),
        ],
        "frames" => stream(0).chain(stream(3)).collect(),
        "frame-bodies" => bodies(),
        "lines" => vec![
            b"\x10#1,0.5,1.5\n#2,0.5,1.5\n#3,0.25,1e-3\n#4,1,2\n#9,1,2\n#10,nan,2\n".to_vec(),
            b"\x051,2\n1,2\n1,2\n1,2\nx\n1,2\n1,2,3\n".to_vec(),
            b"\x07#4294967295,1*2C\n#0,1*0E\n#1,1*0F\n#2,1*0C\n".to_vec(),
        ],
        "wav" => wavs(&read("recordings/bare-trial.wav")),
        "table" => vec![
            b"\x01Bench;;\r\nt;a;b\r\n0,000;1,5;-2\r\n0,005;2,5e-1;\r\n0,010;3;4\r\n".to_vec(),
            b"\0a,b\n1.5,2\n3,4\n".to_vec(),
            b"\x021,5\t0\n3\t0,1\n4\t0,2\n".to_vec(),
        ],
        "universal-file" => universal_files(),
        "sidecar" => vec![sidecar()],
        "requests" => vec![
            b"GET /state?x=1 HTTP/1.1\r\nHost: 127.0.0.1:8080\r\nIf-None-Match: \"a\"\r\n\r\nGET"
                .to_vec(),
            b"GET / HTTP/1.0\r\nHost: localhost:8080\r\nConnection: close\r\n\r\n".to_vec(),
            b"HEAD /signals HTTP/1.1\r\nHost: [::1]:8080\r\nOrigin: http://[::1]:8080\r\n\
              Sec-Fetch-Site: same-origin\r\nAuthorization: Bearer secret\r\n\r\n"
                .to_vec(),
            b"POST /notes HTTP/1.1\r\nHost: 127.0.0.1:8080\r\nAuthorization: Bearer secret\r\n\
              Content-Type: application/json\r\nContent-Length: 2\r\n\r\n{}"
                .to_vec(),
        ],
        _ => (0_u8..)
            .zip(LEDGER_FILES)
            .filter_map(|(which, name)| {
                let text = std::fs::read(run.join(name)).ok()?;
                Some([&[which][..], &text].concat())
            })
            .collect(),
    }
}

fn matching() -> Matching {
    let row = |frequency_hz: f64| MatchedRow {
        frequency_hz,
        gain: 1.0 + 1e-4 * frequency_hz,
        gain_u: 0.001,
        phase_deg: -0.01 * frequency_hz,
        phase_u_deg: 0.05,
        windows: 12,
        snr_db: 45.0,
    };
    let channel = |name: &str, index| MatchedChannel {
        name: name.to_owned(),
        serial: Some("A1".to_owned()),
        index,
        unit: Unit::StandardGravity,
        full_scale: 10.0,
        position_m: Some(30.0),
        rows: [10.0, 12.0, 20.0, 22.0].map(row).to_vec(),
    };
    Matching {
        program: "spanhold 0.0.0".to_owned(),
        arithmetic: 1,
        made_utc: "2026-05-06T07:08:09Z".parse().expect("a time"),
        setup_file: "setup.toml".to_owned(),
        setup_blake3: "ab".to_owned(),
        recordings: vec![MatchedRecording {
            file: "all.wav".to_owned(),
            blake3: "cd".to_owned(),
            begun: None,
        }],
        channels: vec![channel("w1", 1), channel("w2", 2)],
    }
}

/// Streams in every sample format, with a portion in front.
fn stream(lost: usize) -> impl Iterator<Item = Vec<u8>> {
    let formats = [
        SampleFormat::I16,
        SampleFormat::I24,
        SampleFormat::I32,
        SampleFormat::F32,
        SampleFormat::F64,
    ];
    formats.into_iter().map(move |format| {
        let mut line = vec![17];
        let mut writer = FrameWriter::new(format, 2, 1000.0, 0x51);
        encode_announcement(&announcement(format), &mut line);
        for number in 0..4 {
            if number == lost {
                writer.skip(3);
            }
            let samples = ndarray::Array2::from_elem((2, 3), number as f64 / 64.0);
            writer.write(samples.view(), &mut line).expect("exact");
        }
        line
    })
}

fn announcement(sample_format: SampleFormat) -> Announcement {
    Announcement {
        sample_format,
        stream_id: 0x51,
        rate_hz: 1000.0,
        device: "invented".to_owned(),
        channels: ["antinode", "node"]
            .into_iter()
            .map(|name| AnnouncedChannel {
                name: name.to_owned(),
                unit: "mm/s".to_owned(),
                full_scale: 1000.0,
            })
            .collect(),
    }
}

/// The bodies of such a stream, each behind its length and without its check
/// sum.
fn bodies() -> Vec<Vec<u8>> {
    let bodies = stream(1).map(|line| {
        let mut input = Vec::new();
        for frame in line[1..]
            .split(|&byte| byte == 0)
            .filter(|frame| !frame.is_empty())
        {
            let whole = unstuffed(frame);
            let body = &whole[..whole.len() - 4];
            if let Ok(length) = u8::try_from(body.len()) {
                input.push(length);
                input.extend(body);
            }
        }
        input
    });
    bodies.collect()
}

fn unstuffed(frame: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut rest = frame;
    while let Some((&code, behind)) = rest.split_first() {
        let (block, next) = behind.split_at((usize::from(code) - 1).min(behind.len()));
        bytes.extend(block);
        if code < 255 && !next.is_empty() {
            bytes.push(0);
        }
        rest = next;
    }
    bytes
}

/// The head of a recording with lengths that fit, plain and with the 64-bit
/// lengths.
fn wavs(recording: &[u8]) -> Vec<Vec<u8>> {
    let data = recording
        .windows(4)
        .position(|name| name == b"data")
        .expect("a recording");
    let count: usize = 600;
    let mut plain = recording[..data + 8 + count].to_vec();
    plain[4..8].copy_from_slice(&((data + count) as u32).to_le_bytes());
    plain[data + 4..data + 8].copy_from_slice(&(count as u32).to_le_bytes());
    let mut long = plain.clone();
    long[..4].copy_from_slice(b"RF64");
    long[4..8].copy_from_slice(&[0xFF; 4]);
    long[data + 4..data + 8].copy_from_slice(&[0xFF; 4]);
    let mut sizes = b"ds64".to_vec();
    sizes.extend(28_u32.to_le_bytes());
    sizes.extend((data as u64 + count as u64 + 36).to_le_bytes());
    sizes.extend((count as u64).to_le_bytes());
    sizes.extend(100_u64.to_le_bytes());
    sizes.extend(0_u32.to_le_bytes());
    long.splice(12..12, sizes);
    vec![plain, long]
}

/// A time response as text, and one in binary form, by the columns of the layout.
fn universal_files() -> Vec<Vec<u8>> {
    let head = |kind: &str| {
        let axis = format!(
            "{:10}{:5}{:5}{:5} {:<20} {:<20}\n",
            12, 0, 0, 0, "NONE", "m/s^2"
        );
        format!(
            "    -1\n{kind}\nNONE\nNONE\nNONE\nrate_hz = 200, first_sample = 7\nNONE\n\
             {:5}{:10}{:5}{:10} {:<10}{:10}{:4} {:<10}{:10}{:4}\n{:10}{:10}{:10}{:>13}{:>13}{:>13}\n{axis}{axis}{axis}{axis}",
            1, 0, 0, 0, "NONE", 1, 0, "NONE", 0, 0, 4, 3, 1, "0.00000e+00", "5.00000e-03", "0.00000e+00",
        )
        .into_bytes()
    };
    let text = [head("    58"), b"1.0 2.0 3.0D0\n    -1\n".to_vec()].concat();
    let values = [1.0_f64, -2.0, 3.0].map(f64::to_le_bytes).concat();
    let kind = format!(
        "    58b{:6}{:6}{:12}{:12}{:6}{:6}{:12}{:12}",
        1, 2, 11, 24, 0, 0, 0, 0
    );
    let binary = [head(&kind), values, b"\n    -1\n".to_vec()].concat();
    vec![[text.clone(), binary.clone()].concat(), text, binary]
}

fn sidecar() -> Vec<u8> {
    br#"{
  "version": 1,
  "source": "bench",
  "rate_hz": 220.0,
  "channels": 6,
  "sample_format": "i24",
  "clip_level": 0.9999998807907104,
  "start_index": 440,
  "start_utc": "2026-01-01T00:00:00.5Z",
  "calibration": [],
  "gaps": [{"first_sample": 400, "missing": 40}],
  "frames": 33,
  "blake3": null
}
"#
    .to_vec()
}
