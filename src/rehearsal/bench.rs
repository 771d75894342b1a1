//! A bench as one meets it: sensors a little off their places, offsets, mains
//! pick-up; and the doubtful dwells that go wrong on it. Values only, all
//! invented; scatter comes from a seed.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::program::{At, Fault, Step, Transition};
use super::resonances::Resonance;
use super::sensors::{Noise, Quantisation, Sensor, Sensors};
use crate::setup::{Role, Setup};

/// Sensors of an ordinary bench: noise at `snr_db` below each channel's own
/// tone, offsets of about 0.05 % of full scale, 50 Hz mains on force and
/// strain, node sensor some 5 mm and antinode sensor some 15 mm off.
pub fn bench_sensors(setup: &Setup, snr_db: f64, quantisation: Quantisation, seed: u64) -> Sensors {
    let mut scatter = ChaCha8Rng::seed_from_u64(seed ^ 0x0062_656e_6368);
    let mut normal = || -> f64 { StandardNormal.sample(&mut scatter) };
    let channels = setup
        .channels
        .iter()
        .map(|channel| Sensor {
            noise: Noise::SnrDb(snr_db),
            offset: 5e-4 * channel.full_scale * normal(),
            mains_peak: match channel.role {
                Role::ClampStrain { .. } => 3e-4 * channel.full_scale,
                Role::DriveForce => 2e-5 * channel.full_scale,
                _ => 0.0,
            },
            mains_phase_deg: 40.0 * normal(),
            misplacement_mm: match channel.role {
                Role::Node => 5.0 * normal(),
                Role::Antinode => 15.0 * normal(),
                _ => 0.0,
            },
            ..Sensor::default()
        })
        .collect();
    Sensors {
        channels,
        quantisation,
        ..Sensors::default()
    }
}

/// A dwell that looks like one and must not count, or is doubtful.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
#[allow(missing_docs, reason = "each variant names what goes wrong")]
pub enum Doubt {
    OffPeak,
    TooShort,
    FrequencyDrift,
    TensionDrift,
    Beat,
    AmplitudeWander,
    Rattle,
    Clipping,
    LevelStep,
    Knock,
    DriveCut,
}

impl Doubt {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::OffPeak,
        Self::TooShort,
        Self::FrequencyDrift,
        Self::TensionDrift,
        Self::Beat,
        Self::AmplitudeWander,
        Self::Rattle,
        Self::Clipping,
        Self::LevelStep,
        Self::Knock,
        Self::DriveCut,
    ];

    /// A dwell of about `duration_s` at a resonance in which this goes wrong;
    /// `antinode` is the row of the antinode channel.
    pub fn step(self, resonance: &Resonance, duration_s: f64, antinode: usize) -> Step {
        let at = |bandwidths| At::Resonance {
            harmonic: resonance.harmonic,
            bandwidths,
        };
        let middle = 0.5 * duration_s;
        let fault = match self {
            Self::OffPeak => return Step::new(at(0.8), duration_s),
            Self::TooShort => {
                let short = (0.2 * duration_s).min(6.0);
                return Step::new(at(0.0), short).reached_by(Transition::Jump);
            }
            Self::FrequencyDrift => Fault::FrequencyDrift { bandwidths: 2.0 },
            Self::TensionDrift => Fault::TensionDrift { percent: 3.0 },
            Self::Beat => Fault::Beat {
                offset_hz: 0.35,
                depth: 0.1,
            },
            Self::AmplitudeWander => Fault::AmplitudeWander {
                period_s: 7.0,
                depth: 0.08,
            },
            Self::Rattle => Fault::Rattle {
                channel: antinode,
                strength: 0.6,
            },
            Self::Clipping => Fault::Clipping {
                channel: antinode,
                ratio: 1.15,
            },
            Self::LevelStep => Fault::LevelStep {
                at_s: middle,
                factor: 0.7,
            },
            Self::Knock => Fault::Knock {
                at_s: middle,
                strength: 0.3,
            },
            Self::DriveCut => Fault::DriveCut { at_s: middle },
        };
        Step::new(at(0.0), duration_s).with(fault)
    }
}
