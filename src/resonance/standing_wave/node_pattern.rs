//! Where the drive stands against the peak, by the place of the nodes against the drive-end
//! clamp: a proof of resonance that asks for no force. Pure.
//!
//! Beyond the drive the conductor moves as `sin(θ − ε) − j S cos(θ − ε)`, θ = k x − φ counted from
//! the drive-end clamp, and before it, whatever drives, as sin θ ([`crate::span::nodes`]). The
//! slope steps at the drive by the force into the conductor, so that
//!
//! ```text
//! tan(phase between that force and the antinode's velocity) = tan ε/S
//! ```
//!
//! exactly, wherever the drive sits: at resonance the nodes stand where they would if the clamp
//! were one of them, and d half-power bandwidths beside it off by tan ε = 2 d S. No mass that
//! moves with the drive comes in, for the force is that into the conductor.
//!
//! ε is what the waves, carried on to the clamp, lack of being opposite there. It rests on k
//! times the distance from the sensors to the clamp: sensors next to the damper alone leave it
//! open, one of them next to the drive tells it.

use crate::maths;
use crate::resonance::criteria::{HoldCriterion, Judged};
use crate::resonance::finding::CriterionFinding;
use crate::resonance::peak_evidence::is_on_peak;
use crate::resonance::standing_wave::{FixedSensor, TwoWaves, WaveNumber};
use crate::resonance::unstated_mass::MOST_UNSTATED_KG;
use crate::setup::{Role, Setup};
use crate::span::{StrungConductor, largest_bending_stiffness_n_m2};

/// Percent expanded (k = 2) over a relative standard uncertainty.
const PCT: f64 = 200.0;

/// What the place of the nodes says of the peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NodePattern {
    /// How far above the peak of the span alone the drive stands, half-power bandwidths.
    pub detuning: f64,
    /// Its standard uncertainty.
    pub detuning_u: f64,
    /// How far below the peak the drive may look because of what moves with it and nobody has
    /// stated, bandwidths.
    by_unstated_mass: f64,
}

impl NodePattern {
    /// By waves that `sensors` show, with a wave number stated as `number`; `None` where they
    /// leave it open.
    pub fn of(
        setup: &Setup,
        frequency_hz: f64,
        waves: &TwoWaves,
        (sensors, number): (&[FixedSensor], WaveNumber),
    ) -> Option<Self> {
        // Of two sensors nobody would see one slip: that is no proof.
        if waves.degrees_of_freedom() == 0 {
            return None;
        }
        let (origin_m, origin_u_m) = clamp_m(setup, frequency_hz, sensors);
        let detuning = detuning_at(waves, origin_m);
        let by_waves = waves.standard_u(sensors, number, |waves| detuning_at(waves, origin_m))?;
        let by_origin = detuning_at(waves, origin_m + origin_u_m) - detuning;
        let found = Self {
            detuning,
            detuning_u: maths::hypot(by_waves, by_origin),
            by_unstated_mass: by_unstated_mass(setup, frequency_hz, iswr_at(waves, origin_m)),
        };
        (found.detuning.is_finite() && found.detuning_u.is_finite()).then_some(found)
    }

    /// Whether the drive stands within `limit` bandwidths of the peak: shown, excluded, or
    /// neither.
    pub fn is_on_peak(&self, limit: f64) -> Option<bool> {
        let found = is_on_peak((self.detuning, self.detuning_u), limit);
        found.filter(|at_peak| *at_peak || !self.may_be_mass(limit))
    }

    /// Whether it may stand at the peak of span and shaker.
    fn may_be_mass(&self, limit: f64) -> bool {
        let off = self.detuning.abs() - 2.0 * self.detuning_u;
        self.detuning < 0.0 && off <= limit + self.by_unstated_mass
    }

    /// How far the drive stands from the peak; words.
    pub fn in_words(&self) -> String {
        format!(
            "by the place of the nodes against the drive-end clamp the drive stands {:+.2} ± {:.2} bandwidths from the peak",
            self.detuning,
            2.0 * self.detuning_u
        )
    }

    /// Held against the limit of the setup.
    pub fn judge(&self, setup: &Setup, frequency_hz: f64) -> Judged {
        let criterion = HoldCriterion::NodePattern;
        let limit = criterion.limit(&setup.hold, frequency_hz);
        let (met, u) = (self.is_on_peak(limit), 2.0 * self.detuning_u);
        let stands = format!("{}, at most {limit:.2} are allowed", self.in_words());
        let sentence = match met {
            Some(false) => format!("off resonance: {stands}"),
            None if self.detuning.abs() - u > limit => format!(
                "resonance neither shown nor excluded: {stands}; a mass that moves with the drive, and is \
                 not stated (drive_mass_kg), may have the peak of span and shaker there"
            ),
            _ if u > limit => format!(
                "the place of the nodes does not decide: {stands}; a fixed sensor next to the drive would \
                 tell it better"
            ),
            _ => format!("resonance neither shown nor excluded: {stands}"),
        };
        let finding = CriterionFinding::new(self.detuning, met, sentence);
        Judged::new(criterion, limit, finding)
    }
}

/// S where the waves are carried on to.
fn iswr_at(waves: &TwoWaves, place_m: f64) -> f64 {
    let (towards_damper, towards_drive) = waves.waves_at(place_m);
    let [a, b] = [towards_damper, towards_drive].map(maths::modulus);
    (a - b) / (a + b)
}

/// tan ε/(2 S), by the waves carried on to where the clamp's node would be.
fn detuning_at(waves: &TwoWaves, place_m: f64) -> f64 {
    let (towards_damper, towards_drive) = waves.waves_at(place_m);
    let beyond_rad = -0.5 * maths::argument(-towards_drive * towards_damper.conj());
    maths::tan(beyond_rad) / (2.0 * iswr_at(waves, place_m))
}

/// Where the clamp's node would be for waves that know of no near field, m from the clamp, and
/// its standard uncertainty: by the stiffness, and by the tape that the sensors share.
fn clamp_m(setup: &Setup, frequency_hz: f64, sensors: &[FixedSensor]) -> (f64, f64) {
    let conductor = setup.strung_conductor();
    let (place_m, by_stiffness_m) = if setup.conductor.bending_stiffness_n_m2.is_some() {
        let place_m = conductor.end_correction_m(frequency_hz);
        // It goes with the root of EI.
        let u_pct = setup.conductor.bending_stiffness_uncertainty_pct;
        (place_m, 0.5 * place_m * u_pct / PCT)
    } else {
        // Anything from none to the most that a conductor of the diameter has, evenly.
        let stiffest = StrungConductor {
            bending_stiffness_n_m2: largest_bending_stiffness_n_m2(
                1e-3 * setup.conductor.diameter_mm,
            ),
            ..conductor
        };
        let half_m = 0.5 * stiffest.end_correction_m(frequency_hz);
        (half_m, half_m / 3.0_f64.sqrt())
    };
    let taped_m = sensors.iter().map(|sensor| sensor.place_standard_u_m);
    (
        place_m,
        maths::hypot(by_stiffness_m, taped_m.fold(0.0, f64::max)),
    )
}

/// By how many bandwidths the peak of span and shaker may lie below that of the span alone
/// where nothing says what moves with the drive.
fn by_unstated_mass(setup: &Setup, frequency_hz: f64, iswr: f64) -> f64 {
    let is_known = setup.channel(Role::DriveForce).is_some() || setup.span.drive_mass_kg.is_some();
    let drive_m = setup.span.drive_position_m.filter(|_| !is_known);
    drive_m.map_or(0.0, |drive_m| {
        let conductor = setup.strung_conductor();
        let lowered_hz =
            conductor.lowered_by_drive_mass_hz(frequency_hz, drive_m, MOST_UNSTATED_KG);
        lowered_hz / conductor.half_power_bandwidth_hz(frequency_hz, iswr)
    })
}

#[cfg(test)]
mod tests {
    //! Against `tests/reference/node_pattern.py`: beam finite elements with SciPy, where the
    //! phase between drive force and antinode says how far the peak is.

    use num_complex::Complex64;

    use super::super::tests::{Draw, sensor};
    use super::*;
    use crate::resonance::standing_wave::{ConductorLoss, MOST_CONDITION, condition};

    /// One frequency of one span.
    struct Case {
        setup: Setup,
        loss: ConductorLoss,
        frequency_hz: f64,
        detuning: f64,
        field: Vec<(f64, Complex64)>,
    }

    fn cases() -> Vec<Case> {
        let demo = include_str!("../../../config/damped-trial.toml");
        let demo = crate::setup::parse(demo, "damped-trial.toml").unwrap();
        let table = include_str!("../../../tests/reference/node_pattern.csv");
        let rows = table.lines().skip(1);
        rows.map(|line| {
            let v: Vec<f64> = line.split(',').map(|t| t.parse().unwrap()).collect();
            let mut setup = demo.clone();
            setup.span.tension_kn = 1e-3 * v[1];
            setup.conductor.mass_kg_per_m = v[2];
            setup.conductor.bending_stiffness_n_m2 = Some(v[3]);
            setup.conductor.bending_stiffness_uncertainty_pct = 20.0;
            setup.span.length_m = v[4];
            setup.span.drive_position_m = Some(v[7]);
            setup.span.drive_mass_kg = Some(0.0);
            setup.span.damper_position_m = Some(v[8]);
            Case {
                setup,
                loss: ConductorLoss {
                    tension: v[5],
                    bending: v[6],
                },
                frequency_hz: v[9],
                detuning: v[10],
                field: v[11..]
                    .chunks(3)
                    .map(|p| (p[0], Complex64::new(p[1], p[2])))
                    .collect(),
            }
        })
        .collect()
    }

    impl Case {
        fn number(&self) -> WaveNumber {
            let conductor = self.setup.strung_conductor();
            let fading_per_m = self.loss.fading_per_m(&conductor, self.frequency_hz);
            WaveNumber {
                per_m: conductor.wave_number_per_m(self.frequency_hz),
                relative_standard_u: 1e-6,
                fading_per_m,
                fading_standard_u_per_m: 1e-3 * fading_per_m,
            }
        }

        fn sensors(&self, places: &[usize]) -> Vec<FixedSensor> {
            let field = places.iter().map(|i| self.field[*i]);
            field.map(|(place_m, m_s)| sensor(place_m, m_s)).collect()
        }
    }

    #[test]
    fn the_nodes_tell_the_detuning_that_finite_elements_have_by_the_force() {
        let (mut told, mut worst) = (0, [0.0_f64; 2]);
        for case in cases() {
            let (sensors, number) = (case.sensors(&[0, 1, 2, 3, 4, 5]), case.number());
            let waves = TwoWaves::fit(&sensors, number).unwrap();
            let pattern =
                NodePattern::of(&case.setup, case.frequency_hz, &waves, (&sensors, number));
            let off = pattern.unwrap().detuning - case.detuning;
            told += 1;
            let which = usize::from(case.detuning.abs() > 0.05);
            let off = if which == 0 { off } else { off / case.detuning };
            worst[which] = worst[which].max(off.abs());
        }
        println!("{told}: {worst:?}");
        assert!(told > 150, "{told}");
        // What bends at the clamp and under the drive takes power of its own, which the force feeds
        // and the waves do not show: where hardly anything else damps, the force has the drive a
        // little nearer to the peak than the nodes have it.
        assert!(worst[0] < 0.01 && worst[1] < 0.16, "{worst:?}");
    }

    /// With what sensors, tension, mass and stiffness err by: the interval holds the truth,
    /// and what stands off the peak is never shown to stand at it but by chance.
    #[test]
    fn the_interval_holds_what_finite_elements_have() {
        let limit = 0.18;
        for places in [[0, 3, 4, 5].as_slice(), &[0, 1, 2, 4, 5], &[3, 4, 5]] {
            let mut draw = Draw::new(21);
            let (mut tried, mut inside, mut decided) = (0, 0, 0);
            let (mut at_peak, mut shown, mut falsely) = (0, 0, 0);
            for case in cases() {
                for _ in 0..6 {
                    let mut sensors = case.sensors(places);
                    sensors.iter_mut().for_each(|sensor| draw.err(sensor));
                    let mut number = case.number();
                    number.relative_standard_u = 0.004;
                    number.fading_standard_u_per_m = 0.6 * number.fading_per_m;
                    number.per_m *= 1.0 + draw.normal(0.004);
                    number.fading_per_m *= (1.0 + draw.normal(0.6)).max(0.0);
                    let mut setup = case.setup.clone();
                    let stiffness = setup.conductor.bending_stiffness_n_m2.as_mut().unwrap();
                    *stiffness *= 1.0 + draw.normal(0.1);
                    if condition(sensors.iter().map(|s| s.place_m), number.per_m) > MOST_CONDITION {
                        continue;
                    }
                    let Ok(waves) = TwoWaves::fit(&sensors, number) else {
                        continue;
                    };
                    let Some(found) =
                        NodePattern::of(&setup, case.frequency_hz, &waves, (&sensors, number))
                    else {
                        continue;
                    };
                    let is_at_peak = case.detuning.abs() < 0.03;
                    at_peak += usize::from(is_at_peak);
                    shown += usize::from(is_at_peak && found.is_on_peak(limit) == Some(true));
                    let is_off = case.detuning.abs() > 1.3 * limit;
                    falsely += usize::from(is_off && found.is_on_peak(limit) == Some(true));
                    decided += usize::from(found.is_on_peak(limit).is_some());
                    if 2.0 * found.detuning_u < 0.5 {
                        tried += 1;
                        let off = (found.detuning - case.detuning).abs();
                        inside += usize::from(off <= 2.0 * found.detuning_u);
                    }
                }
            }
            println!(
                "{places:?}: {inside} of {tried} inside, {decided} decided, {shown} of {at_peak} shown, {falsely} falsely"
            );
            let share = inside as f64 / tried as f64;
            assert!((0.92..=0.99).contains(&share), "{places:?}: {share}");
            assert!(falsely * 100 <= tried, "{falsely}");
        }
    }
}
