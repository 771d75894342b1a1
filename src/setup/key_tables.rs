//! The tables of keys and of roles for the guide, page "setup".
//!
//! In: the table of keys and the table of roles. Out: Markdown.

use super::key::{Absent, InUnit, Key, Section};
use super::role::{Count, RoleKind, RoleRow};
use super::table::{CHANNEL, SECTIONS};
use super::words::Unit;
use std::fmt::{self, Write};

/// Every section with its keys, and the roles of channels, as Markdown.
pub fn key_tables() -> String {
    let mut text = String::new();
    // Writing into a String cannot fail.
    let _ = write_all(&mut text);
    text
}

fn write_all(out: &mut String) -> fmt::Result {
    for (nth, section) in SECTIONS.into_iter().enumerate() {
        if nth > 0 {
            writeln!(out)?;
        }
        write_section(section, out)?;
        if section.name == CHANNEL.name {
            write_roles(out)?;
        }
    }
    Ok(())
}

fn write_section(section: &Section, out: &mut String) -> fmt::Result {
    writeln!(out, "## {}\n", section.heading())?;
    if !section.about.is_empty() {
        writeln!(out, "{}\n", section.about)?;
    }
    writeln!(out, "| key | unit | default | meaning, and why |")?;
    writeln!(out, "|---|---|---|---|")?;
    for key in section.keys {
        let unit = match key.unit {
            InUnit::Always(unit) => unit,
            InUnit::SetBy { guide, .. } => guide,
        };
        let (name, default, doc) = (key.name, default_of(key), key.doc);
        writeln!(out, "| `{name}` | {unit} | {default} | {doc} |")?;
    }
    Ok(())
}

/// The column "default".
fn default_of(key: &Key) -> String {
    match key.absent {
        Absent::Required => match key.only_for {
            Some((_, word)) => format!("required for `{word}`"),
            None => "required".to_owned(),
        },
        Absent::RequiredByRole => {
            let roles: Vec<String> = key
                .roles_in_need()
                .map(|role| format!("`{role}`"))
                .collect();
            format!("required for {}", roles.join(", "))
        }
        Absent::WordForSignal(word) => {
            format!("required; `{word}` for `{}`", RoleKind::DriveSignal)
        }
        Absent::NumberForSignal(number) => {
            format!("required; {number} for `{}`", RoleKind::DriveSignal)
        }
        Absent::RequiredWith(other) => format!("required with `{other}`"),
        Absent::Nothing(words) | Absent::Computed(words) => words.to_owned(),
        Absent::Number(number) => number.to_string(),
        Absent::Practice(number) => format!("({number})"),
        Absent::Whole(whole) => whole.to_string(),
        Absent::Word(word) => format!("`{word}`"),
        Absent::Off => "`false`".to_owned(),
        Absent::OnlyWord(word) => format!("`[\"{word}\"]`"),
    }
}

fn write_roles(out: &mut String) -> fmt::Result {
    writeln!(
        out,
        "\n| role | measures | how many | units | needs | phase enters a result | without it |"
    )?;
    writeln!(out, "|---|---|---|---|---|---|---|")?;
    for role in RoleKind::ALL {
        let RoleRow {
            word,
            measures,
            count,
            needs,
            bears_phase,
            without,
            ..
        } = role.row();
        let count = match count {
            Count::AtMostOne => "at most one",
            Count::Any => "any number",
        };
        let units: Vec<String> = role
            .units()
            .into_iter()
            .map(|unit| format!("`{unit}`"))
            .collect();
        let units = if units.len() == Unit::ALL.len() {
            "any".to_owned()
        } else {
            units.join(", ")
        };
        let needs = needs.map_or_else(|| "–".to_owned(), |key| format!("`{key}`"));
        let phase = if bears_phase { "yes" } else { "no" };
        writeln!(
            out,
            "| `{word}` | {measures} | {count} | {units} | {needs} | {phase} | {without} |"
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    const GUIDE: &str = include_str!("../guide/setup.md");
    const BEGIN: &str =
        "<!-- What follows is written by the program: see src/setup/key_tables.rs -->\n\n";
    const END: &str = "\n<!-- End of what is written by the program -->\n";
    /// Set it to have the guide written anew.
    const WRITE: &str = "SPANHOLD_WRITE_GUIDE";

    #[test]
    fn the_guide_has_the_tables_of_the_program() {
        let (before, rest) = GUIDE.split_once(BEGIN).expect("the first mark");
        let (tables, after) = rest.split_once(END).expect("the second mark");
        let right = key_tables();
        if tables == right {
            return;
        }
        if std::env::var_os(WRITE).is_some() {
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/guide/setup.md");
            std::fs::write(path, format!("{before}{BEGIN}{right}{END}{after}")).unwrap();
            return;
        }
        let differing = right
            .lines()
            .zip(tables.lines())
            .find(|(right, written)| right != written);
        panic!(
            "src/guide/setup.md is not what the table of keys says, from {differing:?} on; to \
             write it anew:\n{WRITE}=1 cargo test --lib setup::key_tables"
        );
    }
}
