//! The order of the house, read from the tree of `src/` and not from what is
//! said about it. Each rule has a test on a small made-up tree that breaks it:
//! a check that cannot fail shows nothing.

mod broken;
mod exceptions;
mod rules;
mod tree;

use std::path::Path;
use std::sync::OnceLock;

use exceptions::EXCEPTIONS;
use rules::Finding;
use tree::Tree;

/// The tree of the crate, read once.
fn src() -> &'static Tree {
    static TREE: OnceLock<Tree> = OnceLock::new();
    TREE.get_or_init(|| Tree::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")))
}

/// Fails with every finding that no exception covers, and with every
/// exception of the rule that covers none: those are to be struck out.
#[track_caller]
fn holds(rule: &str, findings: Vec<Finding>) {
    let of_rule: Vec<_> = EXCEPTIONS.iter().filter(|e| e.rule == rule).collect();
    let mut wrong: Vec<String> = findings
        .iter()
        .filter(|finding| !of_rule.iter().any(|exception| exception.covers(finding)))
        .map(ToString::to_string)
        .collect();
    wrong.extend(
        of_rule
            .iter()
            .filter(|exception| !findings.iter().any(|finding| exception.covers(finding)))
            .map(|e| {
                format!(
                    "tests: the exception of {} for `{}` ({}) is needed no longer",
                    e.file, e.about, e.reason
                )
            }),
    );
    assert!(
        wrong.is_empty(),
        "{} against the rule '{rule}':\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn every_folder_is_in_the_design() {
    holds("folders", rules::folders(src()));
}

#[test]
fn every_file_is_named_by_a_mod() {
    holds("named", rules::named(src()));
}

#[test]
fn imports_follow_the_order_of_the_layers() {
    holds("order", rules::order(src()));
}

#[test]
fn no_files_import_each_other_in_a_circle() {
    holds("circles", rules::circles(src()));
}

#[test]
fn pure_modules_touch_nothing_outside() {
    holds("purity", rules::purity(src()));
}

#[test]
fn every_channel_is_bounded() {
    holds("bounded", rules::bounded(src()));
}

#[test]
fn only_commands_know_the_command_line() {
    holds("command line", rules::command_line(src()));
}

#[test]
fn names_and_texts_keep_to_the_words_of_the_house() {
    holds("words", rules::words(src()));
}

#[test]
fn a_type_name_has_one_meaning() {
    holds("type names", rules::type_names(src()));
}

/// The reader itself: were a file skipped or a path not resolved, every rule
/// above would pass on less than the whole.
#[test]
fn the_reader_sees_the_whole_tree() {
    let tree = src();
    let on_disk = tree::rust_files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"));
    assert_eq!(tree.files().count(), on_disk.len());
    assert!(on_disk.len() > 100, "only {} files", on_disk.len());
    // What is imported through a re-export is found where it is defined.
    let edges = tree.edges();
    let to: Vec<&str> = edges
        .iter()
        .filter(|edge| edge.from == "commands/reprocess.rs")
        .map(|edge| edge.to.as_str())
        .collect();
    assert!(
        to.iter().any(|file| !file.starts_with("commands/")),
        "reprocess imports nothing: {to:?}"
    );
    assert!(edges.len() > on_disk.len(), "only {} imports", edges.len());
}
