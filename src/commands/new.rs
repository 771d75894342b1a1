//! `spanhold new FILE`: asks what a setup needs and writes it, commented.

use std::fs::OpenOptions;
use std::io::{self, BufRead as _, Write as _};
use std::path::PathBuf;

use anyhow::{Context as _, anyhow};

use super::{Failure, Status, terminal};
use crate::setup::{self, Answer, Draft, Question};

/// Arguments of `new`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The setup file to write; one that is there is left alone
    file: PathBuf,
}

/// Runs the command: questions to standard error, answers from standard input.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let file = args.file.display();
    // Said before the questions, not after them.
    if args.file.exists() {
        return Err(anyhow!("{file} is there already; the name of a new file is right").into());
    }
    let mut draft = Draft::default();
    let mut answers = io::stdin().lock().lines();
    while let Some(question) = draft.next_question() {
        ask(question);
        let Some(answer) = answers.next() else {
            return Err(anyhow!(
                "the answers ended before the question \"{}\"; nothing was written",
                question.ask
            )
            .into());
        };
        let answer = answer.context("an answer cannot be read; nothing was written")?;
        if let Err(wrong) = draft.answer(question, &answer) {
            terminal::say(wrong);
        }
    }
    let text = draft.text();
    let loaded = setup::examine(&text, &file.to_string()).map_err(anyhow::Error::from)?;
    OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(&args.file)
        .and_then(|mut written| {
            written.write_all(text.as_bytes())?;
            written.sync_all()
        })
        .with_context(|| format!("{file} cannot be written"))?;
    for warning in &loaded.warnings {
        terminal::say(warning.in_file(&loaded.file));
    }
    super::print(&format!(
        "{file} is written. Next: `spanhold plan {file}` for the harmonics and places to visit, and \
         `spanhold check {file}` at the bench.\n"
    ))?;
    Ok(Status::Done)
}

/// The question, what may be answered, and what an empty answer means.
fn ask(question: &Question) {
    let mut hints = Vec::new();
    if !question.unit.is_empty() {
        hints.push(question.unit.to_owned());
    }
    if !question.words.is_empty() {
        hints.push(question.words.join(", "));
    }
    match question.answer {
        Answer::Needed => {}
        Answer::Optional => hints.push("may be empty".to_owned()),
        Answer::Proposed(proposed) => hints.push(format!("empty: {proposed}")),
    }
    let hints = if hints.is_empty() {
        String::new()
    } else {
        format!(" ({})", hints.join("; "))
    };
    terminal::say(format!("{}{hints}?", question.ask));
}
