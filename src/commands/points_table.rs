//! The settled points as a table to read: held and steady first, then what was
//! rejected, with the reasons.

use std::fmt::Write as _;

use crate::ledger::Run;
use crate::reduction::fields::Shown;
use crate::reduction::{PointRow, SettledPoint};
use crate::report::number;
use crate::report::point_table::{UncertaintyTold, incomplete_notes, point_columns, said_once};
use crate::report::text_table::{TextTable, wrap};
use crate::setup::Verdict;

/// The whole text, at most `width` columns wide where that is possible.
pub fn points_table(points: &[SettledPoint], width: usize) -> String {
    let (rejected, counted): (Vec<_>, Vec<_>) = points
        .iter()
        .partition(|point| point.verdict == Verdict::Rejected);
    let mut text = String::new();
    if !counted.is_empty() {
        text += &point_table(&counted, |shown| shown.settled_rank, &[]).text(width);
        let legend = "± is the expanded uncertainty (k = 2). Peak values, unless marked pp \
                      (peak-to-peak).";
        text.push('\n');
        text += &wrap(legend, width, "", "");
        for note in incomplete_notes(counted.iter().copied()) {
            text += &wrap(&note, width, "", "  ");
        }
    }
    text += &notes(&counted, width);
    if !rejected.is_empty() {
        let _ = writeln!(
            text,
            "\nRejected: looked like a dwell, and why it does not count"
        );
        for point in &rejected {
            text += &rejection(point, width);
        }
    }
    let counts = Verdict::counts(points.iter().map(|point| point.verdict));
    let _ = write!(text, "\n{counts}.");
    text
}

/// What people said of the points, each note with its point; empty where nothing was
/// said.
pub fn point_notes(run: &Run, width: usize) -> String {
    let mut text = String::new();
    for point in &run.points {
        for note in run.notes_of(point) {
            let line = format!("#{}: {}", point.point, note.sentence());
            text += &wrap(&line, width, "", "  ");
        }
    }
    for note in run.notes_without_point() {
        text += &wrap(&note, width, "", "  ");
    }
    if text.is_empty() {
        text
    } else {
        format!("\nNotes\n{text}")
    }
}

/// The columns of the keys that have a rank. The uncertainty of the keys
/// `by_digits` is told by their digits alone.
pub(super) fn point_table<'a, P: PointRow>(
    points: &'a [&'a P],
    rank: impl Fn(&Shown) -> Option<u8>,
    by_digits: &[&str],
) -> TextTable<'a, &'a P> {
    let columns = point_columns(points, |field| {
        rank(&field.shown).map(|_| match field.key {
            key if by_digits.contains(&key) => UncertaintyTold::ByDigits,
            _ => UncertaintyTold::Written,
        })
    });
    columns
        .into_iter()
        .fold(TextTable::new(points), |table, column| {
            let shown = column.field.shown;
            let heading = column.heading(shown.terminal.unwrap_or(column.field.key));
            // That values are peak, the legend says.
            let unit = shown.unit.trim_end_matches(" peak").replace('µ', "u");
            let rank = rank(&shown).unwrap_or_default();
            table.cells(&heading, &unit, rank, column.words, column.cells)
        })
}

/// The reasons of points that count, each said once with the points it holds
/// for.
fn notes(points: &[&SettledPoint], width: usize) -> String {
    let mut text = String::new();
    for (reason, numbers) in said_once(points.iter().copied()) {
        let whose = if numbers.len() == points.len() && numbers.len() > 1 {
            "All points".to_owned()
        } else {
            format!("#{}", numbers.join(", #"))
        };
        text += &wrap(&format!("{whose}: {reason}"), width, "", "  ");
    }
    if text.is_empty() {
        text
    } else {
        format!("\n{text}")
    }
}

fn rejection(point: &SettledPoint, width: usize) -> String {
    let mut text = format!("#{}", point.point);
    if point.frequency_hz.is_some() {
        let _ = write!(text, "  {} Hz", number::measured(point.frequency_hz));
    }
    let _ = writeln!(text, "  {:.1} to {:.1} s", point.start_s, point.end_s);
    for reason in &point.reasons {
        text += &wrap(reason, width, "    - ", "      ");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(number: u64, verdict: Verdict, reasons: &[&str]) -> SettledPoint {
        let fields = serde_json::json!({
            "point": number, "verdict": verdict, "reasons": reasons,
            "start_s": 100.0, "end_s": 110.5, "harmonic": 7,
            "frequency_hz": 13.4567, "frequency_u_hz": 0.0012,
            "antinode_velocity_mm_s": 201.4, "antinode_velocity_u_mm_s": 2.1,
            "node_velocity_mm_s": 20.14, "node_velocity_u_mm_s": 0.31,
            "efficiency_pct": 10.0, "efficiency_u_pct": 0.19,
            "power_total_w": 0.2693, "power_total_u_w": 0.0061,
            "strain_pp_um_m": {"damper": 118.0}, "strain_pp_u_um_m": {"damper": 2.4},
            "target_deviation_pct": 0.7,
            "clipped_samples": 0, "missing_samples": 0
        });
        serde_json::from_value(fields).unwrap()
    }

    #[test]
    fn held_and_steady_come_first_and_rejections_say_why() {
        let points = [
            point(1, Verdict::Held, &[]),
            point(
                2,
                Verdict::Rejected,
                &["The drive phase is 34 degrees; at most 20 are allowed."],
            ),
            point(3, Verdict::Steady, &["There is no drive-force channel."]),
        ];
        let text = points_table(&points, 140);
        insta::assert_snapshot!(text, @r"
        #  verdict  n   from     to         frequency     antinode          node    efficiency          P total  strain damper  off target
                           s      s                Hz         mm/s          mm/s             %                W        um/m pp           %
        1  held     7  100.0  110.5  13.4567 ± 0.0012  201.4 ± 2.1  20.14 ± 0.31  10.00 ± 0.19  0.2693 ± 0.0061    118.0 ± 2.4         0.7
        3  steady   7  100.0  110.5  13.4567 ± 0.0012  201.4 ± 2.1  20.14 ± 0.31  10.00 ± 0.19  0.2693 ± 0.0061    118.0 ± 2.4         0.7

        ± is the expanded uncertainty (k = 2). Peak values, unless marked pp (peak-to-peak).

        #3: There is no drive-force channel.

        Rejected: looked like a dwell, and why it does not count
        #2  13.4567 ± 0.0012 Hz  100.0 to 110.5 s
            - The drive phase is 34 degrees; at most 20 are allowed.

        1 held, 1 steady, 1 rejected.
        ");
        for width in [60, 80, 100] {
            let text = points_table(&points, width);
            for line in text.lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
            // The level that a point was taken at decides what it may be used
            // for.
            assert!(text.contains("off target"), "{width}: {text}");
        }
        assert!(points_table(&points, 60).contains("left out"));
    }

    #[test]
    fn no_points_is_said_plainly() {
        assert_eq!(
            points_table(&[], 80).trim(),
            "0 held, 0 steady, 0 rejected."
        );
    }
}
