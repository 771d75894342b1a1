//! The report: one self-contained, printable HTML file that can be signed.
//!
//! In the order in which it is read: the verdict and what it rests on, the
//! figures, the points with their uncertainties, the dwells that do not count,
//! what happened, the bench, the methods, the cautions. Then a page to sign, and
//! an annex with the files by which all of it can be computed again.

mod events;
mod figures;
mod notes;
mod particulars;
mod pictures;
mod provenance;
mod requirement;
mod setting;
pub mod signoff;
pub mod summary;
mod tables;
mod verdict;

use maud::{Markup, html};

use super::html::{facts_list, page};
use super::number::duration;
use super::pictures::ShownPicture;
use super::recordings::Recordings;
use crate::evaluation::reduced_point::ReducedPoint;
use crate::ledger::{Run, RunState};
use crate::report::reduction::ReadReduction;
use crate::report::reduction::Reduction;
use crate::setup::Setup;
use crate::setup::Verdict;

/// The usual cautions, one a line.
pub const CAUTIONS: [&str; 5] = [
    "A strung conductor stores dangerous energy. Stay out of the line of the conductor; guard the span ends and the dead-weight.",
    "This program is no interlock and no emergency stop.",
    "Limits of strain and amplitude are those of the test specification.",
    "Required values come from the licensed text of the standard in force and from the responsible engineer, never from this program.",
    "The results hold for the span, the conductor, the tension and the levels stated here.",
];

/// What a report is made of.
#[derive(Debug)]
pub struct Document<'a> {
    /// The run folder read back.
    pub run: &'a Run,
    /// Its setup.
    pub setup: &'a Setup,
    /// The files it was made from, as they stand now.
    pub recordings: &'a Recordings,
    /// What `reduce` made of it.
    pub reduction: &'a ReadReduction,
    /// The pictures that the setup names.
    pub pictures: &'a [ShownPicture],
}

impl Document<'_> {
    /// The points, with the bare span's losses taken off where `reduce` did.
    fn points(&self) -> Vec<ReducedPoint> {
        match self.reduction {
            ReadReduction::Whole(_, points) => points.clone(),
            ReadReduction::None | ReadReduction::Stale(_) => {
                let points = self.run.points.iter().cloned();
                points.map(ReducedPoint::from).collect()
            }
        }
    }

    fn reduced(&self) -> Option<&Reduction> {
        match self.reduction {
            ReadReduction::Whole(reduction, _) => Some(reduction),
            ReadReduction::None | ReadReduction::Stale(_) => None,
        }
    }

    /// The report.
    pub fn html(&self) -> String {
        let points = self.points();
        let (rejected, settled): (Vec<_>, Vec<_>) = points
            .iter()
            .partition(|point| point.point.verdict == Verdict::Rejected);
        let efficiency_is_drawn = self.reduced().is_some_and(|reduction| {
            reduction
                .judgements
                .iter()
                .any(requirement::is_of_efficiency)
        });
        let body = html! {
            (self.title_block())
            @if let Some(reduction) = self.reduced() {
                (verdict::summary(reduction))
                (notes::exclusions(&reduction.run.exclusions))
                (verdict::details(self.setup, reduction, &settled))
            } @else {
                h2 { "No verdict" } "\n"
                p { (self.why_no_verdict()) } "\n"
                (notes::exclusions(&self.run.exclusions()))
            }
            (figures::section(self.setup, &settled, efficiency_is_drawn))
            (tables::settled(&settled))
            (tables::budget(&settled, self.run))
            (tables::rejected(&rejected))
            (notes::section(self.run))
            (events::section(self.run))
            (particulars::instruments(&self.setup.instruments))
            (setting::arrangement(self.setup))
            (pictures::section(self.pictures))
            (provenance::methods(self.setup))
            (cautions())
            (self.sign_off())
            (provenance::annex(self))
            (setting::listing(&self.run.setup_text))
        };
        let title = match &self.setup.report.number {
            Some(number) => format!("{number}: {}", self.setup.test.title),
            None => self.setup.test.title.clone(),
        };
        page(&title, body)
    }

    fn why_no_verdict(&self) -> Markup {
        html! {
            @if let ReadReduction::Stale(stale) = self.reduction {
                (stale.sentence()) " The reduction in the run folder is left out. Run "
                code { "spanhold reduce" } " again."
            } @else {
                "The run has not been reduced, " code { "spanhold reduce" }
                " does so. These are the settled points only."
            }
        }
    }

    /// What is signed, and the lines to sign on, on a page of their own.
    fn sign_off(&self) -> Markup {
        let (blank, stated): (Vec<_>, Vec<_>) = signoff::identification(self.setup)
            .into_iter()
            .partition(|(_, value)| value.is_empty());
        html! {
            section class="signatures" { "\n"
                h2 { "For signature" } "\n"
                @if let Some(reduction) = self.reduced() {
                    (facts_list(&signoff::statement(self.setup, reduction)))
                    p class="note" {
                        "The annex names the files that this was computed from, with their hashes."
                    } "\n"
                } @else {
                    p class="note" { "No verdict. " (self.why_no_verdict()) } "\n"
                }
                (facts_list(&stated))
                @if !blank.is_empty() {
                    div { @for (name, _) in &blank { p { (name) } } } "\n"
                }
                @for (role, name) in signoff::signatories(self.setup) {
                    div { p { (role) ": " (name) } p { "Date" } p { "Signature" } } "\n"
                }
            } "\n"
        }
    }

    fn title_block(&self) -> Markup {
        let (test, record) = (&self.setup.test, &self.run.record);
        let damper = test.damper.as_deref().unwrap_or("none: bare span");
        let length_s = self
            .run
            .record
            .sources
            .first()
            .filter(|source| source.rate_hz > 0.0)
            .map(|source| source.frames as f64 / source.rate_hz);
        let mut facts = particulars::heading(&self.setup.report);
        facts.push(("Damper", damper.to_owned()));
        facts.extend(particulars::of_the_sample(&self.setup.report));
        if let Some(operator) = &test.operator {
            facts.push(("Operator", operator.clone()));
        }
        // Recordings may not say when they were made; then the laboratory
        // fills in the date of the test.
        if let Some(start) = record.sources.iter().find_map(|source| source.start_utc) {
            let start = start.strftime("%Y-%m-%d %H:%M:%S UTC");
            facts.push(("Recorded from", start.to_string()));
        } else if let Some(begun) = self.begun() {
            facts.push(("Recorded", begun));
        }
        if let Some(length_s) = length_s {
            facts.push(("Recorded for", duration(length_s)));
        }
        if self.was_ended_by_the_operator() {
            facts.push((
                "Ended",
                "by the operator; everything up to then is kept".to_owned(),
            ));
        }
        facts.push((
            "Dwells",
            Verdict::counts(self.run.points.iter().map(|point| point.verdict)),
        ));
        html! {
            header { "\n"
                p class="kicker" { "Report of a damper test on a laboratory span" } "\n"
                h1 { (test.title) } "\n"
                (facts_list(&facts))
                (self.warnings())
            } "\n"
        }
    }

    /// A live capture has no end of its own: a person stops it when done.
    /// From when to when the recordings were begun, by their recorder's clock.
    fn begun(&self) -> Option<String> {
        let files = self.run.record.sources.iter().flat_map(|s| &s.files);
        // As they are written, their order is that of time.
        let mut begun: Vec<&str> = files.filter_map(|file| file.begun.as_deref()).collect();
        begun.sort_unstable();
        let (first, last) = (begun.first()?, begun.last()?);
        let clock = "by the recorder's clock";
        Some(if first == last {
            format!("{first} {clock}")
        } else {
            format!("{first} to {last} {clock}")
        })
    }

    fn was_ended_by_the_operator(&self) -> bool {
        let record = &self.run.record;
        record.state == RunState::Stopped && record.is_capture()
    }

    /// What a reader has to know before anything else.
    fn warnings(&self) -> Markup {
        let record = &self.run.record;
        let ended = match record.state {
            RunState::Done => None,
            RunState::Stopped if self.was_ended_by_the_operator() => None,
            RunState::Running => Some("is still going on, or was broken off without a word"),
            RunState::Stopped => Some("was stopped before its input ended"),
            RunState::Failed => Some("was ended by a fault"),
        };
        html! {
            @if let Some(how) = ended {
                p class="warning" {
                    "The run " (how) ". " (record.reason.as_deref().unwrap_or_default())
                } "\n"
            }
            @if !self.recordings.all_unchanged() {
                @for sentence in self.recordings.sentences() { p class="warning" { (sentence) } "\n" }
            }
        }
    }
}

fn cautions() -> Markup {
    html! {
        h2 { "Cautions" } "\n"
        div class="caution" { "\n"
            ul { "\n" @for caution in CAUTIONS { li { (caution) } "\n" } } "\n"
        } "\n"
    }
}
