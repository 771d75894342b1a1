//! The bench as it was set up.
//!
//! In: the setup and its text. Out: the arrangement in words, the channels, and
//! for the annex every key with the value that was taken. A new key comes there
//! with the table of keys.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::report::html::{facts_list, table};
use crate::report::number::{ABSENT, plain, with_micro_sign};
use crate::setup::{self, Channel, ListedKey, Origin, Role, Setup};

/// The bench in the words of the trade.
pub(super) fn arrangement(setup: &Setup) -> Markup {
    html! {
        h2 { "Test arrangement" } "\n"
        (facts_list(&facts(setup)))
        h3 { "Channels and their calibration" } "\n"
        p class="note" { "Uncertainties are expanded, k = 2, from the calibration certificates." } "\n"
        (channel_table(setup))
    }
}

fn facts(setup: &Setup) -> Vec<(&'static str, String)> {
    let (conductor, span) = (&setup.conductor, &setup.span);
    let mut facts = vec![
        ("Conductor", conductor.designation.clone()),
        (
            "Diameter",
            format!("{} mm", plain(conductor.diameter_mm, 5)),
        ),
        (
            "Mass per length",
            format!(
                "{} kg/m ± {} %",
                plain(conductor.mass_kg_per_m, 5),
                plain(conductor.mass_uncertainty_pct, 3)
            ),
        ),
    ];
    if let Some(stiffness) = conductor.bending_stiffness_n_m2 {
        facts.push((
            "Bending stiffness EI",
            format!(
                "{} N m² ± {} %",
                plain(stiffness, 4),
                plain(conductor.bending_stiffness_uncertainty_pct, 3)
            ),
        ));
    }
    facts.push((
        "Free span",
        format!(
            "{} m ± {} mm between the clamps",
            plain(span.length_m, 6),
            plain(span.length_uncertainty_mm, 3)
        ),
    ));
    let share = conductor
        .rated_strength_kn
        .map_or_else(String::new, |rated_kn| {
            format!(
                ", {} % of the rated strength of {} kN",
                plain(100.0 * span.tension_kn / rated_kn, 3),
                plain(rated_kn, 4)
            )
        });
    facts.push((
        "Tension",
        format!(
            "{} kN ± {} %{share}",
            plain(span.tension_kn, 5),
            plain(span.tension_uncertainty_pct, 3)
        ),
    ));
    facts.push((
        "Wave impedance",
        format!(
            "{} N s/m, sqrt(T m)",
            plain(setup.wave_impedance_n_s_per_m(), 5)
        ),
    ));
    if let Some(place_m) = span.damper_position_m {
        facts.push((
            "Damper",
            format!("{} m from the damper-end clamp", plain(place_m, 5)),
        ));
    }
    if let Some(place_m) = span.drive_position_m {
        facts.push((
            "Drive",
            format!("{} m from the drive-end clamp", plain(place_m, 5)),
        ));
    }
    if let Some(node) = span.node_from_damper {
        facts.push((
            "Node read",
            format!("number {node} from the damper towards the drive"),
        ));
    }
    facts.extend(fixed_sensors(setup).map(|words| ("Fixed sensors", words)));
    facts.push((
        "Sweep",
        format!(
            "{} to {} Hz",
            plain(setup.sweep.low_hz, 4),
            plain(setup.sweep.high_hz, 4)
        ),
    ));
    if let Some(level) = setup.amplitude {
        facts.push(("Level", with_micro_sign(&level.statement())));
    }
    facts
}

/// What fixed sensors are there for; `None` where there are none.
fn fixed_sensors(setup: &Setup) -> Option<String> {
    let count = setup.fixed_sensors().count();
    if count == 0 {
        return None;
    }
    let what = if setup.reads_by_fixed_sensors() {
        "antinode and node are read by the waves that they show"
    } else {
        "beside the pair that is moved"
    };
    let matched = match setup.matching {
        Some(_) => ", their gain and phase by matching",
        None => "",
    };
    Some(format!("{count}, {what}{matched}"))
}

/// Where a channel's sensor stands, m from the drive-end clamp.
fn place(channel: &Channel) -> String {
    let taped = match channel.role {
        Role::Wave => format!(" ± {} mm", plain(channel.position_uncertainty_mm, 3)),
        _ => String::new(),
    };
    channel.position_m.map_or_else(
        || ABSENT.to_owned(),
        |place_m| format!("{}{taped}", plain(place_m, 5)),
    )
}

fn channel_table(setup: &Setup) -> Markup {
    let places = setup
        .channels
        .iter()
        .any(|channel| channel.position_m.is_some());
    let mut titles = vec!["Channel", "Role", "Full scale", "Calibration", "Reference"];
    if places {
        titles.push("From the drive-end clamp, m");
    }
    let reference = |channel: &Channel| {
        channel.reference.as_ref().map_or_else(
            || "not stated".to_owned(),
            |reference| {
                format!(
                    "{} ± {} %",
                    reference.name,
                    plain(reference.uncertainty_pct, 3)
                )
            },
        )
    };
    let rows = html! {
        @for channel in &setup.channels {
            tr {
                th scope="row" { (channel.name) }
                td { (channel.role.kind()) }
                td { (plain(channel.full_scale, 7)) " " (with_micro_sign(channel.unit.symbol())) }
                td { (calibration_words(channel)) }
                td class="words" { (reference(channel)) }
                @if places {
                    td { (place(channel)) }
                }
            } "\n"
        }
    };
    table(&titles, rows)
}

/// Every key of the setup with the value that was taken, for the annex; `text` is
/// that of the setup file.
pub(super) fn listing(text: &str) -> Markup {
    let keys = setup::examine(text, "setup.toml").map_or_else(|_| Vec::new(), |loaded| loaded.keys);
    // What stands at the head of the report and under its instruments is not
    // said again.
    let keys = keys
        .iter()
        .filter(|key| !["report", "instrument", "picture"].contains(&key.section));
    html! {
        section class="listing" { "\n"
            h2 { "Annex: the setup, key by key" } "\n"
            p class="note" {
                "The value that was taken, and the line of the setup file that it stands in, where it does."
            } "\n"
            div { "\n" @for key in keys { (listed(key)) } } "\n"
        } "\n"
    }
}

fn listed(key: &ListedKey) -> Markup {
    let from = match key.origin {
        Origin::File(line) => format!("line {line}"),
        Origin::Default => "default".to_owned(),
        Origin::NotGiven(_) => "not given".to_owned(),
    };
    html! {
        p { code { @if !key.title.is_empty() { (key.title) "." } (key.key) } " " span { (value_words(key)) } " " small { (from) } } "\n"
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
