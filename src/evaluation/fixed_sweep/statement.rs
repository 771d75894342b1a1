//! What fixed sensors and conductor turned out to be over a sweep, for the record.

use super::fit::{Estimate, SweepFit, SweptSensor};
use super::model::{SweepPoint, lasting};
use crate::reduction::measured::record;
use crate::reduction::{COVERAGE, Measured};
use crate::setup::Setup;

record! {
    /// What one fixed sensor turned out to be against what the setup states of it.
    #[derive(Debug, Clone, PartialEq)]
    pub struct SweptChannel {
        /// Its channel.
        channel: String,
        /// Further from the drive-end clamp than stated, mm.
        place_off_mm / place_off_u_mm: Measured,
        /// Shows more than the others, %.
        gain_off_pct / gain_off_u_pct: Measured,
        /// Leads the others, degrees.
        phase_off_deg / phase_off_u_deg: Measured,
    }
}

record! {
    /// What all points by fixed sensors, taken together, say.
    #[derive(Debug, Clone, PartialEq)]
    pub struct FixedSweep {
        /// Points of the run that it rests on.
        points: usize,
        /// Points of the bare run.
        bare_points: usize,
        /// How much of what is stated of gain, phase and tension changes from point to point, %; the
        /// rest is the same at all points.
        changing_share_pct: f64,
        /// Sum of squares of what is left, in standard uncertainties.
        chi_square: f64,
        /// Numbers more than unknowns.
        degrees_of_freedom: usize,
        /// k over the one by the setup's tension and mass.
        wave_number_factor / wave_number_factor_u: Measured,
        /// The same in the bare run.
        bare_wave_number_factor / bare_wave_number_factor_u: Option<Measured>,
        /// Loss factor of what the tension stores, %.
        loss_factor_pct / loss_factor_u_pct: Measured,
        /// Loss factor of what bending stores, %.
        bending_loss_factor_pct / bending_loss_factor_u_pct: Measured,
        /// What fades a wave at all frequencies alike, as the air does, 1/km.
        even_fading_per_km / even_fading_u_per_km: Measured,
        /// The channel that is left out, because all others fit without it and none with it.
        left_out: Option<String>,
        /// The other sensors of the run.
        sensors: Vec<SweptChannel>,
        /// A sentence for each of them that differs from what is stated by far more than stated.
        doubts: Vec<String>,
    }
}

/// Standard uncertainties that a sensor may differ by from what is stated of it: one in
/// ten thousand does.
const FAR: f64 = 4.0;

/// What is to be said of a sensor that differs from what is stated by far more than stated.
fn doubt(name: &str, sensor: &SweptSensor) -> Option<String> {
    let parts = [
        (sensor.place, "place"),
        (sensor.gain, "gain"),
        (sensor.phase, "phase"),
    ];
    let far: Vec<&str> = parts
        .iter()
        .filter(|(estimate, _)| estimate.value.abs() > FAR)
        .map(|(_, what)| *what)
        .collect();
    (!far.is_empty()).then(|| {
        format!(
            "fixed sensors: by all points together the {} of \"{name}\" differs from what is stated by \
             more than twice the stated uncertainty; measure it again",
            far.join(" and the ")
        )
    })
}

impl FixedSweep {
    /// Of a fit of `points`, `bare_points` of which are of the bare run. `setups` are those of the
    /// run and of the bare run; `names` are the sensors', and whether each is one of the run.
    pub(super) fn new(
        (fit, left_out): (&SweepFit, Option<usize>),
        points: &[SweepPoint],
        bare_points: usize,
        setups: &[&Setup],
        names: &[(&str, bool)],
    ) -> Self {
        let lasting = lasting(fit.changing_share);
        let scaled = |estimate: Estimate, by: f64| {
            Measured::with_standard_u(estimate.value * by, estimate.standard_u * by)
        };
        let factor = |run: usize| {
            let of_run = || points.iter().filter(|point| point.run == run);
            let count = of_run().count();
            let sum: f64 = of_run().map(|point| point.tension_standard_u).sum();
            let off = scaled(*fit.tensions.get(run)?, lasting * sum / count as f64);
            (count > 0).then(|| Measured::new(1.0 + off.value, off.u))
        };
        let conductor = setups.first().map(|setup| &setup.conductor);
        let loss_u = conductor.map_or(0.0, |c| c.loss_uncertainty_pct) / (100.0 * COVERAGE);
        let even_u_per_m = points.first().map_or(0.0, |point| {
            let [.., even] = point.fading_standard_u_per_m;
            even
        });
        let loss = |stated_pct: f64, estimate: Estimate| {
            let off = scaled(estimate, loss_u * stated_pct);
            Measured::new(stated_pct + off.value, off.u)
        };
        let [by_tension, by_bending, even] = fit.losses;
        let sensors = names.iter().zip(&fit.sensors).enumerate();
        let sensors =
            sensors.filter(|(number, ((_, of_run), _))| *of_run && left_out != Some(*number));
        let mut doubts = Vec::new();
        let sensors = sensors.map(|(number, ((name, _), sensor))| {
            doubts.extend(doubt(name, sensor));
            let readings = points.iter().flat_map(|point| &point.readings);
            let shown: Vec<_> = readings
                .filter(|reading| reading.sensor == number)
                .map(|reading| reading.shown)
                .collect();
            let mean = |sum: f64| sum / shown.len() as f64;
            let place_u_m = mean(shown.iter().map(|s| s.place_standard_u_m).sum());
            let gain_u = mean(shown.iter().map(|s| s.gain_standard_u).sum());
            let phase_u_rad = mean(shown.iter().map(|s| s.phase_standard_u_rad).sum());
            SweptChannel {
                channel: (*name).to_owned(),
                place_off_mm: scaled(sensor.place, 1e3 * place_u_m),
                gain_off_pct: scaled(sensor.gain, 100.0 * lasting * gain_u),
                phase_off_deg: scaled(sensor.phase, (lasting * phase_u_rad).to_degrees()),
            }
        });
        let sensors: Vec<SweptChannel> = sensors.collect();
        Self {
            points: points.len() - bare_points,
            bare_points,
            changing_share_pct: 100.0 * fit.changing_share,
            chi_square: fit.chi_square,
            degrees_of_freedom: fit.degrees_of_freedom,
            wave_number_factor: factor(0).unwrap_or_default(),
            bare_wave_number_factor: factor(1),
            loss_factor_pct: loss(conductor.map_or(0.0, |c| c.loss_factor_pct), by_tension),
            bending_loss_factor_pct: loss(
                conductor.map_or(0.0, |c| c.bending_loss_factor_pct),
                by_bending,
            ),
            even_fading_per_km: scaled(even, 1e3 * even_u_per_m),
            left_out: left_out
                .and_then(|number| names.get(number))
                .map(|(name, _)| (*name).to_owned()),
            sensors,
            doubts,
        }
    }

    /// In words.
    pub fn sentence(&self) -> String {
        let of_bare = match self.bare_points {
            0 => String::new(),
            count => format!(" and {count} of the bare run"),
        };
        let without = match &self.left_out {
            None => String::new(),
            Some(channel) => format!(
                "; \"{channel}\" is left out, for the others fit without it and none with it: is it \
                 elsewhere than stated, loose, out of the vertical, or its scale wrong?"
            ),
        };
        format!(
            "antinode, node and ratio from {} points{of_bare} together, in which places, gains, phases, \
             tension and losses are one set of unknowns; {:.0} % of what is stated of gains, phases and \
             tension changes from point to point (chi-square {:.0} with {} degrees of freedom){without}",
            self.points, self.changing_share_pct, self.chi_square, self.degrees_of_freedom
        )
    }
}
