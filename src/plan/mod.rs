//! The test plan: which harmonics to visit, where to read, what to expect.
//!
//! In: a checked [`Setup`] and a few [`Assumptions`]. Out: a [`Plan`]. Pure.
//!
//! Everything is for the bare span's harmonics (clamped ends where EI is
//! given); the damper moves each by up to half the spacing, and what it does
//! nobody knows beforehand. What depends on the damper is worked out for an
//! assumed efficiency, and says so; where the sensors belong at a frequency that
//! was found, [`SensorPlaces`] says.

mod channels;
pub mod fixed_places;
mod places;

use std::f64::consts::{PI, TAU};

use serde::Serialize;

use crate::setup::{HoldRules, LevelRule, Requirement, Setup};
use crate::span::places::ReadingPlaces;
use crate::span::shedding;
use crate::span::strain::BendingWire;
use crate::span::waves::{StrungConductor, ring_up_time_constant_s};

pub use channels::ChannelOutlook;
pub use places::{CountedPlaces, KnownSpan, PlaceCause, ReadFrequency, SensorPlaces};

/// What the plan has to assume because it is known only after the test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Assumptions {
    /// Efficiency of the damper, %.
    pub efficiency_pct: f64,
    /// Resolution of the converter, bits including the sign.
    pub converter_bits: u32,
}

/// Efficiency assumed of a span with its damper, %: what a damper takes away
/// from its own resonances (common practice, no source).
const DAMPED_EFFICIENCY_PCT: f64 = 10.0;

/// Efficiency assumed of a bare span, %: bandwidths of a few mHz (common
/// practice, no source). A dwell planned for too large a loss is given up before
/// it has rung up; one planned for too small a loss takes longer and holds.
const BARE_EFFICIENCY_PCT: f64 = 0.3;

/// Resolution assumed of the converter, bits.
const CONVERTER_BITS: u32 = 16;

/// Time constants that a planned dwell waits beyond those that a hold asks
/// for: from rest, e^−4 of the change is left after four of them, which is
/// more than the trend that a hold may have, and e^−7 after seven.
const FURTHER_TIME_CONSTANTS: f64 = 3.0;

/// A planned dwell has room for this many of the shortest holds, so that the
/// time between rung up and seen to be so is not missing at its end.
const HOLDS_A_DWELL: f64 = 1.5;

impl Assumptions {
    /// What is assumed where nobody says better.
    pub fn of(setup: &Setup) -> Self {
        Self {
            efficiency_pct: match setup.span.damper_position_m {
                Some(_) => DAMPED_EFFICIENCY_PCT,
                None => BARE_EFFICIENCY_PCT,
            },
            converter_bits: CONVERTER_BITS,
        }
    }
}

/// What the efficiency assumed without anybody's word rests on.
pub fn efficiency_basis(setup: &Setup) -> &'static str {
    match setup.span.damper_position_m {
        Some(_) => "away from the damper's own resonances; common practice, no source",
        None => {
            "a bare span, whose bandwidth is a few mHz; common practice, no source. A span that \
             loses less needs longer dwells: give the efficiency of an earlier bare run with \
             --efficiency-pct"
        }
    }
}

/// The plan of one sweep.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// What was assumed.
    pub assumed: Assumptions,
    /// sqrt(T/m), m/s.
    pub wave_speed_m_s: f64,
    /// sqrt(T m), N s/m.
    pub wave_impedance_n_s_per_m: f64,
    /// c/(2L), Hz.
    pub fundamental_hz: f64,
    /// The harmonics in the sweep's range, rising.
    pub harmonics: Vec<PlannedHarmonic>,
    /// All dwells together, s, without the time to go from one to the next.
    pub dwells_s: f64,
    /// What each channel will see.
    pub channels: Vec<ChannelOutlook>,
    /// What the engineer should know before the day begins.
    pub warnings: Vec<String>,
}

/// One harmonic of the plan. Peak values unless the name says `pp`; `None`
/// where the setup does not say enough.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its quantity and unit"
)]
pub struct PlannedHarmonic {
    pub harmonic: u32,
    /// Clamped ends where EI is given, else the string.
    pub frequency_hz: f64,
    pub frequency_string_hz: f64,
    /// Stiff with pinned ends, for comparison with published formulas.
    pub frequency_pinned_hz: f64,
    pub wind_speed_m_s: f64,
    pub loop_length_m: f64,
    pub node_from_damper_end_mm: Option<f64>,
    pub node_from_drive_end_mm: Option<f64>,
    pub antinode_from_damper_end_mm: Option<f64>,
    pub antinode_from_drive_end_mm: Option<f64>,
    /// Of both places, seen from the drive-end clamp, k = 2.
    pub from_drive_end_u_mm: Option<f64>,
    /// How far the node moves, seen from the drive-end clamp, where the span
    /// resonates a hertz higher.
    pub node_travel_mm_per_hz: Option<f64>,
    pub antinode_velocity_mm_s: Option<f64>,
    pub antinode_amplitude_mm_pp: Option<f64>,
    pub antinode_acceleration_m_s2: Option<f64>,
    /// At the assumed efficiency.
    pub node_velocity_mm_s: Option<f64>,
    pub node_acceleration_m_s2: Option<f64>,
    /// At the drive point; nothing is expected where it sits near a node.
    pub drive_acceleration_m_s2: Option<f64>,
    /// Peak-to-peak, by the handbook formula, or the setup's own level.
    pub clamp_strain_pp_um_m: Option<f64>,
    /// At the assumed efficiency, standard's form ½ sqrt(T m) V_a² S.
    pub power_w: Option<f64>,
    /// |motion at the drive point| / |motion at an antinode|.
    pub drive_sine: Option<f64>,
    /// The drive sits near a node of this harmonic.
    pub drive_near_node: bool,
    /// Peak force that feeds the assumed power at the drive point.
    pub drive_force_n: Option<f64>,
    /// Half-power bandwidth at the assumed efficiency.
    pub bandwidth_hz: f64,
    pub ring_up_time_constant_s: f64,
    /// From the change of frequency until it has rung up at that bandwidth.
    pub wait_s: f64,
    /// What a hold is given behind that.
    pub hold_s: f64,
    /// Both together.
    pub dwell_s: f64,
}

impl Plan {
    /// Works out the plan of a setup, by what it states of its span.
    pub fn of(setup: &Setup, assumed: Assumptions) -> Self {
        Self::by(setup, &KnownSpan::stated(setup), assumed)
    }

    /// The same by what else is known of the span.
    pub fn by(setup: &Setup, known: &KnownSpan, assumed: Assumptions) -> Self {
        let span = known.planned();
        let harmonics = harmonics_in_range(&span, setup)
            .map(|n| PlannedHarmonic::of(setup, known, assumed, n))
            .collect::<Vec<_>>();
        let channels = ChannelOutlook::all(setup, &span, assumed, &harmonics);
        let warnings = warnings(setup, assumed, &harmonics, &channels);
        Self {
            assumed,
            wave_speed_m_s: span.wave_speed_m_s(),
            wave_impedance_n_s_per_m: span.wave_impedance_n_s_per_m(),
            fundamental_hz: span.string_harmonic_hz(1),
            dwells_s: harmonics.iter().map(|harmonic| harmonic.dwell_s).sum(),
            harmonics,
            channels,
            warnings,
        }
    }

    /// Number and frequency of each harmonic, Hz.
    pub fn harmonics_hz(&self) -> Vec<(u32, f64)> {
        let harmonics = self.harmonics.iter();
        harmonics
            .map(|harmonic| (harmonic.harmonic, harmonic.frequency_hz))
            .collect()
    }
}

/// The numbers of the harmonics inside the sweep's range.
fn harmonics_in_range(span: &StrungConductor, setup: &Setup) -> impl Iterator<Item = u32> {
    let sweep = setup.sweep;
    // A harmonic is never below the string's, so its number is at most this;
    // the string also bounds the search when a range is absurdly wide.
    let most = (sweep.high_hz / span.string_harmonic_hz(1)).floor();
    (1..=most.clamp(0.0, 100_000.0) as u32).filter(move |&n| {
        let f = span.harmonic_hz(n);
        f >= sweep.low_hz && f <= sweep.high_hz
    })
}

impl PlannedHarmonic {
    fn of(setup: &Setup, known: &KnownSpan, assumed: Assumptions, n: u32) -> Self {
        let span = known.planned();
        let f = span.harmonic_hz(n);
        let iswr = assumed.efficiency_pct / 100.0;
        let wire = bending_wire(setup);
        let velocity_m_s = target_velocity_m_s(setup, wire);
        let places =
            span.reading_places(f, setup.span.damper_position_m, setup.span.drive_position_m);
        let place = |of: fn(&ReadingPlaces) -> f64| places.as_ref().map(of);
        let exactly = ReadFrequency { hz: f, u_hz: 0.0 };
        let found = known.places(setup, exactly, None);
        let power_w = velocity_m_s.map(|v| 0.5 * span.wave_impedance_n_s_per_m() * v * v * iswr);
        let drive_sine = setup.drive_sine(f);
        let drive_near_node = drive_sine.is_some_and(|s| s < setup.hold.drive_node_sine);
        let bandwidth_hz = span.half_power_bandwidth_hz(f, iswr);
        let ring_up_s = ring_up_time_constant_s(bandwidth_hz);
        let (wait_s, hold_s) = dwell_s(&setup.hold, ring_up_s, f);
        Self {
            harmonic: n,
            frequency_hz: f,
            frequency_string_hz: span.string_harmonic_hz(n),
            frequency_pinned_hz: span.pinned_harmonic_hz(n),
            wind_speed_m_s: shedding::wind_speed_m_s(f, setup.conductor.diameter_mm),
            loop_length_m: span.loop_length_m(f),
            node_from_damper_end_mm: place(|p| p.node_from_damper_end_mm),
            node_from_drive_end_mm: place(|p| p.node_from_drive_end_mm),
            antinode_from_damper_end_mm: place(|p| p.antinode_from_damper_end_mm),
            antinode_from_drive_end_mm: place(|p| p.antinode_from_drive_end_mm),
            from_drive_end_u_mm: places.zip(found.places.first()).map(|(string, counted)| {
                // Where no EI is stated the string's places are off by what EI does.
                let apart_mm = string.node_from_drive_end_mm - counted.node_from_drive_end_mm;
                counted.from_drive_end_u_mm + apart_mm.abs()
            }),
            node_travel_mm_per_hz: found.node_travel_mm_per_hz,
            antinode_velocity_mm_s: velocity_m_s.map(|v| v * 1e3),
            antinode_amplitude_mm_pp: velocity_m_s.map(|v| 2e3 * v / (TAU * f)),
            antinode_acceleration_m_s2: velocity_m_s.map(|v| v * TAU * f),
            node_velocity_mm_s: velocity_m_s.map(|v| v * iswr * 1e3),
            node_acceleration_m_s2: velocity_m_s.map(|v| v * iswr * TAU * f),
            drive_acceleration_m_s2: velocity_m_s
                .zip(drive_sine.filter(|_| !drive_near_node))
                .map(|(v, s)| v * s * TAU * f),
            clamp_strain_pp_um_m: target_strain_pp_um_m(setup, wire, velocity_m_s),
            power_w,
            drive_sine,
            drive_near_node,
            // P = ½ F V_drive at resonance, force and velocity in phase.
            drive_force_n: match (power_w, velocity_m_s, drive_sine) {
                (Some(p), Some(v), Some(s)) if !drive_near_node => Some(2.0 * p / (v * s)),
                _ => None,
            },
            bandwidth_hz,
            ring_up_time_constant_s: ring_up_s,
            wait_s,
            hold_s,
            dwell_s: wait_s + hold_s,
        }
    }
}

/// Of a dwell: how long it rings up, from the change of frequency on, and how long it
/// then holds.
fn dwell_s(hold: &HoldRules, ring_up_s: f64, frequency_hz: f64) -> (f64, f64) {
    let shortest_hold_s = hold.min_seconds.max(hold.min_cycles / frequency_hz);
    let time_constants = hold.ring_up_time_constants + FURTHER_TIME_CONSTANTS;
    (time_constants * ring_up_s, HOLDS_A_DWELL * shortest_hold_s)
}

/// The wire and stiffness of the strain formula, where the setup gives them.
pub fn bending_wire(setup: &Setup) -> Option<BendingWire> {
    Some(BendingWire {
        diameter_mm: setup.conductor.outer_wire_diameter_mm?,
        bending_stiffness_n_m2: setup.conductor.least_bending_stiffness_n_m2?,
    })
}

/// Target antinode velocity, m/s peak, of the setup's level rule. It is the
/// same at every frequency under all three rules.
fn target_velocity_m_s(setup: &Setup, wire: Option<BendingWire>) -> Option<f64> {
    let level = setup.amplitude?;
    match level.rule {
        LevelRule::ConstantVelocity => Some(level.value * 1e-3),
        // Y_pp = k/f and V = ω Y_pp/2, so V = π k.
        LevelRule::InverseFrequency => Some(PI * level.value * 1e-3),
        LevelRule::ClampStrain => wire.map(|wire| {
            let peak = level.value * 1e-6 / 2.0;
            wire.velocity_at_clamp_strain_m_s(peak, setup.conductor.mass_kg_per_m)
        }),
    }
}

fn target_strain_pp_um_m(
    setup: &Setup,
    wire: Option<BendingWire>,
    velocity_m_s: Option<f64>,
) -> Option<f64> {
    match setup.amplitude {
        Some(level) if level.rule == LevelRule::ClampStrain => Some(level.value),
        _ => Some(2e6 * wire?.clamp_strain(velocity_m_s?, setup.conductor.mass_kg_per_m)),
    }
}

fn warnings(
    setup: &Setup,
    assumed: Assumptions,
    harmonics: &[PlannedHarmonic],
    channels: &[ChannelOutlook],
) -> Vec<String> {
    // What is odd about the setup itself belongs to the plan as well: a short
    // span, an implausible wave speed, a missing channel.
    let mut out: Vec<String> = crate::setup::warnings(setup)
        .into_iter()
        .map(|warning| format!("{}: {}", warning.key, warning.text))
        .collect();
    if setup.conductor.bending_stiffness_n_m2.is_none() {
        out.push(
            "no bending_stiffness_n_m2: harmonics and loops are those of a string, too low in \
             frequency by some per cent at the top of the range"
                .to_owned(),
        );
    }
    if setup.amplitude.is_none() {
        out.push("no [amplitude]: target levels and what the channels will see are unknown".into());
    } else if target_velocity_m_s(setup, bending_wire(setup)).is_none() {
        out.push(
            "the level is set by clamp strain: give outer_wire_diameter_mm and \
             least_bending_stiffness_n_m2 under [conductor] to have the velocity that goes with it"
                .to_owned(),
        );
    }
    if harmonics.is_empty() {
        out.push(format!(
            "no harmonic of the span lies between {} Hz and {} Hz",
            setup.sweep.low_hz, setup.sweep.high_hz
        ));
    }
    if setup.span.drive_position_m.is_none() {
        out.push("no drive_position_m: whether the drive sits near a node is unknown".to_owned());
    }
    for harmonic in harmonics.iter().filter(|h| h.drive_near_node) {
        out.push(format!(
            "harmonic {} at {:.2} Hz: the drive sits near a node (it moves {:.2} of the antinode, \
             limit {}); the shaker can hardly feed it and the drive phase is no evidence there",
            harmonic.harmonic,
            harmonic.frequency_hz,
            harmonic.drive_sine.unwrap_or(0.0),
            setup.hold.drive_node_sine
        ));
    }
    for harmonic in harmonics
        .iter()
        .filter(|h| h.node_from_damper_end_mm.is_none())
    {
        out.push(format!(
            "harmonic {} at {:.2} Hz: no whole loop lies between the damper and the drive",
            harmonic.harmonic, harmonic.frequency_hz
        ));
    }
    out.extend(limits(setup, harmonics));
    out.extend(damper_place(setup));
    out.extend(channels.iter().flat_map(|c| c.warnings(assumed)));
    out
}

/// Where what is planned passes a limit of the setup. The predicted strain is
/// the most there can be, so it may be passed and need not.
fn limits(setup: &Setup, harmonics: &[PlannedHarmonic]) -> Vec<String> {
    let largest = |of: fn(&PlannedHarmonic) -> Option<f64>| {
        harmonics
            .iter()
            .filter_map(|h| Some((of(h)?, h.frequency_hz)))
            .max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let alarms = &setup.limits;
    let strain_limits = setup
        .criteria
        .iter()
        .zip(1..)
        .filter_map(|(criterion, number)| match criterion.requirement {
            Requirement::StrainLimit { limit_pp_um_m, .. } => {
                Some((format!("the limit of criterion {number}"), limit_pp_um_m))
            }
            _ => None,
        });
    let strains = alarms
        .strain_pp_um_m
        .map(|limit| ("limits.strain_pp_um_m".to_owned(), limit))
        .into_iter()
        .chain(strain_limits)
        .filter_map(|(name, limit)| {
            let (strain, f) = largest(|h| h.clamp_strain_pp_um_m)?;
            (strain > limit).then(|| {
                format!(
                    "the clamp strain may reach {strain:.0} um/m peak-to-peak at {f:.2} Hz, above \
                     {name}, {limit}"
                )
            })
        });
    let motions = [
        (
            "antinode amplitude",
            "mm peak-to-peak",
            "limits.antinode_amplitude_mm_pp",
            alarms.antinode_amplitude_mm_pp,
            largest(|h| h.antinode_amplitude_mm_pp),
        ),
        (
            "antinode velocity",
            "mm/s peak",
            "limits.antinode_velocity_mm_s",
            alarms.antinode_velocity_mm_s,
            largest(|h| h.antinode_velocity_mm_s),
        ),
    ]
    .into_iter()
    .filter_map(|(what, unit, name, limit, largest)| {
        let (limit, (value, f)) = limit.zip(largest)?;
        (value > limit).then(|| {
            format!("the planned {what} is {value:.3} {unit} at {f:.2} Hz, above {name}, {limit}")
        })
    });
    strains.chain(motions).collect()
}

/// A damper where it does not work over the whole range. Dampers are put at
/// 70 to 80 % of the shortest loop (common practice, no source); at a whole
/// loop they sit on a node, at which no damper takes anything.
fn damper_place(setup: &Setup) -> Option<String> {
    /// Share of the shortest loop within which nothing is said.
    const PLAUSIBLE: std::ops::RangeInclusive<f64> = 0.4..=1.0;
    let place_m = setup.span.damper_position_m?;
    let span = setup.strung_conductor();
    let high_hz = setup.sweep.high_hz;
    let first_node_m = span.end_correction_m(high_hz) + span.loop_length_m(high_hz);
    let share = place_m / first_node_m;
    let why = if share > *PLAUSIBLE.end() {
        "beyond the first node there, so at some harmonics it sits on a node and takes nothing"
    } else {
        "where the conductor hardly moves at the lower harmonics"
    };
    (!PLAUSIBLE.contains(&share)).then(|| {
        format!(
            "span.damper_position_m: {place_m} m is {:.0} % of the first loop at {high_hz:.1} Hz, \
             {first_node_m:.2} m: {why}; 70 to 80 % is usual (common practice, no source)",
            100.0 * share
        )
    })
}

#[cfg(test)]
mod tests;
