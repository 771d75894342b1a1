//! Where fixed sensors belong: the best places for a number of them over a whole sweep.
//!
//! In: a [`Setup`], how many sensors, the stretches where they may stand. Out:
//! [`FixedPlaces`], places that can be taped (whole centimetres) with what each harmonic's
//! ratio will be known to. Pure.
//!
//! Sensors half a wavelength apart see the same, and over a sweep of one to eight no
//! distance is free of that; sensors far from the node carry the wave number's
//! uncertainty there. A damper moves the resonances by up to half their spacing, so
//! what counts is every frequency of the sweep, not the bare harmonics. First the share of
//! them is made as large as can be at which the places tell the two waves apart, then the
//! largest uncertainty among those as small as can be, at S = 0.1 and at S = 0.3 (coordinate
//! exchange from several starts, as in optimal design: Fedorov 1972, from memory).

use std::f64::consts::PI;

use serde::Serialize;

use super::places::KnownSpan;
use crate::maths;
use crate::resonance::standing_wave::{
    ExpectedReading, ExpectedWave, FixedSensor, WaveNumber, reading_end_m,
};
use crate::setup::{Channel, Role, Setup};
use crate::span::nodes::clear_places_m;

/// Ratios that are reckoned with.
pub const RATIOS: [f64; 2] = [0.1, 0.3];

/// Phase between the outmost places from one frequency to the next of the search, rad.
const PHASE_STEP_RAD: f64 = 0.4;
/// Frequencies of the search, at most.
const MOST_FREQUENCIES: f64 = 400.0;
/// Frequencies that each harmonic's band is looked at by.
const PER_HARMONIC: u32 = 8;
/// Grid of the search, and of what it is refined to, m.
const GRIDS_M: [f64; 2] = [0.1, 0.01];
/// Two sensors are at least this far apart, m: their mounts.
const LEAST_APART_M: f64 = 0.1;
/// Without a stretch given: so many of the longest loops before the damper.
const REACH_LOOPS: f64 = 2.0;
/// Noise of a sensor over the antinode's motion: far below what else it errs by.
const NOISE: f64 = 1e-4;
/// Level that is reckoned with, m/s peak; only ratios come out.
const ANTINODE_M_S: f64 = 0.2;

/// A stretch of the span where sensors may stand, m from the drive-end clamp.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PlaceRange {
    /// Begin.
    pub from_m: f64,
    /// End.
    pub to_m: f64,
}

/// What a harmonic's ratio will be known to, wherever within half a spacing the damper
/// moves it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HarmonicReading {
    /// Loops of the bare span.
    pub harmonic: u32,
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Part of its band at which the places tell the waves apart, 0..1.
    pub usable: f64,
    /// Largest condition in the band.
    pub condition: f64,
    /// Largest expanded uncertainty of the ratio in the usable part of the band, % of it,
    /// k = 2, for each of [`RATIOS`].
    pub iswr_u_pct: [Option<f64>; 2],
}

/// Places and what they are worth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FixedPlaces {
    /// What the wave number rests on; a sentence.
    pub basis: String,
    /// From the drive-end clamp, m, the first one nearest to it.
    pub places_m: Vec<f64>,
    /// Where they were sought; empty where they were given.
    pub between: Vec<PlaceRange>,
    /// Share of the sweep's frequencies at which they tell the waves apart, 0..1.
    pub usable: f64,
    /// Largest expanded uncertainty of the ratio at those, % of it, k = 2, for each of
    /// [`RATIOS`].
    pub iswr_u_pct: [Option<f64>; 2],
    /// Harmonic by harmonic.
    pub harmonics: Vec<HarmonicReading>,
}

/// Why there are no places.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlacesError {
    /// Fewer than two.
    #[error("{0} fixed sensors cannot tell two waves apart; from 2 to 12 are right")]
    Count(usize),
    /// No room.
    #[error(
        "the stretch {from_m} to {to_m} m leaves no place for {count} sensors: they may stand from \
         {least_m:.2} to {most_m:.2} m, clear of drive and damper, {LEAST_APART_M} m apart"
    )]
    NoRoom {
        /// Asked for, m.
        from_m: f64,
        /// Asked for, m.
        to_m: f64,
        /// Sensors.
        count: usize,
        /// Clear of the drive, m.
        least_m: f64,
        /// Clear of the damper, m.
        most_m: f64,
    },
    /// A place that is not clear.
    #[error(
        "{place_m} m is not clear of drive and damper; from {least_m:.2} to {most_m:.2} m from the \
         drive-end clamp is right"
    )]
    NotClear {
        /// The place, m.
        place_m: f64,
        /// Clear of the drive, m.
        least_m: f64,
        /// Clear of the damper, m.
        most_m: f64,
    },
}

/// One frequency with what the sensors read there.
struct At {
    number: WaveNumber,
    waves: [ExpectedWave; 2],
}

struct Problem<'a> {
    setup: &'a Setup,
    known: &'a KnownSpan,
    frequencies: Vec<At>,
    sensor: FixedSensor,
}

/// What is made as small as can be, in this order: frequencies without a reading, largest
/// relative uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
struct Score {
    blind: usize,
    largest_u: f64,
}

/// The stretch of the span that is clear of drive and damper.
pub fn clear_stretch(setup: &Setup) -> PlaceRange {
    let conductor = setup.strung_conductor();
    let clear = clear_places_m(
        (conductor.tension_n, conductor.bending_stiffness_n_m2),
        setup.span.length_m,
        setup.span.drive_position_m,
        setup.span.damper_position_m,
    );
    PlaceRange {
        from_m: *clear.start(),
        to_m: *clear.end(),
    }
}

/// The best places for `count` sensors within `between`; where that is empty, in the last
/// loops before the damper.
///
/// # Errors
/// Where there is no room for them.
pub fn best_places(
    setup: &Setup,
    known: &KnownSpan,
    count: usize,
    between: &[PlaceRange],
) -> Result<FixedPlaces, PlacesError> {
    if !(2..=12).contains(&count) {
        return Err(PlacesError::Count(count));
    }
    let clear = clear_stretch(setup);
    let longest_m = known.conductor().loop_length_m(setup.sweep.low_hz);
    let usual = [PlaceRange {
        from_m: clear.from_m.max(clear.to_m - REACH_LOOPS * longest_m),
        to_m: clear.to_m,
    }];
    let between = if between.is_empty() {
        &usual[..]
    } else {
        between
    };
    let candidates = |grid_m: f64| -> Vec<f64> {
        let mut places: Vec<f64> = between
            .iter()
            .flat_map(|stretch| {
                let first = (stretch.from_m.max(clear.from_m) / grid_m).ceil() as i64;
                let last = (stretch.to_m.min(clear.to_m) / grid_m).floor() as i64;
                (first..=last).map(move |step| step as f64 * grid_m)
            })
            .collect();
        places.sort_by(f64::total_cmp);
        places.dedup();
        places
    };
    let [coarse, fine] = GRIDS_M.map(candidates);
    let room = coarse.first().zip(coarse.last());
    let needed_m = LEAST_APART_M * (count - 1) as f64;
    let Some((first_m, last_m)) = room.filter(|(first, last)| **last - **first >= needed_m) else {
        let asked = between.first().copied().unwrap_or(clear);
        return Err(PlacesError::NoRoom {
            from_m: asked.from_m,
            to_m: asked.to_m,
            count,
            least_m: clear.from_m,
            most_m: clear.to_m,
        });
    };
    let problem = Problem::new(setup, known, last_m - first_m);
    let mut best: Option<(Score, Vec<f64>)> = None;
    for start in starts(count, &coarse) {
        let found = problem.exchange(start, &coarse, f64::INFINITY);
        if best.as_ref().is_none_or(|(score, _)| found.0 < *score) {
            best = Some(found);
        }
    }
    let places_m = best.map_or_else(Vec::new, |(_, places)| {
        problem.exchange(places, &fine, 2.0 * GRIDS_M[0]).1
    });
    Ok(problem.describe(places_m, between.to_vec()))
}

/// What given places are worth.
///
/// # Errors
/// Where one is not clear of drive and damper, or they are too few.
pub fn given_places(
    setup: &Setup,
    known: &KnownSpan,
    places_m: &[f64],
) -> Result<FixedPlaces, PlacesError> {
    if places_m.len() < 2 {
        return Err(PlacesError::Count(places_m.len()));
    }
    let clear = clear_stretch(setup);
    let is_clear = |place_m: &&f64| !(clear.from_m..=clear.to_m).contains(*place_m);
    if let Some(place_m) = places_m.iter().find(is_clear) {
        return Err(PlacesError::NotClear {
            place_m: *place_m,
            least_m: clear.from_m,
            most_m: clear.to_m,
        });
    }
    let mut places_m = places_m.to_vec();
    places_m.sort_by(f64::total_cmp);
    let extent_m = places_m.last().unwrap_or(&0.0) - places_m.first().unwrap_or(&0.0);
    Ok(Problem::new(setup, known, extent_m).describe(places_m, Vec::new()))
}

/// Sets to begin from: distances that grow away from the damper by several factors.
fn starts(count: usize, candidates: &[f64]) -> Vec<Vec<f64>> {
    let (Some(first), Some(last)) = (candidates.first(), candidates.last()) else {
        return Vec::new();
    };
    let extent_m = last - first;
    let mut sets = Vec::new();
    for growth in [1.0, 1.5, 2.5] {
        for share in [0.3, 0.8] {
            let distances: Vec<f64> = (1..count as u32)
                .map(|i| maths::whole_power(growth, i))
                .collect();
            let sum: f64 = distances.iter().sum();
            let mut place_m = *last;
            let mut set = vec![place_m];
            for distance in distances {
                place_m -= share * extent_m * distance / sum;
                set.push(nearest(candidates, place_m));
            }
            sets.push(set);
        }
    }
    sets
}

fn nearest(candidates: &[f64], place_m: f64) -> f64 {
    let nearer = |a: &&f64, b: &&f64| (*a - place_m).abs().total_cmp(&(*b - place_m).abs());
    candidates.iter().min_by(nearer).copied().unwrap_or(place_m)
}

impl<'a> Problem<'a> {
    fn new(setup: &'a Setup, known: &'a KnownSpan, extent_m: f64) -> Self {
        let conductor = known.conductor();
        let (low, high) = (setup.sweep.low_hz, setup.sweep.high_hz);
        let rad = (conductor.wave_number_per_m(high) - conductor.wave_number_per_m(low)) * extent_m;
        let steps = (rad / PHASE_STEP_RAD).ceil().clamp(40.0, MOST_FREQUENCIES);
        let hz = |step: u32| low + (high - low) * f64::from(step) / steps;
        Self {
            setup,
            known,
            frequencies: (0..=steps as u32)
                .map(|step| At::new(setup, known, hz(step)))
                .collect(),
            sensor: usual_sensor(setup),
        }
    }

    fn sensors(&self, places_m: &[f64]) -> Vec<FixedSensor> {
        let at = |place_m: &f64| FixedSensor {
            place_m: *place_m,
            ..self.sensor
        };
        places_m.iter().map(at).collect()
    }

    /// How good places are, as far as it is worth knowing beside `best`.
    fn score(&self, places_m: &[f64], best: Option<Score>) -> Score {
        let sensors = self.sensors(places_m);
        let mut score = Score {
            blind: 0,
            largest_u: 0.0,
        };
        for at in &self.frequencies {
            for wave in &at.waves {
                let read = wave.read_by(&sensors, at.number);
                let Some(u) = read.iswr_standard_u.filter(|_| read.is_usable()) else {
                    score.blind += 1;
                    break;
                };
                score.largest_u = score.largest_u.max(u);
            }
            if best.is_some_and(|best| {
                score.blind > best.blind
                    || (score.blind == best.blind && best.blind == 0 && score > best)
            }) {
                break;
            }
        }
        score
    }

    /// Moves one sensor after the other to where it does most, until none moves;
    /// `within_m` of where it stands.
    fn exchange(
        &self,
        mut places_m: Vec<f64>,
        candidates: &[f64],
        within_m: f64,
    ) -> (Score, Vec<f64>) {
        let mut best = self.score(&places_m, None);
        loop {
            let before = best;
            for sensor in 0..places_m.len() {
                let Some(&here_m) = places_m.get(sensor) else {
                    continue;
                };
                for &place_m in candidates {
                    let free = places_m.iter().enumerate().all(|(other, other_m)| {
                        other == sensor || (other_m - place_m).abs() >= LEAST_APART_M - 1e-9
                    });
                    if !free || (place_m - here_m).abs() > within_m {
                        continue;
                    }
                    let mut tried = places_m.clone();
                    if let Some(value) = tried.get_mut(sensor) {
                        *value = place_m;
                    }
                    let score = self.score(&tried, Some(best));
                    if score < best {
                        (best, places_m) = (score, tried);
                    }
                }
            }
            if best >= before {
                return (best, places_m);
            }
        }
    }

    fn describe(&self, mut places_m: Vec<f64>, between: Vec<PlaceRange>) -> FixedPlaces {
        places_m.sort_by(f64::total_cmp);
        for place_m in &mut places_m {
            *place_m = (*place_m * 1e3).round() / 1e3;
        }
        let sensors = self.sensors(&places_m);
        let all: Vec<[ExpectedReading; 2]> = self
            .frequencies
            .iter()
            .map(|at| at.read_by(&sensors))
            .collect();
        let conductor = self.known.conductor();
        let (low, high) = (self.setup.sweep.low_hz, self.setup.sweep.high_hz);
        let numbers = conductor.loops(low).ceil() as u32..=conductor.loops(high).floor() as u32;
        let harmonics = numbers
            .map(|harmonic| {
                let frequency_hz = conductor.harmonic_hz(harmonic);
                let spacing_hz = conductor.spacing_hz(frequency_hz);
                let band: Vec<[ExpectedReading; 2]> = (0..=PER_HARMONIC)
                    .map(|step| {
                        let off = f64::from(step) / f64::from(PER_HARMONIC) - 0.5;
                        At::new(self.setup, self.known, frequency_hz + off * spacing_hz)
                            .read_by(&sensors)
                    })
                    .collect();
                HarmonicReading {
                    harmonic,
                    frequency_hz,
                    usable: usable(&band),
                    condition: band
                        .iter()
                        .map(|[read, _]| read.condition)
                        .fold(0.0, f64::max),
                    iswr_u_pct: largest_u_pct(&band),
                }
            })
            .collect();
        FixedPlaces {
            basis: self.known.basis().to_owned(),
            places_m,
            between,
            usable: usable(&all),
            iswr_u_pct: largest_u_pct(&all),
            harmonics,
        }
    }
}

fn usable(readings: &[[ExpectedReading; 2]]) -> f64 {
    let usable = |read: &&[ExpectedReading; 2]| read.iter().all(ExpectedReading::is_usable);
    readings.iter().filter(usable).count() as f64 / readings.len().max(1) as f64
}

/// Percent, k = 2.
fn largest_u_pct(readings: &[[ExpectedReading; 2]]) -> [Option<f64>; 2] {
    let of = |which: fn(&[ExpectedReading; 2]) -> &ExpectedReading| {
        let usable = readings.iter().map(which).filter(|read| read.is_usable());
        let u = usable.filter_map(|read| read.iswr_standard_u);
        u.reduce(f64::max).map(|u| 200.0 * u)
    };
    [of(|[low, _]| low), of(|[_, high]| high)]
}

impl At {
    /// At resonance the nodes stand whole loops from the drive-end clamp, whatever the damper
    /// does ([`crate::span::nodes`]).
    fn new(setup: &Setup, known: &KnownSpan, frequency_hz: f64) -> Self {
        let conductor = known.conductor();
        let (per_m, relative_standard_u) = known.wave_number(frequency_hz);
        let end_m = reading_end_m(setup, frequency_hz);
        let from_m = conductor.end_correction_m(frequency_hz);
        let loop_m = conductor.loop_length_m(frequency_hz);
        let node_m = from_m + ((end_m - from_m) / loop_m).floor() * loop_m;
        Self {
            number: WaveNumber {
                per_m,
                relative_standard_u,
                ..WaveNumber::of(setup, frequency_hz)
            },
            waves: RATIOS.map(|iswr| ExpectedWave {
                node_m,
                iswr,
                antinode_m_s: ANTINODE_M_S,
            }),
        }
    }

    fn read_by(&self, sensors: &[FixedSensor]) -> [ExpectedReading; 2] {
        self.waves.map(|wave| wave.read_by(sensors, self.number))
    }
}

/// A sensor as the setup has them: the worst of its `wave` channels, else one like the
/// antinode's, taped to 2 mm.
fn usual_sensor(setup: &Setup) -> FixedSensor {
    let of = |channel: &Channel| {
        let noise_m_s = NOISE * ANTINODE_M_S;
        FixedSensor::of(
            channel,
            None,
            num_complex::Complex64::new(0.0, 0.0),
            noise_m_s,
        )
    };
    let worse = |a: FixedSensor, b: FixedSensor| FixedSensor {
        place_standard_u_m: a.place_standard_u_m.max(b.place_standard_u_m),
        gain_standard_u: a.gain_standard_u.max(b.gain_standard_u),
        phase_standard_u_rad: a.phase_standard_u_rad.max(b.phase_standard_u_rad),
        ..a
    };
    let fixed = setup.fixed_sensors().map(|(channel, _)| of(channel));
    let antinode = || {
        let (_, channel) = setup.channel(Role::Antinode)?;
        Some(FixedSensor {
            place_standard_u_m: TAPED_STANDARD_U_M,
            ..of(channel)
        })
    };
    fixed
        .reduce(worse)
        .or_else(antinode)
        .unwrap_or(FixedSensor {
            place_m: 0.0,
            velocity_m_s: num_complex::Complex64::new(0.0, 0.0),
            place_standard_u_m: TAPED_STANDARD_U_M,
            gain_standard_u: 0.01,
            phase_standard_u_rad: PI / 720.0,
            noise_standard_u_m_s: NOISE * ANTINODE_M_S,
        })
}

/// A place taped to 2 mm, k = 2 (common practice, no source).
const TAPED_STANDARD_U_M: f64 = 1e-3;
