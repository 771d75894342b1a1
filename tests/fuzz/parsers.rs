//! Every parser of bytes from outside, and what has to hold for any bytes.
//!
//! Shared by the fuzz target (`tests/fuzz/run`) and by the mutation tests of
//! the normal suite. A parser may refuse; it must not panic, hang, take memory
//! out of proportion, or give something that is not in the bytes.

use std::collections::BTreeSet;
use std::io::Cursor;
use std::path::{Component, Path, PathBuf};
use std::time::Duration;

use spanhold::evaluation::criteria::RequiredCurve;
use spanhold::ingest::frames::{Frame, FrameDecoder};
use spanhold::ingest::lines::LineDecoder;
use spanhold::ingest::serial::LinkDecoder;
use spanhold::ingest::sidecar::{read_sidecar, sidecar_path};
use spanhold::ingest::time_history::csv::{self, TimeBase};
use spanhold::ingest::time_history::uff58;
use spanhold::ingest::wav::WavReader;
use spanhold::ingest::{Block, MAX_SAMPLE_INDEX};
use spanhold::ledger::Run;
use spanhold::live::{Access, read_head};
use spanhold::plan::{Assumptions, Plan};
use spanhold::report::reduction::read_reduction;
use spanhold::reprocessing::ArchiveList;
use spanhold::setup::{self, Matching};

pub struct Parser {
    pub name: &'static str,
    pub check: fn(&[u8], &Bench),
}

pub const PARSERS: [Parser; 13] = [
    Parser {
        name: "setup",
        check: setup_text,
    },
    Parser {
        name: "curve",
        check: curve,
    },
    Parser {
        name: "matching",
        check: matching,
    },
    Parser {
        name: "archive-list",
        check: archive_list,
    },
    Parser {
        name: "frames",
        check: frames,
    },
    Parser {
        name: "frame-bodies",
        check: frame_bodies,
    },
    Parser {
        name: "lines",
        check: lines,
    },
    Parser {
        name: "wav",
        check: wav,
    },
    Parser {
        name: "table",
        check: table,
    },
    Parser {
        name: "universal-file",
        check: universal_file,
    },
    Parser {
        name: "sidecar",
        check: sidecar,
    },
    Parser {
        name: "ledger",
        check: ledger,
    },
    Parser {
        name: "requests",
        check: requests,
    },
];

/// The files of a run that the ledger's parser reads, in the order in which the
/// first byte chooses among them.
pub const LEDGER_FILES: [&str; 9] = [
    "points.jsonl",
    "evidence.jsonl",
    "events.jsonl",
    "run.json",
    "trace.csv",
    "setup.toml",
    "reduction.json",
    "results.jsonl",
    "notes.jsonl",
];

/// A folder for parsers that read files; `run` in it is a run whose parts are
/// replaced one at a time, `plain.wav` a recording.
pub struct Bench {
    folder: PathBuf,
}

impl Bench {
    pub fn in_folder(folder: PathBuf) -> Self {
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }
}

/// Requests to the live page: a head is what stands before the empty line and nothing
/// else, and who lacks the token, or comes from a page of somebody else, sees nothing.
fn requests(bytes: &[u8], _bench: &Bench) {
    let Ok(Some(request)) = read_head(bytes) else {
        return;
    };
    assert!(request.length <= bytes.len());
    let (head, _) = bytes.split_at(request.length);
    assert_eq!(read_head(head), Ok(Some(request.clone())));
    assert_eq!(read_head(&head[..head.len() - 1]), Ok(None));
    for text in [&request.method, &request.path, &request.host] {
        let length = text.len().max(1);
        assert!(text.is_empty() || head.windows(length).any(|at| at == text.as_bytes()));
    }
    let access = |address: &str| Access {
        address: address.parse().expect("an address"),
        token: "secret".into(),
    };
    let shared = access("0.0.0.0:8080").check(&request, false);
    assert!(shared.is_err() || request.token.as_deref() == Some("secret"));
    if access("127.0.0.1:8080").check(&request, false).is_ok() {
        // Who writes needs the token on this computer, too.
        assert!(request.method != "POST" || request.token.as_deref() == Some("secret"));
        let own = format!("http://{}", request.host);
        assert!(request.origin.is_none_or(|origin| origin == own));
        let name = request.host.rsplit_once(':').map_or("", |(name, _)| name);
        let bare = name.trim_matches(['[', ']']);
        let loops = bare
            .parse()
            .is_ok_and(|ip: std::net::IpAddr| ip.is_loopback());
        assert!(loops || name.eq_ignore_ascii_case("localhost"), "{name}");
    }
}

fn setup_text(bytes: &[u8], _bench: &Bench) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match setup::examine(text, "fuzzed.toml") {
        Ok(loaded) => {
            let setup = &loaded.setup;
            assert_eq!(loaded.text, text);
            assert!(setup.sweep.low_hz < setup.sweep.high_hz);
            assert!(setup.main_source().is_some());
            assert!(!setup::explain(setup).is_empty());
            let plan = Plan::of(setup, Assumptions::of(setup));
            assert!(plan.harmonics.len() < 100_000);
            for harmonic in &plan.harmonics {
                assert!(harmonic.frequency_hz.is_finite() && harmonic.frequency_hz > 0.0);
            }
        }
        Err(refusal) => {
            assert!(!refusal.faults.is_empty());
            let last = text.matches('\n').count() + 1;
            for fault in &refusal.faults {
                assert!(fault.line.is_none_or(|line| (1..=last).contains(&line)));
                assert!(!fault.wrong.is_empty() && !fault.right.is_empty());
            }
            let said = refusal.to_string();
            assert_eq!(said.lines().count(), refusal.faults.len(), "{said:?}");
        }
    }
}

fn curve(bytes: &[u8], _bench: &Bench) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match RequiredCurve::parse(text, "fuzzed.csv") {
        Ok(curve) => {
            let (low_hz, high_hz) = curve.range_hz(21.8);
            assert!(low_hz.is_finite() && high_hz > low_hz);
            for corner in curve.corners_hz(21.8) {
                assert!((0.0..=100.0).contains(&corner.1), "{corner:?}");
            }
            for step in 0..=16 {
                let at_hz = low_hz + (high_hz - low_hz) * f64::from(step) / 16.0;
                let required = curve.required_pct(at_hz, 21.8);
                assert!(required.is_none_or(|pct| (-1e-9..=100.000_001).contains(&pct)));
            }
        }
        Err(refusal) => assert!(!refusal.to_string().is_empty()),
    }
}

/// As it is, and with the hash that it would have: else nothing gets past that.
fn matching(bytes: &[u8], _bench: &Bench) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let key = "matching_blake3 = \"";
    let resealed = text.split_once(key).and_then(|(before, rest)| {
        let (_, behind) = rest.split_once('"')?;
        let with = |hash: &str| format!("{before}{key}{hash}\"{behind}");
        let hash = blake3::hash(with("").as_bytes()).to_hex();
        Some(with(&hash))
    });
    for text in [Some(text), resealed.as_deref()].into_iter().flatten() {
        match Matching::parse(text) {
            Ok((matching, lines)) => {
                assert!(matching.channels.len() >= 2 && lines.len() == matching.channels.len());
                for channel in &matching.channels {
                    let (low_hz, high_hz) = matching.range_hz(&channel.name).unwrap();
                    for step in 0..=20 {
                        let at_hz =
                            0.8 * low_hz + (1.2 * high_hz - 0.8 * low_hz) * f64::from(step) / 20.0;
                        let found = matching.relative(&channel.name, at_hz);
                        assert_eq!(
                            found.is_some(),
                            matching.uncovered(&channel.name, at_hz).is_none()
                        );
                        assert!(found.is_none_or(|found| {
                            (0.49..=2.01).contains(&found.factor.norm())
                                && found.gain_standard_u.is_finite()
                                && found.phase_standard_u_rad.is_finite()
                        }));
                    }
                }
            }
            Err(refusal) => assert!(!refusal.wrong.is_empty() && !refusal.right.is_empty()),
        }
    }
}

/// Run folders stay in the archive's, and each is named once.
fn archive_list(bytes: &[u8], _bench: &Bench) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match ArchiveList::parse(text, "fuzzed.csv", Path::new("/nowhere")) {
        Ok(list) => {
            let mut names = BTreeSet::new();
            for entry in &list.entries {
                let mut parts = Path::new(&entry.run).components();
                assert!(matches!(parts.next(), Some(Component::Normal(_))));
                assert!(parts.next().is_none(), "{}", entry.run);
                assert!(names.insert(entry.run.to_lowercase()), "{}", entry.run);
                assert!(!entry.recordings.is_empty());
            }
            assert!(!names.is_empty());
        }
        Err(refusal) => assert!(!refusal.to_string().is_empty()),
    }
}

/// What blocks have to be whatever came in: in order, not overlapping, counted.
fn check_blocks(blocks: &[Block], decoder: &mut LinkDecoder, bytes: usize) {
    let mut next = 0;
    let mut samples = 0;
    for block in blocks {
        assert!(block.first_sample >= next);
        let frames = block.samples.ncols() as u64;
        next = block.first_sample + frames;
        assert!(next <= MAX_SAMPLE_INDEX);
        samples += frames * block.samples.nrows() as u64;
    }
    assert!(samples <= bytes as u64, "more samples than bytes");
    let taken = decoder.statistics().samples;
    let frames: u64 = blocks
        .iter()
        .map(|block| block.samples.ncols() as u64)
        .sum();
    assert!(frames <= taken, "{frames} frames out of {taken}");
}

/// As bits: a value that is missing is NaN, which equals nothing.
fn bits(blocks: &[Block]) -> Vec<(u64, Vec<u64>)> {
    let frames = blocks.iter().flat_map(|block| {
        let columns = block.samples.columns().into_iter().enumerate();
        columns.map(|(at, column)| {
            let values = column.iter().map(|value| value.to_bits()).collect();
            (block.first_sample + at as u64, values)
        })
    });
    frames.collect()
}

/// The bytes pushed in portions, a second after each other.
fn pushed(mut decoder: LinkDecoder, bytes: &[u8], portion: usize) -> Vec<(u64, Vec<u64>)> {
    let mut blocks = Vec::new();
    for part in bytes.chunks(portion.max(1)) {
        if decoder.push(part, Duration::ZERO, &mut blocks).is_err() {
            break;
        }
    }
    decoder.flush(Duration::ZERO, &mut blocks);
    check_blocks(&blocks, &mut decoder, bytes.len());
    bits(&blocks)
}

fn any_portion<'a>(bytes: &'a [u8], decode: impl Fn(&'a [u8], usize) -> Vec<(u64, Vec<u64>)>) {
    let Some((portion, bytes)) = bytes.split_first() else {
        return;
    };
    let whole = decode(bytes, bytes.len());
    assert_eq!(decode(bytes, usize::from(*portion)), whole);
}

fn frames(bytes: &[u8], _bench: &Bench) {
    let mut decoder = FrameDecoder::default();
    decoder.push(bytes, |frame| {
        if let Frame::Samples(frame) = frame {
            let width =
                usize::from(frame.header.channels) * frame.header.sample_format.sample_bytes();
            assert_eq!(frame.samples.len() % width, 0);
        }
    });
    any_portion(bytes, |bytes, portion| {
        pushed(LinkDecoder::frames(7), bytes, portion)
    });
}

/// Bodies behind a length each, made into frames with right check sums: what
/// no bad line, but a bad device could send.
fn frame_bodies(bytes: &[u8], bench: &Bench) {
    let mut line = vec![64];
    let mut rest = bytes;
    while let Some((length, behind)) = rest.split_first() {
        let length = usize::from(*length).min(behind.len());
        let (body, next) = behind.split_at(length);
        spanhold_frame(body, &mut line);
        rest = next;
    }
    frames(&line, bench);
}

/// A body with its check sum, stuffed, and the zero that ends it.
fn spanhold_frame(body: &[u8], line: &mut Vec<u8>) {
    let mut whole = body.to_vec();
    whole.extend(crc32(body).to_le_bytes());
    let mut block = Vec::new();
    let mut stuffed = Vec::new();
    for &byte in &whole {
        if byte != 0 {
            block.push(byte);
        }
        if byte == 0 || block.len() == 254 {
            stuffed.push(block.len() as u8 + 1);
            stuffed.append(&mut block);
        }
    }
    stuffed.push(block.len() as u8 + 1);
    stuffed.append(&mut block);
    line.extend(stuffed);
    line.push(0);
}

/// CRC-32 of the catalogue's ISO-HDLC, bit by bit.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ if crc & 1 == 1 { 0xEDB8_8320 } else { 0 }
        })
    })
}

fn lines(bytes: &[u8], _bench: &Bench) {
    let mut decoder = LineDecoder::default();
    decoder.push(bytes, |line| {
        if let Some(line) = line {
            assert!(!line.values.is_empty());
            assert!(line.values.iter().all(|value| !value.is_infinite()));
        }
    });
    any_portion(bytes, |bytes, portion| {
        pushed(LinkDecoder::lines(7, 100.0), bytes, portion)
    });
}

/// Reads all of a recording, never more than its bytes can hold.
fn read_wav(path: &Path, bytes: usize) {
    let Ok(mut reader) = WavReader::open(&[path.to_owned()]) else {
        return;
    };
    let mut frames = 0;
    let mut next = reader.first_sample();
    while let Ok(Some(block)) = reader.next_block(1000) {
        assert!(block.first_sample >= next);
        next = block.first_sample + block.samples.ncols() as u64;
        frames += block.samples.ncols() * block.samples.nrows();
        assert!(frames <= bytes, "more samples than bytes");
    }
}

fn wav(bytes: &[u8], bench: &Bench) {
    let path = bench.path("fuzzed.wav");
    let mut cursor = Cursor::new(bytes);
    let _ = spanhold::ingest::wav::read_header(&mut cursor, bytes.len() as u64, &path);
    std::fs::write(&path, bytes).expect("the folder of the fuzzer");
    read_wav(&path, bytes.len());
}

/// The first byte says which column is the time, or that none is.
fn table(bytes: &[u8], _bench: &Bench) {
    let Some((column, bytes)) = bytes.split_first() else {
        return;
    };
    let text = String::from_utf8_lossy(bytes);
    let base = match usize::from(column % 4) {
        0 => TimeBase::RateHz(200.0),
        column => TimeBase::Column(column),
    };
    match csv::parse(&text, base) {
        Ok(history) => {
            assert!(history.rate_hz.is_finite() && history.rate_hz > 0.0);
            assert!(
                history.samples.len() <= bytes.len(),
                "more samples than bytes"
            );
        }
        Err(fault) => {
            assert!(
                (1..=text.lines().count().max(1)).contains(&fault.line),
                "{fault}"
            );
            assert!(!fault.what.is_empty());
        }
    }
}

fn universal_file(bytes: &[u8], _bench: &Bench) {
    match uff58::parse(bytes) {
        Ok((responses, _)) => {
            let mut values = 0;
            for response in &responses {
                assert!(response.rate_hz.is_finite() && response.rate_hz > 0.0);
                values += response.values.len();
            }
            assert!(values <= bytes.len(), "more samples than bytes");
        }
        Err(fault) => assert!(!fault.what.is_empty()),
    }
}

fn sidecar(bytes: &[u8], bench: &Bench) {
    let path = bench.path("plain.wav");
    std::fs::write(sidecar_path(&path), bytes).expect("the folder of the fuzzer");
    let _ = read_sidecar(&path);
    read_wav(&path, 1 << 24);
}

fn ledger(bytes: &[u8], bench: &Bench) {
    let Some((which, bytes)) = bytes.split_first() else {
        return;
    };
    let name = LEDGER_FILES[usize::from(*which) % LEDGER_FILES.len()];
    let run = bench.path("run");
    let path = run.join(name);
    let written = bench.path("as-written").join(name);
    let written = std::fs::read(written).expect("the run of the fuzzer");
    std::fs::write(&path, bytes).expect("the folder of the fuzzer");
    let opened = Run::open(&run);
    if let Ok(opened) = &opened {
        let _ = opened.trace(0.0, 1e9);
        for point in &opened.points {
            let _ = opened.evidence_of(point.point);
        }
    }
    let reads_its_reduction = opened.as_ref().is_ok_and(|run| read_reduction(run).is_ok());
    std::fs::write(&path, &written).expect("the folder of the fuzzer");
    // Whatever differs from what was written is noticed by who reads it. The
    // log of results has no end that is put down elsewhere: what is cut off it
    // shows where the file that it was about is read. A last line without its end, or
    // with zeros in it, is one that a cut of the power left.
    let last = bytes.split_inclusive(|&byte| byte == b'\n').next_back();
    let torn = last.filter(|line| !line.ends_with(b"\n") || line.contains(&0));
    let whole_lines = bytes.len() - torn.map_or(0, <[u8]>::len);
    let is_cut = name == "results.jsonl" && written.starts_with(&bytes[..whole_lines]);
    if bytes != written && !is_cut {
        let rests_on_results = matches!(name, "reduction.json" | "results.jsonl");
        let unnoticed = opened.is_ok_and(|run| {
            run.alterations.is_empty() && (rests_on_results || run.notes.is_empty())
        }) && (!rests_on_results || reads_its_reduction);
        assert!(!unnoticed, "{name} was altered unseen");
    }
}
