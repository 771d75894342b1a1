//! A key as it was read: where it stands, and whether it may be used.

/// A key as it was read.
#[derive(Debug)]
pub(in crate::setup) struct Field<T> {
    /// The key with its section.
    pub(in crate::setup) key: String,
    /// Where it stands; where it is absent, the header of its section.
    pub(in crate::setup) offset: usize,
    pub(super) state: State<T>,
}

#[derive(Debug)]
pub(super) enum State<T> {
    Absent,
    /// Given, and faulty; the fault is logged.
    Faulty,
    Given(T),
}

impl<T> Field<T> {
    /// The value, if it was given and is possible.
    pub(in crate::setup) fn value(&self) -> Option<&T> {
        match &self.state {
            State::Given(value) => Some(value),
            State::Absent | State::Faulty => None,
        }
    }

    /// Whether the key does not occur at all.
    pub(in crate::setup) fn is_absent(&self) -> bool {
        matches!(self.state, State::Absent)
    }

    /// Whether the key occurs, be it with a faulty value.
    pub(in crate::setup) fn occurs(&self) -> bool {
        !self.is_absent()
    }

    /// The value of a required key; `None` if there is a fault.
    pub(in crate::setup) fn required(self) -> Option<T> {
        match self.state {
            State::Given(value) => Some(value),
            State::Absent | State::Faulty => None,
        }
    }

    /// The value of an optional key; the outer `None` if there is a fault.
    #[expect(
        clippy::option_option,
        reason = "the outer layer is the fault, as in `required`; the inner one the file's own"
    )]
    pub(in crate::setup) fn optional(self) -> Option<Option<T>> {
        match self.state {
            State::Given(value) => Some(Some(value)),
            State::Absent => Some(None),
            State::Faulty => None,
        }
    }

    /// The value or its default; `None` if there is a fault.
    pub(in crate::setup) fn or(self, default: T) -> Option<T> {
        self.optional().map(|value| value.unwrap_or(default))
    }
}
