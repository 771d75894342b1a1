//! The report: one self-contained, printable HTML file that can be signed.
//!
//! Title, cautions, setup, the settled points with their uncertainties, the
//! figures, the dwells that do not count, and where every number comes from.

mod figures;
mod provenance;
mod setting;
pub mod signoff;
mod tables;
mod verdict;

use std::fmt::Write as _;

use super::html::{escape, page};
use super::number::duration;
use super::recordings::Recordings;
use crate::ledger::{Run, RunState};
use crate::reduction::SettledPoint;
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
}

impl Document<'_> {
    /// The points, with the bare span's losses taken off where `reduce` did.
    fn points(&self) -> Vec<&SettledPoint> {
        match self.reduction {
            ReadReduction::Whole(_, points) => points.iter().map(|point| &point.point).collect(),
            ReadReduction::None | ReadReduction::Stale => self.run.points.iter().collect(),
        }
    }

    fn taken_off(&self) -> tables::TakenOff {
        let ReadReduction::Whole(_, points) = self.reduction else {
            return tables::TakenOff::new();
        };
        points
            .iter()
            .filter(|p| p.power_taken_off_w.is_some())
            .map(|p| (p.point.point, (p.power_taken_off_w, p.power_taken_off_u_w)))
            .collect()
    }

    fn reduced(&self) -> Option<&Reduction> {
        match self.reduction {
            ReadReduction::Whole(reduction, _) => Some(reduction),
            ReadReduction::None | ReadReduction::Stale => None,
        }
    }

    /// The report.
    pub fn html(&self) -> String {
        let mut body = String::new();
        self.title_block(&mut body);
        cautions(&mut body);
        if let Some(reduction) = self.reduced() {
            verdict::summary(&mut body, reduction);
        }
        setting::write(&mut body, self.setup);
        let (rejected, settled): (Vec<_>, Vec<_>) = self
            .points()
            .into_iter()
            .partition(|point| point.verdict == Verdict::Rejected);
        tables::settled(&mut body, &settled, self.taken_off());
        figures::write(&mut body, self.setup, &settled);
        if let Some(reduction) = self.reduced() {
            verdict::details(&mut body, reduction);
        }
        tables::rejected(&mut body, &rejected);
        provenance::write(&mut body, self);
        self.sign_off(&mut body);
        page(&self.setup.test.title, &body)
    }

    /// What is signed, and the lines to sign on, kept together on paper.
    fn sign_off(&self, body: &mut String) {
        body.push_str("<section class=\"signatures\">\n<h2>For signature</h2>\n");
        match self.reduced() {
            Some(reduction) => facts_list(body, &signoff::statement(self.setup, reduction)),
            None => body.push_str(
                "<p class=\"note\">No verdict: the run has not been reduced, \
                 <code>spanhold reduce</code> does so. These are the settled points only.</p>\n",
            ),
        }
        body.push_str("<div>\n");
        for name in signoff::TO_FILL_IN {
            let _ = writeln!(body, "<p>{name}</p>");
        }
        body.push_str("</div>\n");
        for (role, name) in signoff::signatories(self.setup) {
            let _ = writeln!(
                body,
                "<div><p>{role}: {}</p><p>Date</p><p>Signature</p></div>",
                escape(&name)
            );
        }
        body.push_str("</section>\n");
    }

    fn title_block(&self, body: &mut String) {
        let (test, record) = (&self.setup.test, &self.run.record);
        let _ = write!(
            body,
            "<header>\n<p class=\"kicker\">Report of a damper test on a laboratory span</p>\n<h1>{}</h1>\n",
            escape(&test.title)
        );
        let damper = test.damper.as_deref().unwrap_or("none: bare span");
        let length_s = self
            .run
            .record
            .sources
            .first()
            .filter(|source| source.rate_hz > 0.0)
            .map(|source| source.frames as f64 / source.rate_hz);
        let count = |verdict| {
            self.run
                .points
                .iter()
                .filter(|point| point.verdict == verdict)
                .count()
        };
        let facts = [
            ("Damper", damper.to_owned()),
            (
                "Operator",
                test.operator
                    .clone()
                    .unwrap_or_else(|| "not stated".to_owned()),
            ),
            (
                "Recorded from",
                record
                    .sources
                    .iter()
                    .find_map(|source| source.start_utc)
                    .map_or_else(
                        || "not known".to_owned(),
                        |start| start.strftime("%Y-%m-%d %H:%M:%S UTC").to_string(),
                    ),
            ),
            (
                "Length",
                length_s.map_or_else(|| "not known".to_owned(), duration),
            ),
            (
                "Dwells",
                format!(
                    "{} held, {} steady, {} rejected",
                    count(Verdict::Held),
                    count(Verdict::Steady),
                    count(Verdict::Rejected)
                ),
            ),
        ];
        facts_list(body, &facts);
        if record.state != RunState::Done {
            let how = match record.state {
                RunState::Running => "is still going on, or was broken off without a word",
                RunState::Stopped => "was stopped before its input ended",
                _ => "was ended by a fault",
            };
            let why = record.reason.as_deref().unwrap_or_default();
            let _ = writeln!(
                body,
                "<p class=\"warning\">The run {how}. {}</p>",
                escape(why)
            );
        }
        if !self.recordings.all_unchanged() {
            for sentence in self.recordings.sentences() {
                let _ = writeln!(body, "<p class=\"warning\">{}</p>", escape(&sentence));
            }
        }
        if matches!(self.reduction, ReadReduction::Stale) {
            body.push_str(
                "<p class=\"warning\">The reduction in the run folder does not belong to these points and is left out. \
                 Run <code>spanhold reduce</code> again.</p>\n",
            );
        }
        body.push_str("</header>\n");
    }
}

/// A list of names and values, both plain text.
fn facts_list(body: &mut String, facts: &[(&str, String)]) {
    body.push_str("<dl class=\"facts\">\n");
    for (name, value) in facts {
        let _ = writeln!(body, "<dt>{}</dt><dd>{}</dd>", escape(name), escape(value));
    }
    body.push_str("</dl>\n");
}

fn cautions(body: &mut String) {
    body.push_str("<div class=\"caution\">\n<ul>\n");
    for caution in CAUTIONS {
        let _ = writeln!(body, "<li>{}</li>", escape(caution));
    }
    body.push_str("</ul>\n</div>\n");
}
