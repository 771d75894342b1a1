//! A first setup file, made from the answers to some questions.
//!
//! In: answers. Out: the next [`Question`], or the text of a commented setup
//! file. Pure: who asks, and how, is the matter of the command `new`.
//!
//! An answer is judged by the parser itself: it is put into a draft in which
//! typical values stand for what has not been asked yet, and whatever the parser
//! then says of that key is what is wrong with the answer.
//!
//! ```
//! use spanhold::setup::Draft;
//! let mut draft = Draft::default();
//! let title = draft.next_question().unwrap();
//! draft.answer(title, "Damper type trial 3").unwrap();
//! assert!(draft.text().contains("title = \"Damper type trial 3\""));
//! ```

mod answers;
mod questions;
mod write;

use std::fmt::Write as _;

use answers::Answers;
use questions::QUESTIONS;
pub use questions::{Answer, Question};

/// What was answered so far.
#[derive(Debug, Clone, Default)]
pub struct Draft {
    answers: Answers,
}

impl Draft {
    /// What is to be asked next; `None` when all is answered.
    pub fn next_question(&self) -> Option<&'static Question> {
        QUESTIONS
            .iter()
            .find(|question| self.answers.get(question).is_none() && self.answers.ask_for(question))
    }

    /// Takes an answer; an empty one takes what the question proposes.
    ///
    /// # Errors
    ///
    /// What is wrong with the answer and what would be right, in a sentence.
    /// Nothing is taken then.
    pub fn answer(&mut self, question: &'static Question, answer: &str) -> Result<(), String> {
        let answer = answer.trim();
        let taken = if answer.is_empty() {
            match question.answer {
                Answer::Needed => return Err("this is needed".to_owned()),
                Answer::Optional => String::new(),
                Answer::Proposed(proposed) => proposed.to_owned(),
            }
        } else {
            question.read(answer)?
        };
        self.answers.set(question, taken);
        let faults = self.faults_of(question);
        if faults.is_empty() {
            return Ok(());
        }
        self.answers.forget(question);
        Err(faults)
    }

    /// What the parser says of the keys that the question is about.
    fn faults_of(&self, question: &Question) -> String {
        let mut text = String::new();
        if let Err(found) = super::parse(&self.text(), "the setup") {
            let faults = found.faults.iter();
            for fault in faults.filter(|fault| question.keys.contains(&&*fault.key)) {
                let between = if text.is_empty() { "" } else { "; " };
                // Writing into a String cannot fail.
                let _ = write!(text, "{between}{}; {} is right", fault.wrong, fault.right);
            }
        }
        text
    }

    /// The setup file. What has not been answered yet has a typical value.
    pub fn text(&self) -> String {
        write::text(&self.answers)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Answers every question by `answer`, or by what it proposes.
    fn answered(answer: impl Fn(&str) -> Option<&'static str>) -> Draft {
        let mut draft = Draft::default();
        while let Some(question) = draft.next_question() {
            let answer = answer(question.name).unwrap_or(match question.answer {
                Answer::Needed => question.typical,
                Answer::Optional | Answer::Proposed(_) => "",
            });
            draft.answer(question, answer).unwrap();
        }
        draft
    }

    #[test]
    fn every_bench_that_can_be_answered_for_is_a_setup() {
        let mut benches = 0;
        for damper in ["", "D 1"] {
            for source in ["wav", "serial"] {
                for force in ["no", "yes"] {
                    for gauges in ["none", "damper", "end", "both"] {
                        for optional in [false, true] {
                            let draft = answered(|name| match name {
                                "damper" => Some(damper),
                                "source" => Some(source),
                                "force" => Some(force),
                                "gauges" => Some(gauges),
                                _ if optional => {
                                    QUESTIONS.iter().find(|q| q.name == name).map(|q| q.typical)
                                }
                                _ => None,
                            });
                            let setup = super::super::parse(&draft.text(), "new.toml")
                                .unwrap_or_else(|faults| panic!("{faults}\n{}", draft.text()));
                            assert_eq!(setup.test.damper.is_some(), !damper.is_empty());
                            let channels = 2
                                + if force == "yes" { 2 } else { 0 }
                                + [("none", 0), ("damper", 1), ("end", 1), ("both", 2)]
                                    .into_iter()
                                    .find(|(word, _)| *word == gauges)
                                    .unwrap()
                                    .1;
                            assert_eq!(setup.channels.len(), channels, "{}", draft.text());
                            benches += 1;
                        }
                    }
                }
            }
        }
        assert_eq!(benches, 64);
    }

    #[test]
    fn a_wrong_answer_is_said_and_not_taken() {
        let mut draft = Draft::default();
        let mut wrong = |name: &str, answer: &str, said: &str| {
            while let Some(question) = draft.next_question() {
                if question.name == name {
                    let error = draft.answer(question, answer).unwrap_err();
                    assert!(error.contains(said), "{name} {answer}: {error}");
                    assert_eq!(draft.next_question().unwrap().name, name);
                    return;
                }
                draft.answer(question, question.typical).unwrap();
            }
            panic!("{name} is not asked");
        };
        wrong("title", "", "this is needed");
        wrong(
            "diameter",
            "0.0218",
            "a diameter from 1 to 1000 mm is right",
        );
        wrong("diameter", "21,8", "write 21.8");
        wrong("diameter", "21.8 mm", "a plain number in mm is right");
        wrong("diameter", "nan", "a plain number");
        wrong("mass", "980", "is right");
        wrong("tension", "-18", "a tension above 0 kN");
        wrong("tension", "90", "below the rated strength");
        wrong("damper position", "40", "below the span length");
        wrong("node", "1.5", "a whole number");
        wrong("source", "usb", "one of wav, serial is right");
        wrong("force", "perhaps", "one of no, yes is right");
    }

    /// Whatever is typed stands in the file as it was meant.
    #[test]
    fn quotes_and_backslashes_do_not_leave_their_text() {
        let title = r#"a "quoted" \ title]"#;
        let draft = answered(|name| (name == "title").then_some(title));
        let setup = super::super::parse(&draft.text(), "new.toml").unwrap();
        assert_eq!(setup.test.title, title);
    }
}
