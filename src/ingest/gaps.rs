//! Blocks without the instants at which nothing was measured. Pure.

use ndarray::{Axis, Slice};

use super::Block;

/// The runs of frames for which `has_value` holds; it is asked with the block
/// and the number of a frame in it. A block without a gap is handed back as it
/// is.
pub fn runs_with_values(block: Block, has_value: impl Fn(&Block, usize) -> bool) -> Vec<Block> {
    let frames = block.samples.ncols();
    if (0..frames).all(|frame| has_value(&block, frame)) {
        return vec![block];
    }
    let mut runs = Vec::new();
    let mut frame = 0;
    while frame < frames {
        let start = frame;
        while frame < frames && has_value(&block, frame) {
            frame += 1;
        }
        if frame > start {
            runs.push(Block {
                first_sample: block.first_sample + start as u64,
                // A copy in standard layout: the stages after rely on rows
                // being contiguous.
                samples: block
                    .samples
                    .slice_axis(Axis(1), Slice::from(start..frame))
                    .as_standard_layout()
                    .into_owned(),
            });
        }
        frame += 1;
    }
    runs
}

/// Whether any channel has a value at a frame of a block.
pub(super) fn any_value(block: &Block, frame: usize) -> bool {
    block
        .samples
        .column(frame)
        .iter()
        .any(|value| value.is_finite())
}

/// Values of the block that are no finite numbers.
pub(super) fn values_missing(block: &Block) -> u64 {
    block
        .samples
        .iter()
        .filter(|value| !value.is_finite())
        .count() as u64
}
