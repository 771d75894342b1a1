//! The guide's page on promises names a test for each: they have to exist.

use std::path::Path;

use crate::bench::run_folder::repository;

/// The text of all sources below a folder.
fn sources(folder: &Path, all: &mut String) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, all);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            *all += &std::fs::read_to_string(&path).unwrap();
        }
    }
}

#[test]
fn every_test_that_the_promises_name_is_there() {
    let guide = include_str!("../../src/guide/promises.md");
    let mut all = String::new();
    sources(&repository("tests"), &mut all);
    sources(&repository("src"), &mut all);
    let quoted = guide.split('`').skip(1).step_by(2);
    let is_name = |text: &&str| {
        text.contains('_')
            && text
                .chars()
                .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
    };
    let names: Vec<&str> = quoted.filter(is_name).collect();
    assert!(names.len() > 20, "{names:?}");
    for name in names {
        let declared = format!("#[test]\nfn {name}()");
        let ignored = format!("]\nfn {name}()");
        assert!(
            all.contains(&declared) || all.contains(&ignored),
            "no test {name}"
        );
    }
}
