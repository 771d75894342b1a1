//! Every parser of bytes from outside under mutations of inputs that it takes:
//! a share of what `tests/fuzz/run` does for as long as it is given, without
//! the coverage, in the normal suite. `SPANHOLD_FUZZ_EXECUTIONS=100000` asks for
//! more of each; `SPANHOLD_CAMPAIGN_SEED` begins elsewhere.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use rand::seq::IndexedRandom as _;
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use crate::bench::run_folder::{copy_folder, repository};
use crate::parsers::{Bench, PARSERS};
use crate::seeds::seeds;
use crate::tampering::finished;

/// Inputs of each parser; those that read files, or a whole run, get fewer.
const EXECUTIONS: usize = 2000;
const PIECES: [&[u8]; 22] = [
    b"\0",
    b"\n",
    b"\xff\xff\xff\xff",
    b"\0\0\0\x80",
    b"1e308",
    b"-1",
    b"nan",
    b"99999999999999999999",
    b"null",
    b"[",
    b"]",
    b"{",
    b"}",
    b"\"",
    b",",
    b"=",
    b"\xe2\x80\xae",
    b"\x1b[31m",
    b"data",
    b"RF64",
    b"[[channel]]",
    b"\xef\xbb\xbf",
];

/// Some places of an input changed, cut out, doubled or taken from another.
fn mutate(chance: &mut ChaCha8Rng, seeds: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = seeds.choose(chance).unwrap().clone();
    for _ in 0..chance.random_range(1..6) {
        let at = chance.random_range(0..=bytes.len());
        let length = chance.random_range(0..=(bytes.len() - at).min(64));
        match chance.random_range(0..7) {
            0 if at < bytes.len() => bytes[at] ^= 1 << chance.random_range(0..8_u32),
            1 if at < bytes.len() => bytes[at] = chance.random(),
            2 => drop(bytes.drain(at..at + length)),
            3 => {
                let part = bytes[at..at + length].to_vec();
                let to = chance.random_range(0..=bytes.len());
                bytes.splice(to..to, part);
            }
            4 => {
                let piece = PIECES.choose(chance).unwrap();
                let until = (at + length.min(8)).min(bytes.len());
                bytes.splice(at..until, piece.iter().copied());
            }
            5 => bytes.truncate(at),
            _ => {
                let other = seeds.choose(chance).unwrap();
                let from = chance.random_range(0..=other.len());
                bytes.truncate(at);
                bytes.extend(&other[from..]);
            }
        }
    }
    bytes
}

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

#[test]
fn no_parser_gives_way_under_mutations() {
    let folder = tempfile::tempdir().unwrap();
    let run = finished().run();
    for name in ["run", "as-written"] {
        copy_folder(&run, &folder.path().join(name));
    }
    let plain = repository("recordings/bare-trial.wav");
    std::fs::copy(plain, folder.path().join("plain.wav")).unwrap();
    let bench = Bench::in_folder(folder.path().to_owned());
    let first = number("SPANHOLD_CAMPAIGN_SEED").unwrap_or(0);
    for parser in &PARSERS {
        let seeds = seeds(parser.name, Path::new(&repository("")), &run);
        assert!(!seeds.is_empty(), "{}", parser.name);
        // What is taken is among what is tried.
        seeds.iter().for_each(|seed| (parser.check)(seed, &bench));
        let few = match parser.name {
            "ledger" => EXECUTIONS / 40,
            "sidecar" | "setup" => EXECUTIONS / 4,
            _ => EXECUTIONS,
        };
        let executions = number("SPANHOLD_FUZZ_EXECUTIONS").map_or(few, |count| count as usize);
        let mut chance = ChaCha8Rng::seed_from_u64(first);
        for execution in 0..executions {
            let bytes = mutate(&mut chance, &seeds);
            let done = catch_unwind(AssertUnwindSafe(|| (parser.check)(&bytes, &bench)));
            assert!(
                done.is_ok(),
                "{}: seed {first}, execution {execution}: {:?}",
                parser.name,
                String::from_utf8_lossy(&bytes)
            );
        }
    }
}
