//! What fixed sensors show at one frequency, and whether that may be trusted. Pure.
//!
//! In: the setup, what each sensor shows. Out: the waves, where the node that is read stands,
//! how many loops the span has by the wave number as it was found; each with its uncertainty.

use std::f64::consts::PI;

use super::judge::judge;
use super::known::reading_end_m;
use super::node_pattern::NodePattern;
use super::two_waves::{FixedSensor, NodeReading, TwoWaves, WaveFitError, WaveNumber};
use crate::resonance::criteria::unmet;
use crate::setup::Setup;
use crate::span::StrungConductor;

/// A number of loops that is known to this tells the harmonic, k = 2.
const KNOWN_LOOPS: f64 = 0.25;

/// What fixed sensors show at one frequency.
#[derive(Debug, Clone)]
pub struct ShownWaves {
    sensors: Vec<FixedSensor>,
    number: WaveNumber,
    /// Waves and reading, where two waves can be told apart.
    found: Result<(TwoWaves, NodeReading), WaveFitError>,
    faults: Vec<String>,
}

/// What waves say that may be trusted. Uncertainties are standard ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrustedWaves {
    /// Node and antinode that the setup has read.
    pub read: NodeReading,
    /// Of the places of both, m.
    pub place_standard_u_m: f64,
    /// The conductor with the tension that the wave number speaks for.
    pub conductor: StrungConductor,
    /// Loops of the span without a damper at this frequency.
    pub loops: f64,
    /// Its standard uncertainty.
    pub loops_standard_u: f64,
    /// What the place of the nodes says of the peak.
    pub pattern: Option<NodePattern>,
}

impl ShownWaves {
    /// By what the sensors show; `names` are theirs, in their order.
    pub fn of(
        setup: &Setup,
        frequency_hz: f64,
        sensors: Vec<FixedSensor>,
        names: &[String],
    ) -> Self {
        let number = WaveNumber::of(setup, frequency_hz);
        let found = TwoWaves::fit(&sensors, number).map(|waves| {
            let read = waves.node_before(reading_end_m(setup, frequency_hz));
            (waves, read)
        });
        let shown = match &found {
            Ok((waves, read)) => Ok((waves, *read)),
            Err(error) => Err(*error),
        };
        let judged = judge(&setup.hold, frequency_hz, shown, (&sensors, number), names);
        Self {
            faults: unmet(&judged),
            sensors,
            number,
            found,
        }
    }

    /// What is wrong, a sentence each; none where the waves may be trusted.
    pub fn faults(&self) -> &[String] {
        &self.faults
    }

    /// Waves and reading, where two waves can be told apart.
    pub fn found(&self) -> Option<(&TwoWaves, NodeReading)> {
        let (waves, read) = self.found.as_ref().ok()?;
        Some((waves, *read))
    }

    /// What may be trusted; `None` where nothing may, or the sensors leave it open.
    pub fn trusted(&self, setup: &Setup, frequency_hz: f64) -> Option<TrustedWaves> {
        let found = self.found().filter(|_| self.faults.is_empty())?;
        TrustedWaves::of(setup, frequency_hz, found, (&self.sensors, self.number))
    }
}

impl TrustedWaves {
    /// Of waves that `sensors` show, with a wave number stated as `number`; `None` where they
    /// leave it open.
    pub fn of(
        setup: &Setup,
        frequency_hz: f64,
        (waves, read): (&TwoWaves, NodeReading),
        (sensors, number): (&[FixedSensor], WaveNumber),
    ) -> Option<Self> {
        let u = |of: &dyn Fn(&TwoWaves) -> f64| waves.standard_u(sensors, number, of);
        let stated = setup.strung_conductor();
        let conductor = stated.with_wave_number(frequency_hz, waves.wave_number_per_m());
        Some(Self {
            read,
            place_standard_u_m: u(&|waves| waves.node_nearest(read.node_m).node_m)?,
            loops: conductor.loops(frequency_hz),
            conductor,
            loops_standard_u: u(&TwoWaves::wave_number_per_m)? * stated.length_m / PI,
            pattern: NodePattern::of(setup, frequency_hz, waves, (sensors, number)),
        })
    }

    /// The harmonic of the bare span that is nearest, where the waves tell it.
    pub fn harmonic(&self, setup: &Setup, frequency_hz: f64) -> Option<u32> {
        let is_known = 2.0 * self.loops_standard_u <= KNOWN_LOOPS;
        is_known
            .then(|| setup.harmonic_by(&self.conductor, frequency_hz))
            .flatten()
    }
}
