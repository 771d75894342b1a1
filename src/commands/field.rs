//! `spanhold field`: what amplitude a line span would settle at with this damper.
//!
//! In: a run folder whose points have a damper power. Out: a table or JSON on
//! standard output, one row a point, and the longest span protected.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::{Context as _, anyhow};
use clap::builder::PossibleValuesParser;

use super::{Failure, Status, opened_run, terminal};
use crate::evaluation::line_span::{
    LineBalance, LineConditions, LinePoint, line_balance, tightest_strain_limit_pp_um_m,
};
use crate::plan::bending_wire;
use crate::report::text_table::{TextTable, wrap};
use crate::setup::Setup;
use crate::span::balance::{Balance, LineSpan, SELF_DAMPING_EXPONENTS, SelfDamping};
use crate::span::wind::{FUNCTIONS, WindFunction};

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
    let opened = opened_run::open_reduced(&args.run)?;
    let line = LineConditions {
        span: line_span(args, &opened.setup)?,
        level_exponent: args.level_exponent,
        strain_limit_pp_um_m: strain_limit(args, &opened.setup)?,
        wire: bending_wire(&opened.setup),
    };
    let field = line_balance(
        &opened.setup,
        &opened.run.points,
        &opened.run.exclusions(),
        &line,
    )
    .ok_or_else(|| {
        anyhow!(
            "the run \"{}\" has no point with a damper power (power_damper_w above 0); reduce it \
             against its bare span first",
            args.run.display()
        )
    })?;
    let text = if args.json {
        serde_json::to_string_pretty(&field).context("the result as JSON")? + "\n"
    } else {
        table(&field)
    };
    super::print(&text)?;
    if !args.json {
        for exclusion in &field.exclusions {
            terminal::say(format_args!("left out: {}", exclusion.sentence()));
        }
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
    Ok(tightest_strain_limit_pp_um_m(setup))
}

fn table(field: &LineBalance) -> String {
    let width = terminal::width();
    let number = |value: Option<f64>, decimals: usize| {
        value.map_or_else(String::new, |v| format!("{v:.decimals$}"))
    };
    let table = TextTable::new(&field.rows)
        .numbers("f", "Hz", 0, |r| format!("{:.2}", r.frequency_hz))
        .numbers("wind", "m/s", 1, |r| format!("{:.2}", r.wind_speed_m_s))
        .numbers("P damper", "W", 2, |r| {
            format!("{:.3}", r.power_damper_w.value)
        })
        .numbers("amplitude", "mm pp", 0, amplitude_cell)
        .numbers("weakest", "mm pp", 3, |r| {
            number(r.amplitude_weakest_mm_pp, 3)
        })
        .numbers("velocity", "mm/s", 4, |r| {
            number(r.antinode_velocity_mm_s, 1)
        })
        .numbers("level", "x test", 5, |r| number(r.level_ratio, 2))
        .numbers("strain", "um/m pp", 0, |r| {
            number(r.clamp_strain_pp_um_m, 0)
        })
        .numbers("limit", "", 0, |r| {
            match r.within_limit {
                Some(true) => "kept",
                Some(false) => "EXCEEDED",
                None => "",
            }
            .to_owned()
        })
        .numbers("longest", "m", 0, |r| number(r.longest_protected_m, 0));
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
    text += &table.text(width);
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
    }
    text
}

fn amplitude_cell(row: &LinePoint) -> String {
    match row.balance {
        Balance::At { amplitude_mm_peak } => format!("{:.3}", 2.0 * amplitude_mm_peak),
        Balance::Below { amplitude_mm_peak } => format!("< {:.3}", 2.0 * amplitude_mm_peak),
        Balance::Above { amplitude_mm_peak } => format!("> {:.3}", 2.0 * amplitude_mm_peak),
    }
}
