//! Runs against each other: samples of a type, repeats, before and after.
//!
//! In: the points of several runs. Out: differences per harmonic with
//! uncertainty and E_n numbers, repeatability and reproducibility. Pure.

use serde::{Deserialize, Serialize};

use crate::maths;
use crate::reduction::harmonic_numbers::ONE_RESONANCE_SPACINGS;
use crate::reduction::measured::record;
use crate::reduction::{COVERAGE, Measured, SettledPoint};
use crate::setup::Verdict;

/// E_n number of ISO/IEC 17043: (x − X)/sqrt(U_x² + U_X²), expanded
/// uncertainties, k = 2. |E_n| ≤ 1: the two agree. `None` where neither has an
/// uncertainty above 0, or one states none.
///
/// It takes the two uncertainties as independent. Where the two values share
/// a cause of error, the uncertainty of their difference is what counts; see
/// [`Measured`] `difference` of [`HarmonicDifference`].
pub fn e_n(value: f64, value_u: f64, reference: f64, reference_u: f64) -> Option<f64> {
    let joint = maths::hypot(value_u, reference_u);
    let number = (value - reference) / joint;
    (joint > 0.0 && joint.is_finite() && number.is_finite()).then_some(number)
}

/// Repeatability and reproducibility of ISO 5725-2, standard deviations in the
/// unit of the results.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Precision {
    /// Laboratories (or samples: whatever the cells stand for).
    pub laboratories: usize,
    /// Results in all.
    pub results: usize,
    /// General mean.
    pub mean: f64,
    /// Repeatability standard deviation s_r; `None` without repeats.
    pub repeatability: Option<f64>,
    /// Between-laboratory standard deviation s_L; `None` without repeats or
    /// with one laboratory.
    pub between: Option<f64>,
    /// Reproducibility standard deviation s_R = sqrt(s_r² + s_L²).
    pub reproducibility: Option<f64>,
    /// Standard deviation of the laboratories' means; with one laboratory `None`.
    pub of_means: Option<f64>,
}

/// Precision of a basic experiment (ISO 5725-2:1994, 7.4.5); each cell holds
/// the results of one laboratory, empty cells are passed over. `None` without
/// a result, or with one that is not finite.
pub fn precision(cells: &[Vec<f64>]) -> Option<Precision> {
    let cells: Vec<&Vec<f64>> = cells.iter().filter(|cell| !cell.is_empty()).collect();
    if cells.is_empty() || cells.iter().any(|cell| cell.iter().any(|v| !v.is_finite())) {
        return None;
    }
    let counts: Vec<f64> = cells.iter().map(|cell| cell.len() as f64).collect();
    let means: Vec<f64> = cells
        .iter()
        .zip(&counts)
        .map(|(cell, n)| cell.iter().sum::<f64>() / n)
        .collect();
    let results: f64 = counts.iter().sum();
    let laboratories = cells.len() as f64;
    let mean = counts.iter().zip(&means).map(|(n, m)| n * m).sum::<f64>() / results;
    let within: f64 = cells
        .iter()
        .zip(&means)
        .flat_map(|(cell, m)| cell.iter().map(move |v| maths::square(v - m)))
        .sum();
    let spare = results - laboratories;
    let repeatability_2 = (spare > 0.0).then(|| within / spare);
    let between_2 = repeatability_2.filter(|_| laboratories > 1.0).map(|r2| {
        let square = counts
            .iter()
            .zip(&means)
            .map(|(n, m)| n * maths::square(m - mean))
            .sum::<f64>()
            / (laboratories - 1.0);
        let cell_size =
            (results - counts.iter().map(|n| n * n).sum::<f64>() / results) / (laboratories - 1.0);
        // A negative estimate is set to 0 (ISO 5725-2, 7.4.5.4).
        ((square - r2) / cell_size).max(0.0)
    });
    let of_means = (laboratories > 1.0).then(|| {
        let centre = means.iter().sum::<f64>() / laboratories;
        (means.iter().map(|m| maths::square(m - centre)).sum::<f64>() / (laboratories - 1.0)).sqrt()
    });
    Some(Precision {
        laboratories: cells.len(),
        results: results as usize,
        mean,
        repeatability: repeatability_2.map(f64::sqrt),
        between: between_2.map(f64::sqrt),
        reproducibility: repeatability_2
            .zip(between_2)
            .map(|(r2, l2)| (r2 + l2).sqrt()),
        of_means,
    })
}

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ComparedQuantity {
    /// `efficiency_pct`
    #[default]
    Efficiency,
    /// `power_total_w`
    PowerTotal,
    /// `power_damper_w`
    PowerDamper,
    /// `frequency_hz`: how far the resonances moved.
    Frequency,
}

impl ComparedQuantity {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::Efficiency,
        Self::PowerTotal,
        Self::PowerDamper,
        Self::Frequency,
    ];

    /// The word for it, as in the result's JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Efficiency => "efficiency",
            Self::PowerTotal => "power-total",
            Self::PowerDamper => "power-damper",
            Self::Frequency => "frequency",
        }
    }

    /// The quantity of that name.
    pub fn by_name(name: &str) -> Option<Self> {
        Self::ALL
            .into_iter()
            .find(|quantity| quantity.name() == name)
    }

    /// Unit of the quantity.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Efficiency => "%",
            Self::PowerTotal | Self::PowerDamper => "W",
            Self::Frequency => "Hz",
        }
    }

    /// Its key in a point.
    pub fn key(self) -> &'static str {
        match self {
            Self::Efficiency => "efficiency_pct",
            Self::PowerTotal => "power_total_w",
            Self::PowerDamper => "power_damper_w",
            Self::Frequency => "frequency_hz",
        }
    }

    /// The quantity in a point.
    pub fn of(self, point: &SettledPoint) -> Option<Measured> {
        match self {
            Self::Efficiency => point.efficiency_pct,
            Self::PowerTotal => point.power_total_w,
            Self::PowerDamper => point.power_damper_w,
            Self::Frequency => point.frequency_hz,
        }
    }
}

record! {
    /// One harmonic of a run against the same harmonic of the reference run.
    /// Values are in the quantity's unit.
    #[derive(Debug, Clone, PartialEq)]
    #[allow(missing_docs, reason = "the names say it; units are the quantity's")]
    pub struct HarmonicDifference {
        harmonic: Option<u32>,
        reference_frequency_hz: f64,
        frequency_hz: f64,
        reference / reference_u: Measured,
        value / value_u: Measured,
        /// Its uncertainty is without what both runs share.
        difference / difference_u: Measured,
        /// Difference over its uncertainty; absent where the two were taken at
        /// different levels.
        e_n: Option<f64>,
        /// Level of this run's point over that of the reference's.
        level_ratio @ default: Option<f64>,
        /// Whether the two levels differ beyond the tolerance.
        at_other_level @ default: bool,
        /// Whether an uncertainty lacks a calibration that a setup does not
        /// state.
        uncertainty_incomplete @ default: bool,
    }
}

/// What two runs have in common, and what keeps them apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pairing {
    /// Relative standard uncertainty that a quantity of both shares.
    pub shared_standard_u: f64,
    /// Whether the level of both is kept by the strain at the clamps; else it
    /// is the antinode velocity.
    pub level_by_strain: bool,
    /// How far the levels of two points may be apart, %.
    pub level_tolerance_pct: f64,
}

impl Pairing {
    /// The level of `ours` over that of `theirs`, where both are known.
    fn level_ratio(&self, ours: &SettledPoint, theirs: &SettledPoint) -> Option<f64> {
        let level = |point: &SettledPoint| {
            if self.level_by_strain {
                point.largest_strain_pp_um_m()
            } else {
                point.antinode_velocity_mm_s.map(|v| v.value)
            }
        };
        let ratio = level(ours)? / level(theirs)?;
        ratio.is_finite().then_some(ratio)
    }

    fn at_other_level(&self, ours: &SettledPoint, theirs: &SettledPoint) -> bool {
        self.level_ratio(ours, theirs)
            .is_some_and(|ratio| (ratio - 1.0).abs() * 100.0 > self.level_tolerance_pct)
    }

    /// Value less reference. The shared relative error `s` multiplies both, so
    /// that of the difference is `s` times the difference, beside what each has
    /// of its own (JCGM 100, F.1.2.3: a common input).
    fn difference(&self, value: Measured, reference: Measured) -> Measured {
        let shared = COVERAGE * self.shared_standard_u;
        let own = |m: Measured| {
            let square = maths::square(m.u) - maths::square(shared * m.value);
            square.max(0.0)
        };
        let difference = value.value - reference.value;
        let square = own(value) + own(reference) + maths::square(shared * difference);
        Measured::new(difference, square.sqrt())
    }
}

/// The differences of a run from a reference run, resonance by resonance, in the
/// order of the reference. Rejected dwells are passed over; a resonance that
/// only one of them has gives nothing. `spacing_hz` is c/(2L).
pub fn differences(
    reference: &[SettledPoint],
    run: &[SettledPoint],
    quantity: ComparedQuantity,
    spacing_hz: f64,
    pairing: Pairing,
) -> Vec<HarmonicDifference> {
    usable(reference)
        .filter_map(|(theirs, their_hz)| {
            let (ours, our_hz) = partner((their_hz, reference), run, spacing_hz)?;
            let (reference, value) = (quantity.of(theirs)?, quantity.of(ours)?);
            let difference = pairing.difference(value, reference);
            let at_other_level = pairing.at_other_level(ours, theirs);
            let incomplete = |point: &SettledPoint| point.lacking(quantity.key(), None).is_some();
            Some(HarmonicDifference {
                harmonic: theirs.harmonic.or(ours.harmonic),
                reference_frequency_hz: their_hz,
                frequency_hz: our_hz,
                reference,
                value,
                difference,
                e_n: e_n(difference.value, difference.u, 0.0, 0.0).filter(|_| !at_other_level),
                level_ratio: pairing.level_ratio(ours, theirs),
                at_other_level,
                uncertainty_incomplete: incomplete(ours) || incomplete(theirs),
            })
        })
        .collect()
}

/// Precision at one harmonic of the reference run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HarmonicPrecision {
    /// The harmonic, if known.
    pub harmonic: Option<u32>,
    /// Frequency of the reference run's point, Hz.
    pub frequency_hz: f64,
    /// Over the runs that have this harmonic.
    pub precision: Precision,
}

/// The points of a run, and how they pair with the reference's.
pub type PairedPoints<'a> = (&'a [SettledPoint], Pairing);

/// Precision over several runs, harmonic by harmonic of the first. `cells[i]`
/// holds the runs of one laboratory (or one sample). A point at another level
/// than the reference's is passed over.
pub fn precision_by_harmonic(
    cells: &[Vec<PairedPoints>],
    quantity: ComparedQuantity,
    spacing_hz: f64,
) -> Vec<HarmonicPrecision> {
    let Some((reference, _)) = cells.first().and_then(|runs| runs.first()) else {
        return Vec::new();
    };
    usable(reference)
        .filter_map(|(theirs, their_hz)| {
            let results: Vec<Vec<f64>> = cells
                .iter()
                .map(|runs| {
                    runs.iter()
                        .filter_map(|(run, pairing)| {
                            let (ours, _) = partner((their_hz, reference), run, spacing_hz)?;
                            let comparable = !pairing.at_other_level(ours, theirs);
                            comparable.then(|| quantity.of(ours))?
                        })
                        .map(|measured| measured.value)
                        .collect()
                })
                .collect();
            Some(HarmonicPrecision {
                harmonic: theirs.harmonic,
                frequency_hz: their_hz,
                precision: precision(&results)?,
            })
        })
        .collect()
}

fn usable(points: &[SettledPoint]) -> impl Iterator<Item = (&SettledPoint, f64)> {
    points
        .iter()
        .filter(|p| matches!(p.verdict, Verdict::Held | Verdict::Steady))
        .filter_map(|p| Some((p, p.frequency_hz?.value)))
}

/// The point of a run that is of the same resonance as one of the reference: the
/// nearest, less than half a spacing away, and none of the reference nearer to it by
/// more than one resonance is wide. Numbers say nothing here: a damper moves
/// resonances past the bare harmonics, and which number one gets depends on which
/// others of its run were read.
fn partner<'a>(
    (theirs_hz, reference): (f64, &[SettledPoint]),
    run: &'a [SettledPoint],
    spacing_hz: f64,
) -> Option<(&'a SettledPoint, f64)> {
    let away = |a_hz: f64, b_hz: f64| (a_hz - b_hz).abs();
    let (ours, our_hz) =
        usable(run).min_by(|a, b| away(a.1, theirs_hz).total_cmp(&away(b.1, theirs_hz)))?;
    let apart_hz = away(our_hz, theirs_hz);
    let nearest_hz = usable(reference)
        .map(|(_, other_hz)| away(other_hz, our_hz))
        .fold(f64::INFINITY, f64::min);
    let is_one = apart_hz < ONE_RESONANCE_SPACINGS * spacing_hz || apart_hz <= nearest_hz;
    (is_one && apart_hz < 0.5 * spacing_hz).then_some((ours, our_hz))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of `tests/reference/precision_examples.csv` of one example and
    /// kind: name and numbers. Their sources stand there.
    fn outside(example: &str, kind: &str) -> Vec<(String, Vec<f64>)> {
        include_str!("../../tests/reference/precision_examples.csv")
            .lines()
            .filter(|line| !line.starts_with('#'))
            .filter_map(|line| {
                let fields: Vec<&str> = line.split(',').collect();
                let numbers = fields.get(3)?.split(' ').map_while(|n| n.parse().ok());
                (fields[0] == example && fields[1] == kind)
                    .then(|| (fields[2].to_owned(), numbers.collect()))
            })
            .collect()
    }

    fn cells(example: &str) -> Vec<Vec<f64>> {
        outside(example, "result")
            .into_iter()
            .map(|r| r.1)
            .collect()
    }

    fn certified(example: &str, quantity: &str) -> f64 {
        let rows = outside(example, "certified");
        rows.iter().find(|r| r.0 == quantity).unwrap().1[0]
    }

    #[test]
    fn e_n_of_the_standards_example() {
        let laboratories = outside("iso-13528", "e_n");
        assert_eq!(laboratories.len(), 2);
        for (name, n) in laboratories {
            let found = e_n(n[0], n[1], n[2], n[3]).unwrap();
            assert!((found - n[4]).abs() < 0.005, "{name}: {found}");
        }
        assert_eq!(e_n(1.0, 0.0, 1.0, 0.0), None);
        assert_eq!(e_n(f64::NAN, 0.1, 1.0, 0.1), None);
    }

    #[test]
    fn precision_of_the_standards_example() {
        let p = precision(&cells("iso-5725-2")).unwrap();
        assert_eq!((p.laboratories, p.results), (8, 27));
        let close = |found: f64, quantity: &str| {
            let printed = certified("iso-5725-2", quantity);
            assert!((found - printed).abs() < 0.0005, "{quantity}: {found}");
        };
        close(p.mean, "mean");
        close(p.repeatability.unwrap(), "repeatability");
        close(p.reproducibility.unwrap(), "reproducibility");
    }

    #[test]
    fn precision_against_a_certified_analysis_of_variance() {
        // Five readings with each of five instruments.
        let p = precision(&cells("nist-sirstv")).unwrap();
        assert_eq!((p.laboratories, p.results), (5, 25));
        let within = certified("nist-sirstv", "within_mean_square");
        let between = (certified("nist-sirstv", "between_mean_square") - within) / 5.0;
        assert!((p.repeatability.unwrap() / within.sqrt() - 1.0).abs() < 1e-9);
        assert!((p.between.unwrap() / between.sqrt() - 1.0).abs() < 1e-8);
        assert!((p.reproducibility.unwrap() / (within + between).sqrt() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn without_repeats_there_is_no_repeatability() {
        let p = precision(&[vec![10.0], vec![12.0], vec![]]).unwrap();
        assert_eq!(p.repeatability, None);
        assert_eq!(p.reproducibility, None);
        assert!((p.of_means.unwrap() - f64::sqrt(2.0)).abs() < 1e-12);
        assert_eq!(precision(&[vec![]]), None);
        assert_eq!(precision(&[vec![f64::NAN]]), None);
    }

    fn point(harmonic: Option<u32>, frequency_hz: f64, efficiency_pct: f64) -> SettledPoint {
        SettledPoint {
            verdict: Verdict::Held,
            harmonic,
            frequency_hz: Some(Measured::without_u(frequency_hz)),
            efficiency_pct: Some(Measured::new(efficiency_pct, 1.0)),
            ..SettledPoint::default()
        }
    }

    const APART: Pairing = Pairing {
        shared_standard_u: 0.0,
        level_by_strain: false,
        level_tolerance_pct: 10.0,
    };

    #[test]
    fn resonances_find_their_partner_and_no_other() {
        let reference = [
            point(Some(4), 8.0, 20.0),
            point(None, 10.0, 30.0),
            point(None, 12.0, 9.0),
        ];
        let run = [
            // Where fewer resonances were read the same one has another number.
            point(Some(3), 8.1, 22.0),
            point(Some(4), 8.9, 99.0),
            point(None, 10.2, 29.0),
        ];
        let found = differences(&reference, &run, ComparedQuantity::Efficiency, 2.0, APART);
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].harmonic, Some(4));
        assert!((found[0].difference.value - 2.0).abs() < 1e-12);
        assert!((found[0].e_n.unwrap() - f64::sqrt(2.0)).abs() < 1e-12);
        assert!((found[1].difference.value + 1.0).abs() < 1e-12);
        // The resonance that a run lacks is not made of its neighbour.
        let close = [point(Some(4), 8.0, 20.0), point(Some(5), 8.8, 60.0)];
        let found = differences(&close, &run[1..2], ComparedQuantity::Efficiency, 2.0, APART);
        assert_eq!(found.len(), 1);
        assert!((found[0].reference.value - 60.0).abs() < 1e-12);
    }

    #[test]
    fn samples_and_repeats_are_told_apart() {
        let run = |e: f64| vec![point(Some(4), 8.0, e)];
        let (a1, a2, b1, b2) = (run(20.0), run(22.0), run(30.0), run(32.0));
        let cells = [[&a1, &a2], [&b1, &b2]].map(|runs| runs.map(|run| (&run[..], APART)).to_vec());
        let rows = precision_by_harmonic(&cells, ComparedQuantity::Efficiency, 2.0);
        // By hand: s_r² = 2, s_d² = 2·50/1 = 100, s_L² = (100 − 2)/2 = 49.
        let p = rows[0].precision;
        assert!((p.repeatability.unwrap() - f64::sqrt(2.0)).abs() < 1e-12);
        assert!((p.between.unwrap() - 7.0).abs() < 1e-12);
    }

    #[test]
    fn what_both_runs_share_is_not_in_their_difference() {
        // The model of a common input worked by hand: a = g·A, b = g·B with
        // g = 1 ± 1 % (k = 2), A = 20.0 ± 0.06, B = 19.8 ± 0.06. Each value has
        // U = sqrt(0.2² + 0.06²); the difference −0.2 has
        // sqrt(2 · 0.06² + (0.01 · 0.2)²) = 0.0849, so E_n = −2.36, where twice
        // the whole calibration would have left −0.68.
        let with_u = |value: f64| {
            let mut point = point(Some(4), 8.0, value);
            point.efficiency_pct = Some(Measured::new(value, f64::hypot(0.01 * value, 0.06)));
            [point]
        };
        let compared = |shared_standard_u| {
            let pairing = Pairing {
                shared_standard_u,
                ..APART
            };
            let (before, after) = (with_u(20.0), with_u(19.8));
            differences(&before, &after, ComparedQuantity::Efficiency, 2.0, pairing).remove(0)
        };
        let shared = compared(0.005);
        assert!((shared.difference.u - 0.084_88).abs() < 1e-4, "{shared:?}");
        assert!((shared.e_n.unwrap() + 2.356).abs() < 0.005);
        let apart = compared(0.0);
        assert!((apart.e_n.unwrap() + 0.68).abs() < 0.01, "{apart:?}");
    }

    #[test]
    fn points_at_different_levels_have_a_difference_and_no_verdict() {
        let at = |efficiency: f64, velocity: f64| {
            let mut point = point(Some(4), 8.0, efficiency);
            point.antinode_velocity_mm_s = Some(Measured::new(velocity, 1.0));
            [point]
        };
        let reference = at(20.0, 150.0);
        for (velocity, apart) in [(164.0, false), (166.0, true), (134.0, true), (1650.0, true)] {
            let run = at(30.0, velocity);
            let found = differences(&reference, &run, ComparedQuantity::Efficiency, 2.0, APART);
            assert_eq!(found[0].at_other_level, apart, "{velocity}");
            assert_eq!(found[0].e_n.is_none(), apart, "{velocity}");
            assert!((found[0].level_ratio.unwrap() - velocity / 150.0).abs() < 1e-12);
            // Nor does it count as a repeat.
            let cells = vec![vec![(&reference[..], APART), (&run[..], APART)]];
            let rows = precision_by_harmonic(&cells, ComparedQuantity::Efficiency, 2.0);
            assert_eq!(rows[0].precision.results, if apart { 1 } else { 2 });
        }
    }
}
