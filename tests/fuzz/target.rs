//! One target for all parsers; `SPANHOLD_FUZZ` names the one to fuzz.

#![no_main]

#[path = "parsers.rs"]
mod parsers;

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

fuzz_target!(|bytes: &[u8]| {
    let (parser, bench) = meant();
    (parser.check)(bytes, bench);
});
