//! A reduction as a table to read: points, second methods, verdict.

use std::fmt::Write as _;

use super::points_table::point_table;
use crate::evaluation::criteria::{Judgement, Outcome};
use crate::evaluation::decay::{Decay, Decrement};
use crate::evaluation::methods::{Compared, Method, MethodCheck};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::report::document::signoff;
use crate::report::number::{measured, significant};
use crate::report::point_table::{incomplete_notes, marked, said_once};
use crate::report::reduction::Reduction;
use crate::report::text_table::{TextTable, wrap};
use crate::setup::Setup;
use crate::setup::Verdict;

/// What every reader of a verdict has to know.
const CAUTION: &str = "Required values come from the licensed text of the standard in force and \
                       the responsible engineer, never from this program; strain and amplitude \
                       limits are those of the test specification.";

/// The whole text, at most `width` columns wide where that is possible.
pub fn reduction_table(
    record: &Reduction,
    points: &[ReducedPoint],
    setup: &Setup,
    width: usize,
) -> String {
    let counted: Vec<&ReducedPoint> = points
        .iter()
        .filter(|p| p.point.verdict != Verdict::Rejected)
        .collect();
    let mut text = heading(record, width);
    if counted.is_empty() {
        text.push_str("No held or steady point.\n");
    } else {
        text += &points_with_outcomes(record, &counted).text(width);
        let legend = "± is the expanded uncertainty (k = 2). Peak values. P total passes the node \
                      towards the damper, P bare is what the bare span loses there at this frequency \
                      and level, P damper is their plain difference, which the standard asks \
                      for. Corrected counts the bending stiffness where EI is given and takes off \
                      only what of the bare span's losses remains with the damper on.";
        text.push('\n');
        text += &wrap(legend, width, "", "");
        for note in incomplete_notes(counted.iter().map(|p| &p.point)) {
            text += &wrap(&note, width, "", "  ");
        }
    }
    text += &reasons(&counted, width);
    text += &methods(&record.method_checks, width);
    text += &decays(&record.decays, width);
    for (number, judgement) in (1..).zip(&record.judgements) {
        text += &criterion(number, judgement, width);
    }
    text.push('\n');
    for note in &record.notes {
        text += &wrap(note, width, "Note: ", "  ");
    }
    for exclusion in &record.run.exclusions {
        text += &wrap(&exclusion.sentence(), width, "Not counted: ", "  ");
    }
    if record.outcome.is_some() {
        let line = format!("Verdict: {}", signoff::result(record.outcome));
        text += &wrap(&line, width, "", "  ");
    }
    text += &wrap(CAUTION, width, "", "");
    text += &sign_off(record, setup, width);
    text
}

/// Width of the names in the block to sign.
const NAMES: usize = 16;

/// The block to sign: what it rests on, and the lines to fill in.
fn sign_off(record: &Reduction, setup: &Setup, width: usize) -> String {
    let mut text = String::from("\nFor signature\n");
    let rest = " ".repeat(NAMES);
    let signed = signoff::statement(setup, record);
    for (name, value) in signed.into_iter().chain(signoff::identities(record)) {
        text += &wrap(&value, width, &format!("{name:<NAMES$}"), &rest);
    }
    text.push('\n');
    for (name, value) in signoff::identification(setup) {
        if value.is_empty() {
            let _ = writeln!(text, "{name:<NAMES$} {}", "_".repeat(40));
        } else {
            text += &wrap(&value, width, &format!("{name:<NAMES$} "), &rest);
        }
    }
    for (role, name) in signoff::signatories(setup) {
        let _ = writeln!(
            text,
            "{role:<NAMES$} {name:_<20}  date {}  signature {}",
            "_".repeat(10),
            "_".repeat(20)
        );
    }
    text
}

fn heading(record: &Reduction, width: usize) -> String {
    let mut text = wrap(&record.run.title, width, "", "");
    match (&record.baseline, &record.bare_losses) {
        (Some(bare), Some(losses)) => {
            let exponent = if losses.level_exponent_fitted {
                format!(
                    "with the level to the power {} (from its levels)",
                    measured(Some(losses.level_exponent))
                )
            } else {
                format!(
                    "with the level to the power {}",
                    losses.level_exponent.value
                )
            };
            let good = if losses.corrected() > 0 {
                format!(
                    "; good to {:.0} % (k = 2) of them",
                    losses.subtraction_u_pct
                )
            } else {
                String::new()
            };
            let line = format!(
                "Bare-span losses from {}: {} harmonics, {:.2} Hz to {:.2} Hz, {exponent}. What of \
                 them remains with the damper on: {}{good}.",
                bare.folder,
                losses.harmonics,
                losses.low_hz,
                losses.high_hz,
                losses.basis(),
            );
            text += &wrap(&line, width, "", "");
        }
        _ => text.push_str("Without a bare run: the damper's own power is not known.\n"),
    }
    if let Some(sweep) = &record.fixed_sensors {
        text += &wrap(
            &format!("Fixed sensors: {}.", sweep.sentence()),
            width,
            "",
            "",
        );
    }
    text.push('\n');
    text
}

/// The points with their powers, and what came of each under every criterion.
fn points_with_outcomes<'a>(
    record: &Reduction,
    points: &'a [&'a ReducedPoint],
) -> TextTable<'a, &'a ReducedPoint> {
    let table = point_table(points, |shown| shown.reduced_rank, &["frequency_hz"]);
    (1..)
        .zip(&record.judgements)
        .fold(table, |table, (number, judgement)| {
            table.words(&format!("[{number}]"), "", 1, |point| {
                judgement
                    .points
                    .iter()
                    .find(|judged| judged.point == point.point.point)
                    .map_or_else(String::new, |judged| judged.outcome.word().to_owned())
            })
        })
}

/// The reasons of points that count, each said once with the points it holds
/// for.
fn reasons(points: &[&ReducedPoint], width: usize) -> String {
    let mut text = String::new();
    for (reason, numbers) in said_once(points.iter().map(|p| &p.point)) {
        let line = format!("#{}: {reason}", numbers.join(", #"));
        text += &wrap(&line, width, "", "  ");
    }
    if text.is_empty() {
        text
    } else {
        format!("\n{text}")
    }
}

fn methods(checks: &[MethodCheck], width: usize) -> String {
    if checks.is_empty() {
        return String::new();
    }
    let table = TextTable::new(checks)
        .numbers("#", "", 0, |c| c.point.to_string())
        .numbers("f", "Hz", 1, |c| format!("{:.3}", c.frequency_hz))
        .words("power of", "", 2, |c| compared(c.compared).to_owned())
        .numbers("standing wave", "W", 0, |c| {
            measured(Some(c.standing_wave_w))
        })
        .words("by", "", 0, |c| method(c.method).to_owned())
        .numbers("second method", "W", 0, |c| measured(Some(c.second_w)))
        .numbers("difference", "W", 3, |c| measured(Some(c.difference_w)))
        .numbers("E_n", "", 0, |c| {
            c.e_n.map_or_else(String::new, |e_n| {
                marked(format!("{e_n:+.2}"), c.uncertainty_incomplete)
            })
        });
    let apart = checks
        .iter()
        .filter(|c| c.e_n.is_some_and(|e| e.abs() > 1.0))
        .count();
    let mut legend = format!(
        "{} comparisons, {apart} with |E_n| above 1: beyond their joint uncertainty.",
        checks.len()
    );
    if checks.iter().any(|c| c.compared == Compared::Total) {
        legend += " Against the total, the second method has in it what is lost on the drive's \
                   side of the node, and is the larger.";
    }
    format!(
        "\nBy a second method\n{}\n{}",
        table.text(width),
        wrap(&legend, width, "", "")
    )
}

fn compared(compared: Compared) -> &'static str {
    match compared {
        Compared::Damper => "damper",
        Compared::Total => "total",
    }
}

fn method(method: Method) -> &'static str {
    match method {
        Method::Power => "power",
        Method::Decay => "decay",
    }
}

fn decays(decays: &[Decay], width: usize) -> String {
    if decays.is_empty() {
        return String::new();
    }
    let rows: Vec<(&Decay, &Decrement)> = decays
        .iter()
        .flat_map(|decay| decay.levels.iter().map(move |level| (decay, level)))
        .collect();
    let table = TextTable::new(&rows)
        .numbers("n", "", 2, |(decay, _)| {
            decay.harmonic.map_or_else(String::new, |n| n.to_string())
        })
        .numbers("f", "Hz", 0, |(decay, _)| {
            format!("{:.3}", decay.frequency_hz)
        })
        .numbers("from", "s", 1, |(decay, _)| format!("{:.1}", decay.start_s))
        .numbers("antinode", "mm/s", 0, |(_, level)| {
            format!(
                "{:.1} to {:.1}",
                level.from_velocity_mm_s, level.to_velocity_mm_s
            )
        })
        .numbers("log. decrement", "", 0, |(_, level)| {
            measured(Some(level.log_decrement))
        })
        .words("depends on amplitude", "", 3, |(decay, _)| {
            if decay.amplitude_dependent {
                "yes"
            } else {
                "not shown"
            }
            .to_owned()
        });
    format!("\nFree decays in the trace\n{}", table.text(width))
}

fn criterion(number: usize, judgement: &Judgement, width: usize) -> String {
    let mut text = String::from("\n");
    let head = format!(
        "[{number}] {}: {}",
        judgement.criterion,
        judgement.outcome.word()
    );
    text += &wrap(&head, width, "", "    ");
    let count = |outcome| {
        judgement
            .points
            .iter()
            .filter(|p| p.outcome == outcome)
            .count()
    };
    let counts = format!(
        "{} pass, {} fail, {} inconclusive, from {:.2} Hz to {:.2} Hz.",
        count(Outcome::Pass),
        count(Outcome::Fail),
        count(Outcome::Inconclusive),
        judgement.range_hz.0,
        judgement.range_hz.1
    );
    text += &wrap(&counts, width, "    ", "    ");
    let rule = format!("Decision rule: {}.", judgement.decision_rule);
    text += &wrap(&rule, width, "    ", "    ");
    if !judgement.level.is_empty() {
        let level = format!("Level: {}.", judgement.level);
        text += &wrap(&level, width, "    ", "    ");
    }
    for point in &judgement.points {
        if point.outcome == Outcome::Pass {
            continue;
        }
        let mut line = format!(
            "#{} {:.3} Hz {}",
            point.point,
            point.frequency_hz,
            point.outcome.word()
        );
        if let Some((value, required)) = point.value.zip(point.required) {
            let _ = write!(
                line,
                ": {} {}, required {}",
                marked(measured(Some(value)), point.uncertainty_incomplete),
                judgement.unit,
                significant(required, 4)
            );
        }
        if let Some(reason) = &point.reason {
            let _ = write!(line, " ({reason})");
        }
        text += &wrap(&line, width, "    - ", "      ");
    }
    for gap in &judgement.gaps {
        let line = format!(
            "not covered: no judged point between {:.2} Hz and {:.2} Hz",
            gap.from_hz, gap.to_hz
        );
        text += &wrap(&line, width, "    - ", "      ");
    }
    text
}
