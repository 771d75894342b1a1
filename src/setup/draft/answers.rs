//! What was answered, and what that makes worth asking.

use std::collections::BTreeMap;

use super::questions::Question;

/// Answers by the name of their question; an empty one means "none".
#[derive(Debug, Clone, Default)]
pub(super) struct Answers {
    by_name: BTreeMap<&'static str, String>,
}

impl Answers {
    /// What was answered; `None` where it was not asked yet.
    pub(super) fn get(&self, question: &Question) -> Option<&str> {
        self.by_name.get(question.name).map(String::as_str)
    }

    /// What was answered; `None` where it was not asked yet, or the answer was
    /// "none".
    pub(super) fn given(&self, name: &str) -> Option<&str> {
        self.by_name
            .get(name)
            .map(String::as_str)
            .filter(|answer| !answer.is_empty())
    }

    /// Whether the answers so far make a question one to ask.
    pub(super) fn ask_for(&self, question: &Question) -> bool {
        question
            .only_if
            .is_none_or(|(name, word)| match (self.given(name), word) {
                (Some(given), Some(word)) => given == word || given == "both",
                (given, None) => given.is_some(),
                (None, Some(_)) => false,
            })
    }

    pub(super) fn set(&mut self, question: &Question, answer: String) {
        self.by_name.insert(question.name, answer);
    }

    pub(super) fn forget(&mut self, question: &Question) {
        self.by_name.remove(question.name);
    }
}
