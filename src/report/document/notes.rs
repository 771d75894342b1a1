//! What people said of the points: notes, exclusions, and what was taken back.

use maud::{Markup, html};

use crate::analysis::Exclusion;
use crate::ledger::Run;
use crate::report::html::table;

/// The points that do not count, to stand beside the verdict.
pub(super) fn exclusions(exclusions: &[Exclusion]) -> Markup {
    html! {
        @for exclusion in exclusions {
            p class="warning" { "Not counted: " (exclusion.sentence()) "." } "\n"
        }
    }
}

/// Every note, in the order of the points; nothing without any.
pub(super) fn section(run: &Run) -> Markup {
    let rows = html! {
        @for point in &run.points {
            @for note in run.notes_of(point) {
                tr {
                    th scope="row" { (point.point) }
                    td class="words" { (note.kind.word()) }
                    td class="words" { (note.text) }
                    td class="words" { (note.by) }
                    td class="words" { (note.written()) }
                } "\n"
            }
        }
    };
    let without_point = run.notes_without_point();
    html! {
        @if !run.point_notes.is_empty() {
            h2 { "Notes" } "\n"
            (table(&["Point", "What", "In words", "By", "Written"], rows))
            @for note in without_point { p class="warning" { (note) "." } "\n" }
        }
    }
}
