//! What happened during the run: alarms, gaps, restarts, and what the reader of
//! the run folder has to say.

use maud::{Markup, html};

use crate::ledger::Run;
use crate::report::html::table;
use crate::report::number::fixed;

/// The kinds that the program writes, as people say them.
fn kind_words(kind: &str) -> &str {
    match kind {
        "gap" => "gap in the samples",
        "session" => "start or restart",
        "alarm-over" => "alarm over",
        "silent" => "a channel fell silent",
        "level" => "change of level",
        "sweep" => "passage",
        "restless" => "no dwell long enough",
        other => other,
    }
}

pub(super) fn section(run: &Run) -> Markup {
    let missing: u64 = run
        .record
        .sources
        .iter()
        .map(|source| source.missing_frames)
        .sum();
    let mut events: Vec<_> = run.events.iter().collect();
    events.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let rows = html! {
        @for event in events {
            tr {
                th scope="row" { (fixed(event.at_s, 1)) }
                td { (kind_words(&event.kind)) }
                td class="words" { (event.message) }
            } "\n"
        }
    };
    html! {
        h2 { "Events" } "\n"
        @for note in &run.notes { p class="warning" { (note) } "\n" }
        @if run.events.is_empty() {
            p { "No gap in the samples, no alarm, no restart." } "\n"
        } @else {
            p class="note" {
                "Seconds from the first sample of the run. Sample frames missing in all: " (missing) "."
            } "\n"
            (table(&["At, s", "What", "In words"], rows))
        }
    }
}
