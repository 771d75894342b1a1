//! Small made-up trees, each of which breaks one rule, and the reader's work
//! on the ways a path can be written.

use super::rules::{self, Finding};
use super::tree::Tree;

const LIB: &str = "mod span; mod setup; mod tone; mod pipeline; mod rehearsal; mod commands;";

/// A sound tree of some layers, with files replaced or added.
fn tree(files: &[(&'static str, &'static str)]) -> Tree {
    let mut all = vec![
        ("lib.rs", LIB),
        ("main.rs", "fn main() { spanhold::commands::run() }"),
        (
            "span/mod.rs",
            "pub struct StrungConductor; pub struct Numbers; pub fn speed() {}",
        ),
        (
            "setup/mod.rs",
            "mod words; pub use words::Role; pub fn parse() {}",
        ),
        ("setup/words.rs", "pub enum Role { Node }"),
        (
            "tone/mod.rs",
            "use crate::setup::{self, Role}; pub struct Plan; fn f() { setup::parse(); let _ = Role::Node; }",
        ),
        (
            "pipeline/mod.rs",
            "use crate::tone::Plan; pub fn replay(_: Plan) { std::thread::spawn(|| ()); }",
        ),
        (
            "rehearsal/mod.rs",
            "use crate::setup::Role; pub fn perform() { let _ = Role::Node; }",
        ),
        (
            "commands/mod.rs",
            "use clap::Parser; pub fn run() { crate::pipeline::replay(crate::tone::Plan) }",
        ),
    ];
    for (path, text) in files {
        match all.iter_mut().find(|(existing, _)| existing == path) {
            Some(file) => file.1 = text,
            None => all.push((path, text)),
        }
    }
    Tree::made_up(&all)
}

/// Exactly these paths or names are at fault.
#[track_caller]
fn at_fault(findings: &[Finding], expected: &[&str]) {
    let mut about: Vec<&str> = findings
        .iter()
        .map(|finding| finding.about.as_str())
        .collect();
    about.sort_unstable();
    about.dedup();
    assert_eq!(about, expected, "{findings:?}");
}

#[test]
fn a_sound_tree_breaks_no_rule() {
    let sound = tree(&[]);
    for rule in [
        rules::folders,
        rules::named,
        rules::order,
        rules::circles,
        rules::purity,
        rules::bounded,
        rules::command_line,
        rules::words,
        rules::type_names,
    ] {
        at_fault(&rule(&sound), &[]);
    }
}

#[test]
fn a_folder_outside_the_design_is_found() {
    let tree = tree(&[("extras/mod.rs", ""), ("more.rs", "")]);
    at_fault(&rules::folders(&tree), &["extras", "more"]);
}

#[test]
fn a_file_that_no_mod_names_is_found() {
    let tree = tree(&[
        ("tone/forgotten.rs", "fn f() {}"),
        ("setup/lost/mod.rs", ""),
    ]);
    at_fault(
        &rules::named(&tree),
        &["setup/lost/mod.rs", "tone/forgotten.rs"],
    );
}

#[test]
fn an_import_against_the_order_is_found_however_it_is_written() {
    for (text, expected) in [
        ("use crate::pipeline::replay;", "crate::pipeline::replay"),
        ("use crate::{span, pipeline::{self}};", "crate::pipeline"),
        ("use crate::pipeline as p;", "crate::pipeline"),
        ("use crate::pipeline::*;", "crate::pipeline::*"),
        (
            "use super::pipeline::replay as r;",
            "crate::pipeline::replay",
        ),
        (
            "fn f() { crate::pipeline::replay() }",
            "crate::pipeline::replay",
        ),
        ("fn f() { use crate::pipeline; }", "crate::pipeline"),
        ("fn f(_: crate::pipeline::Run) {}", "crate::pipeline::Run"),
        (
            "fn f() { vec![crate::pipeline::replay()]; }",
            "crate::pipeline::replay",
        ),
        (
            "#[derive(crate::pipeline::Step)] struct S;",
            "crate::pipeline::Step",
        ),
        (
            "#[serde(with = \"crate::pipeline\")] struct S;",
            "crate::pipeline",
        ),
        (
            "impl crate::pipeline::Step for u8 {}",
            "crate::pipeline::Step",
        ),
        // In a test too: only the virtual span is everybody's fixture.
        (
            "#[cfg(test)] mod tests { use super::super::pipeline::replay; use crate::rehearsal::perform; }",
            "crate::pipeline::replay",
        ),
    ] {
        let tree = Tree::made_up(&[
            (
                "lib.rs",
                "mod span; mod setup; mod pipeline; mod rehearsal;",
            ),
            ("span/mod.rs", ""),
            ("setup/mod.rs", text),
            (
                "pipeline/mod.rs",
                "pub fn replay() {} pub struct Run; pub trait Step {}",
            ),
            ("rehearsal/mod.rs", "pub fn perform() {}"),
        ]);
        at_fault(&rules::order(&tree), &[expected]);
    }
}

#[test]
fn a_re_export_does_not_hide_where_a_thing_comes_from() {
    let tree = tree(&[
        ("span/mod.rs", "pub use crate::pipeline::replay;"),
        ("setup/mod.rs", "use crate::span::replay;"),
    ]);
    at_fault(
        &rules::order(&tree),
        &["crate::pipeline::replay", "crate::span::replay"],
    );
}

#[test]
fn a_rehearsal_that_imports_the_analysis_is_found() {
    let tree = tree(&[(
        "rehearsal/mod.rs",
        "use crate::tone::Plan; use crate::span::StrungConductor; use crate::setup::Role;",
    )]);
    at_fault(
        &rules::order(&tree),
        &["crate::span::StrungConductor", "crate::tone::Plan"],
    );
}

#[test]
fn a_main_that_does_more_than_call_the_commands_is_found() {
    let tree = tree(&[("main.rs", "fn main() { spanhold::setup::parse() }")]);
    at_fault(&rules::order(&tree), &["crate::setup::parse"]);
}

#[test]
fn a_circle_between_files_is_found() {
    let two = tree(&[
        ("tone/mod.rs", "mod a; mod b;"),
        ("tone/a.rs", "use super::b::B; pub struct A(B);"),
        (
            "tone/b.rs",
            "pub struct B; fn f() { let _ = crate::tone::a::A; }",
        ),
    ]);
    at_fault(&rules::circles(&two), &["tone/b.rs → tone/a.rs"]);

    // Three, one of them through a re-export and one by its module's name.
    let three = tree(&[
        ("tone/mod.rs", "mod a; mod b; mod c; pub use c::C;"),
        ("tone/a.rs", "use super::b; pub struct A(b::B);"),
        ("tone/b.rs", "use crate::tone::C; pub struct B(C);"),
        ("tone/c.rs", "pub struct C; fn f(_: super::a::A) {}"),
    ]);
    at_fault(
        &rules::circles(&three),
        &["tone/b.rs → tone/c.rs → tone/a.rs"],
    );

    // A parent that uses its child, which uses the parent.
    let kin = tree(&[
        ("tone/mod.rs", "mod a; use a::A; pub struct T(A);"),
        ("tone/a.rs", "use super::T; pub struct A; fn f(_: T) {}"),
    ]);
    at_fault(&rules::circles(&kin), &["tone/mod.rs → tone/a.rs"]);
}

#[test]
fn a_name_handed_on_and_a_test_make_no_circle() {
    let tree = tree(&[
        ("tone/mod.rs", "mod a; pub use a::A; pub struct T;"),
        (
            "tone/a.rs",
            "pub struct A(super::T); #[cfg(test)] mod tests { use crate::pipeline::replay; }",
        ),
    ]);
    at_fault(&rules::circles(&tree), &[]);
}

#[test]
fn what_reaches_out_of_a_pure_module_is_found() {
    for (text, expected) in [
        ("use std::thread;", "std::thread"),
        ("use std::{fs::File, f64::consts::PI};", "std::fs::File"),
        ("fn f() { std::env::var(\"HOME\"); }", "std::env::var"),
        ("use std::time::{Duration, Instant};", "std::time::Instant"),
        (
            "use std::time; fn f() { time::SystemTime::now(); }",
            "std::time::SystemTime::now",
        ),
        (
            "use jiff::Timestamp; fn f() { Timestamp::now(); }",
            "jiff::Timestamp::now",
        ),
        (
            "use std::collections::HashMap;",
            "std::collections::HashMap",
        ),
        ("fn f() { let _ = rand::rng(); }", "rand::rng"),
        (
            "use crossbeam_channel::bounded;",
            "crossbeam_channel::bounded",
        ),
        ("fn f() { println!(\"{}\", 1); }", "println!"),
        ("fn f() { vec![env!(\"PATH\")]; }", "env!"),
        ("extern crate nix;", "nix"),
        ("#[cfg(not(test))] use std::fs;", "std::fs"),
    ] {
        at_fault(&rules::purity(&tree(&[("tone/mod.rs", text)])), &[expected]);
    }
    // Not a fault: an alias of an alias, in a test, and where it is no pure module.
    let allowed = tree(&[
        (
            "tone/mod.rs",
            "use std::time::Duration; use crate::setup::Role; fn f() { use Role as R; let _ = R::Node; } #[cfg(test)] mod tests { use std::fs; #[test] fn t() { println!(); } }",
        ),
        ("pipeline/mod.rs", "use std::{fs, thread};"),
    ]);
    at_fault(&rules::purity(&allowed), &[]);
}

#[test]
fn a_channel_without_a_bound_is_found() {
    for (text, expected) in [
        (
            "use crossbeam_channel::{bounded, unbounded};",
            "crossbeam_channel::unbounded",
        ),
        (
            "fn f() { crossbeam_channel::unbounded::<u8>(); }",
            "crossbeam_channel::unbounded",
        ),
        (
            "use crossbeam_channel as c; fn f() { c::unbounded::<u8>(); }",
            "crossbeam_channel::unbounded",
        ),
        (
            "use std::sync::mpsc; fn f() { mpsc::channel::<u8>(); }",
            "std::sync::mpsc::channel",
        ),
        (
            "#[cfg(test)] mod tests { fn f() { crossbeam_channel::unbounded::<u8>(); } }",
            "crossbeam_channel::unbounded",
        ),
    ] {
        at_fault(
            &rules::bounded(&tree(&[("pipeline/mod.rs", text)])),
            &[expected],
        );
    }
}

#[test]
fn a_command_line_outside_commands_is_found() {
    let tree = tree(&[(
        "setup/mod.rs",
        "#[derive(Clone, clap::ValueEnum)] pub enum Role { Node }",
    )]);
    at_fault(&rules::command_line(&tree), &["clap::ValueEnum"]);
}

#[test]
fn a_type_name_with_two_meanings_is_found() {
    let tree = tree(&[
        (
            "tone/mod.rs",
            "pub struct Plan; pub enum Step { A } pub struct Own;",
        ),
        (
            "pipeline/mod.rs",
            "pub(crate) type Step = u8; #[cfg(test)] mod tests { pub struct Plan; } struct Own;",
        ),
    ]);
    at_fault(&rules::type_names(&tree), &["Step"]);
}

#[test]
fn empty_words_and_work_not_done_are_found() {
    let tree = tree(&[
        (
            "tone/mod.rs",
            "mod utils; struct PlanManager; fn fit_helper() { todo!() } struct Bench;",
        ),
        ("tone/utils.rs", "// TODO: all of it\nstruct Utile;"),
    ]);
    at_fault(
        &rules::words(&tree),
        &[
            "PlanManager",
            "TODO",
            "fit_helper",
            "todo!",
            "tone/utils.rs",
            "utils",
        ],
    );
}
