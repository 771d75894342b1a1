//! The report in the run folder against the one that comes out again.

use super::difference::{Agreement, compare_texts};
use super::files::Files;
use super::reduction_files::exactness;
use super::run_files::Accepted;
use super::stored::Stored;
use crate::ledger::{LedgerError, REPORT_FILE, Run};
use crate::report::document::Document;
use crate::report::pictures::shown_pictures;
use crate::report::reduction::ReadReduction;
use crate::setup::Setup;

/// What a report says of its own making, by its heading in the list of facts:
/// taken over from the stored report.
const OF_ITS_MAKING: &str = "Report by";

/// Writes the report once more from what is accepted, and compares it.
pub(super) fn compare_report(
    stored: &Stored,
    setup: &Setup,
    accepted: &Accepted,
    reduction: &ReadReduction,
    files: &mut Files,
) -> Result<(), LedgerError> {
    let Some(bytes) = stored.file(REPORT_FILE)? else {
        return Ok(());
    };
    let logged = String::from_utf8_lossy(&bytes);
    let mut run = accepted.run(stored, &stored.folder);
    // As they stood when the report was written; what has changed since is
    // told of the recordings themselves.
    let unchanged = stored.recordings.unchanged();
    let pictures = shown_pictures(&stored.folder, &stored.record, setup);
    let written = |run: &Run, reduction: &ReadReduction| {
        let html = Document {
            run,
            setup,
            recordings: &unchanged,
            reduction,
            pictures: &pictures,
        }
        .html();
        match fact(&logged, OF_ITS_MAKING) {
            Some(said) => with_fact(&html, OF_ITS_MAKING, said),
            None => html,
        }
    };
    let exactness = match reduction {
        ReadReduction::Whole(reduction, _) => exactness(stored, reduction),
        ReadReduction::Stale(_) | ReadReduction::None => stored.exactness(),
    };
    let agreement = compare_texts(&logged, &written(&run, reduction), exactness);
    if matches!(agreement, Agreement::Differs(_)) {
        // As it was before the last notes were written.
        let all = run.point_notes.clone();
        for count in (0..all.len()).rev() {
            run.point_notes = all.get(..count).unwrap_or_default().to_vec();
            if compare_texts(&logged, &written(&run, reduction), exactness) == Agreement::Identical
            {
                files.notes.push(format!(
                    "{REPORT_FILE}: it was written before the last {} of {} notes; write it once more.",
                    all.len() - count,
                    all.len()
                ));
                files.add(REPORT_FILE, Agreement::Identical);
                return Ok(());
            }
        }
        run.point_notes = all;
    }
    if matches!(agreement, Agreement::Differs(_)) && !matches!(reduction, ReadReduction::None) {
        let before = written(&run, &ReadReduction::None);
        if compare_texts(&logged, &before, exactness) == Agreement::Identical {
            files.notes.push(format!(
                "{REPORT_FILE}: it was written before the run was reduced and holds no verdict; write \
                 it once more."
            ));
            files.add(REPORT_FILE, Agreement::Identical);
            return Ok(());
        }
    }
    files.add(REPORT_FILE, agreement);
    Ok(())
}

/// Where the text beside a heading begins and ends.
fn place_of(html: &str, heading: &str) -> Option<std::ops::Range<usize>> {
    let opening = format!("<dt>{heading}</dt><dd>");
    let begin = html.find(&opening)? + opening.len();
    let length = html.get(begin..)?.find("</dd>")?;
    Some(begin..begin + length)
}

/// What a report says beside a heading, as markup.
fn fact<'a>(html: &'a str, heading: &str) -> Option<&'a str> {
    html.get(place_of(html, heading)?)
}

fn with_fact(html: &str, heading: &str, said: &str) -> String {
    let mut html = html.to_owned();
    if let Some(place) = place_of(&html, heading) {
        html.replace_range(place, said);
    }
    html
}
