//! What became of a dwell: settled intervals and the verdict to expect. Pure.

use super::stage::Stage;
use super::truth::Opportunity;
use crate::setup::HoldRules;

/// Intervals in which something was so, in frames.
#[derive(Debug, Clone, Default)]
pub(super) struct Intervals {
    open: Option<u64>,
    closed: Vec<[u64; 2]>,
}

impl Intervals {
    pub(super) fn note(&mut self, so: bool, frame: u64) {
        match (so, self.open) {
            (true, None) => self.open = Some(frame),
            (false, Some(start)) => {
                self.closed.push([start, frame]);
                self.open = None;
            }
            _ => {}
        }
    }

    /// Ends at `frame`: all intervals, and none left.
    pub(super) fn take(&mut self, frame: u64) -> Vec<[u64; 2]> {
        self.note(false, frame);
        std::mem::take(&mut self.closed)
    }
}

/// The intervals of a dwell, in frames, by how far transients have died away.
#[derive(Debug, Clone)]
pub(super) struct Settling {
    pub(super) settled: Vec<[u64; 2]>,
    pub(super) nearly: Vec<[u64; 2]>,
}

/// Writes down what became of a stage that has ended: dwell `number`, sampled
/// at `rate_hz`.
pub(super) fn conclude(
    stage: &mut Stage,
    number: usize,
    settling: &Settling,
    hold: &HoldRules,
    rate_hz: f64,
) {
    let seconds = |frame: u64| frame as f64 / rate_hz;
    let truth = &mut stage.truth;
    let [begin, dwell, end] = stage.frames.map(seconds);
    truth.dwell = number;
    truth.transition_start_s = begin;
    truth.start_s = dwell;
    truth.end_s = end;
    truth.settled_s = settling.settled.iter().map(|i| i.map(seconds)).collect();
    let wait = hold.ring_up_time_constants * truth.time_constant_s;
    let changes: Vec<f64> = stage.step.faults.iter().fold(vec![dwell], |mut all, f| {
        all.extend(f.disturbs_at_s().map(|at| dwell + at));
        all
    });
    let after_wait = truth.settled_s.iter().map(|[start, end]| {
        let last = changes
            .iter()
            .filter(|c| *c < end)
            .fold(dwell, |a, b| a.max(*b));
        end - start.max(last + wait)
    });
    let opportunity = Opportunity {
        settled_after_wait_s: after_wait.fold(0.0, f64::max),
        nearly_settled_s: settling
            .nearly
            .iter()
            .map(|[start, end]| seconds(end - start))
            .fold(0.0, f64::max),
    };
    let hold_s = hold.min_seconds.max(hold.min_cycles / truth.frequency_hz);
    truth.judge(opportunity, hold_s);
}
