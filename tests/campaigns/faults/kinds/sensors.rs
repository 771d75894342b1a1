//! Trouble of a sensor, its cable or its amplifier.

use super::effects::{
    flat, gain, gain_drift, intermittent, jumps, noisy, off, on_frame, rattle, slew, soft,
};
use super::*;
use crate::faults::bench::*;

pub fn kinds() -> Vec<Kind> {
    vec![
        kind("node gain falls 20 %", NODE_UNSTEADY, |_, s, _| {
            gain_drift(NODE, 0.8, s)
        })
        .undetectable("a gain of the node's channel that falls little by little"),
        kind("node gain steps -25 %", NODE_UNSTEADY, |_, s, _| {
            gain(NODE, 0.75, s.event_s + 12.0)
        }),
        kind("node gain steps +10 %", NODE_UNSTEADY, |_, s, _| {
            gain(NODE, 1.1, s.event_s + 12.0)
        }),
        kind("node off for 3 s", NODE_UNSTEADY, |_, s, _| {
            off(NODE, 3.0, s)
        }),
        kind("node intermittent", NODE_UNSTEADY, |_, s, c| {
            intermittent(NODE, s, c)
        }),
        kind("node sensor moved 50 mm", NODE_UNSTEADY, |_, s, _| {
            let event_s = s.event_s + 12.0;
            on_frame(move |t, frame| {
                if t >= event_s {
                    frame[NODE] = frame[NODE_MOVED];
                }
            })
        }),
        kind("node flat at 0.95", NODE_FLAT, |b, s, _| {
            flat(b, NODE, 0.95, (true, true), s)
        }),
        kind("node flat at 0.85", NODE_FLAT, |b, s, _| {
            flat(b, NODE, 0.85, (true, true), s)
        }),
        kind("node flat at 0.8, one side", NODE_FLAT, |b, s, _| {
            flat(b, NODE, 0.8, (true, false), s)
        }),
        kind("node soft", NODE_FLAT, |b, s, c| soft(b, NODE, s, c)),
        kind("node slew", NODE_FLAT, |b, s, c| slew(b, NODE, s, c)),
        kind(
            "node rattles",
            &["node&rattl", "node&impuls", "node&distor"],
            |b, s, c| rattle(b, NODE, s, c),
        ),
        kind("node zero jumps", NODE_UNSTEADY, |b, s, c| {
            jumps(b, NODE, s, c)
        }),
        kind("node noisy for 10 s", NODE_NOISY, |b, s, c| {
            noisy(b, NODE, s, c)
        }),
        kind("antinode gain falls 20 %", ANTINODE_UNSTEADY, |_, s, _| {
            gain_drift(ANTINODE, 0.8, s)
        }),
        kind("antinode gain steps -25 %", ANTINODE_UNSTEADY, |_, s, _| {
            gain(ANTINODE, 0.75, s.event_s + 12.0)
        }),
        kind("antinode gain steps +10 %", ANTINODE_UNSTEADY, |_, s, _| {
            gain(ANTINODE, 1.1, s.event_s + 12.0)
        }),
        kind("antinode off for 3 s", ANTINODE_UNSTEADY, |_, s, _| {
            off(ANTINODE, 3.0, s)
        }),
        kind("antinode intermittent", ANTINODE_UNSTEADY, |_, s, c| {
            intermittent(ANTINODE, s, c)
        }),
        kind(
            "antinode sensor moved 50 mm",
            ANTINODE_ELSEWHERE,
            |_, s, _| {
                let event_s = s.event_s + 12.0;
                on_frame(move |t, frame| {
                    if t >= event_s {
                        frame[ANTINODE] = frame[ANTINODE_MOVED];
                    }
                })
            },
        ),
        kind("antinode flat at 0.95", ANTINODE_FLAT, |b, s, _| {
            flat(b, ANTINODE, 0.95, (true, true), s)
        }),
        kind("antinode flat at 0.9", ANTINODE_FLAT, |b, s, _| {
            flat(b, ANTINODE, 0.9, (true, true), s)
        }),
        kind("antinode flat at 0.8", ANTINODE_FLAT, |b, s, _| {
            flat(b, ANTINODE, 0.8, (true, true), s)
        }),
        kind(
            "antinode flat at 0.8, one side",
            ANTINODE_FLAT,
            |b, s, _| flat(b, ANTINODE, 0.8, (false, true), s),
        ),
        kind("antinode soft", ANTINODE_FLAT, |b, s, c| {
            soft(b, ANTINODE, s, c)
        }),
        kind("antinode slew", ANTINODE_FLAT, |b, s, c| {
            slew(b, ANTINODE, s, c)
        }),
        kind(
            "antinode rattles",
            &[
                "antinode&rattl",
                "antinode&impuls",
                "antinode&distor",
                "antinode reading",
            ],
            |b, s, c| rattle(b, ANTINODE, s, c),
        ),
        kind("antinode zero jumps", ANTINODE_UNSTEADY, |b, s, c| {
            jumps(b, ANTINODE, s, c)
        }),
        kind("antinode noisy for 10 s", ANTINODE_NOISY, |b, s, c| {
            noisy(b, ANTINODE, s, c)
        }),
        kind(
            "force flat at 0.85",
            &[
                "force&clip",
                "force&satur",
                "force&flat",
                "force&distor",
                "force&bent",
            ],
            |b, s, _| flat(b, FORCE, 0.85, (true, true), s),
        ),
        kind("force cell carries 0.3 kg", FORCE_LADEN, |_, s, _| {
            let from_s = s.from_s;
            on_frame(move |t, frame| {
                if t >= from_s {
                    frame[FORCE] += 0.3 * frame[DRIVE];
                }
            })
        })
        .only(When::Alone),
        kind("force intermittent", FORCE_UNSTEADY, |_, s, c| {
            intermittent(FORCE, s, c)
        }),
        kind("force gain falls 20 %", FORCE_UNSTEADY, |_, s, _| {
            gain_drift(FORCE, 0.8, s)
        }),
        kind("force off for 3 s", FORCE_UNSTEADY, |_, s, _| {
            off(FORCE, 3.0, s)
        }),
        kind(
            "drive motion flat at 0.8",
            &[
                "drive&clip",
                "drive&satur",
                "drive&flat",
                "drive&distor",
                "drive&bent",
            ],
            |b, s, _| flat(b, DRIVE, 0.8, (true, true), s),
        ),
        kind("drive motion intermittent", MOTION_UNSTEADY, |_, s, c| {
            intermittent(DRIVE, s, c)
        }),
        kind(
            "drive motion gain falls 20 %",
            MOTION_UNSTEADY,
            |_, s, _| gain_drift(DRIVE, 0.8, s),
        ),
        kind("strain gauge dead", STRAIN, |_, s, _| {
            gain(STRAIN_DAMPER, 0.0, s.from_s)
        }),
        kind("strain gauge drifts 20 %", STRAIN, |_, s, _| {
            gain_drift(STRAIN_END, 0.8, s)
        }),
        kind("strain gauge flat at 0.85", STRAIN, |b, s, _| {
            flat(b, STRAIN_DAMPER, 0.85, (true, true), s)
        }),
        kind("strain gauge intermittent", STRAIN, |_, s, c| {
            intermittent(STRAIN_END, s, c)
        }),
    ]
}
