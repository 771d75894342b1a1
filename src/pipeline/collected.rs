//! A sink that keeps everything in memory.

use super::Sink;
use crate::analysis::{Event, Evidence, Finding, TraceRow};
use crate::reduction::SettledPoint;

/// All findings of a run, the points numbered as a run folder numbers them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Collected {
    /// The points, each with what its verdict rests on.
    pub points: Vec<(SettledPoint, Evidence)>,
    /// What happened.
    pub events: Vec<Event>,
    /// One row a hop.
    pub trace: Vec<TraceRow>,
}

impl Collected {
    /// Takes one finding.
    pub fn add(&mut self, finding: Finding) {
        match finding {
            Finding::Point(point, evidence) => {
                let number = self.points.len() as u64 + 1;
                let point = SettledPoint {
                    point: number,
                    ..*point
                };
                self.points.push((point, evidence));
            }
            Finding::Event(event) => self.events.push(event),
            Finding::Trace(row) => self.trace.push(row),
        }
    }
}

impl Sink for Collected {
    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        self.add(finding);
        Ok(())
    }
}
