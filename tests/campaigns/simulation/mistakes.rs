//! Mistakes that a program could make, put in on purpose: the simulation has
//! to find each of them, or it proves nothing.

use std::cell::Cell;

use spanhold::ingest::Message;

#[derive(Debug, Clone)]
pub enum Mistake {
    /// A file of the run is written and never synced.
    NeverSyncs(&'static str),
    /// The block of this number is dropped, and those behind it close up.
    DropsABlock(BlockCount),
    /// What is missing closes up: no gap is ever told.
    HidesGaps(Shift),
    /// A sample is turned over.
    AltersASample(BlockCount),
    /// The analysis never gets on.
    HangsForEver,
}

/// Blocks so far, and the one that is meant.
#[derive(Debug, Clone)]
pub struct BlockCount {
    so_far: Cell<u64>,
    meant: u64,
    shift: Cell<u64>,
}

/// How far samples have closed up.
#[derive(Debug, Clone, Default)]
pub struct Shift {
    hidden: Cell<u64>,
}

impl BlockCount {
    pub fn to(meant: u64) -> Self {
        Self {
            so_far: Cell::new(0),
            meant,
            shift: Cell::new(0),
        }
    }

    fn is_it(&self) -> bool {
        self.so_far.set(self.so_far.get() + 1);
        self.so_far.get() == self.meant
    }
}

impl Mistake {
    /// What becomes of a message between the reader and the recorder.
    pub fn of(&self, message: Message) -> Option<Message> {
        match (self, message) {
            (Self::DropsABlock(count), Message::Block(mut block)) => {
                if count.is_it() {
                    count.shift.set(block.samples.ncols() as u64);
                    return None;
                }
                block.first_sample -= count.shift.get();
                Some(Message::Block(block))
            }
            (Self::DropsABlock(count), Message::Gap(mut gap)) => {
                gap.first_sample -= count.shift.get();
                Some(Message::Gap(gap))
            }
            (Self::HidesGaps(shift), Message::Gap(gap)) => {
                shift.hidden.set(shift.hidden.get() + gap.missing);
                None
            }
            (Self::HidesGaps(shift), Message::Block(mut block)) => {
                block.first_sample -= shift.hidden.get();
                Some(Message::Block(block))
            }
            (Self::AltersASample(count), Message::Block(mut block)) => {
                if count.is_it() {
                    block.samples[(1, 0)] = -block.samples[(1, 0)];
                }
                Some(Message::Block(block))
            }
            (_, message) => Some(message),
        }
    }
}
