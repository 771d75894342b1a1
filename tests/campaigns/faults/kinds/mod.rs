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
    /// Where the samples of a healthy bench can be the same, if it stands
    /// alone: how the guide lists it. A record that no healthy bench can give
    /// is wrong all the same.
    pub undetectable: Option<&'static str>,
}

const NODE_UNSTEADY: &[&str] = &[
    "node reading",
    "node sensor's place",
    "node sensor and its cable",
    "node&drift",
    "node&chang",
    "node&wander",
    "node&drop",
    "node&jump",
    "node&no motion of its own",
];
const ANTINODE_UNSTEADY: &[&str] = &[
    "antinode reading",
    "antinode&moved",
    "antinode&wander",
    "antinode&pulses",
    "antinode&drop",
    "antinode&jump",
    "antinode&tone",
    "antinode&rattles",
    "antinode&distor",
    "antinode signal&noise",
    "level was changed",
];
/// A sensor that moves along the span: the node's place is told against the antinode's.
const ANTINODE_ELSEWHERE: &[&str] = &["antinode&moved", "antinode&chang", "antinode reading"];
/// What noise as large as the signal, or orders that are not there, look like.
const NODE_NOISY: &[&str] = &[
    "node&noise",
    "node&rattl",
    "node reading",
    "node&drop",
    "node&distor",
];
const ANTINODE_NOISY: &[&str] = &[
    "noise",
    "antinode&rattl",
    "antinode&wander",
    "antinode&moved",
    "antinode&envelope",
    "antinode reading",
    "antinode&tone",
];
const DEAD_NODE: &[&str] = &[
    "node&faint",
    "node&drown",
    "no ratio",
    "node&no motion",
    "node reading",
];
const NO_ANTINODE: &[&str] = &["antinode", "tone", "no standing wave"];
const SWAPPED: &[&str] = &["swapped", "no standing wave", "reading changed"];
const COARSE: &[&str] = &[
    "round",
    "quanti",
    "bits",
    "resol",
    "node&distor",
    "node&converter",
    "node&step",
    "node&faint",
];
const HUM: &[&str] = &["hum", "mains", "beat", "reading changed"];
const NODE_FLAT: &[&str] = &[
    "node&clip",
    "node&satur",
    "node&flat",
    "node&distor",
    "node&bent",
    "node&round",
    "node reading changed",
];
const ANTINODE_FLAT: &[&str] = &[
    "antinode&clip",
    "antinode&satur",
    "antinode&flat",
    "antinode&distor",
    "antinode&bent",
    "antinode&round",
    "antinode reading changed",
];
const SCALE: &[&str] = &[
    "scale",
    "unit",
    "swapped",
    "contradict",
    "moves&times the antinode",
    "implies",
    "power passes the node",
    "pass the node",
    "no standing wave",
    "reading changed",
    "target level",
];
const PEAK: &[&str] = &["off resonance", "peak", "phase", "drifted", "detun"];
/// The inertia of what a force cell carries turns the phase, or goes beyond its range.
const FORCE_LADEN: &[&str] = &[
    "off resonance",
    "peak",
    "phase",
    "detun",
    "drive-force&full scale",
];
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

    fn undetectable(mut self, in_guide: &'static str) -> Self {
        self.undetectable = Some(in_guide);
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

#[test]
fn the_guide_lists_what_cannot_be_seen() {
    let guide = include_str!("../../../../src/guide/tolerances.md");
    for in_guide in all().iter().filter_map(|kind| kind.undetectable) {
        assert!(guide.contains(&format!("| {in_guide} |")), "{in_guide}");
    }
}
