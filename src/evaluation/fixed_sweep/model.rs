//! What fixed sensors show at all points of a sweep, as a model of unknowns.
//!
//! In: points with their readings, and values of the unknowns. Out: what the unknowns leave of
//! the readings, and its derivatives. Pure.

use num_complex::Complex64;

use crate::maths;
use crate::resonance::standing_wave::{FixedSensor, NodeReading, TwoWaves, WaveNumber};

/// What one fixed sensor shows at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepReading {
    /// Which sensor of the sweep.
    pub sensor: usize,
    /// What it shows and may err by.
    pub shown: FixedSensor,
}

/// One point of the sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepPoint {
    /// Which run; each has a tension of its own.
    pub run: usize,
    /// k as stated, rad/m.
    pub wave_number_per_m: f64,
    /// Its relative standard uncertainty by tension and mass.
    pub tension_standard_u: f64,
    /// What one standard uncertainty of the stiffness does to it, relative.
    pub stiffness_standard_u: f64,
    /// α as stated, 1/m.
    pub fading_per_m: f64,
    /// Its standard uncertainty by the loss of what the tension stores, of what bending
    /// stores, and by a loss that does not go with the frequency, 1/m.
    pub fading_standard_u_per_m: [f64; LOSSES],
    /// Place of the node that is read, m from the drive-end clamp.
    pub node_m: f64,
    /// What the sensors show.
    pub readings: Vec<SweepReading>,
}

impl SweepPoint {
    /// Standard uncertainty of α, 1/m.
    fn fading_u_per_m(&self) -> f64 {
        let parts = self.fading_standard_u_per_m.iter();
        parts.fold(0.0, |sum, part| maths::hypot(sum, *part))
    }
}

/// Unknowns of a point: real and imaginary part of both waves, and what its wave number and
/// its fading differ by from those of its run, in standard uncertainties.
pub(super) const LOCAL: usize = 6;
/// Those of them that are waves.
pub(super) const WAVES: usize = 4;
/// Kinds of loss.
pub(super) const LOSSES: usize = 3;
/// Unknowns of a sensor: place, gain, phase.
const PER_SENSOR: usize = 3;
/// No sensor is known better than to this part of the largest reading: the last digits of
/// a converter and of the model.
const FLOOR: f64 = 2e-5;

/// The common unknowns by their places in the vector.
#[derive(Debug, Clone, Copy)]
pub(super) struct Common {
    pub(super) runs: usize,
    pub(super) sensors: usize,
}

impl Common {
    pub(super) fn stiffness(self) -> usize {
        self.runs
    }

    pub(super) fn losses(self) -> usize {
        self.runs + 1
    }

    pub(super) fn sensor(self, sensor: usize) -> usize {
        self.losses() + LOSSES + PER_SENSOR * sensor
    }

    pub(super) fn count(self) -> usize {
        self.sensor(self.sensors)
    }
}

/// Values of all unknowns: of the common ones, and point by point.
#[derive(Debug, Clone)]
pub(super) struct Unknowns {
    pub(super) common: Vec<f64>,
    pub(super) local: Vec<[f64; LOCAL]>,
}

/// One unknown: of a point, or one that all have in common.
#[derive(Debug, Clone, Copy)]
pub(super) enum Unknown {
    Local(usize),
    Common(usize),
}

impl Unknowns {
    /// With one of them, of the point `number` where it is a point's own, moved.
    pub(super) fn moved(&self, number: usize, unknown: Unknown, by: f64) -> Self {
        let mut moved = self.clone();
        let value = match unknown {
            Unknown::Local(place) => moved.local.get_mut(number).and_then(|l| l.get_mut(place)),
            Unknown::Common(place) => moved.common.get_mut(place),
        };
        if let Some(value) = value {
            *value += by;
        }
        moved
    }
}

pub(super) struct SweepModel<'a> {
    pub(super) points: &'a [SweepPoint],
    pub(super) common: Common,
    /// Middle of each point's sensors, where its phases count as zero, m.
    pub(super) middles_m: Vec<f64>,
    /// Largest reading of each point, m/s.
    pub(super) scales_m_s: Vec<f64>,
}

/// One row: what is left, and its derivatives by the point's own and by common unknowns.
pub(super) struct Row {
    pub(super) left: f64,
    pub(super) local: [f64; LOCAL],
    pub(super) common: [(usize, f64); 5 + LOSSES],
}

impl<'a> SweepModel<'a> {
    pub(super) fn new(points: &'a [SweepPoint]) -> Self {
        let readings = || points.iter().flat_map(|point| &point.readings);
        let most = |numbers: &mut dyn Iterator<Item = usize>| numbers.max().map_or(0, |m| m + 1);
        let common = Common {
            runs: most(&mut points.iter().map(|point| point.run)),
            sensors: most(&mut readings().map(|reading| reading.sensor)),
        };
        let middle = |point: &SweepPoint| {
            let sum: f64 = point.readings.iter().map(|r| r.shown.place_m).sum();
            sum / point.readings.len() as f64
        };
        let scale = |point: &SweepPoint| {
            let largest = |r: &SweepReading| maths::modulus(r.shown.velocity_m_s);
            point.readings.iter().map(largest).fold(0.0, f64::max)
        };
        Self {
            points,
            common,
            middles_m: points.iter().map(middle).collect(),
            scales_m_s: points.iter().map(scale).collect(),
        }
    }

    /// Each point's waves by itself.
    pub(super) fn begin(&self) -> Option<Unknowns> {
        let local = self
            .points
            .iter()
            .zip(&self.middles_m)
            .map(|(point, middle_m)| {
                let sensors: Vec<FixedSensor> = point.readings.iter().map(|r| r.shown).collect();
                let number = WaveNumber {
                    per_m: point.wave_number_per_m,
                    relative_standard_u: maths::hypot(
                        point.tension_standard_u,
                        point.stiffness_standard_u,
                    ),
                    fading_per_m: point.fading_per_m,
                    fading_standard_u_per_m: point.fading_u_per_m(),
                };
                let waves = TwoWaves::fit(&sensors, number).ok()?;
                let (a, b) = waves.waves_at(*middle_m);
                Some([a.re, a.im, b.re, b.im, 0.0, 0.0])
            });
        Some(Unknowns {
            common: vec![0.0; self.common.count()],
            local: local.collect::<Option<_>>()?,
        })
    }

    /// k and α of a point, rad/m and 1/m.
    fn wave_number(
        &self,
        point: &SweepPoint,
        at: &Unknowns,
        [own, own_fading]: [f64; 2],
        share: f64,
    ) -> (f64, f64) {
        let of = |place: usize| at.common.get(place).copied().unwrap_or_default();
        let off = point.tension_standard_u * (lasting(share) * of(point.run) + share * own)
            + point.stiffness_standard_u * of(self.common.stiffness());
        let losses = point
            .fading_standard_u_per_m
            .iter()
            .zip(self.common.losses()..);
        let common: f64 = losses.map(|(u, place)| u * of(place)).sum();
        let fading = point.fading_per_m + common + share * point.fading_u_per_m() * own_fading;
        (point.wave_number_per_m * (1.0 + off), fading)
    }

    /// Both rows of a reading, along and across what the waves make it show, each divided by
    /// the standard uncertainty of what changes from point to point.
    fn rows(
        &self,
        number: usize,
        point: &SweepPoint,
        reading: &SweepReading,
        at: &Unknowns,
        share: f64,
    ) -> Option<[Row; 2]> {
        let j = Complex64::new(0.0, 1.0);
        let [a_re, a_im, b_re, b_im, own @ ..] = *at.local.get(number)?;
        let (a, b) = (Complex64::new(a_re, a_im), Complex64::new(b_re, b_im));
        let (k, fading) = self.wave_number(point, at, own, share);
        let sensor = &reading.shown;
        let first = self.common.sensor(reading.sensor);
        let [place, gain, phase] = [0, 1, 2].map(|i| at.common.get(first + i).copied());
        let (place, gain, phase) = (place?, gain?, phase?);
        let lasting = lasting(share);
        let (gain_u, phase_u) = (sensor.gain_standard_u, sensor.phase_standard_u_rad);
        let beyond_m =
            sensor.place_m + sensor.place_standard_u_m * place - self.middles_m.get(number)?;
        let response = maths::cis(lasting * phase_u * phase) * maths::exp(lasting * gain_u * gain);
        let turn = maths::cis(k * beyond_m);
        let faded = maths::exp(-fading * beyond_m);
        let (fore, back) = (response * turn.conj() * faded, response * turn / faded);
        let (towards, away) = (a * fore, b * back);
        let shown = towards + away;
        let size = maths::modulus(shown);
        let direction = if size > 0.0 {
            shown / size
        } else {
            Complex64::new(1.0, 0.0)
        };
        let difference = away - towards;
        let by_number = j * beyond_m * difference;
        let by_fading = difference * beyond_m;
        let by_place = Complex64::new(fading, k) * difference;
        let k_stated = point.wave_number_per_m;
        let by_tension = by_number * (k_stated * point.tension_standard_u);
        let [by_first, by_second, by_third] = point.fading_standard_u_per_m.map(|u| by_fading * u);
        let losses = self.common.losses();
        let local = [
            fore,
            j * fore,
            back,
            j * back,
            by_tension * share,
            by_fading * (share * point.fading_u_per_m()),
        ];
        let common = [
            (point.run, by_tension * lasting),
            (
                self.common.stiffness(),
                by_number * (k_stated * point.stiffness_standard_u),
            ),
            (losses, by_first),
            (losses + 1, by_second),
            (losses + 2, by_third),
            (first, by_place * sensor.place_standard_u_m),
            (first + 1, shown * (lasting * gain_u)),
            (first + 2, j * shown * (lasting * phase_u)),
        ];
        let noise = maths::hypot(
            sensor.noise_standard_u_m_s,
            FLOOR * self.scales_m_s.get(number)?,
        );
        let left = sensor.velocity_m_s - shown;
        let row = |part: fn(Complex64) -> f64, changing: f64| {
            let u = maths::hypot(noise, share * changing * size);
            let of = |value: Complex64| part(value * direction.conj()) / u;
            Row {
                left: of(left),
                local: local.map(of),
                common: common.map(|(place, value)| (place, of(value))),
            }
        };
        Some([row(|z| z.re, gain_u), row(|z| z.im, phase_u)])
    }

    pub(super) fn rows_of(&self, number: usize, at: &Unknowns, share: f64) -> Option<Vec<Row>> {
        let point = self.points.get(number)?;
        let mut rows = Vec::with_capacity(2 * point.readings.len());
        for reading in &point.readings {
            rows.extend(self.rows(number, point, reading, at, share)?);
        }
        Some(rows)
    }

    pub(super) fn cost(&self, at: &Unknowns, share: f64) -> f64 {
        let rows = (0..self.points.len()).filter_map(|number| self.rows_of(number, at, share));
        let left: f64 = rows.flatten().map(|row| maths::square(row.left)).sum();
        let stated: f64 = at.common.iter().map(|value| value * value).sum();
        let own = at.local.iter().flat_map(|local| local.iter().skip(WAVES));
        left + stated + own.map(|own| own * own).sum::<f64>()
    }

    /// What is read at a point's node.
    pub(super) fn node(&self, number: usize, at: &Unknowns, share: f64) -> Option<NodeReading> {
        let point = self.points.get(number)?;
        let [a_re, a_im, b_re, b_im, own @ ..] = *at.local.get(number)?;
        let (per_m, fading_per_m) = self.wave_number(point, at, own, share);
        let waves = TwoWaves::through(
            *self.middles_m.get(number)?,
            [Complex64::new(a_re, a_im), Complex64::new(b_re, b_im)],
            WaveNumber {
                per_m,
                relative_standard_u: 0.0,
                fading_per_m,
                fading_standard_u_per_m: 0.0,
            },
        );
        Some(waves.node_nearest(point.node_m))
    }
}

/// Share of an error that stays where `share` of its standard uncertainty changes.
pub(super) fn lasting(share: f64) -> f64 {
    (1.0 - share * share).max(0.0).sqrt()
}
