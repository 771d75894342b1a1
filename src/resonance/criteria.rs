//! The criteria of a hold: what each is called, its unit and its limit, in one
//! table, and one function each that holds a stretch of hops against it.
//!
//! To add one: a row of the table in its place (the order of the rows is the
//! order of the reasons: likeliest root causes first), a function, an arm in
//! `Stretch::finding`, and its row and reason in the guide, page "tolerances".

use serde::{Deserialize, Serialize};

use super::cross_check::{
    LEAST_BANDWIDTH, LEAST_DRIVE_POWER, MOST_BANDWIDTH, MOST_DRIVE_POWER, MOST_LOSS,
};
use super::finding::CriterionFinding;
use super::hop_estimate::median;
use super::node_reading::{FORCE_CHANGE_PCT, MOST_NODE_PCT, NODE_MOVED_MM};
use super::peak_evidence::peak_finding;
use super::phasor::{SHOWS, detuning_bandwidths, fold_half_turn_rad};
use super::signal_phase::signal_finding;
use super::standing_wave::MOST_CONDITION;
use super::stretch::Stretch;
use super::trend::{envelope_line, moving_mean, trend};
use crate::maths;
use crate::setup::{HoldRules, LevelRule, Quantity};
use crate::tone::interval::IntervalChannel;
use crate::tone::mains::mains_lines_hz;

/// On which side of its limit a value has to stay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// Its size may not exceed the limit.
    AtMost,
    /// It may not fall short of the limit.
    AtLeast,
}

/// A row of the table of criteria.
#[derive(Debug, Clone, Copy)]
pub struct Declaration {
    /// Name in files, on the terminal and in the report.
    pub name: &'static str,
    /// Unit of value and limit.
    pub unit: &'static str,
    /// On which side of the limit the value has to stay.
    pub bound: Bound,
    /// Keys of `[hold]` that set the limit; none where it is fixed.
    pub setup_keys: &'static [&'static str],
    /// The limit from the rules and the drive frequency in Hz.
    limit: fn(&HoldRules, f64) -> f64,
    /// What is judged.
    pub doc: &'static str,
}

macro_rules! hold_criteria {
    ($(#[doc = $doc:literal] $variant:ident: $name:literal, $unit:literal, $bound:ident, $keys:expr, $limit:expr;)+) => {
        /// A criterion of a hold. The order is that of the judgement.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum HoldCriterion {
            $(#[doc = $doc] $variant,)+
        }

        impl HoldCriterion {
            /// Every criterion, in the order of the judgement.
            pub const ALL: &[Self] = &[$(Self::$variant,)+];

            /// Its row of the table.
            pub fn declaration(self) -> &'static Declaration {
                match self {
                    $(Self::$variant => {
                        const ROW: Declaration = Declaration {
                            name: $name,
                            unit: $unit,
                            bound: Bound::$bound,
                            setup_keys: &$keys,
                            limit: $limit,
                            doc: $doc,
                        };
                        &ROW
                    })+
                }
            }
        }
    };
}

hold_criteria! {
    /// how well the places of the fixed sensors tell the two waves apart at the frequency
    WaveCondition: "fixed sensors, condition", "", AtMost, [], |_, _| MOST_CONDITION;
    /// what two waves leave of the fixed sensors' motion, against what their stated errors explain in 999 of 1000 cases
    WaveResidual: "fixed sensors, residual", "x explained", AtMost, [], |_, _| 1.0;
    /// ratio at the node by the fixed sensors, above 0 where power flows towards the damper
    WaveFlow: "fixed sensors, flow", "%", AtLeast, [], |_, _| LEAST_FLOW_PCT;
    /// raw samples at full scale on the antinode, node or drive-force channel
    ClippedSamples: "clipped samples", "samples", AtMost, [], |_, _| 0.0;
    /// what saturation below full scale takes from the antinode's reading
    AntinodeFlatTops: "flat tops, antinode", "%", AtMost, [], |_, _| FLAT_TOPS_PCT;
    /// what saturation below full scale takes from the node's reading
    NodeFlatTops: "flat tops, node", "%", AtMost, [], |_, _| FLAT_TOPS_PCT;
    /// antinode velocity, or the largest clamp strain, against the target level
    Level: "level", "% of target", AtLeast, [], |_, _| LEAST_LEVEL_PCT;
    /// motion at the node over that at the antinode
    NodeAgainstAntinode: "node against antinode", "%", AtMost, [], |_, _| MOST_NODE_PCT;
    /// impulses of the antinode signal, hop after hop
    AntinodeImpulses: "impulses, antinode", "x rms", AtMost, [], |_, _| RATTLE_CREST;
    /// orders of the drive on the antinode above those that a bent waveform has
    AntinodeHighOrders: "high orders, antinode", "%", AtMost, [], |_, _| RATTLE_PCT;
    /// impulses of the node signal, hop after hop
    NodeImpulses: "impulses, node", "x rms", AtMost, [], |_, _| RATTLE_CREST;
    /// orders of the drive on the node above those that a bent waveform has
    NodeHighOrders: "high orders, node", "%", AtMost, [], |_, _| RATTLE_PCT;
    /// change of the node's or antinode's reading, without a change of the drive, against what came before the hold
    ReadingStep: "reading step", "%", AtMost, ["node_variation_pct"],
        |rules, _| rules.node_variation_pct;
    /// length of what is left of the dwell after ring-up
    HoldLength: "hold length", "s", AtLeast, ["min_seconds", "min_cycles"],
        |rules, hz| rules.min_seconds.max(rules.min_cycles / hz);
    /// bandwidth of the transient before the hold over the one that the ratio implies
    BandwidthNotSmaller: "bandwidth", "x implied", AtLeast, [], |_, _| LEAST_BANDWIDTH;
    /// the same against what losses ahead of the node explain; beyond it a warning
    BandwidthNotLarger: "bandwidth, upper", "x implied", AtMost, [], |_, _| MOST_BANDWIDTH;
    /// power at the drive over the power past the node
    PowerByForce: "power by force", "x past the node", AtLeast, [], |_, _| LEAST_DRIVE_POWER;
    /// power at the drive that does not pass the node, over that of a wave of the antinode's velocity
    LossAheadOfNode: "loss ahead of the node", "x Z V_a²/2", AtMost, [], |_, _| MOST_LOSS;
    /// power at the drive over that past the node, of a span with a damper
    LossAheadOfDamper: "loss ahead of the damper", "x past the node", AtMost, [],
        |_, _| MOST_DRIVE_POWER;
    /// wait between the last change of frequency or level and the hold, or the wait that would leave as little as amplitude and phase over the hold show
    RingUp: "ring-up", "time constants", AtLeast, ["ring_up_time_constants"],
        |rules, _| rules.ring_up_time_constants;
    /// trend of the drive frequency over the hold
    FrequencyDrift: "frequency drift", "bandwidths", AtMost, ["drift_bandwidths"],
        |rules, _| rules.drift_bandwidths;
    /// step of the tension within the hold, as it moves the resonance
    TensionStep: "tension step", "bandwidths", AtMost, ["drift_bandwidths"],
        |rules, _| rules.drift_bandwidths;
    /// trend of the tension over the hold, as it moves the resonance
    TensionDrift: "tension drift", "bandwidths", AtMost, ["drift_bandwidths"],
        |rules, _| rules.drift_bandwidths;
    /// trend of the detuning that the drive phase tells, over the hold
    DrivePhaseDrift: "drive phase drift", "bandwidths", AtMost, ["drift_bandwidths"],
        |rules, _| rules.drift_bandwidths;
    /// trend of the detuning that the phase against the drive signal tells, over the hold; asked where no drive phase does, and the least it can be where the phase at the peak was not learnt
    SignalPhaseDrift: "signal phase drift", "bandwidths", AtMost, ["drift_bandwidths"],
        |rules, _| rules.drift_bandwidths;
    /// largest line in the spectrum of the antinode's envelope
    Beat: "beat", "%", AtMost, ["beat_pct"], |rules, _| rules.beat_pct;
    /// largest other tone on the antinode within 3 Hz of the drive, mains hum included
    OtherTone: "other tone", "%", AtMost, ["beat_pct"], |rules, _| rules.beat_pct;
    /// phase of the antinode velocity against the drive force, modulo 180 degrees
    DrivePhase: "drive phase", "deg", AtMost, ["drive_phase_deg"], |rules, _| rules.drive_phase_deg;
    /// distance of the drive from the natural frequency, by the span's free motion when the drive changed before or after the hold; asked where the drive phase shows nothing
    FreeResponse: "free response", "bandwidths", AtMost, ["drive_phase_deg"],
        |rules, _| detuning_bandwidths(rules.drive_phase_deg).abs();
    /// distance of the drive from the peak, by the phase against the drive signal, where a passage or the span's free motion has told what that is at the peak; asked likewise
    SignalPhase: "signal phase", "bandwidths", AtMost, ["drive_phase_deg"],
        |rules, _| detuning_bandwidths(rules.drive_phase_deg).abs();
    /// distance of the drive from the peak, by the place of the nodes against the drive-end clamp, where fixed sensors show it; asked beside the others, and proof where none of them shows the peak
    NodePattern: "node pattern", "bandwidths", AtMost, ["drive_phase_deg"],
        |rules, _| detuning_bandwidths(rules.drive_phase_deg).abs();
    /// trend of the antinode amplitude over the hold
    AmplitudeDrift: "amplitude drift", "%", AtMost, ["amplitude_drift_pct"],
        |rules, _| rules.amplitude_drift_pct;
    /// largest deviation of the antinode amplitude from its mean
    AmplitudeVariation: "amplitude variation", "%", AtMost, ["amplitude_variation_pct"],
        |rules, _| rules.amplitude_variation_pct;
    /// largest departure of the node's quadrature part from its mean, in quarters of a second to four seconds
    NodeVariation: "node variation", "%", AtMost, ["node_variation_pct"],
        |rules, _| rules.node_variation_pct;
    /// trend of the node's quadrature part over the hold
    NodeDrift: "node drift", "%", AtMost, ["node_drift_pct"], |rules, _| rules.node_drift_pct;
    /// largest departure of the node sensor's apparent place from its mean
    NodePlace: "node place", "mm", AtMost, [], |_, _| NODE_MOVED_MM;
    /// rms of the antinode's harmonics over that of its fundamental
    Distortion: "distortion", "%", AtMost, ["distortion_pct"], |rules, _| rules.distortion_pct;
    /// harmonics at the node beyond the antinode's, over the node's fundamental or a tenth of the antinode's
    NodeDistortion: "distortion, node", "%", AtMost, ["distortion_pct"],
        |rules, _| rules.distortion_pct;
    /// power of the antinode's tone over that of its noise in 0 to 250 Hz
    SignalToNoise: "signal to noise", "dB", AtLeast, ["min_snr_db"], |rules, _| rules.min_snr_db;
    /// change of the drive force against the antinode over the hold; beyond it the force is no evidence
    ForceChange: "force change", "%", AtMost, [], |_, _| FORCE_CHANGE_PCT;
}

impl HoldCriterion {
    /// Name in files, on the terminal and in the report.
    pub fn name(self) -> &'static str {
        self.declaration().name
    }

    /// Whether what is neither shown nor excluded is to be said of a dwell that
    /// counts.
    pub fn warns(self) -> bool {
        matches!(self, Self::BandwidthNotSmaller | Self::BandwidthNotLarger)
    }

    /// Unit of value and limit.
    pub fn unit(self) -> &'static str {
        self.declaration().unit
    }

    /// Whether the value has to stay below the limit (or above it).
    pub fn at_most(self) -> bool {
        self.declaration().bound == Bound::AtMost
    }

    /// The limit at a drive frequency.
    pub fn limit(self, rules: &HoldRules, frequency_hz: f64) -> f64 {
        (self.declaration().limit)(rules, frequency_hz)
    }

    /// The criterion of a name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|c| c.name() == name)
    }
}

/// One criterion of a judgement: what was found against what is allowed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(into = "ResultRecord", try_from = "ResultRecord")]
pub struct CriterionResult {
    /// Which one.
    pub criterion: HoldCriterion,
    /// What was found, in the criterion's unit; `None` where it could not be
    /// measured.
    pub value: Option<f64>,
    /// The limit, in the criterion's unit.
    pub limit: f64,
    /// Whether it was met; `None`: neither shown nor excluded.
    pub met: Option<bool>,
}

/// A [`CriterionResult`] as `evidence.jsonl` has it.
#[derive(Serialize, Deserialize)]
struct ResultRecord {
    name: String,
    value: Option<f64>,
    limit: f64,
    unit: String,
    at_most: bool,
    met: Option<bool>,
}

impl From<CriterionResult> for ResultRecord {
    fn from(result: CriterionResult) -> Self {
        Self {
            name: result.criterion.name().to_owned(),
            value: result.value,
            limit: result.limit,
            unit: result.criterion.unit().to_owned(),
            at_most: result.criterion.at_most(),
            met: result.met,
        }
    }
}

impl TryFrom<ResultRecord> for CriterionResult {
    type Error = String;

    fn try_from(record: ResultRecord) -> Result<Self, String> {
        let criterion = HoldCriterion::named(&record.name).ok_or_else(|| {
            format!(
                "`{}` is no criterion of a hold that this program knows",
                record.name
            )
        })?;
        if record.unit != criterion.unit() || record.at_most != criterion.at_most() {
            return Err(format!(
                "criterion `{}` has unit `{}` and at_most = {} here; `{}` and {} are right",
                record.name,
                record.unit,
                record.at_most,
                criterion.unit(),
                criterion.at_most()
            ));
        }
        Ok(Self {
            criterion,
            value: record.value,
            limit: record.limit,
            met: record.met,
        })
    }
}

/// A criterion's result with the sentence to say when it is not met.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The result.
    pub result: CriterionResult,
    /// Why the dwell does not count, or what is not known.
    pub sentence: String,
}

/// What to say of those that are not met.
pub fn unmet(judged: &[Judged]) -> Vec<String> {
    judged
        .iter()
        .filter(|judged| judged.result.met == Some(false))
        .map(|judged| judged.sentence.clone())
        .collect()
}

impl Judged {
    /// What a criterion's function found, held against `limit`.
    pub(super) fn new(criterion: HoldCriterion, limit: f64, finding: CriterionFinding) -> Self {
        Self {
            result: CriterionResult {
                criterion,
                value: finding.value,
                limit,
                met: finding.met,
            },
            sentence: finding.sentence,
        }
    }
}

/// Most that flat tops below full scale may take from a reading, %: a third of a good
/// calibration.
pub const FLAT_TOPS_PCT: f64 = 0.3;
/// Noise over the tone that is worth a word where samples reach full scale.
const NOISY: f64 = 0.1;
/// Residual over the antinode's amplitude below which impulses are harmless.
const RATTLE_LEVEL: f64 = 0.005;
/// Steps of the converter that a signal reaches, and at which their edges look like
/// a rattle.
const FEW_STEPS: f64 = 2.5;
/// Peak over rms of the residual in a hop: of some 250 values of Gaussian noise
/// the largest is 3 sigma, and the median over a hold's hops does not reach 4.
const RATTLE_CREST: f64 = 4.5;
/// Most that orders above the model's may make, %. A waveform bent by 10 % in
/// its third order has parts in a thousand there; a rattle has tenths.
const RATTLE_PCT: f64 = 3.0;
/// Farther from the peak the drive phase tells only that it is far: at three
/// bandwidths it is 80.5 degrees, and two degrees more would make it four.
const FARTHEST_BANDWIDTHS: f64 = 3.0;
/// A wave that comes back from the damper larger than it went there by more than this ratio
/// is none, %: a sensor is inverted or its place is counted from the other clamp.
const LEAST_FLOW_PCT: f64 = -1.0;
/// How every reason begins that says the frequency moved.
pub(super) const DRIFTED: &str = "the frequency drifted";
/// Below this part of the target level there is no dwell, %.
const LEAST_LEVEL_PCT: f64 = 5.0;

impl Stretch<'_> {
    /// All criteria that can be judged here, in the order of the table.
    pub fn judge(&self) -> Vec<Judged> {
        let frequency_hz = self.frequency_hz();
        HoldCriterion::ALL
            .iter()
            .filter_map(|&criterion| {
                let limit = criterion.limit(&self.setup.hold, frequency_hz);
                let finding = self.finding(criterion, limit)?;
                Some(Judged::new(criterion, limit, finding))
            })
            .collect()
    }

    /// Whether a criterion is not met. The criterion that costs most is asked
    /// last.
    pub fn fails(&self) -> bool {
        let frequency_hz = self.frequency_hz();
        let fails = |criterion: HoldCriterion| {
            let limit = criterion.limit(&self.setup.hold, frequency_hz);
            self.finding(criterion, limit)
                .is_some_and(|finding| finding.met == Some(false))
        };
        let dear = HoldCriterion::Beat;
        let mut others = HoldCriterion::ALL.iter().filter(|c| **c != dear);
        others.any(|c| fails(*c)) || fails(dear)
    }

    /// Holds the stretch against one criterion; `None` where the criterion does
    /// not apply.
    fn finding(&self, criterion: HoldCriterion, limit: f64) -> Option<CriterionFinding> {
        use HoldCriterion as C;
        match criterion {
            C::ClippedSamples => Some(self.clipped_samples()),
            C::AntinodeFlatTops => self.saturation(self.channels.antinode?, "antinode", limit),
            C::NodeFlatTops => self.saturation(self.channels.node?, "node", limit),
            C::HoldLength => Some(self.hold_length(limit)),
            C::RingUp => Some(self.ring_up(limit)),
            C::FrequencyDrift => Some(self.frequency_drift(limit)),
            // They may hang on another source: `super::tension` judges them.
            C::TensionStep
            | C::TensionDrift
            // They rest on the sensors themselves: `super::standing_wave` judges them.
            | C::WaveCondition | C::WaveResidual | C::WaveFlow | C::NodePattern => None,
            C::Beat => Some(self.beat(limit)),
            C::OtherTone => Some(self.other_tone(limit)),
            C::AmplitudeDrift => Some(self.amplitude_drift(limit)),
            C::AmplitudeVariation => Some(self.amplitude_variation(limit)),
            C::Distortion => Some(self.distortion(limit)),
            C::SignalToNoise => Some(self.signal_to_noise(limit)),
            C::DrivePhase => Some(self.drive_phase(limit)),
            C::FreeResponse => self
                .peak
                .map(|peak| peak_finding(peak.without_drive_mass(self.mass_shift()), limit)),
            C::SignalPhase => self
                .signal_evidence()
                .map(|signal| signal.without_drive_mass(self.mass_shift()))
                .map(|signal| signal_finding(signal, limit)),
            C::SignalPhaseDrift => self.signal_phase_drift(limit),
            C::AntinodeImpulses => Some(self.impulses(self.channels.antinode?, "antinode", limit)),
            C::AntinodeHighOrders => self.high_orders(self.channels.antinode?, "antinode", limit),
            C::NodeImpulses => Some(self.impulses(self.channels.node?, "node", limit)),
            C::NodeHighOrders => self.high_orders(self.channels.node?, "node", limit),
            C::DrivePhaseDrift => self.drive_phase_drift(limit),
            C::BandwidthNotSmaller => self.bandwidth_not_smaller(limit),
            C::BandwidthNotLarger => self.bandwidth_not_larger(limit),
            C::PowerByForce => self.power_by_force(limit),
            C::LossAheadOfNode => self.loss_ahead_of_node(limit),
            C::LossAheadOfDamper => self.loss_ahead_of_damper(limit),
            C::Level => self.level(limit),
            C::NodeAgainstAntinode => self.node_against_antinode(limit),
            C::ReadingStep => self.reading_step(),
            C::NodeVariation => self.node_variation(limit),
            C::NodeDrift => self.node_drift(limit),
            C::NodePlace => self.node_place(limit),
            C::NodeDistortion => self.node_distortion(limit),
            C::ForceChange => self.force_change(limit),
        }
    }

    fn clipped_samples(&self) -> CriterionFinding {
        let mut worst = ("antinode", 0);
        let mut total = 0;
        for (index, name) in self.channels.judged() {
            let clipped: u64 = self
                .hops
                .iter()
                .filter_map(|hop| hop.channels.get(index))
                .map(|channel| channel.clipped)
                .sum();
            total += clipped;
            if clipped > worst.1 {
                worst = (name, clipped);
            }
        }
        let sentence = format!(
            "clipping: {} samples of the {} channel reached full scale{}; a wider range or a lower level is right",
            worst.1,
            worst.0,
            self.noise_while_clipping(worst.0)
        );
        CriterionFinding::new(total as f64, total == 0, sentence)
    }

    /// Whether noise drove the channel of this name there, in words.
    fn noise_while_clipping(&self, name: &str) -> String {
        let channel = self.channels.judged().find(|(_, own)| *own == name);
        let clipping = channel.and_then(|(index, _)| {
            let tones = self.hops.iter().filter_map(|hop| hop.channels.get(index));
            let clipping = tones.filter(|tone| tone.clipped > 0);
            median(clipping.map(|tone| tone.residual_rms / maths::modulus(tone.amplitude)))
        });
        match clipping {
            Some(noise) if noise > NOISY => {
                format!(
                    ", with noise of {:.0} % of its signal beside it",
                    100.0 * noise
                )
            }
            _ => String::new(),
        }
    }

    fn hold_length(&self, least_s: f64) -> CriterionFinding {
        let seconds = self.seconds();
        // A hop is the grain of the stretch.
        let met = seconds + self.plan.hop_seconds() > least_s;
        let sentence =
            format!("too short: {seconds:.2} s were left after ring-up, {least_s:.1} s are needed");
        CriterionFinding::new(seconds, met, sentence)
    }

    fn ring_up(&self, limit: f64) -> CriterionFinding {
        let waited = self
            .motion_bandwidth_hz()
            .map(|df| self.waited_s * std::f64::consts::PI * df);
        // Where the wait was short, or began before the samples, they may show
        // that no more is left than after so many constants.
        let shown = self
            .transient
            .and_then(|transient| transient.at_start)
            .map(|left| -maths::ln(left.clamp(f64::MIN_POSITIVE, 1.0)));
        let sentence = format!(
            "not rung up: only {:.1} time constants passed since {}, {limit} are needed{}",
            waited.unwrap_or_default(),
            self.since,
            self.transient
                .and_then(|transient| transient.at_start)
                .map_or_else(String::new, |left| format!(
                    "; by amplitude and phase over the hold up to {:.1} % of the motion may be old",
                    100.0 * left.min(1.0)
                ))
        );
        let constants = waited.map(|waited| shown.map_or(waited, |shown| waited.max(shown)));
        let met = constants.map(|constants| constants + 1e-9 >= limit);
        CriterionFinding::new(constants, met, sentence)
    }

    /// Change of a series over the stretch along its straight line, and whether
    /// it is allowed.
    fn drift(&self, values: &[f64], unit: f64, limit: f64) -> Option<(f64, bool)> {
        let line = trend(values, self.plan.window_hops)?;
        let change = line.change / unit;
        // Noise alone must not fail a hold, nor hide a drift of twice the limit.
        let noise = (2.0 * line.change_u / unit).min(limit);
        Some((change, change.abs() <= limit + noise))
    }

    fn frequency_drift(&self, limit: f64) -> CriterionFinding {
        let values: Vec<f64> = self.hops.iter().map(|hop| hop.frequency_hz).collect();
        let found = self
            .bandwidth_hz
            .and_then(|df| Some((self.drift(&values, df, limit)?, df)));
        let Some(((change, met), df)) = found else {
            return CriterionFinding::new(None, None, String::new());
        };
        let moved_hz = change * df;
        let moved = if moved_hz.abs() < 0.1 {
            format!("{:+.1} mHz", 1e3 * moved_hz)
        } else {
            format!("{moved_hz:+.2} Hz")
        };
        let sentence = if change.abs() <= FARTHEST_BANDWIDTHS {
            format!(
                "{DRIFTED} by {change:+.2} bandwidths ({moved}) during the hold, at most {limit} are allowed"
            )
        } else {
            format!("{DRIFTED} by {moved}, by far more than a bandwidth")
        };
        CriterionFinding::new(change, met, sentence)
    }

    /// Drift of the resonance itself (tension, temperature) under a constant
    /// drive: the phase moves although the frequency does not.
    fn drive_phase_drift(&self, limit: f64) -> Option<CriterionFinding> {
        let detuning: Vec<f64> = self
            .hops
            .iter()
            .map(|hop| hop.drive_phase_deg.map(detuning_bandwidths))
            .collect::<Option<_>>()?;
        if !self.phase_is_evidence() || self.drive_phase_deg().is_none() {
            return None;
        }
        let (change, met) = self.drift(&detuning, 1.0, limit)?;
        let sentence = format!(
            "the drive phase says the detuning drifted by {change:+.2} bandwidths during the hold, at most {limit} are allowed{}",
            self.narrow_band()
        );
        Some(CriterionFinding::new(change, met, sentence))
    }

    /// The same by the drive signal, where no drive phase tells it. Where the angle at the
    /// peak is not known, a turn means half as many bandwidths at least.
    fn signal_phase_drift(&self, limit: f64) -> Option<CriterionFinding> {
        let angle = self.angle.filter(|_| self.lacks_phase_evidence())?;
        let detuning: Vec<f64> = self
            .hops
            .iter()
            .map(|hop| {
                let hop_rad = maths::argument(hop.by_signal?);
                Some(match self.peak_phase {
                    Some(at_peak) => at_peak.detuning(hop_rad),
                    None => -0.5 * fold_half_turn_rad(hop_rad - angle.rad),
                })
            })
            .collect::<Option<_>>()?;
        let (change, met) = self.drift(&detuning, 1.0, limit)?;
        let sentence = format!(
            "the phase against the drive signal says the detuning drifted by {change:+.2} bandwidths during the hold, at most {limit} are allowed{}",
            self.narrow_band()
        );
        Some(CriterionFinding::new(change, met, sentence))
    }

    fn amplitude_drift(&self, limit: f64) -> CriterionFinding {
        let line = trend(&self.envelope(), self.plan.window_hops);
        let change = line.map(|line| 100.0 * line.change / line.mean);
        let noise = 2.0 * self.noise_pct() * (12.0 / self.hops.len().max(1) as f64).sqrt() * 2.0;
        let sentence = format!(
            "the antinode amplitude moved by {:+.2} % during the hold, at most {limit} % are allowed{}",
            change.unwrap_or_default(),
            self.narrow_band()
        );
        let met = change.map(|change| change.abs() <= limit + noise);
        CriterionFinding::new(change, met, sentence)
    }

    fn amplitude_variation(&self, limit: f64) -> CriterionFinding {
        let window_hops = self.plan.window_hops as f64;
        // Four standard deviations: noise reaches them once in 15 000 windows.
        // Where they would be more than the limit, a longer mean is looked at.
        let noise_pct = 4.0 * self.noise_pct();
        let longest = self.hops.len().max(4) / 4;
        let hops = (window_hops * maths::square(noise_pct / limit)).ceil() as usize;
        let hops = if noise_pct > limit {
            hops.clamp(1, longest)
        } else {
            1
        };
        let envelope = moving_mean(&self.envelope(), hops);
        let noise_pct = noise_pct * (window_hops / (hops as f64).max(window_hops)).sqrt();
        let mean = envelope.iter().sum::<f64>() / envelope.len().max(1) as f64;
        let largest = 100.0
            * envelope
                .iter()
                .map(|value| (value / mean - 1.0).abs())
                .fold(0.0, f64::max);
        let sentence = format!(
            "the antinode amplitude wandered by {largest:.2} % from its mean, at most {limit} % are allowed"
        );
        CriterionFinding::new(largest, largest <= limit + noise_pct, sentence)
    }

    fn beat(&self, limit: f64) -> CriterionFinding {
        let line = envelope_line(
            &self.envelope(),
            self.plan.hop_seconds(),
            self.plan.window_seconds(),
        );
        let depth = line.map(|line| 100.0 * line.depth);
        let noise = 4.0
            * self.noise_pct()
            * (2.0 * self.plan.window_hops as f64 / self.hops.len().max(1) as f64).sqrt();
        let sentence = line.map_or_else(String::new, |line| {
            format!(
                "beat: the antinode envelope pulses by {:.2} % at {:.3} Hz, at most {limit} % are allowed",
                100.0 * line.depth,
                line.frequency_hz
            )
        });
        CriterionFinding::new(depth, depth.map(|depth| depth <= limit + noise), sentence)
    }

    /// A second tone on the antinode, too far away to show in the envelope. One at the
    /// mains' frequency may be hum on a cable, but a span that is shaken at it, by its own
    /// drive or by a motor, shows the same.
    fn other_tone(&self, limit: f64) -> CriterionFinding {
        let found = self.interval.and_then(|interval| {
            let channel = self.antinode()?;
            let fundamental = maths::modulus(channel.phasor.value);
            let near = |hz: f64| (hz - interval.frequency_hz).abs() < 3.0;
            Some(
                channel
                    .interfering
                    .iter()
                    .filter(|(hz, _)| near(*hz))
                    .map(|(hz, amplitude)| (*hz, 100.0 * amplitude / fundamental))
                    .fold((0.0, 0.0), |a: (f64, f64), b| if b.1 > a.1 { b } else { a }),
            )
        });
        let sentence = found.map_or_else(String::new, |(hz, pct)| {
            let hum = if is_mains(hz) && !is_mains(self.frequency_hz()) {
                "; it stands at the mains: is it hum on a cable?"
            } else {
                ""
            };
            format!("beat: another tone of {pct:.2} % at {hz:.3} Hz is on the antinode, at most {limit} % are allowed{hum}")
        });
        let value = found.map(|(_, pct)| pct);
        CriterionFinding::new(value, value.map(|pct| pct <= limit), sentence)
    }

    fn distortion(&self, limit: f64) -> CriterionFinding {
        let value = self.antinode().map(|antinode| 100.0 * antinode.distortion);
        let sentence = format!(
            "distortion of {:.1} % at the antinode, at most {limit} % are allowed; look for a rattling sensor or a loose clamp",
            value.unwrap_or_default()
        );
        CriterionFinding::new(value, value.map(|value| value <= limit), sentence)
    }

    fn signal_to_noise(&self, limit: f64) -> CriterionFinding {
        let value = self.antinode().map(IntervalChannel::snr_db);
        let sentence = format!(
            "the antinode signal stands only {:.1} dB above its noise in 0 to 250 Hz, {limit} dB are needed",
            value.unwrap_or_default()
        );
        CriterionFinding::new(value, value.map(|value| value >= limit), sentence)
    }

    fn drive_phase(&self, limit: f64) -> CriterionFinding {
        let Some(phase_deg) = self.drive_phase_deg() else {
            let lacks = if self.channels.force.is_none() {
                "there is no drive-force channel"
            } else {
                "the drive-force channel shows no force at the drive's frequency; look at the force cell and its cable"
            };
            let sentence = format!("resonance neither shown nor excluded: {lacks}");
            return CriterionFinding::new(None, None, sentence);
        };
        if self.inertia_blurs_phase() {
            let sentence = format!(
                "resonance neither shown nor excluded: the force cell carries {} kg besides the conductor, and how well that is known leaves the drive phase of {phase_deg:.0} deg uncertain by {:.0} deg",
                self.channels.moving_mass_kg(),
                self.inertia_phase_u_deg().unwrap_or_default()
            );
            return CriterionFinding::new(phase_deg, None, sentence);
        }
        if !self.phase_is_evidence() {
            let sentence = format!(
                "resonance neither shown nor excluded: the drive sits by a node of its own (|sin(k x)| = {:.2}), where the drive phase of {phase_deg:.0} deg says nothing",
                self.drive_sine().unwrap_or_default()
            );
            return CriterionFinding::new(phase_deg, None, sentence);
        }
        if let Some(sentence) = self.unstated_mass_sentence() {
            return CriterionFinding::new(phase_deg, None, sentence);
        }
        // An unsteady force shows no resonance; that it moved off one it shows.
        if phase_deg.abs() <= limit && !self.force_is_steady() {
            let sentence = format!(
                "resonance neither shown nor excluded: the drive force is unsteady against the antinode{}, and so no evidence; look at the force cell and its cable",
                self.force_pulses()
            );
            return CriterionFinding::new(phase_deg, None, sentence);
        }
        let sentence = format!(
            "off resonance: the drive phase is {phase_deg:+.0} deg, at most {limit} are allowed; the frequency is {}{}",
            self.distance_from_peak(phase_deg),
            self.narrow_band()
        );
        CriterionFinding::new(phase_deg, phase_deg.abs() <= limit, sentence)
    }

    /// Whether nothing shows or excludes that the drive is at the peak but the
    /// free motion.
    pub(super) fn lacks_phase_evidence(&self) -> bool {
        let limit = HoldCriterion::DrivePhase.limit(&self.setup.hold, self.frequency_hz());
        self.drive_phase(limit).met.is_none()
    }

    fn distance_from_peak(&self, drive_phase_deg: f64) -> String {
        let bandwidths = detuning_bandwidths(drive_phase_deg).abs();
        if bandwidths > FARTHEST_BANDWIDTHS {
            return "far off the peak".into();
        }
        let distance = match self.bandwidth_hz.map(|df| df * bandwidths) {
            None => String::new(),
            Some(hz) if hz < 0.1 => format!(" ({:.1} mHz)", 1e3 * hz),
            Some(hz) => format!(" ({hz:.2} Hz)"),
        };
        format!("about {bandwidths:.2} bandwidths{distance} from the peak")
    }

    /// Orders of the drive far above those that a bent waveform has: a loose
    /// sensor.
    fn high_orders(
        &self,
        (index, quantity): (usize, Quantity),
        name: &str,
        limit: f64,
    ) -> Option<CriterionFinding> {
        let interval = self.interval?;
        let channel = interval.channels.get(index)?;
        let amplitude =
            |index: usize| Some(maths::modulus(interval.channels.get(index)?.phasor.value));
        let reference = self
            .channels
            .rattle_reference(amplitude(index)?, quantity, amplitude);
        let value = 100.0 * channel.high_orders / reference;
        let sentence = self.coarse(index, name).unwrap_or_else(|| format!(
            "the {name} sensor rattles: orders of the drive above the {}th make {value:.1} % of its signal, at most {limit} % are allowed",
            self.plan.orders(interval.frequency_hz)
        ));
        Some(CriterionFinding::new(value, value <= limit, sentence))
    }

    /// That a signal spans so few steps of its converter that their edges are what
    /// is seen, in words.
    pub(super) fn coarse(&self, index: usize, name: &str) -> Option<String> {
        let channel = self.interval?.channels.get(index)?;
        let steps = maths::modulus(channel.phasor.value) / channel.marks.step;
        (steps <= FEW_STEPS).then(|| {
            format!(
                "rounding: the {name} signal reaches {steps:.1} steps of its converter, and what is read are their edges; a finer range is right"
            )
        })
    }

    /// Impulses hop after hop: a loose sensor.
    fn impulses(
        &self,
        (index, quantity): (usize, Quantity),
        name: &str,
        limit: f64,
    ) -> CriterionFinding {
        let crest = median(self.hops.iter().filter_map(|hop| {
            let channel = hop.channels.get(index)?;
            let amplitude = |index: usize| Some(maths::modulus(hop.channels.get(index)?.amplitude));
            let reference = self
                .channels
                .rattle_reference(amplitude(index)?, quantity, amplitude);
            let residual = if channel.residual_rms > RATTLE_LEVEL * reference {
                channel.residual_peak / channel.residual_rms
            } else {
                0.0
            };
            // Second differences raise white noise by sqrt(6).
            let second_difference = if self.plan.decimation > 1
                && channel.second_difference_rms > RATTLE_LEVEL * 2.45 * reference
            {
                // Longer hops reach further into the tail of plain noise.
                channel.second_difference_peak / channel.second_difference_rms - 1.0
            } else {
                0.0
            };
            Some(residual.max(second_difference))
        }))
        .unwrap_or_default();
        let sentence = self.coarse(index, name).unwrap_or_else(|| format!(
            "the {name} sensor rattles: impulses of {crest:.1} times the residual's rms come hop after hop, plain noise stays below {limit}"
        ));
        CriterionFinding::new(crest, crest <= limit, sentence)
    }

    /// Hum in a resting span is steady too; it is no dwell.
    fn level(&self, limit: f64) -> Option<CriterionFinding> {
        let level = self.setup.amplitude?;
        let velocity_m_s = median(self.hops.iter().map(|hop| hop.antinode_m_s))?;
        let strain_pp_um_m = self.largest_strain_pp_um_m();
        let deviation_pct =
            level.deviation_pct(self.frequency_hz(), velocity_m_s, strain_pp_um_m)?;
        let value = 100.0 + deviation_pct;
        let (what, question) = match level.rule {
            LevelRule::ClampStrain => ("the largest clamp strain is", "are the gauges alive"),
            LevelRule::ConstantVelocity | LevelRule::InverseFrequency => {
                ("the antinode moves at", "is its sensor alive")
            }
        };
        let sentence = format!(
            "{what} {value:.2} % of the target level, at least {limit} % are needed to call it a dwell; {question}, and is the unit right?"
        );
        Some(CriterionFinding::new(value, value >= limit, sentence))
    }

    /// The largest strain that a gauge on this source shows, µm/m peak-to-peak; a
    /// dead one shows none.
    fn largest_strain_pp_um_m(&self) -> Option<f64> {
        let interval = self.interval?;
        let gauges = self.plan.channels.iter().zip(&interval.channels);
        gauges
            .filter(|(planned, _)| {
                let channel = self.setup.channels.get(planned.setup_index);
                channel.is_some_and(|channel| channel.role.is_clamp_strain())
            })
            .map(|(_, gauge)| gauge.phasor)
            .filter(|strain| maths::modulus(strain.value) > SHOWS * strain.part_u())
            .map(|strain| 2e6 * maths::modulus(strain.value))
            .reduce(f64::max)
    }
}

/// Within 0.3 Hz of the mains frequencies of the world and their doubles.
pub(super) fn is_mains(frequency_hz: f64) -> bool {
    mains_lines_hz(2).any(|mains_hz| (frequency_hz - mains_hz).abs() < 0.3)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The guide's row for a criterion.
    fn guide_row(criterion: HoldCriterion) -> String {
        let Declaration {
            name,
            unit,
            bound,
            setup_keys,
            doc,
            ..
        } = criterion.declaration();
        let bound = match bound {
            Bound::AtMost => "at most",
            Bound::AtLeast => "at least",
        };
        let limit = if setup_keys.is_empty() {
            criterion.limit(&HoldRules::default(), 20.0).to_string()
        } else {
            let keys: Vec<String> = setup_keys.iter().map(|key| format!("`{key}`")).collect();
            keys.join(", ")
        };
        format!("| {name} | {} | {bound} {limit} | {unit} |", doc.trim())
    }

    #[test]
    fn the_guide_lists_every_criterion() {
        let guide = include_str!("../guide/tolerances.md");
        let rows: Vec<String> = HoldCriterion::ALL.iter().map(|c| guide_row(*c)).collect();
        assert!(
            guide.contains(&rows.join("\n")),
            "the table of criteria in src/guide/tolerances.md should be:\n{}",
            rows.join("\n")
        );
    }

    #[test]
    fn a_result_is_read_as_it_was_written() {
        for &criterion in HoldCriterion::ALL {
            let result = CriterionResult {
                criterion,
                value: Some(0.25),
                limit: 0.5,
                met: None,
            };
            let text = serde_json::to_string(&result).unwrap();
            assert_eq!(
                serde_json::from_str::<CriterionResult>(&text).unwrap(),
                result
            );
        }
    }

    #[test]
    fn an_unknown_criterion_or_another_unit_is_refused() {
        let read = |name: &str, unit: &str| {
            let text = format!(
                r#"{{"name":"{name}","value":1.0,"limit":4.0,"unit":"{unit}","at_most":false,"met":true}}"#
            );
            serde_json::from_str::<CriterionResult>(&text).map_err(|error| error.to_string())
        };
        assert!(read("ring-up", "time constants").is_ok());
        assert!(
            read("ring-up", "s")
                .unwrap_err()
                .contains("`time constants`")
        );
        assert!(
            read("ring up", "time constants")
                .unwrap_err()
                .contains("`ring up`")
        );
    }
}
