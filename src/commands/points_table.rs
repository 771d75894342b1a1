//! The settled points as a table to read: held and steady first, then what was
//! rejected, with the reasons.

use std::fmt::Write as _;

use super::layout::{Column, layout, wrap};
use crate::reduction::SettledPoint;
use crate::report::number;
use crate::setup::Verdict;

/// The whole text, at most `width` columns wide where that is possible.
pub fn points_table(points: &[SettledPoint], width: usize) -> String {
    let (rejected, counted): (Vec<_>, Vec<_>) = points
        .iter()
        .partition(|point| point.verdict == Verdict::Rejected);
    let mut text = String::new();
    if !counted.is_empty() {
        text += &layout(&columns(&counted), width);
        let legend = "± is the expanded uncertainty (k = 2). Peak values, unless marked pp \
                      (peak-to-peak).";
        text.push('\n');
        text += &wrap(legend, width, "", "");
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
    let count = |verdict| {
        points
            .iter()
            .filter(|point| point.verdict == verdict)
            .count()
    };
    let _ = write!(
        text,
        "\n{} held, {} steady, {} rejected.",
        count(Verdict::Held),
        count(Verdict::Steady),
        count(Verdict::Rejected)
    );
    text
}

/// A value and its expanded uncertainty.
type Measured = (Option<f64>, Option<f64>);

fn columns(points: &[&SettledPoint]) -> Vec<Column> {
    let each = |cell: &dyn Fn(&SettledPoint) -> String| points.iter().map(|p| cell(p)).collect();
    let measured = |of: &dyn Fn(&SettledPoint) -> Measured| {
        each(&|point| {
            let (value, uncertainty) = of(point);
            value.map_or_else(String::new, |value| with_uncertainty(value, uncertainty))
        })
    };
    let mut columns = vec![
        Column::new("#", "", 0, each(&|p| p.point.to_string())),
        Column::new("verdict", "", 0, each(&|p| verdict(p.verdict).to_owned())).left(),
        Column::new(
            "n",
            "",
            3,
            each(&|p| p.harmonic.map_or_else(String::new, |n| n.to_string())),
        ),
        Column::new("from", "s", 6, each(&|p| format!("{:.1}", p.start_s))),
        Column::new("to", "s", 8, each(&|p| format!("{:.1}", p.end_s))),
        Column::new(
            "frequency",
            "Hz",
            0,
            measured(&|p| (p.frequency_hz, p.frequency_u_hz)),
        ),
        Column::new(
            "antinode",
            "mm/s",
            1,
            measured(&|p| (p.antinode_velocity_mm_s, p.antinode_velocity_u_mm_s)),
        ),
        Column::new(
            "node",
            "mm/s",
            5,
            measured(&|p| (p.node_velocity_mm_s, p.node_velocity_u_mm_s)),
        ),
        Column::new(
            "efficiency",
            "%",
            0,
            measured(&|p| (p.efficiency_pct, p.efficiency_u_pct)),
        ),
        Column::new(
            "power",
            "W",
            2,
            measured(&|p| (p.power_total_w, p.power_total_u_w)),
        ),
    ];
    for gauge in gauges(points) {
        let strain = measured(&|p| {
            (
                p.strain_pp_um_m.get(&gauge).copied(),
                p.strain_pp_u_um_m.get(&gauge).copied(),
            )
        });
        columns.push(Column::new(
            &format!("strain, {gauge}"),
            "um/m pp",
            4,
            strain,
        ));
    }
    let level = each(&|p| {
        p.target_deviation_pct
            .map_or_else(String::new, |pct| format!("{pct:+.1}"))
    });
    columns.push(Column::new("off target", "%", 7, level));
    columns
}

fn gauges(points: &[&SettledPoint]) -> Vec<String> {
    let mut gauges: Vec<String> = points
        .iter()
        .flat_map(|point| point.strain_pp_um_m.keys().cloned())
        .collect();
    gauges.sort();
    gauges.dedup();
    gauges
}

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Held => "held",
        Verdict::Steady => "steady",
        Verdict::Rejected => "rejected",
    }
}

/// Each reason of some points once, with the numbers of the points it holds
/// for.
pub(super) fn said_once<'a>(
    points: impl Iterator<Item = &'a SettledPoint>,
) -> Vec<(&'a str, Vec<String>)> {
    let mut said: Vec<(&str, Vec<String>)> = Vec::new();
    for point in points {
        for reason in &point.reasons {
            match said.iter_mut().find(|(known, _)| known == reason) {
                Some((_, numbers)) => numbers.push(point.point.to_string()),
                None => said.push((reason, vec![point.point.to_string()])),
            }
        }
    }
    said
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
    if let Some(frequency_hz) = point.frequency_hz {
        let _ = write!(
            text,
            "  {} Hz",
            with_uncertainty(frequency_hz, point.frequency_u_hz)
        );
    }
    let _ = writeln!(text, "  {:.1} to {:.1} s", point.start_s, point.end_s);
    for reason in &point.reasons {
        text += &wrap(reason, width, "    - ", "      ");
    }
    text
}

/// `value ± uncertainty` for a value that is there, see
/// [`number::with_uncertainty`].
pub fn with_uncertainty(value: f64, uncertainty: Option<f64>) -> String {
    number::with_uncertainty(Some(value), uncertainty)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_uncertainty() {
        // JCGM 100, 7.2.6: 10.057 62 ohm with u = 27 mohm is 10.058 ohm.
        assert_eq!(with_uncertainty(10.057_62, Some(0.027)), "10.058 ± 0.027");
        assert_eq!(with_uncertainty(198.34, Some(2.07)), "198.3 ± 2.1");
        assert_eq!(with_uncertainty(1234.5, Some(173.0)), "1230 ± 170");
        assert_eq!(with_uncertainty(1.0, Some(0.0996)), "1.00 ± 0.10");
        assert_eq!(with_uncertainty(-3.21, Some(12.0)), "-3 ± 12");
        assert_eq!(with_uncertainty(12.3456, None), "12.35");
        assert_eq!(with_uncertainty(12.3456, Some(f64::NAN)), "12.35");
        assert_eq!(with_uncertainty(0.0, None), "0");
    }

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
        let text = points_table(&points, 120);
        insta::assert_snapshot!(text, @r"
        #  verdict  n   from     to         frequency     antinode          node    efficiency            power  strain, damper
                           s      s                Hz         mm/s          mm/s             %                W         um/m pp
        1  held     7  100.0  110.5  13.4567 ± 0.0012  201.4 ± 2.1  20.14 ± 0.31  10.00 ± 0.19  0.2693 ± 0.0061     118.0 ± 2.4
        3  steady   7  100.0  110.5  13.4567 ± 0.0012  201.4 ± 2.1  20.14 ± 0.31  10.00 ± 0.19  0.2693 ± 0.0061     118.0 ± 2.4

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
