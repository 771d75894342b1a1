//! The kinds of trouble: what each does to the drive or to the samples, and
//! what a record of it has to say.

mod drive;
mod effects;
mod sensors;
mod wiring;

use super::bench::Bench;
use super::record::Effects;
use crate::bench::virtual_span::Chance;

/// When the trouble comes.
pub struct Scene {
    /// What is wrong throughout is wrong from here on: 0 where it stands
    /// alone, the end of the good hold where it follows one.
    pub from_s: f64,
    /// What happens at an instant happens here.
    pub event_s: f64,
    /// The dwell's end.
    pub to_s: f64,
}

/// Whether a kind is tried after a good hold too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    Both,
    Alone,
}

/// A kind of trouble.
pub struct Kind {
    pub name: &'static str,
    pub when: When,
    pub make: fn(&Bench, &Scene, &mut Chance) -> Effects,
    /// What changes in the bench or the setup before anything is recorded.
    pub prepare: Option<fn(&mut Bench, &mut Chance)>,
    /// Where the resonance has to stand.
    pub near_mains: bool,
    /// Words of which one has to be in a reason, `a&b` for both in one. None:
    /// no fault but what an engineer does, and needs no record.
    pub words: &'static [&'static str],
    /// Why no analysis of these channels can see it.
    pub undetectable: Option<&'static str>,
}

const NODE_UNSTEADY: &[&str] = &[
    "node&drift",
    "node&step",
    "node&moved",
    "node&chang",
    "node&wander",
    "node&var",
    "node&stead",
    "node&fell",
    "node&jump",
    "node&drop",
    "node&signal",
    "node&part",
    "node&ratio",
    "ratio&drift",
    "ratio&moved",
    "ratio&chang",
    "node&interrupt",
    "node&lost",
    "node&broke",
];
const ANTINODE_UNSTEADY: &[&str] = &[
    "antinode&moved",
    "antinode&drift",
    "antinode&wander",
    "antinode&step",
    "antinode&chang",
    "antinode&var",
    "antinode&pulses",
    "antinode&drop",
    "antinode&jump",
    "antinode&interrupt",
    "antinode&rattles",
    "antinode&signal",
    "level was changed",
    "antinode&lost",
];
const NODE_FLAT: &[&str] = &[
    "node&clip",
    "node&satur",
    "node&flat",
    "node&distor",
    "node&bent",
];
const ANTINODE_FLAT: &[&str] = &[
    "antinode&clip",
    "antinode&satur",
    "antinode&flat",
    "antinode&distor",
    "antinode&bent",
];
const SCALE: &[&str] = &[
    "scale",
    "unit",
    "swapped",
    "contradict",
    "bandwidth&ratio",
    "ring-up&ratio",
    "no standing wave",
];
const PEAK: &[&str] = &["off resonance", "peak", "phase", "drifted", "detun"];
const FORCE_UNSTEADY: &[&str] = &["force", "drive phase", "level was changed"];
const MOTION_UNSTEADY: &[&str] = &[
    "drive motion",
    "drive&motion",
    "drive channel",
    "no power at the drive",
];
const STRAIN: &[&str] = &["strain", "gauge"];

fn kind(
    name: &'static str,
    words: &'static [&'static str],
    make: fn(&Bench, &Scene, &mut Chance) -> Effects,
) -> Kind {
    Kind {
        name,
        when: When::Both,
        make,
        prepare: None,
        near_mains: false,
        words,
        undetectable: None,
    }
}

impl Kind {
    fn only(mut self, when: When) -> Self {
        self.when = when;
        self
    }

    fn mains(mut self) -> Self {
        self.near_mains = true;
        self
    }

    fn undetectable(mut self, why: &'static str) -> Self {
        self.undetectable = Some(why);
        self
    }

    fn prepared(mut self, prepare: fn(&mut Bench, &mut Chance)) -> Self {
        self.prepare = Some(prepare);
        self
    }
}

/// All of them. A row is its name, what a record says, and what it does.
pub fn all() -> Vec<Kind> {
    let mut kinds = sensors::kinds();
    kinds.extend(wiring::kinds());
    kinds.extend(drive::kinds());
    kinds
}
