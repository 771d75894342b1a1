//! A reduction as a table to read: points, second methods, verdict.

use std::fmt::Write as _;

use super::layout::{Column, layout, wrap};
use super::points_table::{said_once, with_uncertainty};
use crate::evaluation::criteria::{Judgement, Outcome};
use crate::evaluation::decay::Decay;
use crate::evaluation::methods::{Compared, Method, MethodCheck};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::report::document::signoff;
use crate::report::reduction::Reduction;
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
        text += &layout(&columns(record, &counted), width);
        let legend = "± is the expanded uncertainty (k = 2). Peak values. P total passes the node \
                      towards the damper, P bare is what the bare span loses there at this frequency \
                      and level, taken off is what of that remains with the damper on.";
        text.push('\n');
        text += &wrap(legend, width, "", "");
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
    for (name, value) in signoff::statement(setup, record) {
        text += &wrap(&value, width, &format!("{name:<NAMES$}"), &rest);
    }
    text.push('\n');
    for name in signoff::TO_FILL_IN {
        let _ = writeln!(text, "{name:<NAMES$} {}", "_".repeat(40));
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
                    with_uncertainty(losses.level_exponent, Some(losses.level_exponent_u))
                )
            } else {
                format!("with the level to the power {}", losses.level_exponent)
            };
            let line = format!(
                "Bare-span losses from {}: {} harmonics, {:.2} Hz to {:.2} Hz, {exponent}. What of \
                 them remains with the damper on: {}; good to {:.0} % (k = 2) of them.",
                bare.folder,
                losses.harmonics,
                losses.low_hz,
                losses.high_hz,
                losses.basis(),
                losses.subtraction_u_pct
            );
            text += &wrap(&line, width, "", "");
        }
        _ => text.push_str("Without a bare run: the damper's own power is not known.\n"),
    }
    text.push('\n');
    text
}

/// A value and its expanded uncertainty.
type Measured = (Option<f64>, Option<f64>);

fn columns(record: &Reduction, points: &[&ReducedPoint]) -> Vec<Column> {
    let each = |cell: &dyn Fn(&ReducedPoint) -> String| points.iter().map(|p| cell(p)).collect();
    let measured = |of: &dyn Fn(&ReducedPoint) -> Measured| {
        each(&|p| {
            let (value, u) = of(p);
            value.map_or_else(String::new, |value| with_uncertainty(value, u))
        })
    };
    let column = |title, unit, rank, cells| Column::new(title, unit, rank, cells);
    let mut columns = vec![
        column("#", "", 0, each(&|p| p.point.point.to_string())),
        column(
            "n",
            "",
            7,
            each(&|p| p.point.harmonic.map_or_else(String::new, |n| n.to_string())),
        ),
        column(
            "f",
            "Hz",
            0,
            each(&|p| {
                p.point
                    .frequency_hz
                    .map_or_else(String::new, |f| format!("{f:.3}"))
            }),
        ),
        column(
            "antinode",
            "mm/s",
            4,
            measured(&|p| {
                (
                    p.point.antinode_velocity_mm_s,
                    p.point.antinode_velocity_u_mm_s,
                )
            }),
        ),
        column(
            "efficiency",
            "%",
            0,
            measured(&|p| (p.point.efficiency_pct, p.point.efficiency_u_pct)),
        ),
        column(
            "P total",
            "W",
            3,
            measured(&|p| (p.point.power_total_w, p.point.power_total_u_w)),
        ),
        column(
            "P bare",
            "W",
            2,
            measured(&|p| (p.point.power_bare_w, p.point.power_bare_u_w)),
        ),
        column(
            "taken off",
            "W",
            3,
            measured(&|p| (p.power_taken_off_w, p.power_taken_off_u_w)),
        ),
        column(
            "P damper",
            "W",
            0,
            measured(&|p| (p.point.power_damper_w, p.point.power_damper_u_w)),
        ),
        column(
            "with EI",
            "W",
            5,
            measured(&|p| (p.power_damper_stiffness_w, p.power_damper_stiffness_u_w)),
        ),
        column(
            "at target",
            "W",
            6,
            measured(&|p| (p.power_damper_at_target_w, p.power_damper_at_target_u_w)),
        ),
    ];
    for (number, judgement) in (1..).zip(&record.judgements) {
        let cells = each(&|p| {
            judgement
                .points
                .iter()
                .find(|j| j.point == p.point.point)
                .map_or_else(String::new, |j| j.outcome.word().to_owned())
        });
        columns.push(Column::new(&format!("[{number}]"), "", 1, cells).left());
    }
    columns
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
    let each = |cell: &dyn Fn(&MethodCheck) -> String| checks.iter().map(cell).collect();
    let columns = [
        Column::new("#", "", 0, each(&|c| c.point.to_string())),
        Column::new("f", "Hz", 1, each(&|c| format!("{:.3}", c.frequency_hz))),
        Column::new(
            "power of",
            "",
            2,
            each(&|c| compared(c.compared).to_owned()),
        )
        .left(),
        Column::new(
            "standing wave",
            "W",
            0,
            each(&|c| with_uncertainty(c.standing_wave_w, Some(c.standing_wave_u_w))),
        ),
        Column::new("by", "", 0, each(&|c| method(c.method).to_owned())).left(),
        Column::new(
            "second method",
            "W",
            0,
            each(&|c| with_uncertainty(c.second_w, Some(c.second_u_w))),
        ),
        Column::new(
            "difference",
            "W",
            3,
            each(&|c| with_uncertainty(c.difference_w, Some(c.difference_u_w))),
        ),
        Column::new(
            "E_n",
            "",
            0,
            each(&|c| c.e_n.map_or_else(String::new, |e| format!("{e:+.2}"))),
        ),
    ];
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
        layout(&columns, width),
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
    let rows: Vec<(&Decay, &crate::evaluation::decay::Decrement)> = decays
        .iter()
        .flat_map(|decay| decay.levels.iter().map(move |level| (decay, level)))
        .collect();
    let each = |cell: &dyn Fn(&Decay, &crate::evaluation::decay::Decrement) -> String| {
        rows.iter().map(|(d, l)| cell(d, l)).collect()
    };
    let columns = [
        Column::new(
            "n",
            "",
            2,
            each(&|d, _| d.harmonic.map_or_else(String::new, |n| n.to_string())),
        ),
        Column::new("f", "Hz", 0, each(&|d, _| format!("{:.3}", d.frequency_hz))),
        Column::new("from", "s", 1, each(&|d, _| format!("{:.1}", d.start_s))),
        Column::new(
            "antinode",
            "mm/s",
            0,
            each(&|_, l| format!("{:.1} to {:.1}", l.from_velocity_mm_s, l.to_velocity_mm_s)),
        ),
        Column::new(
            "log. decrement",
            "",
            0,
            each(&|_, l| with_uncertainty(l.log_decrement, Some(l.log_decrement_u))),
        ),
        Column::new(
            "depends on amplitude",
            "",
            3,
            each(&|d, _| {
                if d.amplitude_dependent {
                    "yes"
                } else {
                    "not shown"
                }
                .to_owned()
            }),
        )
        .left(),
    ];
    format!("\nFree decays in the trace\n{}", layout(&columns, width))
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
                with_uncertainty(value, point.value_u),
                judgement.unit,
                with_uncertainty(required, None)
            );
        }
        if let Some(reason) = &point.reason {
            let _ = write!(line, " ({reason})");
        }
        text += &wrap(&line, width, "    - ", "      ");
    }
    for hole in &judgement.holes {
        let line = format!(
            "not covered: no judged point between {:.2} Hz and {:.2} Hz",
            hole.from_hz, hole.to_hz
        );
        text += &wrap(&line, width, "    - ", "      ");
    }
    text
}
