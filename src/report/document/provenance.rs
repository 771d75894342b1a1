//! Where every number comes from.

use maud::{Markup, html};

use super::{Document, signoff};
use crate::report::html::{facts_list, table};
use crate::report::number::{ABSENT, plain};
use crate::report::pictures::ShownPicture;
use crate::setup::Setup;

/// How each number was worked out, and by whose method.
const METHODS: [(&str, &str); 7] = [
    (
        "Frequency, velocities",
        "four-parameter sine fit with harmonics over all samples of the hold, one frequency for all channels (after IEEE 1057); velocity from acceleration by division by the angular frequency",
    ),
    (
        "Ratio, efficiency",
        "node velocity in quadrature with the antinode over antinode velocity; the in-phase part is the sensor's distance from the node (IEEE 664, inverse standing wave ratio method)",
    ),
    (
        "Total power",
        "½ sqrt(T m) V_a V_n (IEEE 664); with stiffness: ½ V_a V_n (T k + 2 EI k³)/omega",
    ),
    (
        "Damper power",
        "total power less what of the bare span's remains with the damper on; the bare span's is interpolated over frequency and scaled to the level (IEEE 664, IEC 62567), what remains of it is shown by the motion of the damper's end of the span",
    ),
    (
        "Power from force",
        "½ F V cos(phi) at the drive point (IEEE 664, power method)",
    ),
    (
        "Uncertainty",
        "expanded, k = 2: noise, scatter and trend within the hold, calibration with its common part, place of the antinode sensor, tension, mass, stiffness, clock (JCGM 100)",
    ),
    (
        "Sources",
        "IEEE Std 664, laboratory measurement of the power dissipation of aeolian vibration dampers; IEC 62567, self-damping of conductors; IEEE Std 1057, digitizing waveform recorders; JCGM 100:2008, expression of uncertainty in measurement; ILAC-G8:09/2019, decision rules. Which edition the test follows, the laboratory states under Standard",
    ),
];

/// How a hold was judged and every number worked out.
pub(super) fn methods(setup: &Setup) -> Markup {
    let (hold, report) = (&setup.hold, &setup.report);
    let or_not_stated = |text: &Option<String>| text.as_deref().unwrap_or("not stated").to_owned();
    let rules = [
        ("Standard", or_not_stated(&report.standard)),
        (
            "Deviations from it",
            report.deviations.as_deref().unwrap_or("none stated").to_owned(),
        ),
        (
            "Decision rule",
            "simple acceptance for the criteria of a hold: a value is allowed up to its limit, and past it only as far as the noise of that value reaches; no guard band".to_owned(),
        ),
        (
            "Hold",
            format!(
                "at least {} s and {} cycles after {} time constants of ring-up; drive phase within {} deg; drift at most {} half-power bandwidths; amplitude drift at most {} %, deviation {} %, beat {} %; node reading's drift at most {} %, departures {} %; distortion at most {} %; signal to noise at least {} dB",
                plain(hold.min_seconds, 4),
                plain(hold.min_cycles, 4),
                plain(hold.ring_up_time_constants, 4),
                plain(hold.drive_phase_deg, 4),
                plain(hold.drift_bandwidths, 4),
                plain(hold.amplitude_drift_pct, 4),
                plain(hold.amplitude_variation_pct, 4),
                plain(hold.beat_pct, 4),
                plain(hold.node_drift_pct, 4),
                plain(hold.node_variation_pct, 4),
                plain(hold.distortion_pct, 4),
                plain(hold.min_snr_db, 4),
            ),
        ),
    ];
    html! {
        h2 { "Methods" } "\n"
        (facts_list(&rules))
        (facts_list(&METHODS.map(|(quantity, method)| (quantity, method.to_owned()))))
    }
}

/// The programs and files by which all of it can be computed again. Nothing
/// here depends on where the run folder lies.
pub(super) fn annex(document: &Document) -> Markup {
    let record = &document.run.record;
    let time = |time: jiff::Timestamp| time.strftime("%Y-%m-%d %H:%M:%S UTC").to_string();
    let mut facts = vec![
        (
            "Points by",
            format!("{} {}, {}", record.program, record.version, record.command),
        ),
        (
            "Report by",
            format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        ),
        (
            "Analysed",
            format!(
                "{} to {}",
                time(record.started_utc),
                record
                    .ended_utc
                    .map_or_else(|| "no end recorded".to_owned(), time)
            ),
        ),
    ];
    if let Some(reduction) = document.reduced() {
        facts.extend(signoff::identities(reduction));
    }
    html! {
        section class="annex" { "\n"
            h2 { "Annex: programs and files" } "\n"
            p class="note" {
                "From these files the points, the verdict and this report can be computed again; "
                code { "spanhold verify" } " does so."
            } "\n"
            (facts_list(&facts))
            (files(document))
        } "\n"
    }
}

/// How a picture stands against what the run knew of it.
fn standing(picture: &ShownPicture) -> &'static str {
    match (&picture.image, picture.known) {
        (Ok(_), true) => "unchanged",
        (Ok(_), false) => "added after the run was begun",
        (Err(_), _) => "not shown",
    }
}

fn files(document: &Document) -> Markup {
    let names = document
        .run
        .record
        .sources
        .iter()
        .map(|source| source.name.as_str());
    let of_sources = document
        .recordings
        .sources
        .iter()
        .zip(names)
        .flat_map(|(files, name)| files.iter().map(move |file| (file, name)));
    let rows = html! {
        @for (file, source) in std::iter::once((&document.recordings.setup, ABSENT)).chain(of_sources) {
            tr {
                th scope="row" { code { (signoff::file_name(&file.named)) } }
                td { (source) }
                td { (file.standing.word()) }
                td class="words" { code { (file.blake3.as_deref().unwrap_or(ABSENT)) } }
            } "\n"
        }
        @if let Some(matching) = &document.run.record.matching {
            tr {
                th scope="row" { code { (signoff::file_name(&matching.path)) } }
                td { "matching" }
                td { "carried along" }
                td class="words" { code { (matching.blake3.as_deref().unwrap_or(ABSENT)) } }
            } "\n"
        }
        @for picture in document.pictures {
            tr {
                th scope="row" { code { (signoff::file_name(&picture.file)) } }
                td { "picture" }
                td { (standing(picture)) }
                td class="words" { code { (picture.blake3.as_deref().unwrap_or(ABSENT)) } }
            } "\n"
        }
    };
    html! {
        h3 { "Files" } "\n"
        (table(&["File", "Source", "State now", "BLAKE3 when the run was made"], rows))
    }
}
