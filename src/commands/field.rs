//! `spanhold field`: what amplitude a line span would settle at with this damper.
//!
//! In: a run folder whose points have a damper power. Out: a table or JSON on
//! standard output, one row a point, and the longest span protected.

use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::{Context as _, anyhow};
use clap::builder::PossibleValuesParser;
use serde::Serialize;

use super::layout::{Column, layout, wrap};
use super::opened_run::OpenedRun;
use super::{Failure, Status, terminal};
use crate::evaluation::criteria::{Hole, holes};
use crate::plan::bending_wire;
use crate::reduction::SettledPoint;
use crate::setup::Requirement;
use crate::setup::Setup;
use crate::setup::Verdict;
use crate::span::balance::{Balance, DamperPower, LineSpan, SELF_DAMPING_EXPONENTS, SelfDamping};
use crate::span::shedding::wind_speed_m_s;
use crate::span::wind::{FUNCTIONS, WindFunction};

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

/// Arguments of `field`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder, reduced against its bare span
    run: PathBuf,
    /// Length of the line span, m
    #[arg(long, value_name = "M")]
    span: f64,
    /// Dampers of this kind on the span
    #[arg(long, value_name = "N", default_value_t = 1,
          value_parser = clap::value_parser!(u32).range(1..=100))]
    dampers: u32,
    /// Tension of the line span, kN [default: that of the test]
    #[arg(long, value_name = "KN")]
    tension_kn: Option<f64>,
    /// Wind power function, by author and year
    #[arg(long, value_name = "AUTHOR-YEAR", default_value = "diana-falco-1971",
          value_parser = PossibleValuesParser::new(FUNCTIONS.iter().map(|f| f.id)))]
    wind: String,
    /// Self-damping of the conductor, by the exponents of an author; left out unless given
    #[arg(long, value_name = "AUTHOR-YEAR",
          value_parser = PossibleValuesParser::new(SELF_DAMPING_EXPONENTS.iter().map(|e| e.0)))]
    self_damping: Option<String>,
    /// Own exponents of the self-damping law P/L = K (Y/d)^l f^m / T^n
    #[arg(
        long,
        value_name = "L,M,N",
        value_parser = exponents,
        conflicts_with = "self_damping"
    )]
    self_damping_exponents: Option<Exponents>,
    /// Factor K of that law in mW/m, kN, Hz [default: d/sqrt(RTS m)]
    #[arg(long, value_name = "K")]
    self_damping_factor: Option<f64>,
    /// Exponent with which the damper's power goes with the level; 2 for a linear damper
    #[arg(long, value_name = "L", default_value_t = 2.0)]
    level_exponent: f64,
    /// Strain limit at the clamps, um/m peak-to-peak [default: the setup's criterion]
    #[arg(long, value_name = "UM_M")]
    strain_limit_pp_um_m: Option<f64>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Exponents l, m, n of the self-damping law.
#[derive(Debug, Clone, Copy)]
struct Exponents([f64; 3]);

fn exponents(text: &str) -> Result<Exponents, String> {
    let numbers = text
        .split(',')
        .map(|part| part.trim().parse::<f64>())
        .collect::<Result<Vec<_>, _>>()
        .map_err(|_| "three numbers such as 2.44,5.63,2.76 are right".to_owned())?;
    match numbers.as_slice() {
        &[l, m, n] => Ok(Exponents([l, m, n])),
        others => Err(format!("{} numbers; l, m and n are three", others.len())),
    }
}

/// One point carried over to the line.
#[derive(Debug, Serialize)]
struct Row {
    point: u64,
    frequency_hz: f64,
    wind_speed_m_s: f64,
    power_damper_w: f64,
    power_damper_u_w: Option<f64>,
    #[serde(flatten)]
    balance: Balance,
    amplitude_mm_pp: Option<f64>,
    /// The amplitude with the damper's power at the low end of its uncertainty.
    amplitude_weakest_mm_pp: Option<f64>,
    antinode_velocity_mm_s: Option<f64>,
    /// Velocity of the balance over that of the measurement.
    level_ratio: Option<f64>,
    clamp_strain_pp_um_m: Option<f64>,
    within_limit: Option<bool>,
    longest_protected_m: Option<f64>,
}

#[derive(Debug, Serialize)]
struct Field<'a> {
    span_length_m: f64,
    tension_kn: f64,
    dampers: u32,
    wind: String,
    self_damping: Option<SelfDamping>,
    level_exponent: f64,
    strain_limit_pp_um_m: Option<f64>,
    rows: Vec<Row>,
    holes: Vec<Hole>,
    longest_protected_m: Option<f64>,
    warnings: Vec<String>,
    cautions: &'a [&'a str],
}

/// Runs `field`.
pub fn run(args: &Args) -> Result<Status, Failure> {
    for (value, name) in [
        (args.span, "--span"),
        (args.level_exponent, "--level-exponent"),
    ] {
        if !(value.is_finite() && value > 0.0) {
            return Err(anyhow!("{name} {value}: a number above 0 is right").into());
        }
    }
    let opened = OpenedRun::open_reduced(&args.run)?;
    let field = field(args, &opened)?;
    let text = if args.json {
        serde_json::to_string_pretty(&field).context("the result as JSON")? + "\n"
    } else {
        table(&field)
    };
    terminal::print(&text).context("standard output")?;
    if !args.json {
        for warning in &field.warnings {
            terminal::say(format_args!("warning: {warning}"));
        }
    }
    let exceeded = field.rows.iter().any(|row| row.within_limit == Some(false));
    Ok(if exceeded {
        Status::CriterionNotMet
    } else {
        Status::Done
    })
}

fn field<'a>(args: &Args, opened: &OpenedRun) -> Result<Field<'a>, Failure> {
    let setup = &opened.setup;
    let line = line_span(args, setup)?;
    let limit = strain_limit(args, setup)?;
    let usable: Vec<(&SettledPoint, DamperPower)> = opened
        .run
        .points
        .iter()
        .filter(|point| point.verdict != Verdict::Rejected)
        .filter_map(|point| Some((point, damper_power(point, args.level_exponent)?)))
        .collect();
    if usable.is_empty() {
        return Err(anyhow!(
            "the run \"{}\" has no point with a damper power (power_damper_w above 0); reduce it \
             against its bare span first",
            args.run.display()
        )
        .into());
    }
    let rows: Vec<Row> = usable
        .iter()
        .map(|(point, damper)| row(setup, &line, point, damper, limit))
        .collect();
    let holes = uncovered(setup, &rows);
    let warnings = warnings(setup, &line, &rows, &holes, limit);
    // A span is protected only if it is so at every frequency, and at every
    // frequency something is known.
    let longest = rows
        .iter()
        .map(|row| row.longest_protected_m)
        .collect::<Option<Vec<f64>>>()
        .filter(|_| holes.is_empty())
        .map(|lengths| lengths.into_iter().fold(f64::INFINITY, f64::min))
        .filter(|length| length.is_finite());
    Ok(Field {
        span_length_m: line.length_m,
        tension_kn: line.tension_kn,
        dampers: line.dampers,
        wind: line.wind.label(),
        self_damping: line.self_damping,
        level_exponent: args.level_exponent,
        strain_limit_pp_um_m: limit,
        rows,
        holes,
        longest_protected_m: longest,
        warnings,
        cautions: CAUTIONS,
    })
}

fn line_span(args: &Args, setup: &Setup) -> Result<LineSpan, Failure> {
    let tension_kn = args.tension_kn.unwrap_or(setup.span.tension_kn);
    let strength = setup.conductor.rated_strength_kn;
    if !(tension_kn > 0.0 && tension_kn < strength.unwrap_or(f64::INFINITY)) {
        return Err(anyhow!(
            "--tension-kn {tension_kn}: a tension above 0 and below the rated strength is right"
        )
        .into());
    }
    let wind = WindFunction::by_id(&args.wind)
        .ok_or_else(|| anyhow!("--wind {}: no such function", args.wind))?;
    Ok(LineSpan {
        length_m: args.span,
        tension_kn,
        diameter_mm: setup.conductor.diameter_mm,
        dampers: args.dampers,
        wind,
        self_damping: self_damping(args, setup)?,
    })
}

fn self_damping(args: &Args, setup: &Setup) -> Result<Option<SelfDamping>, Failure> {
    let published = args.self_damping.as_ref().and_then(|name| {
        SELF_DAMPING_EXPONENTS
            .iter()
            .find(|entry| entry.0 == name)
            .map(|entry| entry.1)
    });
    let own = args.self_damping_exponents.map(|own| own.0);
    let Some([amplitude, frequency, tension]) = published.or(own) else {
        return Ok(None);
    };
    let conductor = &setup.conductor;
    let usual = conductor.rated_strength_kn.map(|strength| {
        SelfDamping::usual_factor(conductor.diameter_mm, strength, conductor.mass_kg_per_m)
    });
    let factor = args.self_damping_factor.or(usual).ok_or_else(|| {
        anyhow!(
            "the self-damping law needs conductor.rated_strength_kn in the setup, or \
             --self-damping-factor"
        )
    })?;
    let law = SelfDamping {
        factor,
        amplitude,
        frequency,
        tension,
    };
    if [factor, amplitude, frequency, tension]
        .iter()
        .all(|v| v.is_finite() && *v >= 0.0)
    {
        Ok(Some(law))
    } else {
        Err(
            anyhow!("the self-damping law {law:?}: factor and exponents of 0 or more are right")
                .into(),
        )
    }
}

/// The limit of the arguments, else the tightest of the setup's criteria.
fn strain_limit(args: &Args, setup: &Setup) -> Result<Option<f64>, Failure> {
    if let Some(limit) = args.strain_limit_pp_um_m {
        if limit.is_finite() && limit > 0.0 {
            return Ok(Some(limit));
        }
        return Err(anyhow!("--strain-limit-pp-um-m {limit}: a strain above 0 is right").into());
    }
    Ok(setup
        .criteria
        .iter()
        .filter_map(|criterion| match criterion.requirement {
            Requirement::StrainLimit { limit_pp_um_m, .. } => Some(limit_pp_um_m),
            _ => None,
        })
        .reduce(f64::min))
}

fn damper_power(point: &SettledPoint, exponent: f64) -> Option<DamperPower> {
    let damper = DamperPower {
        frequency_hz: point.frequency_hz?,
        power_w: point.power_damper_w?,
        antinode_velocity_mm_s: point.antinode_velocity_mm_s?,
        exponent,
    };
    let sound = damper.power_w > 0.0 && damper.antinode_velocity_mm_s > 0.0;
    (sound && damper.frequency_hz > 0.0).then_some(damper)
}

fn row(
    setup: &Setup,
    line: &LineSpan,
    point: &SettledPoint,
    damper: &DamperPower,
    limit_pp_um_m: Option<f64>,
) -> Row {
    let omega = TAU * damper.frequency_hz;
    let balance = line.balance(damper);
    let amplitude = settled(balance);
    let weakest = point
        .power_damper_u_w
        .map(|u| DamperPower {
            power_w: damper.power_w - u,
            ..*damper
        })
        .filter(|weak| weak.power_w > 0.0)
        .and_then(|weak| settled(line.balance(&weak)));
    let velocity = amplitude.map(|y| y * omega);
    let wire = bending_wire(setup);
    let mass = setup.conductor.mass_kg_per_m;
    let strain_pp = |y: f64| wire.map(|w| 2e6 * w.clamp_strain(y * omega * 1e-3, mass));
    let strain = amplitude.and_then(strain_pp);
    let limit_mm = limit_pp_um_m.zip(wire).map(|(limit, wire)| {
        1e3 * wire.velocity_at_clamp_strain_m_s(limit * 1e-6 / 2.0, mass) / omega
    });
    // Beyond the wind function's range the amplitude is known from one side.
    let within = limit_mm.and_then(|limit| match balance {
        Balance::At { amplitude_mm_peak } => Some(amplitude_mm_peak <= limit),
        Balance::Below { amplitude_mm_peak } => (amplitude_mm_peak <= limit).then_some(true),
        Balance::Above { amplitude_mm_peak } => (amplitude_mm_peak > limit).then_some(false),
    });
    Row {
        point: point.point,
        frequency_hz: damper.frequency_hz,
        wind_speed_m_s: wind_speed_m_s(damper.frequency_hz, line.diameter_mm),
        power_damper_w: damper.power_w,
        power_damper_u_w: point.power_damper_u_w,
        balance,
        amplitude_mm_pp: amplitude.map(|y| 2.0 * y),
        amplitude_weakest_mm_pp: weakest.map(|y| 2.0 * y),
        antinode_velocity_mm_s: velocity,
        level_ratio: velocity.map(|v| v / damper.antinode_velocity_mm_s),
        clamp_strain_pp_um_m: strain,
        within_limit: within,
        longest_protected_m: limit_mm.and_then(|limit| line.longest_protected_m(damper, limit)),
    }
}

fn settled(balance: Balance) -> Option<f64> {
    match balance {
        Balance::At { amplitude_mm_peak } => Some(amplitude_mm_peak),
        Balance::Below { .. } | Balance::Above { .. } => None,
    }
}

fn uncovered(setup: &Setup, rows: &[Row]) -> Vec<Hole> {
    let span = setup.strung_conductor();
    let frequencies: Vec<f64> = rows.iter().map(|row| row.frequency_hz).collect();
    holes(
        &frequencies,
        (setup.sweep.low_hz, setup.sweep.high_hz),
        |f| span.group_speed_m_s(f) / (2.0 * span.length_m),
    )
}

fn warnings(
    setup: &Setup,
    line: &LineSpan,
    rows: &[Row],
    holes: &[Hole],
    limit: Option<f64>,
) -> Vec<String> {
    let mut out = Vec::new();
    for hole in holes {
        out.push(format!(
            "nothing is known between {:.2} Hz and {:.2} Hz; no longest span is given",
            hole.from_hz, hole.to_hz
        ));
    }
    if (line.tension_kn / setup.span.tension_kn - 1.0).abs() > 0.02 {
        out.push(format!(
            "the test was at {} kN; at {} kN the damper sits elsewhere in its loop and takes \
             another power",
            setup.span.tension_kn, line.tension_kn
        ));
    }
    if bending_wire(setup).is_none() {
        out.push(
            "no strain: the setup has no outer_wire_diameter_mm and least_bending_stiffness_n_m2"
                .to_owned(),
        );
    } else if limit.is_none() {
        out.push("no strain limit: give --strain-limit-pp-um-m or a strain-limit criterion".into());
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

fn table(field: &Field<'_>) -> String {
    let width = terminal::width();
    let each = |cell: &dyn Fn(&Row) -> String| field.rows.iter().map(cell).collect::<Vec<_>>();
    let number = |of: &dyn Fn(&Row) -> Option<f64>, decimals: usize| {
        each(&|row| of(row).map_or_else(String::new, |v| format!("{v:.decimals$}")))
    };
    let columns = [
        Column::new("f", "Hz", 0, number(&|r| Some(r.frequency_hz), 2)),
        Column::new("wind", "m/s", 1, number(&|r| Some(r.wind_speed_m_s), 2)),
        Column::new("P damper", "W", 2, number(&|r| Some(r.power_damper_w), 3)),
        Column::new("amplitude", "mm pp", 0, each(&amplitude_cell)),
        Column::new(
            "weakest",
            "mm pp",
            3,
            number(&|r| r.amplitude_weakest_mm_pp, 3),
        ),
        Column::new(
            "velocity",
            "mm/s",
            4,
            number(&|r| r.antinode_velocity_mm_s, 1),
        ),
        Column::new("level", "x test", 5, number(&|r| r.level_ratio, 2)),
        Column::new(
            "strain",
            "um/m pp",
            0,
            number(&|r| r.clamp_strain_pp_um_m, 0),
        ),
        Column::new(
            "limit",
            "",
            0,
            each(&|r| match r.within_limit {
                Some(true) => "kept".into(),
                Some(false) => "EXCEEDED".into(),
                None => String::new(),
            }),
        ),
        Column::new("longest", "m", 0, number(&|r| r.longest_protected_m, 0)),
    ];
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        text,
        "{} m at {} kN, {} damper(s); wind power by {}; self-damping {}; damper power goes with \
         level to the power {}\n",
        field.span_length_m,
        field.tension_kn,
        field.dampers,
        field.wind,
        field.self_damping.map_or_else(
            || "left out".to_owned(),
            |s| format!(
                "{:.2} (Y/d)^{} f^{} / T^{} mW/m",
                s.factor, s.amplitude, s.frequency, s.tension
            )
        ),
        field.level_exponent,
    );
    text += &layout(&columns, width);
    match (field.longest_protected_m, field.strain_limit_pp_um_m) {
        (Some(length), Some(limit)) => {
            let _ = writeln!(
                text,
                "\nLongest span kept at or below {limit} um/m peak-to-peak at every frequency: \
                 {length:.0} m"
            );
        }
        _ => text.push_str("\nNo longest span can be given.\n"),
    }
    text.push('\n');
    for caution in field.cautions {
        text += &wrap(caution, width, "! ", "  ");
        if !text.ends_with('\n') {
            text.push('\n');
        }
    }
    text
}

fn amplitude_cell(row: &Row) -> String {
    match row.balance {
        Balance::At { amplitude_mm_peak } => format!("{:.3}", 2.0 * amplitude_mm_peak),
        Balance::Below { amplitude_mm_peak } => format!("< {:.3}", 2.0 * amplitude_mm_peak),
        Balance::Above { amplitude_mm_peak } => format!("> {:.3}", 2.0 * amplitude_mm_peak),
    }
}
