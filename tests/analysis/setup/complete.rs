//! The guide's complete setup: the program takes it, and no key is missing.

use spanhold::setup::{examine, key_tables};

const GUIDE: &str = include_str!("../../../src/guide/complete-setup.md");

fn text() -> &'static str {
    let (_, behind) = GUIDE.split_once("```toml\n").unwrap();
    behind.split_once("```").unwrap().0
}

#[test]
fn the_complete_setup_of_the_guide_is_taken_without_a_word() {
    let loaded = examine(text(), "complete.toml").unwrap_or_else(|faults| panic!("{faults}"));
    let warnings: Vec<String> = loaded
        .warnings
        .iter()
        .map(|warning| warning.in_file("complete.toml").to_string())
        .collect();
    assert!(warnings.is_empty(), "{}", warnings.join("\n"));
}

/// The lines of a section, those of several of one name together.
fn of_section(header: &str) -> String {
    // Without a header are the keys above the first section.
    let mut inside = header.is_empty();
    let mut lines = String::new();
    for line in text().lines() {
        if line.starts_with('[') {
            inside = line.split('#').next().unwrap().trim() == header;
        } else if inside {
            lines += line;
            lines.push('\n');
        }
    }
    lines
}

#[test]
fn the_complete_setup_of_the_guide_has_every_key_of_the_program() {
    let tables = key_tables();
    let mut header = String::new();
    let (mut keys, mut missing) = (0, Vec::new());
    for line in tables.lines() {
        if let Some(title) = line.strip_prefix("## `") {
            header = title.split('`').next().unwrap().to_owned();
        }
        let Some(key) = line
            .strip_prefix("| `")
            .and_then(|row| row.split('`').next())
        else {
            continue;
        };
        // The table of roles is none of keys.
        if line.contains("| role |")
            || spanhold::setup::RoleKind::ALL
                .iter()
                .any(|role| role.to_string() == key)
                && header == "[[channel]]"
        {
            continue;
        }
        keys += 1;
        let section = of_section(&header);
        let given = section.lines().any(|line| {
            let line = line.trim_start_matches("# ");
            line.split('=').next().unwrap().trim() == key
        });
        if !given {
            missing.push(format!("{header} {key}"));
        }
    }
    assert!(keys > 80, "only {keys} keys");
    assert!(
        missing.is_empty(),
        "src/guide/complete-setup.md lacks {missing:?}"
    );
}
