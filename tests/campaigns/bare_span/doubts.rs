//! What spoils a bare dwell beside its length and its drive phase: a tension
//! that drifts, a generator too coarse for the band, no force cell, noise, a
//! node sensor off its place. Every row of a table is one kind of trouble over
//! some benches.

use spanhold::rehearsal::{Disturbance, DriveFrequency, Noise, Step, Transition};
use spanhold::setup::Role;
use spanhold::setup::Verdict;

use super::bench::{Bare, Outcome, RATE_HZ};
use super::table::Coverage;
use crate::bench::virtual_span::at;

/// One kind of trouble on some benches, and what is to be expected of it.
pub struct Row {
    pub trouble: String,
    /// Whether it may be held, has to be, or neither.
    pub held: Option<bool>,
    /// Words of the true cause, where it is not held or has no ratio.
    pub causes: &'static [&'static str],
    /// The antinode's motion over the node sensor's noise, where that is the
    /// trouble, dB.
    pub snr_db: Option<f64>,
    pub outcomes: Vec<Outcome>,
}

/// The head of the guide's table of them.
pub const HEAD: &str = "\
| trouble | held | steady | rejected | no ratio | error: worst, % | stated U (k = 2), % | said |
|---|---|---|---|---|---|---|---|";

impl Row {
    pub fn line(&self) -> String {
        let count = |v: Verdict| {
            self.outcomes
                .iter()
                .filter(|o| o.verdict() == Some(v))
                .count()
        };
        let errors: Vec<(f64, f64)> = self
            .outcomes
            .iter()
            .filter_map(Outcome::ratio_error)
            .collect();
        let worst = errors
            .iter()
            .map(|e| e.0)
            .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
        let mut stated: Vec<f64> = errors.iter().map(|e| e.1).collect();
        stated.sort_by(f64::total_cmp);
        let said: Vec<String> = self
            .causes
            .iter()
            .map(|cause| {
                (
                    cause,
                    self.outcomes.iter().filter(|o| o.says(&[cause])).count(),
                )
            })
            .filter(|(_, named)| *named > 0)
            .map(|(cause, named)| format!("{cause} {named}"))
            .collect();
        format!(
            "| {} | {} | {} | {} | {} | {:+.1} | {:.1} | {} |",
            self.trouble,
            count(Verdict::Held),
            count(Verdict::Steady),
            count(Verdict::Rejected) + count(Verdict::OffPeak),
            self.outcomes.len() - errors.len(),
            100.0 * worst,
            100.0 * stated.get(stated.len() / 2).copied().unwrap_or(f64::NAN),
            said.join(", ")
        )
    }

    pub fn wrong(&self) -> Vec<String> {
        self.outcomes
            .iter()
            .filter_map(|outcome| {
                Some(format!(
                    "{}: {}: {}",
                    self.trouble,
                    self.objection(outcome)?,
                    outcome.line()
                ))
            })
            .collect()
    }

    pub fn coverage(&self) -> Coverage {
        Coverage::of(&self.outcomes)
    }

    fn objection(&self, outcome: &Outcome) -> Option<&'static str> {
        let held = outcome.verdict() == Some(Verdict::Held);
        let error = outcome.ratio_error();
        if let (Some((_, u)), Some(snr_db)) = (error, self.snr_db)
            && u < 0.9 * noise_bound(snr_db, outcome)
        {
            return Some("states less than the Cramér–Rao bound");
        }
        if !outcome.false_holds.is_empty() {
            Some("held outside the dwell")
        } else if outcome.neighbour_is_wrong() {
            Some("the neighbour before it held on a wrong ratio")
        } else if self.held == Some(!held) {
            Some(if held { "held" } else { "missed" })
        } else if error.is_some_and(|(error, u)| held && error.abs() > 2.0 * u) {
            Some("held on a wrong ratio")
        } else if (!held || error.is_none()) && !outcome.says(self.causes) {
            Some("the true cause is not named")
        } else {
            None
        }
    }
}

/// Long enough for the longest wait and a whole hold, and for what passes
/// before the new motion outgrows the old.
fn full_dwell_s(bare: &Bare) -> f64 {
    8.0 * bare.constant_s + bare.setup.hold.max_seconds
}

fn full_dwell(bare: &Bare) -> Step {
    Step::new(at(&bare.resonance, 0.0), full_dwell_s(bare)).reached_by(bare.transition())
}

/// The resonance drifts by so many of its bandwidths a minute (as the ratio
/// tells them); the drive is on the peak in the middle of the last minute.
pub fn drifting(benches: &[Bare], bandwidths_a_minute: f64, held: Option<bool>) -> Row {
    let outcome = |bare: &Bare| {
        let r = bare.resonance;
        let seconds = full_dwell_s(bare);
        let df_hz = 1.0 / (std::f64::consts::PI * bare.constant_s);
        let over_dwell_hz = bandwidths_a_minute * df_hz * seconds / 60.0;
        // f goes with the square root of the tension.
        let percent = 200.0 * over_dwell_hz / r.frequency_hz;
        let last = 0.5 - 0.5 * bare.setup.hold.max_seconds / seconds;
        let step = Step::new(
            DriveFrequency::Frequency(r.frequency_hz + over_dwell_hz * last),
            seconds,
        );
        bare.dwell(
            step.with(Disturbance::TensionDrift { percent })
                .reached_by(bare.transition()),
        )
    };
    Row {
        trouble: format!("resonance drifts by {bandwidths_a_minute} bandwidths a minute"),
        held,
        causes: &["drifted", "amplitude moved", "off resonance"],
        snr_db: None,
        outcomes: benches.iter().map(outcome).collect(),
    }
}

/// The drive's frequency drifts likewise, reached as the bench does or by a sweep.
pub fn drive_drifting(
    benches: &[Bare],
    bandwidths_a_minute: f64,
    sweep_s: Option<f64>,
    held: Option<bool>,
) -> Row {
    let outcome = |bare: &Bare| {
        let bandwidths = bandwidths_a_minute * full_dwell_s(bare) / 60.0;
        let step = full_dwell(bare).with(Disturbance::FrequencyDrift { bandwidths });
        bare.dwell(match sweep_s {
            Some(seconds) => step.reached_by(Transition::Sweep { seconds }),
            None => step,
        })
    };
    let reached = sweep_s.map_or_else(String::new, |s| format!(", reached by a sweep of {s} s"));
    Row {
        trouble: format!("drive drifts by {bandwidths_a_minute} bandwidths a minute{reached}"),
        held,
        causes: &["drifted", "amplitude moved", "off resonance"],
        snr_db: None,
        outcomes: benches.iter().map(outcome).collect(),
    }
}

/// The frequency nearest to the peak that a generator of this resolution makes.
pub fn stepped(benches: &[Bare], resolution_hz: f64) -> Vec<Row> {
    let outcomes = benches.iter().map(|bare| {
        let frequency_hz = (bare.resonance.frequency_hz / resolution_hz).round() * resolution_hz;
        let step = Step::new(DriveFrequency::Frequency(frequency_hz), full_dwell_s(bare));
        bare.dwell(step.reached_by(bare.transition()))
    });
    // Whether a step happens to fall on the peak is the span's affair.
    let (near, far): (Vec<Outcome>, Vec<Outcome>) =
        outcomes.partition(|outcome| outcome.truth.drive_phase_deg.abs() < 21.0);
    let row = |held, outcomes, where_to: &str| Row {
        trouble: format!(
            "generator steps of {:.1} mHz, {where_to}",
            1e3 * resolution_hz
        ),
        held,
        causes: &["off resonance"],
        snr_db: None,
        outcomes,
    };
    [
        row(None, near, "within 21° of the peak"),
        row(Some(false), far, "farther off"),
    ]
    .into_iter()
    .filter(|row| !row.outcomes.is_empty())
    .collect()
}

/// No force cell, but the drive went over the peak and back within the band,
/// slowly enough for the span to follow.
pub fn over_the_peak(benches: Vec<Bare>) -> Row {
    let outcome = |bare: Bare| {
        let bare = bare.without(Role::DriveForce);
        let tau_s = bare.constant_s;
        let slowly = |bandwidths: f64, seconds: f64, constants: f64| {
            // The same force throughout.
            let level = 1.0 / (1.0 + 4.0 * bandwidths * bandwidths).sqrt();
            let step = Step::new(at(&bare.resonance, bandwidths), constants * tau_s);
            Step { level, ..step }.reached_by(Transition::Sweep { seconds })
        };
        bare.last_of(vec![
            slowly(-1.0, 3.0, 5.0),
            slowly(1.0, 4.0 * tau_s, 3.0),
            Step {
                duration_s: full_dwell_s(&bare),
                ..slowly(0.0, tau_s, 1.0)
            },
        ])
    };
    Row {
        trouble: "no force cell, but slowly over the peak and back".into(),
        held: None,
        causes: &["no drive-force channel"],
        snr_db: None,
        outcomes: benches.into_iter().map(outcome).collect(),
    }
}

/// No force cell; how the peak is reached shows nothing. What the span does when the
/// drive leaves it may.
pub fn without_force(benches: Vec<Bare>, sweep_s: f64) -> Row {
    let outcome = |bare: Bare| {
        let bare = bare.without(Role::DriveForce);
        let step = full_dwell(&bare).reached_by(Transition::Sweep { seconds: sweep_s });
        bare.dwell(step)
    };
    Row {
        trouble: format!("no force cell, reached by a sweep of {sweep_s} s"),
        held: None,
        // There is no drive-force channel, and where the free motion was seen it left the
        // peak open.
        causes: &["neither shown nor excluded"],
        snr_db: None,
        outcomes: benches.into_iter().map(outcome).collect(),
    }
}

/// Expanded uncertainty (k = 2) of the ratio from the node sensor's noise,
/// relative to the ratio: twice the Cramér–Rao bound of a phasor's quadrature
/// part, sigma sqrt(2/N) (IEEE 1057; Kay, Fundamentals of Statistical Signal
/// Processing: Estimation Theory, from memory), at a signal to noise of A²/(2 sigma²).
fn noise_bound(snr_db: f64, outcome: &Outcome) -> f64 {
    let seconds = outcome
        .judged
        .as_ref()
        .map_or(0.0, |j| j.point.end_s - j.point.start_s);
    2.0 * 10_f64.powf(-snr_db / 20.0) / (RATE_HZ * seconds).sqrt() / outcome.truth.iswr
}

/// The antinode's motion is so far above the node sensor's noise; hold as given.
pub fn noisy_node(benches: Vec<Bare>, snr_db: f64, quiet_db: f64, max_seconds: f64) -> Row {
    let outcome = |mut bare: Bare| {
        bare.setup.hold.max_seconds = max_seconds;
        for (sensor, channel) in bare.sensors.channels.iter_mut().zip(&bare.setup.channels) {
            if let (Role::Node, Noise::Rms(rms)) = (channel.role, sensor.noise) {
                sensor.noise = Noise::Rms(rms * 10_f64.powf((quiet_db - snr_db) / 20.0));
            }
        }
        bare.dwell(full_dwell(&bare))
    };
    Row {
        trouble: format!("node noise {snr_db} dB below the antinode, holds of {max_seconds} s"),
        // Drowned altogether, the ratio does not tell how long to wait.
        held: (snr_db >= 30.0).then_some(true),
        causes: &["too faint"],
        snr_db: Some(snr_db),
        outcomes: benches.into_iter().map(outcome).collect(),
    }
}

/// The node sensor stands off by so much, with a stated uncertainty of phase.
pub fn misplaced_node(benches: Vec<Bare>, off_mm: f64, phase_uncertainty_deg: f64) -> Row {
    let outcome = |mut bare: Bare| {
        for (sensor, channel) in bare
            .sensors
            .channels
            .iter_mut()
            .zip(&mut bare.setup.channels)
        {
            channel.phase_uncertainty_deg = Some(phase_uncertainty_deg);
            if channel.role == Role::Node {
                sensor.misplacement_mm = off_mm;
            }
        }
        bare.dwell(full_dwell(&bare))
    };
    Row {
        trouble: format!("node sensor {off_mm} mm off, phases to {phase_uncertainty_deg}°"),
        held: Some(true),
        causes: &["drowns the node's"],
        snr_db: None,
        outcomes: benches.into_iter().map(outcome).collect(),
    }
}
