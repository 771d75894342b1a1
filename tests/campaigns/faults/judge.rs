//! One recording through the program, and what it made of it against the truth.

use ndarray::Array2;
use serde_json::Value;
use spanhold::ingest::{Block, End, Gap, Message, StreamFormat};
use spanhold::pipeline::{Collected, SingleThread};
use spanhold::setup::{self, Setup};
use spanhold::tone::TonePlan;
use std::fmt::Write as _;

use super::bench::{Bench, CHANNELS};
use super::record::{Effects, Noted, Truth};

/// A record of the program as its file has it: only the keys of the contract
/// are asked for.
pub struct Record {
    pub point: Value,
    pub dwell_s: (f64, f64),
}

/// What the program made of a recording.
pub struct Findings {
    pub records: Vec<Record>,
    pub events: Vec<String>,
    noted: Noted,
}

/// A held value beyond 1.5 U, or the nearest to it.
#[derive(Debug, Clone)]
pub struct Error {
    pub what: &'static str,
    /// Error over the expanded uncertainty.
    pub in_u: f64,
    pub relative_pct: f64,
}

/// Beyond this many expanded uncertainties a held value is wrong: three
/// standard deviations, 0.3 % of a normal distribution.
pub const WRONG: f64 = 1.5;

/// Most that a healthy conductor and drive end lose before the node, over what
/// a wave of the antinode's velocity carries (common practice, no source: bare
/// spans show ratios of 0.5 to 2 %).
const MOST_LOST: f64 = 0.05;

fn frames_of(block: &[Vec<f64>; CHANNELS], from: usize, to: usize) -> Array2<f64> {
    Array2::from_shape_fn((CHANNELS, to - from), |(channel, i)| {
        block[channel][from + i]
    })
}

pub fn setup_of(bench: &Bench) -> Setup {
    setup::parse(&bench.setup_text(), "bench.toml")
        .unwrap_or_else(|error| panic!("{}: {error}", bench.line()))
}

/// Records on the bench and analyses.
pub fn run(bench: &Bench, effects: Effects, end_s: f64) -> Findings {
    run_with(&setup_of(bench), bench, effects, end_s)
}

/// The same with another setup than the bench's own.
pub fn run_with(setup: &Setup, bench: &Bench, effects: Effects, end_s: f64) -> Findings {
    let format = StreamFormat {
        rate_hz: bench.rate_hz,
        channels: CHANNELS,
        clip_level: (2_f64.powi(23) - 1.0) / 2_f64.powi(23),
        start_utc: None,
    };
    let plan = TonePlan::new(setup, 0, &format)
        .unwrap_or_else(|error| panic!("{}: {error}", bench.line()));
    let mut stages = SingleThread::new(setup, &[plan], None);
    let mut found = Collected::default();
    let gaps: Vec<(usize, usize)> = effects
        .gaps
        .iter()
        .map(|(from, to)| {
            (
                (from * bench.rate_hz) as usize,
                (to * bench.rate_hz) as usize,
            )
        })
        .collect();
    let mut push = |message: Message| stages.push(0, message, &mut found).unwrap();
    let noted = bench.record(effects, end_s, |first, block| {
        let mut from = 0;
        let count = block[0].len();
        while from < count {
            let here = first + from;
            let gap = gaps.iter().find(|gap| gap.1 > here);
            let (to, lost) = match gap {
                Some(gap) if gap.0 <= here => ((gap.1 - first).min(count), gap.0 == here),
                Some(gap) if gap.0 < first + count => (gap.0 - first, false),
                _ => (count, false),
            };
            let in_gap = gap.is_some_and(|gap| gap.0 <= here);
            if lost {
                let gap = gap.unwrap();
                push(Message::Gap(Gap {
                    first_sample: gap.0 as u64,
                    missing: (gap.1 - gap.0) as u64,
                }));
            }
            if !in_gap {
                push(Message::Block(Block {
                    first_sample: here as u64,
                    samples: frames_of(block, from, to),
                }));
            }
            from = to;
        }
    });
    push(Message::End(End::Complete));
    let records = found
        .points
        .iter()
        .map(|(point, evidence)| Record {
            point: serde_json::to_value(point).unwrap(),
            dwell_s: (evidence.dwell_start_s, evidence.dwell_end_s),
        })
        .collect();
    let events = found
        .events
        .iter()
        .map(|event| event.message.clone())
        .collect();
    Findings {
        records,
        events,
        noted,
    }
}

impl Record {
    pub fn number(&self, key: &str) -> Option<f64> {
        self.point.get(key)?.as_f64()
    }

    pub fn start_s(&self) -> f64 {
        self.number("start_s").unwrap()
    }

    pub fn end_s(&self) -> f64 {
        self.number("end_s").unwrap()
    }

    pub fn verdict(&self) -> &str {
        self.point["verdict"].as_str().unwrap()
    }

    /// A number with its uncertainty, as text.
    fn with_u(&self, key: &str, u_key: &str) -> String {
        format!("{:.4?} ± {:.4?}", self.number(key), self.number(u_key))
    }

    pub fn reasons(&self) -> Vec<&str> {
        let reasons = self.point["reasons"].as_array().unwrap();
        reasons
            .iter()
            .map(|reason| reason.as_str().unwrap())
            .collect()
    }

    /// The error of every value that the record states, in U.
    pub fn errors(&self, truth: &Truth) -> Vec<Error> {
        let compared = [
            ("ratio", "iswr", "iswr_u", truth.ratio),
            (
                "antinode velocity",
                "antinode_velocity_mm_s",
                "antinode_velocity_u_mm_s",
                truth.antinode_mm_s,
            ),
            (
                "node velocity",
                "node_velocity_mm_s",
                "node_velocity_u_mm_s",
                truth.node_mm_s,
            ),
            (
                "power, standard",
                "power_total_w",
                "power_total_u_w",
                truth.power_standard_w,
            ),
            (
                "power, stiff",
                "power_total_stiffness_w",
                "power_total_stiffness_u_w",
                truth.power_flux_w,
            ),
            (
                "power by force",
                "power_force_w",
                "power_force_u_w",
                truth.power_force_w,
            ),
        ];
        compared
            .into_iter()
            .filter_map(|(what, key, u_key, right)| {
                error(what, self.number(key)?, self.number(u_key), right)
            })
            .collect()
    }

    /// Whether a healthy bench can give this record: no more power passes the
    /// node than enters at the drive, as far as both are known, and what is
    /// lost on the way is what a conductor and a drive end can lose.
    pub fn has_healthy_twin(&self, bench: &Bench) -> bool {
        let value = |key: &str| self.number(key).unwrap_or(f64::NAN);
        let (past, enters) = (value("power_total_stiffness_w"), value("power_force_w"));
        let unknown = value("power_total_stiffness_u_w").hypot(value("power_force_u_w"));
        let antinode_m_s = 1e-3 * value("antinode_velocity_mm_s");
        let all = 0.5 * bench.span.impedance_n_s_per_m() * antinode_m_s * antinode_m_s;
        let lost = enters - past;
        // A missing value compares as false.
        lost >= -WRONG * unknown && lost <= MOST_LOST * all + WRONG * unknown
    }

    /// Errors of the strain, which no number of the damper rests on.
    pub fn strain_errors(&self, truth: &Truth) -> Vec<Error> {
        let of = |key: &str, gauge: &str| self.point[key][gauge].as_f64();
        [
            ("damper", truth.strain_damper_pp_um_m),
            ("end", truth.strain_end_pp_um_m),
        ]
        .into_iter()
        .filter_map(|(gauge, right)| {
            let value = of("strain_pp_um_m", gauge)?;
            error("strain", value, of("strain_pp_u_um_m", gauge), right)
        })
        .collect()
    }
}

/// A value without an uncertainty claims nothing.
fn error(what: &'static str, value: f64, u: Option<f64>, right: f64) -> Option<Error> {
    Some(Error {
        what,
        in_u: (value - right).abs() / u?,
        relative_pct: 100.0 * (value / right - 1.0),
    })
}

impl Findings {
    pub fn held(&self) -> impl Iterator<Item = &Record> {
        self.records
            .iter()
            .filter(|record| record.verdict() == "held")
    }

    pub fn truth(&self, bench: &Bench, record: &Record) -> Truth {
        bench.truth(&self.noted, record.start_s(), record.end_s())
    }

    /// Whether a held point has this moment in its hold.
    pub fn held_at(&self, at_s: f64) -> bool {
        self.held()
            .any(|record| record.start_s() <= at_s && at_s <= record.end_s())
    }

    /// Whether a record or event that reaches into this time says one of the
    /// words; `a&b` asks for both in one sentence.
    pub fn says(&self, words: &[&str], from_s: f64, to_s: f64) -> bool {
        let said = |sentence: &str| {
            let sentence = sentence.to_lowercase();
            words
                .iter()
                .any(|word| word.split('&').all(|part| sentence.contains(part)))
        };
        let near = |record: &&Record| record.dwell_s.1 >= from_s && record.dwell_s.0 <= to_s;
        let mut reasons = self.records.iter().filter(near).flat_map(Record::reasons);
        reasons.any(said) || self.events.iter().any(|event| said(event))
    }

    /// One line a record, for messages.
    pub fn lines(&self, bench: &Bench) -> String {
        let mut text = String::new();
        for record in &self.records {
            let worst = record
                .errors(&self.truth(bench, record))
                .into_iter()
                .max_by(|a, b| a.in_u.total_cmp(&b.in_u));
            let worst = worst.map_or(String::new(), |error| {
                format!(
                    "{} {:+.2} %, {:.2} U",
                    error.what, error.relative_pct, error.in_u
                )
            });
            let _ = writeln!(
                text,
                "    {:.1}…{:.1} s (dwell {:.1}…{:.1}) {}: {worst} {:?}; past the node {} W, at the drive {} W",
                record.start_s(),
                record.end_s(),
                record.dwell_s.0,
                record.dwell_s.1,
                record.verdict(),
                record.reasons(),
                record.with_u("power_total_stiffness_w", "power_total_stiffness_u_w"),
                record.with_u("power_force_w", "power_force_u_w"),
            );
        }
        for event in &self.events {
            let _ = writeln!(text, "    event: {event}");
        }
        text
    }
}
