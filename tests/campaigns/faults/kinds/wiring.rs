//! Trouble of wiring, converters, units and what the setup states.

use std::collections::VecDeque;

use super::effects::{beside, gain, hum, on_frame, turned};
use super::*;
use crate::faults::bench::*;

pub fn kinds() -> Vec<Kind> {
    vec![
        kind("node in g for m/s2", SCALE, |_, s, _| {
            gain(NODE, 1.0 / 9.80665, s.from_s)
        }),
        kind("node times 10", SCALE, |_, s, _| gain(NODE, 10.0, s.from_s)),
        kind("antinode in g for m/s2", SCALE, |_, s, _| {
            gain(ANTINODE, 1.0 / 9.80665, s.from_s)
        }),
        kind("antinode times 10", SCALE, |_, s, _| {
            gain(ANTINODE, 10.0, s.from_s)
        }),
        kind("both in g for m/s2", SCALE, |_, s, _| {
            let from_s = s.from_s;
            on_frame(move |t, frame| {
                if t >= from_s {
                    frame[ANTINODE] /= 9.80665;
                    frame[NODE] /= 9.80665;
                }
            })
        }),
        kind("node inverted", NODE_UNSTEADY, |_, s, _| {
            gain(NODE, -1.0, s.from_s)
        }),
        kind("antinode inverted", NO_ANTINODE, |_, s, _| {
            gain(ANTINODE, -1.0, s.from_s)
        }),
        kind("force inverted", &["force", "sign", "phase"], |_, s, _| {
            gain(FORCE, -1.0, s.from_s)
        }),
        kind("node and antinode swapped", SWAPPED, |_, s, _| {
            let from_s = s.from_s;
            on_frame(move |t, frame| {
                if t >= from_s {
                    frame.swap(ANTINODE, NODE);
                }
            })
        }),
        kind("node dead", DEAD_NODE, |_, s, _| gain(NODE, 0.0, s.from_s)),
        kind("antinode dead", NO_ANTINODE, |_, s, _| {
            gain(ANTINODE, 0.0, s.from_s)
        }),
        kind("crosstalk antinode to node", NODE_UNSTEADY, |b, s, c| {
            beside(ANTINODE, NODE, b, s, c)
        }),
        kind(
            "crosstalk node to antinode",
            ANTINODE_UNSTEADY,
            |b, s, c| beside(NODE, ANTINODE, b, s, c),
        ),
        kind("crosstalk antinode to force", PEAK, |b, s, c| {
            beside(ANTINODE, FORCE, b, s, c)
        }),
        kind("crosstalk force to node", NODE_UNSTEADY, |b, s, c| {
            beside(FORCE, NODE, b, s, c)
        })
        .undetectable("crosstalk from the force cell to the node"),
        kind("capacitive crosstalk to node", NODE_UNSTEADY, |b, s, c| {
            turned(c.sign() * c.between(0.01, 0.05), b, s.from_s)
        })
        .undetectable("capacitive crosstalk from the antinode's cable to the node's"),
        kind("node late by 2 ms", NODE_UNSTEADY, |b, s, _| {
            let from_s = s.from_s;
            let late = (2e-3 * b.rate_hz).round() as usize;
            let mut line: VecDeque<f64> = VecDeque::from(vec![0.0; late]);
            on_frame(move |t, frame| {
                line.push_back(frame[NODE]);
                let delayed = line.pop_front().unwrap();
                if t >= from_s {
                    frame[NODE] = delayed;
                }
            })
        })
        .undetectable("the node's channel late against the antinode's"),
        kind("coarse converter, node", COARSE, |b, s, c| {
            // The step is as large as the node's own peak, or twice.
            let step = b.peaks[NODE] * c.between(1.0, 2.0);
            let from_s = s.from_s;
            on_frame(move |t, frame| {
                if t >= from_s {
                    frame[NODE] = (frame[NODE] / step).round() * step;
                }
            })
        }),
        kind("converter of 12 bits", COARSE, |_, _, _| Effects {
            bits: Some([12; CHANNELS]),
            ..Effects::default()
        })
        .only(When::Alone),
        kind("hum on node", HUM, |b, s, c| {
            hum(b, &[NODE], (0.002, 0.1), s, c)
        })
        .mains(),
        kind("hum on antinode", HUM, |b, s, c| {
            hum(b, &[ANTINODE], (0.02, 0.2), s, c)
        })
        .mains(),
        kind("hum on all channels", HUM, |b, s, c| {
            hum(b, &[0, 1, 2, 3, 4, 5], (0.005, 0.1), s, c)
        })
        .mains(),
        kind("samples lost", &["missing", "gap"], |_, s, _| Effects {
            gaps: vec![(s.event_s + 6.0, s.event_s + 6.1)],
            ..Effects::default()
        }),
        kind("tension stated 2 % high", &["tension"], |_, _, _| {
            Effects::default()
        })
        .prepared(|bench, _| bench.believe_tension(1.02))
        .only(When::Alone),
        kind("motion out of plane", NODE_UNSTEADY, |b, s, c| {
            let part = c.sign() * c.between(0.01, 0.05);
            turned(part, b, s.from_s)
        })
        .undetectable("motion across the plane, seen by a node sensor that is turned"),
    ]
}
