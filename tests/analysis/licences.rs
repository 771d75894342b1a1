//! What this program is built of: licences that allow it, and crates of the
//! public registry only. Works without a network, on what Cargo.lock names for
//! this system. Known weaknesses (advisories) are not looked up here: there is
//! no copy of the database in a checkout, and an old one would lull.

use std::process::Command;

use crate::bench::run_folder::repository;

/// Licences that ask for no more than their text to be passed on.
const ALLOWED: [&str; 10] = [
    "0BSD",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MIT",
    "Unicode-3.0",
    "Zlib",
];

/// What asks for more, and why it may be linked all the same.
const EXCEPTIONS: [(&str, &str, &str); 1] = [(
    "serialport",
    "MPL-2.0",
    "by file: changes to its own files would have to be published, and there are none",
)];

/// Whether an expression of SPDX is satisfied by the licences allowed; `/` is
/// how `OR` was written once.
fn is_allowed(expression: &str, allowed: &[&str]) -> bool {
    let spaced = expression
        .replace('(', " ( ")
        .replace(')', " ) ")
        .replace('/', " OR ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let (satisfied, rest) = any_of(&words, allowed);
    satisfied && rest.is_empty()
}

fn any_of<'a, 'b>(words: &'b [&'a str], allowed: &[&str]) -> (bool, &'b [&'a str]) {
    let (mut satisfied, mut rest) = all_of(words, allowed);
    while let ["OR", behind @ ..] = rest {
        let (next, left) = all_of(behind, allowed);
        satisfied |= next;
        rest = left;
    }
    (satisfied, rest)
}

fn all_of<'a, 'b>(words: &'b [&'a str], allowed: &[&str]) -> (bool, &'b [&'a str]) {
    let (mut satisfied, mut rest) = one(words, allowed);
    while let ["AND", behind @ ..] = rest {
        let (next, left) = one(behind, allowed);
        satisfied &= next;
        rest = left;
    }
    (satisfied, rest)
}

fn one<'a, 'b>(words: &'b [&'a str], allowed: &[&str]) -> (bool, &'b [&'a str]) {
    match words {
        ["(", behind @ ..] => {
            let (satisfied, rest) = any_of(behind, allowed);
            (satisfied, rest.get(1..).unwrap_or_default())
        }
        // An exception only allows more.
        [name, "WITH", _, rest @ ..] | [name, rest @ ..] => (allowed.contains(name), rest),
        [] => (false, words),
    }
}

#[test]
fn expressions_are_read_as_spdx_has_them() {
    let allowed = ["MIT", "Unicode-3.0", "Apache-2.0"];
    for (expression, expected) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("MIT OR GPL-3.0-only", true),
        ("GPL-3.0-only/MIT", true),
        ("MIT AND GPL-3.0-only", false),
        ("(MIT OR GPL-3.0-only) AND Unicode-3.0", true),
        ("(MIT OR GPL-3.0-only) AND LGPL-2.1-only", false),
        ("GPL-3.0-only OR Apache-2.0 WITH LLVM-exception", true),
        ("GPL-3.0-only AND MIT OR MIT", true),
        ("", false),
        ("MIT MIT", false),
    ] {
        assert_eq!(is_allowed(expression, &allowed), expected, "{expression}");
    }
}

#[test]
fn every_crate_may_be_linked_and_comes_from_the_registry() {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let version = Command::new("rustc").arg("-vV").output().unwrap();
    let version = String::from_utf8(version.stdout).unwrap();
    let host = version.lines().find_map(|line| line.strip_prefix("host: "));
    let output = Command::new(cargo)
        .current_dir(repository(""))
        .args(["metadata", "--offline", "--locked", "--format-version", "1"])
        .args(["--filter-platform", host.unwrap()])
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 50);
    let mut used = 0;
    for package in packages {
        let [name, licence] = ["name", "license"].map(|key| package[key].as_str().unwrap_or(""));
        let exception = EXCEPTIONS
            .iter()
            .any(|(who, what, _)| *who == name && *what == licence);
        used += usize::from(exception);
        assert!(
            exception || is_allowed(licence, &ALLOWED),
            "{name}: licence \"{licence}\" is not among those that may be linked"
        );
        let source = package["source"].as_str();
        assert!(
            name == "spanhold"
                || source == Some("registry+https://github.com/rust-lang/crates.io-index"),
            "{name} comes from {source:?}"
        );
    }
    assert_eq!(used, EXCEPTIONS.len(), "an exception that nothing needs");
}
