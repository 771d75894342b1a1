//! The bench as it was set up.

use std::fmt::Write as _;

use maud::{Markup, html};

use crate::report::html::{facts_list, table};
use crate::report::number::{ABSENT, plain, with_micro_sign};
use crate::setup::{Channel, Conductor, Setup};

pub(super) fn section(setup: &Setup) -> Markup {
    let titles = [
        "Channel",
        "Role",
        "Source, column",
        "Full scale",
        "Calibration, k = 2",
        "Place",
    ];
    let rows = html! { @for channel in &setup.channels { (channel_row(setup, channel)) } };
    html! {
        h2 { "Setup" } "\n"
        (facts_list(&conductor(&setup.conductor)))
        (facts_list(&bench(setup)))
        h3 { "Channels" } "\n"
        (table(&titles, rows))
    }
}

fn conductor(conductor: &Conductor) -> [(&'static str, String); 3] {
    let stiffness = conductor.bending_stiffness_n_m2.map_or_else(
        || "not stated: powers in the standard's form only".to_owned(),
        |stiffness| {
            format!(
                "{} N m² ± {} %",
                plain(stiffness, 5),
                plain(conductor.bending_stiffness_uncertainty_pct, 3)
            )
        },
    );
    [
        (
            "Conductor",
            format!(
                "{}, diameter {} mm",
                conductor.designation,
                plain(conductor.diameter_mm, 5)
            ),
        ),
        (
            "Mass per length",
            format!(
                "{} kg/m ± {} %",
                plain(conductor.mass_kg_per_m, 6),
                plain(conductor.mass_uncertainty_pct, 3)
            ),
        ),
        ("Bending stiffness", stiffness),
    ]
}

fn bench(setup: &Setup) -> [(&'static str, String); 7] {
    let (conductor, span) = (&setup.conductor, &setup.span);
    let rated = conductor
        .rated_strength_kn
        .map_or_else(String::new, |rated| {
            format!(
                ", {} % of rated strength",
                plain(100.0 * span.tension_kn / rated, 3)
            )
        });
    let level = setup.amplitude.map_or_else(
        || "none set".to_owned(),
        |amplitude| {
            format!(
                "{}, {} {}, within {} %",
                amplitude.rule.name(),
                plain(amplitude.value, 5),
                amplitude.rule.unit(),
                plain(amplitude.tolerance_pct, 3)
            )
        },
    );
    let place = |position: Option<f64>, from: &str| {
        position.map_or_else(
            || "not stated".to_owned(),
            |position| format!("{} m from the {from} clamp", plain(position, 6)),
        )
    };
    [
        (
            "Span",
            format!(
                "{} m ± {} mm between the clamps",
                plain(span.length_m, 6),
                plain(span.length_uncertainty_mm, 3)
            ),
        ),
        (
            "Tension",
            format!(
                "{} kN ± {} %{rated}",
                plain(span.tension_kn, 5),
                plain(span.tension_uncertainty_pct, 3)
            ),
        ),
        (
            "Wave impedance",
            format!(
                "{} N s/m, sqrt(T m)",
                plain(setup.wave_impedance_n_s_per_m(), 5)
            ),
        ),
        (
            "Damper position",
            place(span.damper_position_m, "damper-end"),
        ),
        ("Drive position", place(span.drive_position_m, "drive-end")),
        (
            "Sweep",
            format!(
                "{} Hz to {} Hz",
                plain(setup.sweep.low_hz, 4),
                plain(setup.sweep.high_hz, 4)
            ),
        ),
        ("Level", level),
    ]
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

fn channel_row(setup: &Setup, channel: &Channel) -> Markup {
    let source = setup
        .sources
        .get(channel.source)
        .map_or(ABSENT, |source| source.name.as_str());
    let own = calibration_words(channel);
    let reference = channel
        .reference
        .as_ref()
        .map_or_else(String::new, |reference| {
            format!(
                "; reference {} ± {} %",
                reference.name,
                plain(reference.uncertainty_pct, 3)
            )
        });
    let place = match (channel.position_m, channel.role.location()) {
        (Some(position), _) => format!("{} m from the drive-end clamp", plain(position, 6)),
        (None, Some(location)) => location.clamp().to_owned(),
        (None, None) => ABSENT.to_owned(),
    };
    html! {
        tr {
            th scope="row" { (channel.name) }
            td { (channel.role) }
            td { (source) ", " (channel.index) }
            td { (plain(channel.full_scale, 7)) " " (with_micro_sign(channel.unit.symbol())) }
            td class="words" { (own) (reference) }
            td { (place) }
        } "\n"
    }
}
