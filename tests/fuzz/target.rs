//! One target for all parsers; `SPANHOLD_FUZZ` names the one to fuzz. With
//! `SPANHOLD_FUZZ_SEEDS=FOLDER` it writes what they begin with, and ends.

#![no_main]

#[path = "parsers.rs"]
mod parsers;
#[path = "seeds.rs"]
mod seeds;

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use libfuzzer_sys::fuzz_target;
use parsers::{Bench, PARSERS, Parser};

fn meant() -> &'static (&'static Parser, Bench) {
    static MEANT: OnceLock<(&Parser, Bench)> = OnceLock::new();
    MEANT.get_or_init(|| {
        let name = std::env::var("SPANHOLD_FUZZ").expect("SPANHOLD_FUZZ names a parser");
        let parser = PARSERS.iter().find(|parser| parser.name == name);
        let folder = std::env::var("SPANHOLD_FUZZ_FOLDER").expect("SPANHOLD_FUZZ_FOLDER");
        (parser.expect("no such parser"), Bench::in_folder(folder.into()))
    })
}

/// For each parser what its mutations begin with, from the repository and from
/// the run in the folder of the fuzzer.
fn write_seeds(folder: &Path) {
    let repository = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let run = std::env::var("SPANHOLD_FUZZ_FOLDER").expect("SPANHOLD_FUZZ_FOLDER");
    for parser in &PARSERS {
        let corpus = folder.join(parser.name);
        std::fs::create_dir_all(&corpus).expect("the folder of the corpus");
        let all = seeds::seeds(parser.name, &repository, Path::new(&run));
        for (number, seed) in all.iter().enumerate() {
            std::fs::write(corpus.join(format!("seed-{number}")), seed).expect("a seed");
        }
    }
}

fuzz_target!(init: {
    if let Some(folder) = std::env::var_os("SPANHOLD_FUZZ_SEEDS") {
        write_seeds(&PathBuf::from(folder));
        std::process::exit(0);
    }
}, |bytes: &[u8]| {
    let (parser, bench) = meant();
    (parser.check)(bytes, bench);
});
