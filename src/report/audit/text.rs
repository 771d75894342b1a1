//! The audit as text for a terminal: a block a dwell.

use std::fmt::Write as _;

use super::Audit;
use super::case::{Case, Judgement, Outcome};
use super::sentence::sentence;
use crate::ledger::CheckedSeal;
use crate::report::budget_table;
use crate::report::number::duration;
use crate::report::text_table::TextTable;

/// The whole audit.
pub fn text(audit: &Audit) -> String {
    let mut text = String::new();
    let record = &audit.run.record;
    let _ = writeln!(text, "{}", printable(audit.title));
    let _ = writeln!(
        text,
        "{}, {} {}: {}.",
        printable(&audit.run.folder.display().to_string()),
        record.program,
        record.version,
        audit.counts()
    );
    for sentence in audit.recordings.sentences() {
        let _ = writeln!(text, "{}", printable(&sentence));
    }
    for alteration in &audit.run.alterations {
        let _ = writeln!(text, "NOT WHAT THE RUN WROTE: {}.", printable(alteration));
    }
    for sentence in audit.seal.iter().flat_map(CheckedSeal::text) {
        let _ = writeln!(text, "{}", printable(&sentence));
    }
    let without_point = audit.run.notes_without_point();
    for note in audit.run.notes.iter().chain(&without_point) {
        let _ = writeln!(text, "Note: {}", printable(note));
    }
    if audit.cases.is_empty() {
        let _ = writeln!(text, "\nNo dwell was logged.");
    }
    for case in &audit.cases {
        text.push('\n');
        block(&mut text, case);
    }
    if audit.cases.iter().any(has_allowance) {
        let _ = writeln!(
            text,
            "\n* past the limit by no more than the measurement can tell (its noise, or one hop of length): let pass."
        );
    }
    text
}

fn has_allowance(case: &Case) -> bool {
    case.judgements().iter().any(Judgement::within_allowance)
}

fn block(text: &mut String, case: &Case) {
    let _ = writeln!(text, "{}", printable(&sentence(case)));
    let _ = writeln!(
        text,
        "  dwell {:.2} s to {:.2} s; judged {:.2} s to {:.2} s ({}); {} missing, {} clipped samples",
        case.dwell_s.0,
        case.dwell_s.1,
        case.point.start_s,
        case.point.end_s,
        duration(case.point.end_s - case.point.start_s),
        case.point.missing_samples,
        case.point.clipped_samples,
    );
    for reason in case.unsaid_reasons() {
        let _ = writeln!(text, "  - {}", printable(reason));
    }
    for gap in &case.gaps {
        let _ = writeln!(text, "  - gap: {}", printable(&gap.message));
    }
    if case.is_excluded() {
        let _ = writeln!(text, "  EXCLUDED: it does not count for any requirement");
    }
    for note in &case.notes {
        let _ = writeln!(text, "  - {}", printable(&note.sentence()));
    }
    if case.criteria.is_empty() {
        let _ = writeln!(
            text,
            "  no evidence: evidence.jsonl has no line for this point; `spanhold verify` recomputes it"
        );
        return;
    }
    let judgements = case.judgements();
    // What a verdict rests on is never left out.
    *text += &TextTable::new(&judgements)
        .indented(2)
        .words("criterion", "", 0, |judged| printable(judged.name))
        .numbers("value", "", 0, Judgement::value_text)
        .numbers("limit", "", 0, Judgement::limit_text)
        .numbers("margin", "", 0, Judgement::margin_text)
        .words("unit", "", 0, |judged| printable(judged.unit))
        .words("result", "", 0, |judged| result(judged).to_owned())
        .text(usize::MAX);
    budget(text, case);
}

/// What each cause contributes to the uncertainties of the point.
fn budget(text: &mut String, case: &Case) {
    if case.budget.is_empty() {
        return;
    }
    let _ = writeln!(text, "  {}", budget_table::CAPTION);
    let rows = budget_table::rows(case.budget);
    let cell = |row: &[String], at: usize| row.get(at).map_or_else(String::new, |c| printable(c));
    let table = TextTable::new(&rows).indented(2);
    *text += &(0..)
        .zip(budget_table::headings())
        .fold(table, |table, (at, heading)| match at {
            0 => table.words(&heading, "", 0, |row| cell(row, 0)),
            _ => table.numbers(&heading, "", 0, |row| cell(row, at)),
        })
        .text(usize::MAX);
}

fn result(judged: &Judgement) -> &'static str {
    match judged.outcome {
        Outcome::Pass if judged.within_allowance() => "pass*",
        outcome => outcome.word(),
    }
}

/// Text from a file without what could steer a terminal.
fn printable(text: &str) -> String {
    text.chars()
        .map(|letter| {
            if letter.is_control() {
                '\u{fffd}'
            } else {
                letter
            }
        })
        .collect()
}
