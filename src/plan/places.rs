//! Where to put the sensors at a frequency at which the span was found to
//! resonate.
//!
//! In: a [`Setup`], what is known of its wave speed and stiffness, a frequency.
//! Out: [`SensorPlaces`], with their uncertainty (expanded, k = 2). Pure.
//!
//! Nodes are counted from the drive-end clamp ([`crate::span::nodes`] says why
//! that holds with any damper on). What they rest on is wave speed and stiffness:
//! as stated, or as the bare run's own resonances tell them
//! ([`crate::span::fitted`]).

use std::f64::consts::PI;

use serde::Serialize;

use crate::maths;
use crate::setup::{Role, Setup};
use crate::span::fitted::{FittedSpan, SpanFitError, StatedSpan};
use crate::span::nodes::node_shift_of_detuning;
use crate::span::{StrungConductor, largest_bending_stiffness_n_m2};

/// Nodes that are listed, from the damper on.
const LISTED: u32 = 4;

/// How far beside its peak the drive may stand, half-power bandwidths (k = 2): a
/// resonance found by hand (common practice, no source).
const DETUNING_BANDWIDTHS: f64 = 0.2;

/// Ratio that is reckoned with where nobody knows it yet: few dampers take more
/// at their best (common practice, no source).
const LARGE_RATIO: f64 = 0.3;

/// What may move with the drive where no force cell tells the conductor's part,
/// kg: armature and stud of a small shaker (common practice, no source).
const DRIVE_MASS_KG: f64 = 0.3;

/// What of the tension's uncertainty may differ between the bare run and now: a
/// load cell repeats better than it is calibrated (common practice, no source).
const TENSION_REPEATS: f64 = 0.1;

/// A frequency belongs to a number of loops where it is within this of it,
/// uncertainty included, so that no other is as near.
const KNOWN_NUMBER_LOOPS: f64 = 0.45;

/// A cause, and how far it moves a node of a number from the drive-end clamp, m.
type NodeMove = (&'static str, Box<dyn Fn(f64) -> f64>);

/// A frequency as somebody read it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadFrequency {
    /// Hz.
    pub hz: f64,
    /// Half of its last digit, Hz.
    pub u_hz: f64,
}

/// Wave speed and stiffness, and what they may be besides.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownSpan {
    conductor: StrungConductor,
    /// The same without an EI that nobody stated: harmonics are planned by it.
    planned: StrungConductor,
    /// What it is known by; a sentence.
    basis: String,
    /// The same span with what is uncertain of it moved by its expanded
    /// uncertainty.
    varied: Vec<(&'static str, StrungConductor)>,
}

/// What one cause adds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PlaceCause {
    /// The cause.
    pub cause: &'static str,
    /// How far it moves the first node, seen from the drive-end clamp, mm (k = 2).
    pub node_u_mm: f64,
}

/// A node and the antinode beside it, towards the drive.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its quantity and unit"
)]
pub struct CountedPlaces {
    /// From the damper: 1 is the first that is clear of it.
    pub node_from_damper: u32,
    /// From the drive-end clamp.
    pub node_from_drive: u32,
    pub node_from_drive_end_mm: f64,
    pub antinode_from_drive_end_mm: f64,
    /// Of both, k = 2.
    pub from_drive_end_u_mm: f64,
    pub node_from_damper_end_mm: f64,
    pub antinode_from_damper_end_mm: f64,
    /// With the uncertainty of the span's length in it.
    pub from_damper_end_u_mm: f64,
}

/// Where the sensors belong at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SensorPlaces {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// Half of its last digit, Hz.
    pub frequency_u_hz: f64,
    /// What wave speed and stiffness rest on.
    pub basis: String,
    /// sqrt(T/m), m/s.
    pub wave_speed_m_s: f64,
    /// EI, N m².
    pub bending_stiffness_n_m2: f64,
    /// Half a wavelength, m.
    pub loop_length_m: f64,
    /// How far the first node moves, seen from the drive-end clamp, as the
    /// frequency rises, mm/Hz.
    pub node_travel_mm_per_hz: Option<f64>,
    /// Node by node, the first one from the damper first.
    pub places: Vec<CountedPlaces>,
    /// What the uncertainty is made of.
    pub causes: Vec<PlaceCause>,
    /// What the reader has to know besides.
    pub notes: Vec<String>,
}

impl KnownSpan {
    /// The conductor.
    pub fn conductor(&self) -> &StrungConductor {
        &self.conductor
    }

    /// Wave number, rad/m, and its relative standard uncertainty.
    pub fn wave_number(&self, frequency_hz: f64) -> (f64, f64) {
        let k = self.conductor.wave_number_per_m(frequency_hz);
        let square: f64 = self
            .varied
            .iter()
            .map(|(_, varied)| maths::square(varied.wave_number_per_m(frequency_hz) / k - 1.0))
            .sum();
        // They are moved by their expanded uncertainty.
        (k, 0.5 * square.sqrt())
    }

    /// By what the setup states.
    pub fn stated(setup: &Setup) -> Self {
        let (conductor, stiffness_u_n_m2) = stated_conductor(setup);
        let tension = 0.01 * setup.span.tension_uncertainty_pct;
        let mass = 0.01 * setup.conductor.mass_uncertainty_pct;
        let varied = vec![
            (
                "tension",
                StrungConductor {
                    tension_n: conductor.tension_n * (1.0 + tension),
                    ..conductor
                },
            ),
            (
                "mass",
                StrungConductor {
                    mass_kg_per_m: conductor.mass_kg_per_m * (1.0 + mass),
                    ..conductor
                },
            ),
            (
                "stiffness",
                StrungConductor {
                    bending_stiffness_n_m2: conductor.bending_stiffness_n_m2 + stiffness_u_n_m2,
                    ..conductor
                },
            ),
        ];
        let of_stiffness = match setup.conductor.bending_stiffness_n_m2 {
            Some(stated) => format!(
                "EI {stated} N m2 ± {} %",
                setup.conductor.bending_stiffness_uncertainty_pct
            ),
            None => format!(
                "EI not stated, anything up to half of a solid rod's: {:.0} ± {stiffness_u_n_m2:.0} \
                 N m2",
                conductor.bending_stiffness_n_m2
            ),
        };
        Self {
            conductor,
            planned: setup.strung_conductor(),
            basis: format!(
                "the setup: T {} kN ± {} %, m {} kg/m ± {} %, {of_stiffness}",
                setup.span.tension_kn,
                setup.span.tension_uncertainty_pct,
                setup.conductor.mass_kg_per_m,
                setup.conductor.mass_uncertainty_pct,
            ),
            varied,
        }
    }

    /// By the resonances of the bare run, Hz; `bare` is its setup.
    ///
    /// # Errors
    /// Where the resonances say nothing.
    pub fn fitted(
        setup: &Setup,
        bare: &Setup,
        resonances_hz: &[f64],
    ) -> Result<Self, SpanFitError> {
        let (conductor, stiffness_u_n_m2) = stated_conductor(bare);
        // c = sqrt(T/m).
        let speed_u_pct = 0.5
            * maths::hypot(
                bare.span.tension_uncertainty_pct,
                bare.conductor.mass_uncertainty_pct,
            );
        let stated = StatedSpan {
            conductor,
            speed_standard_u: 0.5 * 0.01 * speed_u_pct,
            stiffness_standard_u_n_m2: 0.5 * stiffness_u_n_m2,
        };
        let fitted = stated.fit(resonances_hz)?;
        // The tape measured both spans, or each by itself: either way a longer
        // span has a faster wave.
        let longer = StatedSpan {
            conductor: StrungConductor {
                length_m: conductor.length_m + 1e-3 * bare.span.length_uncertainty_mm,
                ..conductor
            },
            ..stated
        };
        let longer = longer.fit(resonances_hz).ok();
        // From the bare run's tension to this one's.
        let tension = setup.span.tension_kn / bare.span.tension_kn;
        let here = |span: StrungConductor| StrungConductor {
            tension_n: span.tension_n * tension,
            length_m: setup.span.length_m,
            ..span
        };
        let repeats = 1.0 + 0.01 * TENSION_REPEATS * setup.span.tension_uncertainty_pct;
        let best = here(fitted.conductor);
        let mut varied = vec![(
            "tension since the bare run",
            StrungConductor {
                tension_n: best.tension_n * repeats,
                ..best
            },
        )];
        varied.extend(
            fitted
                .varied
                .iter()
                .map(|span| ("fit to the bare run", here(doubled(&fitted, span)))),
        );
        varied.extend(longer.map(|longer| ("length", here(longer.conductor))));
        Ok(Self {
            conductor: best,
            planned: best,
            basis: format!(
                "{} resonances of the bare run, which fit within {:.3} loops: c {:.2} m/s ± {:.2} %, \
                 EI {:.0} ± {:.0} N m2",
                resonances_hz.len(),
                fitted.residual_loops,
                fitted.conductor.wave_speed_m_s(),
                200.0 * fitted.speed_standard_u,
                fitted.conductor.bending_stiffness_n_m2,
                2.0 * fitted.stiffness_standard_u_n_m2,
            ),
            varied,
        })
    }

    /// The span by which harmonics are planned.
    pub(super) fn planned(&self) -> StrungConductor {
        self.planned
    }

    /// What it is known by; a sentence.
    pub fn basis(&self) -> &str {
        &self.basis
    }

    /// Where the sensors belong at a frequency; `efficiency_pct`: what the damper
    /// takes there, if it was read already.
    pub fn places(
        &self,
        setup: &Setup,
        frequency: ReadFrequency,
        efficiency_pct: Option<f64>,
    ) -> SensorPlaces {
        let hz = frequency.hz;
        let own = match setup.span.damper_position_m {
            None => self.resonating_at(setup, hz),
            Some(_) => None,
        };
        own.as_ref()
            .unwrap_or(self)
            .counted_places(setup, frequency, efficiency_pct)
    }

    fn counted_places(
        &self,
        setup: &Setup,
        frequency: ReadFrequency,
        efficiency_pct: Option<f64>,
    ) -> SensorPlaces {
        let hz = frequency.hz;
        let span = &self.conductor;
        let first = span.first_node_from_drive(hz, setup.span.damper_position_m);
        let moved = self.moved(setup, frequency, efficiency_pct);
        let places: Vec<CountedPlaces> = (1..=LISTED.max(setup.span.node_from_damper.unwrap_or(1)))
            .filter_map(|number| {
                let from_drive = (first + 1).checked_sub(number).filter(|n| *n > 0)?;
                counted(setup, span, hz, (number, from_drive), &moved)
            })
            .collect();
        let node = |hz: f64| span.node_from_drive_m(hz, f64::from(first));
        let step_hz = 1e-4 * hz;
        let travel = (node(hz + step_hz) - node(hz - step_hz)) / (2.0 * step_hz);
        let causes = moved
            .iter()
            .map(|(cause, by)| PlaceCause {
                cause,
                node_u_mm: 1e3 * by(f64::from(first)).abs(),
            })
            .collect();
        SensorPlaces {
            frequency_hz: hz,
            frequency_u_hz: frequency.u_hz,
            basis: self.basis.clone(),
            wave_speed_m_s: span.wave_speed_m_s(),
            bending_stiffness_n_m2: span.bending_stiffness_n_m2,
            loop_length_m: span.loop_length_m(hz),
            node_travel_mm_per_hz: (first > 0).then_some(1e3 * travel),
            notes: notes(setup, span, hz, &places, efficiency_pct),
            places,
            causes,
        }
    }

    /// A bare span that resonates at this frequency has a whole number of loops:
    /// that tells its wave speed better than tension and mass do. `None` where
    /// what is known leaves open which number it is.
    fn resonating_at(&self, setup: &Setup, hz: f64) -> Option<Self> {
        let number = self.conductor.loops(hz).round();
        let open: f64 = self
            .varied
            .iter()
            .map(|(_, span)| maths::square(span.loops(hz) - self.conductor.loops(hz)))
            .sum();
        let apart = (self.conductor.loops(hz) - number).abs();
        if number < 1.0 || apart + open.sqrt() > KNOWN_NUMBER_LOOPS {
            return None;
        }
        let conductor = strung_to(self.conductor, hz, number);
        let (_, stiffness_u_n_m2) = stated_conductor(setup);
        let stiffer = StrungConductor {
            bending_stiffness_n_m2: conductor.bending_stiffness_n_m2 + stiffness_u_n_m2,
            ..conductor
        };
        let longer = StrungConductor {
            length_m: conductor.length_m + 1e-3 * setup.span.length_uncertainty_mm,
            ..conductor
        };
        Some(Self {
            conductor,
            planned: conductor,
            basis: format!(
                "the bare span has {number} loops at {hz} Hz: c {:.2} m/s, by its length",
                conductor.wave_speed_m_s()
            ),
            varied: vec![
                ("stiffness", strung_to(stiffer, hz, number)),
                ("length", strung_to(longer, hz, number)),
            ],
        })
    }

    /// What moves a node of a number from the drive-end clamp, and how far, m.
    fn moved(
        &self,
        setup: &Setup,
        frequency: ReadFrequency,
        efficiency_pct: Option<f64>,
    ) -> Vec<NodeMove> {
        let (span, hz) = (self.conductor, frequency.hz);
        let mut moved: Vec<NodeMove> = Vec::new();
        for &(cause, varied) in &self.varied {
            let by = move |number: f64| {
                varied.node_from_drive_m(hz, number) - span.node_from_drive_m(hz, number)
            };
            moved.push((cause, Box::new(by)));
        }
        let read_hz = hz + frequency.u_hz;
        moved.push((
            "digits of the frequency",
            Box::new(move |number: f64| {
                span.node_from_drive_m(read_hz, number) - span.node_from_drive_m(hz, number)
            }),
        ));
        let iswr = efficiency_pct.map_or_else(
            || match setup.span.damper_position_m {
                Some(_) => LARGE_RATIO,
                None => 0.0,
            },
            |pct| 0.01 * pct,
        );
        let beside = node_shift_of_detuning(DETUNING_BANDWIDTHS, iswr);
        let beside_m = span.phase_as_length_m(hz, beside);
        moved.push(("drive beside the peak", Box::new(move |_| beside_m)));
        if setup.channel(Role::DriveForce).is_none() {
            let drive_m = setup.span.drive_position_m;
            let mass_kg = setup.span.drive_mass_kg.unwrap_or(DRIVE_MASS_KG);
            let quarter_m = 0.5 * span.loop_length_m(hz);
            let shift = span.node_shift_of_drive_mass(hz, drive_m.unwrap_or(quarter_m), mass_kg);
            let mass_m = span.phase_as_length_m(hz, shift.min(0.5 * PI));
            moved.push(("mass at the drive", Box::new(move |_| mass_m)));
        }
        moved
    }
}

/// The same span at the tension at which it has that number of loops.
fn strung_to(span: StrungConductor, hz: f64, loops: f64) -> StrungConductor {
    let at = |factor: f64| StrungConductor {
        tension_n: span.tension_n * factor,
        ..span
    };
    // More tension, longer waves, fewer loops. 60 halvings: below the last bit.
    let (mut low, mut high) = (0.5, 2.0);
    for _ in 0..60 {
        let factor = 0.5 * (low + high);
        if at(factor).loops(hz) > loops {
            low = factor;
        } else {
            high = factor;
        }
    }
    at(0.5 * (low + high))
}

/// The span a whole expanded uncertainty away instead of a standard one.
fn doubled(fitted: &FittedSpan, varied: &StrungConductor) -> StrungConductor {
    let best = fitted.conductor;
    StrungConductor {
        tension_n: 2.0 * varied.tension_n - best.tension_n,
        bending_stiffness_n_m2: (2.0 * varied.bending_stiffness_n_m2 - best.bending_stiffness_n_m2)
            .max(0.0),
        ..best
    }
}

/// The conductor as stated, and the expanded uncertainty of its EI, N m². Where
/// none is stated it is the middle of what is possible.
fn stated_conductor(setup: &Setup) -> (StrungConductor, f64) {
    let mut conductor = setup.strung_conductor();
    if setup.conductor.bending_stiffness_n_m2.is_some() {
        let part = 0.01 * setup.conductor.bending_stiffness_uncertainty_pct;
        let u_n_m2 = part * conductor.bending_stiffness_n_m2;
        return (conductor, u_n_m2);
    }
    // Where none is stated anything up to the bound is as likely.
    let most = largest_bending_stiffness_n_m2(1e-3 * setup.conductor.diameter_mm);
    conductor.bending_stiffness_n_m2 = 0.5 * most;
    // Rectangular (JCGM 100, 4.3.7), expanded: half the width times 2/sqrt(3).
    (conductor, most / 3.0_f64.sqrt())
}

fn counted(
    setup: &Setup,
    span: &StrungConductor,
    hz: f64,
    (number, from_drive): (u32, u32),
    moved: &[NodeMove],
) -> Option<CountedPlaces> {
    let at = f64::from(from_drive);
    let node_m = span.node_from_drive_m(hz, at);
    let antinode_m = span.node_from_drive_m(hz, at - 0.5);
    if antinode_m <= setup.span.drive_position_m.unwrap_or(0.0) {
        return None;
    }
    let sum: f64 = moved.iter().map(|(_, by)| maths::square(by(at))).sum();
    let u_mm = 1e3 * sum.sqrt();
    let length_mm = 1e3 * setup.span.length_m;
    Some(CountedPlaces {
        node_from_damper: number,
        node_from_drive: from_drive,
        node_from_drive_end_mm: 1e3 * node_m,
        antinode_from_drive_end_mm: 1e3 * antinode_m,
        from_drive_end_u_mm: u_mm,
        node_from_damper_end_mm: length_mm - 1e3 * node_m,
        antinode_from_damper_end_mm: length_mm - 1e3 * antinode_m,
        from_damper_end_u_mm: maths::hypot(u_mm, setup.span.length_uncertainty_mm),
    })
}

fn notes(
    setup: &Setup,
    span: &StrungConductor,
    hz: f64,
    places: &[CountedPlaces],
    efficiency_pct: Option<f64>,
) -> Vec<String> {
    let mut notes = Vec::new();
    if places.is_empty() {
        notes.push(format!(
            "at {hz} Hz no node lies between damper and drive that has an antinode before the drive"
        ));
    }
    let drive_m = setup.span.drive_position_m;
    match drive_m.map(|drive_m| span.motion_near_clamp(hz, drive_m).abs()) {
        None => notes.push(
            "no drive_position_m: whether the drive sits by a node of its own is unknown".to_owned(),
        ),
        Some(sine) if sine < setup.hold.drive_node_sine => notes.push(format!(
            "the drive sits by a node of its own at {hz} Hz (it moves {sine:.2} of the antinode): a \
             resonance found there may be off its peak, and the node with it"
        )),
        Some(_) => {}
    }
    if efficiency_pct.is_none() && setup.span.damper_position_m.is_some() {
        notes.push(format!(
            "reckoned with an efficiency of up to {:.0} %: once it is read, --efficiency-pct narrows \
             the uncertainty",
            100.0 * LARGE_RATIO
        ));
    }
    notes
}
