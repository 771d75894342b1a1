//! What a line span would settle at with this damper: the energy balance at
//! every point of a run.
//!
//! In: setup and points of a reduced run, a line span, how the damper's power
//! goes with the level. Out: amplitude, level and clamp strain of the balance
//! at each frequency, and the longest span that stays within the strain limit
//! at all of them. Pure.

use std::f64::consts::TAU;

use serde::Serialize;

use super::criteria::{CoverageGap, coverage_gaps};
use super::reduced::is_excluded;
use crate::analysis::Exclusion;
use crate::reduction::measured::record;
use crate::reduction::{Measured, SettledPoint};
use crate::setup::{Requirement, Setup, Verdict};
use crate::span::balance::{Balance, DamperPower, LineSpan, SelfDamping};
use crate::span::shedding::wind_speed_m_s;
use crate::span::strain::BendingWire;

/// What every user of these numbers has to know.
const CAUTIONS: &[&str] = &[
    "Published wind power functions differ by a factor of two; predicted amplitudes are uncertain \
     by 50 % and more.",
    "The damper's power is that of the laboratory span, at its tension and damper place, and is \
     scaled with the level.",
    "One frequency at a time, a steady wind square to the line; turbulence, ice, bundles and \
     conductor wear are left out.",
    "Limits are those of the test specification. Defer to the responsible engineer.",
];

/// A balance at a level this many times from the measured one rests on the
/// scaling more than on the measurement.
const FAR_LEVEL_RATIO: f64 = 2.0;

/// A tension that differs by more than this part from that of the test is
/// named.
const NOTABLE_TENSION_DIFFERENCE: f64 = 0.02;

/// The line that the damper is carried over to.
#[derive(Debug, Clone, Copy)]
pub struct LineConditions {
    /// The span of the line and what acts on it.
    pub span: LineSpan,
    /// Exponent with which the damper's power goes with the level.
    pub level_exponent: f64,
    /// Clamp strain that must not be exceeded, µm/m peak-to-peak.
    pub strain_limit_pp_um_m: Option<f64>,
    /// The outer wire at the clamp, whose strain is predicted.
    pub wire: Option<BendingWire>,
}

record! {
    /// One point carried over to the line.
    #[derive(Debug, Clone, PartialEq)]
    #[allow(
        missing_docs,
        reason = "each field's name carries its quantity and unit"
    )]
    pub struct LinePoint {
        point: u64,
        frequency_hz: f64,
        wind_speed_m_s: f64,
        power_damper_w / power_damper_u_w: Measured,
        balance @flatten: Balance,
        amplitude_mm_pp: Option<f64>,
        /// The amplitude with the damper's power at the low end of its
        /// uncertainty.
        amplitude_weakest_mm_pp: Option<f64>,
        antinode_velocity_mm_s: Option<f64>,
        /// Velocity of the balance over that of the measurement.
        level_ratio: Option<f64>,
        clamp_strain_pp_um_m: Option<f64>,
        within_limit: Option<bool>,
        longest_protected_m: Option<f64>,
    }
}

/// The balance at every point of a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its quantity and unit"
)]
pub struct LineBalance {
    pub span_length_m: f64,
    pub tension_kn: f64,
    pub dampers: u32,
    /// Author and year of the wind power function.
    pub wind: String,
    pub self_damping: Option<SelfDamping>,
    pub level_exponent: f64,
    pub strain_limit_pp_um_m: Option<f64>,
    pub rows: Vec<LinePoint>,
    /// The points that were excluded; they are in no row.
    pub exclusions: Vec<Exclusion>,
    /// Stretches of the sweep in which nothing is known.
    #[serde(rename = "holes")]
    pub gaps: Vec<CoverageGap>,
    /// Given only where every frequency of the sweep is known and limited.
    pub longest_protected_m: Option<f64>,
    pub warnings: Vec<String>,
    pub cautions: &'static [&'static str],
}

/// The tightest strain limit among the criteria of a setup, µm/m peak-to-peak.
pub fn tightest_strain_limit_pp_um_m(setup: &Setup) -> Option<f64> {
    setup
        .criteria
        .iter()
        .filter_map(|criterion| match criterion.requirement {
            Requirement::StrainLimit { limit_pp_um_m, .. } => Some(limit_pp_um_m),
            _ => None,
        })
        .reduce(f64::min)
}

/// Carries the points of a run over to a line, but for those that were excluded. `None` where no point has a
/// damper power above 0.
pub fn line_balance(
    setup: &Setup,
    points: &[SettledPoint],
    exclusions: &[Exclusion],
    line: &LineConditions,
) -> Option<LineBalance> {
    let rows: Vec<LinePoint> = points
        .iter()
        .filter(|point| point.verdict != Verdict::Rejected && !is_excluded(exclusions, point))
        .filter_map(|point| line_point(setup, line, point))
        .collect();
    if rows.is_empty() {
        return None;
    }
    let gaps = gaps(setup, &rows);
    // A span is protected only if it is so at every frequency, and at every
    // frequency something is known.
    let longest_protected_m = rows
        .iter()
        .map(|row| row.longest_protected_m)
        .collect::<Option<Vec<f64>>>()
        .filter(|_| gaps.is_empty())
        .map(|lengths| lengths.into_iter().fold(f64::INFINITY, f64::min))
        .filter(|length| length.is_finite());
    Some(LineBalance {
        span_length_m: line.span.length_m,
        tension_kn: line.span.tension_kn,
        dampers: line.span.dampers,
        wind: line.span.wind.label(),
        self_damping: line.span.self_damping,
        level_exponent: line.level_exponent,
        strain_limit_pp_um_m: line.strain_limit_pp_um_m,
        warnings: warnings(setup, line, &rows, &gaps),
        rows,
        exclusions: exclusions.to_vec(),
        gaps,
        longest_protected_m,
        cautions: CAUTIONS,
    })
}

fn line_point(setup: &Setup, line: &LineConditions, point: &SettledPoint) -> Option<LinePoint> {
    let power = point.power_damper_w?;
    let damper = DamperPower {
        frequency_hz: point.frequency_hz?.value,
        power_w: power.value,
        antinode_velocity_mm_s: point.antinode_velocity_mm_s?.value,
        exponent: line.level_exponent,
    };
    let sound = damper.power_w > 0.0 && damper.antinode_velocity_mm_s > 0.0;
    if !(sound && damper.frequency_hz > 0.0) {
        return None;
    }
    let omega = TAU * damper.frequency_hz;
    let balance = line.span.balance(&damper);
    let amplitude = settled_mm_peak(balance);
    let weakest = power
        .stated_u()
        .map(|u| DamperPower {
            power_w: power.value - u,
            ..damper
        })
        .filter(|weak| weak.power_w > 0.0)
        .and_then(|weak| settled_mm_peak(line.span.balance(&weak)));
    let velocity = amplitude.map(|y| y * omega);
    let mass = setup.conductor.mass_kg_per_m;
    let strain_pp = |y: f64| {
        line.wire
            .map(|wire| 2e6 * wire.clamp_strain(y * omega * 1e-3, mass))
    };
    let limit_mm = line
        .strain_limit_pp_um_m
        .zip(line.wire)
        .map(|(limit, wire)| {
            1e3 * wire.velocity_at_clamp_strain_m_s(limit * 1e-6 / 2.0, mass) / omega
        });
    // Beyond the wind function's range the amplitude is known from one side.
    let within = limit_mm.and_then(|limit| match balance {
        Balance::At { amplitude_mm_peak } => Some(amplitude_mm_peak <= limit),
        Balance::Below { amplitude_mm_peak } => (amplitude_mm_peak <= limit).then_some(true),
        Balance::Above { amplitude_mm_peak } => (amplitude_mm_peak > limit).then_some(false),
    });
    Some(LinePoint {
        point: point.point,
        frequency_hz: damper.frequency_hz,
        wind_speed_m_s: wind_speed_m_s(damper.frequency_hz, line.span.diameter_mm),
        power_damper_w: power,
        balance,
        amplitude_mm_pp: amplitude.map(|y| 2.0 * y),
        amplitude_weakest_mm_pp: weakest.map(|y| 2.0 * y),
        antinode_velocity_mm_s: velocity,
        level_ratio: velocity.map(|v| v / damper.antinode_velocity_mm_s),
        clamp_strain_pp_um_m: amplitude.and_then(strain_pp),
        within_limit: within,
        longest_protected_m: limit_mm
            .and_then(|limit| line.span.longest_protected_m(&damper, limit)),
    })
}

fn settled_mm_peak(balance: Balance) -> Option<f64> {
    match balance {
        Balance::At { amplitude_mm_peak } => Some(amplitude_mm_peak),
        Balance::Below { .. } | Balance::Above { .. } => None,
    }
}

fn gaps(setup: &Setup, rows: &[LinePoint]) -> Vec<CoverageGap> {
    let span = setup.strung_conductor();
    let frequencies: Vec<f64> = rows.iter().map(|row| row.frequency_hz).collect();
    coverage_gaps(
        &frequencies,
        (setup.sweep.low_hz, setup.sweep.high_hz),
        |f| span.group_speed_m_s(f) / (2.0 * span.length_m),
    )
}

fn warnings(
    setup: &Setup,
    line: &LineConditions,
    rows: &[LinePoint],
    gaps: &[CoverageGap],
) -> Vec<String> {
    let mut out = Vec::new();
    for gap in gaps {
        out.push(format!(
            "nothing is known between {:.2} Hz and {:.2} Hz; no longest span is given",
            gap.from_hz, gap.to_hz
        ));
    }
    let (tested_kn, line_kn) = (setup.span.tension_kn, line.span.tension_kn);
    if (line_kn / tested_kn - 1.0).abs() > NOTABLE_TENSION_DIFFERENCE {
        out.push(format!(
            "the test was at {tested_kn} kN; at {line_kn} kN the damper sits elsewhere in its loop \
             and takes another power"
        ));
    }
    if line.wire.is_none() {
        out.push(
            "no strain: the setup has no outer_wire_diameter_mm and least_bending_stiffness_n_m2"
                .to_owned(),
        );
    } else if line.strain_limit_pp_um_m.is_none() {
        out.push(
            "no strain limit: none was asked for, and the setup has no strain-limit criterion"
                .to_owned(),
        );
    }
    let far = rows.iter().filter(|row| {
        row.level_ratio
            .is_some_and(|r| !(1.0 / FAR_LEVEL_RATIO..=FAR_LEVEL_RATIO).contains(&r))
    });
    let far: Vec<String> = far.map(|row| format!("{:.2}", row.frequency_hz)).collect();
    if !far.is_empty() {
        out.push(format!(
            "at {} Hz the level is more than {FAR_LEVEL_RATIO} times from the measured one: the \
             result rests on the scaling with the level",
            far.join(", ")
        ));
    }
    out
}
