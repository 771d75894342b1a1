//! What a person puts a name to: the block that ends the printed table and the
//! report.
//!
//! In: a reduction and the setup of its run. Out: names and values, and the
//! lines to sign, as plain text for either. Pure.
//!
//! A report of a test has to carry, among others, a unique identification, what
//! was tested by which method, the results with their units, that they hold for
//! the items tested only, and who authorised it; with a statement of conformity
//! also the decision rule, and the uncertainty where it matters (ISO/IEC
//! 17025:2017, 7.8.2.1, 7.8.3.1 and 7.8.6.2; from memory). What only the
//! laboratory knows is left as a line to fill in.

use std::collections::BTreeMap;

use super::setting::calibration_words;
use crate::evaluation::criteria::Outcome;
use crate::report::number::{plain, with_micro_sign};
use crate::report::reduction::Reduction;
use crate::report::reduction::RunIdentity;
use crate::setup::Setup;

/// A name and what stands beside it.
pub type Fact = (&'static str, String);

/// What only the laboratory knows: as the setup states it, else empty, a line to
/// fill in.
pub fn identification(setup: &Setup) -> [Fact; 4] {
    let report = &setup.report;
    let stated = |text: &Option<String>| text.clone().unwrap_or_default();
    let date = report.date.map(|date| date.to_string());
    [
        ("Laboratory", stated(&report.laboratory)),
        ("Report number", stated(&report.number)),
        ("Client", stated(&report.client)),
        ("Date of the test", date.unwrap_or_default()),
    ]
}

/// Who signs: the role, and the name where the setup has it.
pub fn signatories(setup: &Setup) -> [Fact; 3] {
    let operator = setup.test.operator.clone().unwrap_or_default();
    [
        ("Measured by", operator),
        ("Reviewed by", String::new()),
        ("Authorised by", String::new()),
    ]
}

/// The result in a sentence.
pub fn result(outcome: Option<Outcome>) -> &'static str {
    match outcome {
        None => "none: the setup asks for no criterion, so nothing was judged",
        Some(Outcome::Pass) => "PASS. Every criterion is met over its whole range.",
        Some(Outcome::Fail) => "FAIL. A criterion is not met.",
        Some(Outcome::Inconclusive) => {
            "INCONCLUSIVE. Nothing fails, but not every criterion is shown to be met over its whole \
             range."
        }
    }
}

/// What is signed; [`identities`] names the files that it was computed from.
pub fn statement(setup: &Setup, reduction: &Reduction) -> Vec<Fact> {
    let mut facts = vec![("Result", result(reduction.outcome).to_owned())];
    for (number, judgement) in (1..).zip(&reduction.judgements) {
        let outcome = judgement.outcome.word();
        facts.push((
            "Criterion",
            format!(
                "[{number}] {}: {outcome}",
                with_micro_sign(&judgement.criterion)
            ),
        ));
        facts.push(("Decision rule", judgement.decision_rule.clone()));
        if !judgement.level.is_empty() {
            facts.push(("Level", with_micro_sign(&judgement.level)));
        }
        if !judgement.accepted.is_empty() {
            facts.push(("Also counting", judgement.accepted.clone()));
        }
    }
    for exclusion in &reduction.run.exclusions {
        facts.push(("Not counted", exclusion.sentence()));
    }
    for exclusion in reduction.baseline.iter().flat_map(|bare| &bare.exclusions) {
        facts.push(("Not counted", format!("bare run: {}", exclusion.sentence())));
    }
    facts.push((
        "Item tested",
        reduction
            .run
            .damper
            .clone()
            .unwrap_or_else(|| "bare span".to_owned()),
    ));
    let report = &setup.report;
    if let Some(serial) = &report.damper_serial {
        facts.push(("Serial number", serial.clone()));
    }
    if let Some(standard) = &report.standard {
        facts.push(("Method", standard.clone()));
        let deviations = report.deviations.as_deref().unwrap_or("none stated");
        facts.push(("Deviations", deviations.to_owned()));
    }
    facts.push(("Calibration", calibration(setup)));
    facts.push((
        "Required values",
        "as they were entered; they have to come from the licensed text of the standard in force \
         and from the responsible engineer"
            .to_owned(),
    ));
    facts.push((
        "Holds for",
        "the item tested, on this span, at these levels, and nothing else".to_owned(),
    ));
    facts
}

/// The program and the files that the result was computed from, each file with
/// its hash. Names without folders: they are the same wherever the run lies.
pub fn identities(reduction: &Reduction) -> Vec<Fact> {
    let mut facts = vec![("Program", programs(reduction))];
    identity(&mut facts, ["Setup", "Recording"], &reduction.run);
    if let Some(bare) = &reduction.baseline {
        identity(&mut facts, ["Bare setup", "Bare recording"], bare);
    }
    for curve in &reduction.curves {
        facts.push((
            "Required curve",
            format!("{}, BLAKE3 {}", file_name(&curve.file), curve.blake3),
        ));
    }
    facts.push((
        "Result file",
        format!("reduced.jsonl, BLAKE3 {}", reduction.reduced_blake3),
    ));
    facts
}

fn programs(reduction: &Reduction) -> String {
    let reduced = format!("{} {}", reduction.program, reduction.version);
    if reduction.run.version == reduction.version {
        reduced
    } else {
        format!("{reduced}; points by version {}", reduction.run.version)
    }
}

fn identity(facts: &mut Vec<Fact>, [setup, recording]: [&'static str; 2], run: &RunIdentity) {
    facts.push((setup, format!("setup.toml, BLAKE3 {}", run.setup_blake3)));
    for file in &run.recordings {
        let name = file_name(&file.path);
        let hash = file.blake3.as_deref().unwrap_or("not known");
        facts.push((recording, format!("{name}, BLAKE3 {hash}")));
    }
}

/// Which channels were calibrated against what.
fn calibration(setup: &Setup) -> String {
    let mut by_reference: BTreeMap<Option<(&str, String)>, Vec<String>> = BTreeMap::new();
    for channel in &setup.channels {
        let reference = channel
            .reference
            .as_ref()
            .map(|reference| (&*reference.name, plain(reference.uncertainty_pct, 3)));
        let own = calibration_words(channel);
        by_reference
            .entry(reference)
            .or_default()
            .push(format!("{} {own}", channel.name));
    }
    // Channels with a reference first.
    let groups: Vec<String> = by_reference
        .into_iter()
        .rev()
        .map(|(reference, channels)| {
            let channels = channels.join(", ");
            match reference {
                Some((name, pct)) => format!("{channels}, against {name} ± {pct} %"),
                None => format!("{channels}, reference not stated"),
            }
        })
        .collect();
    format!("{} (k = 2)", groups.join("; "))
}

/// A file's name without the folders that it lay in.
pub(super) fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}
