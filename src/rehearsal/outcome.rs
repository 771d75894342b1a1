//! What became of a dwell: settled intervals and the verdict to expect. Pure.

#![allow(
    clippy::indexing_slicing,
    reason = "stages are indexed by a cursor that is checked against their number first"
)]

use super::perform::Performance;
use super::truth::Opportunity;

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

    fn take(&mut self, frame: u64) -> Vec<[u64; 2]> {
        self.note(false, frame);
        std::mem::take(&mut self.closed)
    }
}

impl Performance {
    /// Ends the present stage and writes down what became of it.
    pub(super) fn close_stage(&mut self) {
        let rate = self.rate_hz;
        let settled = self.settled.take(self.frame);
        let nearly = self.nearly.take(self.frame);
        let hold = &self.span.setup.hold;
        let number = self.stage + 1;
        let stage = &mut self.stages[self.stage];
        let truth = &mut stage.truth;
        let [begin, dwell, end] = stage.frames.map(|f| f as f64 / rate);
        truth.dwell = number;
        truth.transition_start_s = begin;
        truth.start_s = dwell;
        truth.end_s = end;
        truth.settled_s = settled.iter().map(|i| i.map(|f| f as f64 / rate)).collect();
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
            nearly_settled_s: nearly
                .iter()
                .map(|[start, end]| (end - start) as f64 / rate)
                .fold(0.0, f64::max),
        };
        let hold_s = hold.min_seconds.max(hold.min_cycles / truth.frequency_hz);
        truth.judge(opportunity, hold_s);
        self.drive_before = stage.drive(stage.step.duration_s, self.drive_before);
        self.stage += 1;
    }
}
