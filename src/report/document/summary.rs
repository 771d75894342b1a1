//! Several samples in one document: the verdict of each, all of them in one figure,
//! and resonance by resonance beside each other.
//!
//! In: the runs, reduced. Out: one self-contained, printable HTML page. It judges
//! nothing anew: every verdict is that of a sample's own report.

use maud::{Markup, html};

use super::figures::{Series, frequency_axis, series, tops};
use super::signoff::{self, Fact};
use super::verdict::badge;
use super::{cautions, requirement};
use crate::analysis::Exclusion;
use crate::evaluation::comparison::ComparedQuantity;
use crate::evaluation::criteria::Outcome;
use crate::evaluation::reduced_point::ReducedPoint;
use crate::evaluation::run_comparison::{ComparedRun, RunComparison, compare};
use crate::reduction::{Measured, SettledPoint};
use crate::report::audit::figures::Picture;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::report::html::{facts_list, page, row, table};
use crate::report::number::{ABSENT, measured, significant, with_micro_sign};
use crate::report::reduction::Reduction;
use crate::setup::{Setup, Verdict};

/// One sample: a run with its setup and what `reduce` made of it.
#[derive(Debug)]
pub struct TestedSample {
    /// The run folder's name, without the folders that it lies in.
    pub name: String,
    /// Its setup.
    pub setup: Setup,
    /// Its reduction; `None` where the run was not reduced, or its points have
    /// changed since.
    pub reduction: Option<Reduction>,
    /// Its points that count, with the damper's power where it was reduced.
    pub points: Vec<ReducedPoint>,
    /// Those that a person excluded, and that are not among these.
    pub exclusions: Vec<Exclusion>,
}

/// What tells the samples apart in a figure; with more of them the marks come
/// again.
const LOOKS: [Look; 6] = [
    Look::Hold,
    Look::Second,
    Look::Third,
    Look::Model,
    Look::Approach,
    Look::Fail,
];

/// The document.
#[derive(Debug)]
pub struct Summary<'a> {
    /// Two samples or more.
    pub samples: &'a [TestedSample],
}

impl Summary<'_> {
    /// The page.
    pub fn html(&self) -> String {
        let title = self.title();
        let body = html! {
            header { "\n"
                p class="kicker" { "Summary of damper tests on a laboratory span" } "\n"
                h1 { (title) } "\n"
                (facts_list(&self.heading()))
            } "\n"
            h2 { "Verdicts" } "\n"
            p { (self.counted()) } "\n"
            (self.verdicts())
            @for (number, sample) in (1..).zip(self.samples) {
                @for exclusion in &sample.exclusions {
                    p class="warning" { "Sample " (number) ": " (exclusion.sentence()) "." } "\n"
                }
            }
            (self.criteria())
            (self.figures())
            (self.side_by_side())
            (cautions())
            (self.sign_off())
            (self.annex())
        };
        page(&title, body)
    }

    fn title(&self) -> String {
        let count = self.samples.len();
        match self.shared(|setup| setup.test.damper.clone()) {
            Some(damper) => format!("Summary of {count} samples: {damper}"),
            None => format!("Summary of {count} samples"),
        }
    }

    /// What all setups state alike.
    fn shared<T: PartialEq>(&self, of: impl Fn(&Setup) -> Option<T>) -> Option<T> {
        let mut all = self.samples.iter().map(|sample| of(&sample.setup));
        let first = all.next()??;
        all.all(|other| other.as_ref() == Some(&first))
            .then_some(first)
    }

    /// What holds for all samples.
    fn heading(&self) -> Vec<Fact> {
        let conductor = self.shared(|setup| Some(setup.conductor.designation.clone()));
        [
            ("Laboratory", self.shared(|s| s.report.laboratory.clone())),
            ("Client", self.shared(|s| s.report.client.clone())),
            ("Standard", self.shared(|s| s.report.standard.clone())),
            ("Conductor", conductor),
        ]
        .into_iter()
        .filter_map(|(name, value)| Some((name, value?)))
        .collect()
    }

    fn counted(&self) -> String {
        let of = |outcome: Option<Outcome>| {
            let outcomes = self.outcomes();
            outcomes.filter(|found| *found == outcome).count()
        };
        let without = match of(None) {
            0 => String::new(),
            without => format!(", {without} without a verdict"),
        };
        format!(
            "{} of {} samples pass, {} fail, {} inconclusive{without}. Each verdict is that of the \
             sample's own report.",
            of(Some(Outcome::Pass)),
            self.samples.len(),
            of(Some(Outcome::Fail)),
            of(Some(Outcome::Inconclusive)),
        )
    }

    fn outcomes(&self) -> impl Iterator<Item = Option<Outcome>> {
        let reductions = self.samples.iter().map(|sample| &sample.reduction);
        reductions.map(|reduction| reduction.as_ref()?.outcome)
    }

    fn verdicts(&self) -> Markup {
        let titles = [
            "Sample",
            "Title",
            "Damper",
            "Serial number",
            "Report number",
            "Date of the test",
            "Dwells",
            "Verdict",
        ];
        let stated = |text: &Option<String>| text.as_deref().unwrap_or(ABSENT).to_owned();
        let rows = html! {
            @for ((number, sample), outcome) in (1..).zip(self.samples).zip(self.outcomes()) {
                @let report = &sample.setup.report;
                tr {
                    th scope="row" { (number) }
                    td class="words" { (sample.setup.test.title) }
                    td class="words" { (stated(&sample.setup.test.damper)) }
                    td { (stated(&report.damper_serial)) }
                    td { (stated(&report.number)) }
                    td { (report.date.map_or_else(|| ABSENT.to_owned(), |date| date.to_string())) }
                    td class="words" { (Verdict::counts(sample.points.iter().map(|p| p.point.verdict))) }
                    td { @match outcome { Some(outcome) => (badge(outcome)), None => "not reduced" } }
                } "\n"
            }
        };
        table(&titles, rows)
    }

    /// Every criterion with its outcome at each sample.
    fn criteria(&self) -> Markup {
        let mut criteria: Vec<&str> = Vec::new();
        let reductions = self.samples.iter().map(|sample| sample.reduction.as_ref());
        for judgement in reductions.flatten().flat_map(|r| &r.judgements) {
            if !criteria.contains(&judgement.criterion.as_str()) {
                criteria.push(&judgement.criterion);
            }
        }
        let outcome = |sample: &TestedSample, criterion: &str| {
            let mut judgements = sample.reduction.as_ref()?.judgements.iter();
            judgements
                .find(|judgement| judgement.criterion == criterion)
                .map(|judgement| judgement.outcome)
        };
        let mut titles = vec!["Criterion".to_owned()];
        titles.extend((1..=self.samples.len()).map(|number| format!("Sample {number}")));
        let titles: Vec<&str> = titles.iter().map(String::as_str).collect();
        let rows = html! {
            @for criterion in &criteria {
                tr {
                    th scope="row" class="words" { (with_micro_sign(criterion)) }
                    @for sample in self.samples {
                        td {
                            @match outcome(sample, criterion) {
                                Some(outcome) => (badge(outcome)),
                                None => (ABSENT),
                            }
                        }
                    }
                } "\n"
            }
        };
        html! {
            @if !criteria.is_empty() {
                h3 { "By criterion" } "\n"
                (table(&titles, rows))
                @if self.curves_differ() {
                    p class="warning" {
                        "The samples were held against different required curves; drawn is that of the first one \
                         that has any."
                    } "\n"
                }
            }
        }
    }

    fn curves_differ(&self) -> bool {
        let mut hashes = self.samples.iter().filter_map(|sample| {
            let curves = &sample.reduction.as_ref()?.curves;
            Some(curves.iter().map(|curve| &curve.blake3).collect::<Vec<_>>())
        });
        let first = hashes.next();
        hashes.any(|other| Some(&other) != first.as_ref())
    }

    /// The curve that the efficiency is held against, of the first sample that has
    /// one.
    fn required(&self) -> Vec<(f64, f64)> {
        self.samples
            .iter()
            .find_map(|sample| {
                let reduction = sample.reduction.as_ref()?;
                let diameter_mm = sample.setup.conductor.diameter_mm;
                let (number, judgement) = (1..)
                    .zip(&reduction.judgements)
                    .find(|(_, judgement)| requirement::is_of_efficiency(judgement))?;
                Some(requirement::required(
                    reduction,
                    number,
                    judgement,
                    diameter_mm,
                ))
            })
            .unwrap_or_default()
    }

    /// A quantity of every sample over frequency; `None` where none has it.
    fn figure(
        &self,
        (title, axis): (&str, &str),
        required: Vec<(f64, f64)>,
        of: impl Fn(&SettledPoint) -> Option<Measured>,
    ) -> Option<Figure> {
        let all: Vec<Series> = self
            .samples
            .iter()
            .map(|sample| series(&counted_points(sample), &of))
            .collect();
        if all.iter().all(Vec::is_empty) {
            return None;
        }
        let first = self.samples.first()?;
        let points: Vec<&ReducedPoint> = self.samples.iter().flat_map(counted_points).collect();
        let tops = all
            .iter()
            .flat_map(tops)
            .chain(required.iter().map(|point| point.1));
        let x = frequency_axis(&first.setup, &points);
        let x = Axis::over(
            &x.label,
            [x.low, x.high]
                .into_iter()
                .chain(required.iter().map(|point| point.0)),
        );
        let figure = Figure::new(
            &format!("{title} of all samples over frequency"),
            x,
            Axis::from_zero(axis, tops),
        );
        let figure = if required.is_empty() {
            figure
        } else {
            figure
                .line(Look::Limit, required)
                .key(Look::Limit, "required")
        };
        let samples = all.into_iter().zip(LOOKS.into_iter().cycle()).zip(1..);
        Some(samples.fold(figure, |figure, ((series, look), number)| {
            let line = series.iter().map(|point| (point.0, point.1)).collect();
            figure
                .line(look, line)
                .errors(look, series)
                .key(look, &format!("sample {number}"))
        }))
    }

    fn figures(&self) -> Markup {
        let efficiency = self.figure(("Efficiency", "efficiency, %"), self.required(), |point| {
            point.efficiency_pct
        });
        let power = self.figure(("Power of the damper", "power, W"), Vec::new(), |point| {
            point.power_damper_w
        });
        let strain = self.figure(
            ("Largest clamp strain", "strain, µm/m peak-to-peak"),
            Vec::new(),
            largest_strain,
        );
        let picture = |title: &str, what: &str, figure: Figure| Picture {
            title: title.to_owned(),
            caption: format!(
                "{what} Points that are held or steady. Bars: expanded uncertainty, k = 2."
            ),
            figure,
        };
        html! {
            h2 { "All samples over frequency" } "\n"
            @if let Some(figure) = efficiency {
                (picture(
                    "Efficiency",
                    "100 V_n / V_a, losses of the bare span included.",
                    figure,
                ).large_markup())
            }
            div class="grid large" { "\n"
                @if let Some(figure) = power {
                    (picture(
                        "Power of the damper",
                        "Total less bare span, at the level of each point.",
                        figure.half_width(),
                    ).markup())
                }
                @if let Some(figure) = strain {
                    (picture(
                        "Largest clamp strain",
                        "The largest of all gauges, peak-to-peak, at the level of each point.",
                        figure.half_width(),
                    ).markup())
                }
            } "\n"
        }
    }

    /// Resonance by resonance, the samples beside each other.
    fn side_by_side(&self) -> Markup {
        let runs: Vec<(String, Vec<SettledPoint>)> = (1..)
            .zip(self.samples)
            .map(|(number, sample): (usize, &TestedSample)| {
                let points = sample.points.iter().map(|point| point.point.clone());
                (format!("sample {number}"), points.collect())
            })
            .collect();
        let compared: Vec<ComparedRun> = self
            .samples
            .iter()
            .zip(&runs)
            .map(|(sample, (name, points))| ComparedRun {
                label: name,
                name,
                setup: &sample.setup,
                points,
                exclusions: &sample.exclusions,
                recordings: &[],
            })
            .collect();
        html! {
            @for quantity in [ComparedQuantity::Efficiency, ComparedQuantity::PowerDamper] {
                @if let Ok(comparison) = compare(&compared, quantity) {
                    h2 { (heading_of(quantity)) " by harmonic of sample 1, " (comparison.unit) } "\n"
                    p class="note" {
                        "Value ± expanded uncertainty, k = 2. s: standard deviation of the samples. \
                         Points at another level than that of sample 1 are passed over."
                    } "\n"
                    @for warning in &comparison.warnings { p class="warning" { (warning) } "\n" }
                    (self.by_harmonic(quantity, &comparison))
                }
            }
        }
    }

    fn by_harmonic(&self, quantity: ComparedQuantity, comparison: &RunComparison) -> Markup {
        let mut titles = vec!["Harmonic".to_owned(), "Frequency, Hz".to_owned()];
        titles.extend((1..=self.samples.len()).map(|number| format!("Sample {number}")));
        titles.extend(["Mean".to_owned(), "s".to_owned()]);
        let titles: Vec<&str> = titles.iter().map(String::as_str).collect();
        let same = |a: f64, b: f64| a.to_bits() == b.to_bits();
        let first = self.samples.first();
        let cells = |harmonic: &crate::evaluation::comparison::HarmonicPrecision| {
            let at_hz = harmonic.frequency_hz;
            let reference = first.and_then(|sample| {
                let mut points = sample.points.iter().map(|point| &point.point);
                let point = points.find(|point| {
                    point
                        .frequency_hz
                        .is_some_and(|found| same(found.value, at_hz))
                })?;
                quantity.of(point)
            });
            let others = comparison.runs.iter().map(|run| {
                let mut differences = run.differences.iter();
                differences
                    .find(|found| {
                        same(found.reference_frequency_hz, at_hz) && !found.at_other_level
                    })
                    .map(|found| found.value)
            });
            let values = std::iter::once(reference).chain(others);
            let number = |value: Option<f64>| {
                value.map_or_else(|| ABSENT.to_owned(), |value| significant(value, 3))
            };
            let mut cells = vec![
                harmonic
                    .harmonic
                    .map_or_else(|| ABSENT.to_owned(), |n| n.to_string()),
                significant(at_hz, 5),
            ];
            cells.extend(values.map(measured));
            cells.push(number(Some(harmonic.precision.mean)));
            cells.push(number(harmonic.precision.of_means));
            cells
        };
        table(
            &titles,
            html! { @for harmonic in &comparison.precision { (row(&cells(harmonic))) } },
        )
    }

    fn sign_off(&self) -> Markup {
        html! {
            section class="signatures" { "\n"
                h2 { "For signature" } "\n"
                p { (self.counted()) } "\n"
                p class="note" {
                    "Holds for the items tested, on their spans, at their levels, and nothing else. Required \
                     values come from the licensed text of the standard in force and from the responsible engineer."
                } "\n"
                @for role in ["Compiled by", "Reviewed by", "Authorised by"] {
                    div { p { (role) } p { "Date" } p { "Signature" } } "\n"
                }
            } "\n"
        }
    }

    fn annex(&self) -> Markup {
        html! {
            section class="annex" { "\n"
                h2 { "Annex: what each sample's values come from" } "\n"
                @for (number, sample) in (1..).zip(self.samples) {
                    h3 { "Sample " (number) ", run " (sample.name) } "\n"
                    @match &sample.reduction {
                        Some(reduction) => (facts_list(&signoff::identities(reduction))),
                        None => { p { "The run has not been reduced." } "\n" },
                    }
                }
            } "\n"
        }
    }
}

fn heading_of(quantity: ComparedQuantity) -> &'static str {
    match quantity {
        ComparedQuantity::Efficiency => "Efficiency",
        ComparedQuantity::PowerTotal => "Total power",
        ComparedQuantity::PowerDamper => "Power of the damper",
        ComparedQuantity::Frequency => "Frequency",
    }
}

/// The points that are shown: what is rejected or off the peak is not.
fn counted_points(sample: &TestedSample) -> Vec<&ReducedPoint> {
    let shown = [Verdict::Held, Verdict::Steady];
    let points = sample.points.iter();
    points
        .filter(|point| shown.contains(&point.point.verdict))
        .collect()
}

fn largest_strain(point: &SettledPoint) -> Option<Measured> {
    let strains = point.strain_pp_um_m.values().copied();
    strains.max_by(|a, b| a.value.total_cmp(&b.value))
}
