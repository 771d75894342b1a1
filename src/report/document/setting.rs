//! The bench as it was set up.
//!
//! In: the setup and its text. Out: what follows from the setup, and every key
//! with the value that was taken. A new key comes with the table of keys.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::report::html::{facts_list, table};
use crate::report::number::{ABSENT, plain, with_micro_sign};
use crate::setup::{self, Channel, ListedKey, Origin, Setup};

/// The section of the setup; `text` is that of the setup file.
pub(super) fn section(setup: &Setup, text: &str) -> Markup {
    let keys = setup::examine(text, "setup.toml").map_or_else(|_| Vec::new(), |loaded| loaded.keys);
    // What stands at the head of the report and under its instruments is not
    // said again.
    let (channels, others): (Vec<_>, Vec<_>) = keys
        .iter()
        .filter(|key| !["report", "instrument"].contains(&key.section))
        .partition(|key| key.section == "channel");
    let rows = html! { @for key in others { (key_row(key)) } };
    html! {
        h2 { "Setup" } "\n"
        (facts_list(&derived(setup)))
        (table(&["Key", "Value", "From"], rows))
        h3 { "Channels" } "\n"
        (channel_table(&channels))
    }
}

/// What follows from the keys and is used throughout.
fn derived(setup: &Setup) -> Vec<(&'static str, String)> {
    let impedance = plain(setup.wave_impedance_n_s_per_m(), 5);
    let mut facts = vec![("Wave impedance", format!("{impedance} N s/m, sqrt(T m)"))];
    if let Some(rated_kn) = setup.conductor.rated_strength_kn {
        let share_pct = plain(100.0 * setup.span.tension_kn / rated_kn, 3);
        facts.push(("Tension", format!("{share_pct} % of rated strength")));
    }
    facts
}

fn key_row(key: &ListedKey) -> Markup {
    let from = match key.origin {
        Origin::File(line) => format!("line {line}"),
        Origin::Default => "default".to_owned(),
        Origin::NotGiven(_) => "not given".to_owned(),
    };
    html! {
        tr {
            th scope="row" { (key.title) "." (key.key) }
            td class="words" { (value_words(key)) }
            td { (from) }
        } "\n"
    }
}

/// The value with its unit; where there is none, what that means.
fn value_words(key: &ListedKey) -> String {
    match (&key.value, key.origin) {
        (Some(value), _) if key.unit == ABSENT => value.clone(),
        (Some(value), _) => format!("{value} {}", with_micro_sign(key.unit)),
        (None, Origin::NotGiven(words)) => words.to_owned(),
        (None, Origin::File(_) | Origin::Default) => ABSENT.to_owned(),
    }
}

/// A row for each channel, a column for each key that one of them has.
fn channel_table(keys: &[&ListedKey]) -> Markup {
    let mut titles: Vec<&'static str> = Vec::new();
    let mut channels: Vec<&str> = Vec::new();
    for key in keys {
        if key.value.is_some() && !titles.contains(&key.key) {
            titles.push(key.key);
        }
        if !channels.contains(&key.title.as_str()) {
            channels.push(&key.title);
        }
    }
    let cell = |channel: &str, title: &str| {
        keys.iter()
            .find(|key| key.title == channel && key.key == title)
            .map_or_else(|| ABSENT.to_owned(), |key| value_words(key))
    };
    let rows = html! {
        @for channel in channels {
            tr {
                @for (nth, title) in titles.iter().enumerate() {
                    @if nth == 0 {
                        th scope="row" { (cell(channel, title)) }
                    } @else {
                        td { (cell(channel, title)) }
                    }
                }
            } "\n"
        }
    };
    table(&titles, rows)
}

/// What the setup states of a channel's own calibration, k = 2.
pub(super) fn calibration_words(channel: &Channel) -> String {
    let mut words = channel.uncertainty_pct.map_or_else(
        || "not stated".to_owned(),
        |pct| format!("± {} %", plain(pct, 3)),
    );
    if let Some(phase_deg) = channel.phase_uncertainty_deg {
        let _ = write!(words, " and ± {}°", plain(phase_deg, 3));
    }
    words
}
