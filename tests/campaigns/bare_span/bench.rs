//! A bench with a bare span on it: what is strung, what hangs on it, and one
//! dwell between two others.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use spanhold::reduction::SettledPoint;
use spanhold::rehearsal::{
    DwellTruth, Noise, Program, Quantisation, Resonance, Sensors, SpanModel, Step, Transition,
    VirtualSpan, bench_sensors, perform,
};
use spanhold::setup::Verdict;
use spanhold::setup::{Role, Setup};
use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

use crate::bench::virtual_span::{Chance, Judged, analyse, at, in_dwell, in_sweep, setup};
use crate::coverage::all_known;

/// A bare span's harmonics of 8 to 30 Hz need no higher rate; noise is that of
/// the sensors up to half of it.
pub const RATE_HZ: f64 = 130.0;
/// Length of the dwells before and after the one that is looked at, s.
const NEIGHBOUR_S: f64 = 15.0;

/// A bare span, its sensors, and a resonance to dwell at.
pub struct Bare {
    pub setup: Setup,
    model: SpanModel,
    span: VirtualSpan,
    pub sensors: Sensors,
    /// The resonance, and those below and above it.
    pub resonance: Resonance,
    /// Its true ratio.
    pub iswr: f64,
    /// Its ring-up time constant as the ratio at the node tells it, s. What is
    /// lost on the drive's side of the node makes the true one shorter.
    pub constant_s: f64,
    below: Resonance,
    above: Resonance,
    seed: u64,
    /// Of the noise.
    noise_seed: u64,
}

/// What came of a dwell.
pub struct Outcome {
    pub truth: DwellTruth,
    /// The best verdict on it; `None`: no record was made.
    pub judged: Option<Judged>,
    /// The motion before it, over its own, at the beginning of the hold judged: the most that
    /// can be left of it.
    pub old_motion: f64,
    /// Errors and U of the holds of the settled neighbour that the recording begins with.
    pub of_neighbour: Vec<(f64, f64)>,
    /// Held points anywhere but in the two.
    pub false_holds: Vec<SettledPoint>,
}

impl Bare {
    /// Losses of 0.001 to 0.005 in the ratio; gains as the certificates allow
    /// (1 %, k = 2); node and antinode sensors at `snr_db` of the antinode's
    /// motion, the force cell at `snr_db` of its own.
    pub fn new(seed: u64, snr_db: f64) -> Self {
        let mut chance = Chance::new(seed);
        let mut setup = setup(&mut chance, false);
        setup.sweep.low_hz = 8.0;
        setup.sweep.high_hz = 30.0;
        let model = SpanModel {
            end_loss_ratio: 10_f64.powf(chance.between(-3.1, -2.35)),
            ..SpanModel::default()
        };
        let span = VirtualSpan::new(&setup, &model).unwrap();
        let resonances = in_sweep(&setup, &span);
        let number = 1 + chance.below(resonances.len() - 2);
        let resonance = resonances[number];
        let mut sensors = bench_sensors(&setup, snr_db, Quantisation::Bits(24), seed);
        let target_m_s = 1e-3 * setup.amplitude.unwrap().value;
        let antinode_rms_m_s2 = TAU * resonance.frequency_hz * target_m_s * FRAC_1_SQRT_2;
        draw_gains(&setup, &mut sensors, seed);
        for (sensor, channel) in sensors.channels.iter_mut().zip(&setup.channels) {
            if matches!(channel.role, Role::Antinode | Role::Node) {
                sensor.noise = Noise::Rms(antinode_rms_m_s2 * 10_f64.powf(-snr_db / 20.0));
            }
        }
        let iswr = truth_at(&span, &resonance, &sensors).iswr;
        let bandwidth_hz = setup
            .strung_conductor()
            .half_power_bandwidth_hz(resonance.frequency_hz, iswr);
        Self {
            resonance,
            iswr,
            constant_s: 1.0 / (PI * bandwidth_hz),
            below: resonances[number - 1],
            above: resonances[number + 1],
            setup,
            model,
            span,
            sensors,
            seed,
            noise_seed: seed,
        }
    }

    /// The same span and sensors with gains and noise drawn anew. Dwells that are counted
    /// together need draws of their own: those of one draw err alike, and what errs by
    /// chance in one does so in all.
    pub fn redraw(&mut self, draw: u64) {
        // Every pair of bench and draw has a seed of its own.
        self.noise_seed = (self.seed << 32) | draw;
        draw_gains(&self.setup, &mut self.sensors, self.noise_seed);
    }

    /// The same span on a bench without chance: gains, places and setup exact and known to
    /// be so, noise of a millionth. What errs then is systematic.
    pub fn exact(seed: u64) -> Self {
        let mut bare = Self::new(seed, 120.0);
        for sensor in &mut bare.sensors.channels {
            sensor.gain_error_pct = 0.0;
            sensor.misplacement_mm = 0.0;
        }
        all_known(&mut bare.setup);
        bare
    }

    /// The same bench without the channel of this role.
    pub fn without(mut self, role: Role) -> Self {
        let mut roles = self.setup.channels.iter().map(|channel| channel.role);
        self.sensors.channels.retain(|_| roles.next() != Some(role));
        self.setup.channels.retain(|channel| channel.role != role);
        self.span = VirtualSpan::new(&self.setup, &self.model).unwrap();
        self
    }

    /// The transition this bench uses: abrupt, swept or faded.
    pub fn transition(&self) -> Transition {
        match self.seed % 3 {
            0 => Transition::Jump,
            1 => Transition::Sweep { seconds: 3.0 },
            _ => Transition::Fade { seconds: 4.0 },
        }
    }

    /// The neighbour at full level, then the dwell, at which the neighbour's
    /// motion still rings, then the other neighbour, beside which the dwell's
    /// motion still rings.
    pub fn dwell(&self, step: Step) -> Outcome {
        self.last_of(vec![step])
    }

    /// The same with some steps between; the last one is looked at.
    pub fn last_of(&self, steps: Vec<Step>) -> Outcome {
        let (before, after) = if self.seed.is_multiple_of(2) {
            (self.below, self.above)
        } else {
            (self.above, self.below)
        };
        let count = steps.len();
        let first = Step::new(at(&before, 0.0), NEIGHBOUR_S).reached_by(Transition::Settled);
        let last = Step::new(at(&after, 0.0), NEIGHBOUR_S).reached_by(self.transition());
        let program = Program {
            lead_in_s: 0.0,
            steps: std::iter::once(first).chain(steps).chain([last]).collect(),
            lead_out_s: 0.0,
        };
        let rehearsal = perform(
            &self.span,
            &program,
            &self.sensors,
            RATE_HZ,
            self.noise_seed,
        )
        .unwrap();
        let judged = analyse(&self.setup, &rehearsal, 4096);
        let truth = rehearsal.truth[count].clone();
        let middle_s = |point: &SettledPoint| 0.5 * (point.start_s + point.end_s);
        let outside = |point: &&SettledPoint| {
            middle_s(point) < truth.start_s || middle_s(point) > truth.end_s
        };
        // The recording begins settled on the peak of a neighbour: a hold of that is true.
        let neighbour = &rehearsal.truth[0];
        let in_neighbour =
            |point: &SettledPoint| (neighbour.start_s..neighbour.end_s).contains(&middle_s(point));
        let held = || {
            let points = judged.iter().map(|judged| &judged.point);
            points.filter(|point| point.verdict == Verdict::Held)
        };
        let of_neighbour = held()
            .filter(|point| in_neighbour(point))
            .filter_map(|point| error_of(point, neighbour))
            .collect();
        let false_holds = held()
            .filter(|point| outside(point) && !in_neighbour(point))
            .cloned()
            .collect();
        let longest = longest(&judged, &truth);
        let waited_s = longest.as_ref().map_or(0.0, |judged| {
            judged.point.start_s - truth.transition_start_s
        });
        Outcome {
            judged: longest,
            old_motion: (-waited_s / before.time_constant_s).exp(),
            of_neighbour,
            false_holds,
            truth,
        }
    }

    /// A dwell of `constants` ring-up time constants on the flank where the
    /// drive phase is `phase_deg`.
    pub fn plain(&self, constants: f64, phase_deg: f64) -> Step {
        let side = if self.seed % 4 < 2 { 1.0 } else { -1.0 };
        let bandwidths = side * 0.5 * phase_deg.to_radians().tan();
        Step::new(at(&self.resonance, bandwidths), constants * self.constant_s)
            .reached_by(self.transition())
    }
}

/// Gain errors as the certificates allow.
fn draw_gains(setup: &Setup, sensors: &mut Sensors, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for (sensor, channel) in sensors.channels.iter_mut().zip(&setup.channels) {
        let normal: f64 = StandardNormal.sample(&mut random);
        sensor.gain_error_pct = normal * 0.5 * channel.uncertainty_pct.unwrap();
    }
}

/// The settled truth at a resonance.
fn truth_at(span: &VirtualSpan, resonance: &Resonance, sensors: &Sensors) -> DwellTruth {
    let program = Program {
        steps: vec![Step::new(at(resonance, 0.0), 0.1).reached_by(Transition::Settled)],
        ..Program::default()
    };
    let rehearsal = perform(span, &program, sensors, RATE_HZ, 0).unwrap();
    rehearsal.truth[0].clone()
}

/// Of the best verdict the record of the longest stretch at one frequency.
fn longest(judged: &[Judged], truth: &DwellTruth) -> Option<Judged> {
    let inside = in_dwell(judged, truth);
    let best = inside.first()?.point.verdict;
    let length = |judged: &Judged| judged.evidence.dwell_end_s - judged.evidence.dwell_start_s;
    let chosen = inside
        .iter()
        .filter(|judged| judged.point.verdict == best)
        .max_by(|a, b| length(a).total_cmp(&length(b)))?;
    Some(Judged {
        point: chosen.point.clone(),
        evidence: chosen.evidence.clone(),
    })
}

fn error_of(point: &SettledPoint, truth: &DwellTruth) -> Option<(f64, f64)> {
    let iswr = point.iswr?;
    Some((iswr.value / truth.iswr - 1.0, iswr.stated_u()? / truth.iswr))
}

impl Outcome {
    pub fn verdict(&self) -> Option<Verdict> {
        Some(self.judged.as_ref()?.point.verdict)
    }

    pub fn reasons(&self) -> &[String] {
        self.judged
            .as_ref()
            .map_or(&[], |judged| &judged.point.reasons)
    }

    /// Whether a reason holds one of these words.
    pub fn says(&self, words: &[&str]) -> bool {
        let said = |word: &&str| self.reasons().iter().any(|reason| reason.contains(*word));
        words.iter().any(said)
    }

    /// Error of the ratio and its stated uncertainty (k = 2), both relative to
    /// the true ratio; `None` where no ratio was given.
    pub fn ratio_error(&self) -> Option<(f64, f64)> {
        error_of(&self.judged.as_ref()?.point, &self.truth)
    }

    /// Whether a hold of the neighbour before errs by more than chance allows in any
    /// campaign: 2 U are four standard uncertainties.
    pub fn neighbour_is_wrong(&self) -> bool {
        self.of_neighbour
            .iter()
            .any(|(error, u)| error.abs() > 2.0 * u)
    }

    /// One line for messages.
    pub fn line(&self) -> String {
        let truth = &self.truth;
        let hold = self.judged.as_ref().map(|judged| {
            (
                judged.point.start_s - truth.start_s,
                judged.point.end_s - truth.start_s,
            )
        });
        let ratio = self
            .ratio_error()
            .map(|(error, u)| format!("off by {:+.2} % of {:.2} %", 100.0 * error, 100.0 * u));
        format!(
            "{:.3} Hz, S {:.5}, tau {:.0} s, drive phase {:.1} deg, dwell {:.0} s: {:?} {hold:.0?} {ratio:?} {:?}",
            truth.frequency_hz,
            truth.iswr,
            truth.time_constant_s,
            truth.drive_phase_deg,
            truth.end_s - truth.start_s,
            self.verdict(),
            self.reasons()
        )
    }
}
