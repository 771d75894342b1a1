//! Whether a bare run belongs to a damped one, and what their powers have in
//! common.
//!
//! In: the setups of both runs. Out: every reason why they do not fit, and the
//! calibration error that both powers share. Pure.

use crate::maths;
use crate::reduction::{COVERAGE, Measured};
use crate::setup::{Channel, Role, Setup};

/// Every reason why the losses of `bare` may not be taken off `run`; none when
/// they fit. Each names the key, what is wrong and what would be right.
pub fn incompatibilities(run: &Setup, bare: &Setup) -> Vec<String> {
    let mut out = Vec::new();
    if bare.test.damper.is_some() || bare.span.damper_position_m.is_some() {
        out.push(
            "the baseline is no bare run: its setup has a damper; a run of the same span with \
             the damper taken off is right"
                .to_owned(),
        );
    }
    if run.test.damper.is_none() && run.span.damper_position_m.is_none() {
        out.push(
            "the run has no damper, so nothing is to be taken off it; without --baseline its \
             other criteria are applied"
                .to_owned(),
        );
    }
    let name = |setup: &Setup| {
        let words: Vec<String> = setup
            .conductor
            .designation
            .split_whitespace()
            .map(str::to_lowercase)
            .collect();
        words.join(" ")
    };
    if name(run) != name(bare) {
        out.push(format!(
            "conductor.designation: \"{}\" in the run, \"{}\" in the baseline; a bare run of the \
             same conductor is right",
            run.conductor.designation, bare.conductor.designation
        ));
    }
    // A diameter is nominal; it carries no stated uncertainty.
    let diameters = (run.conductor.diameter_mm, bare.conductor.diameter_mm);
    if (diameters.0 / diameters.1 - 1.0).abs() > 0.005 {
        out.push(format!(
            "conductor.diameter_mm: {} in the run, {} in the baseline; the same conductor is right",
            diameters.0, diameters.1
        ));
    }
    let mut apart = |key: &str, run: Measured, bare: Measured| {
        if (run.value - bare.value).abs() > maths::hypot(run.u, bare.u) {
            out.push(format!(
                "{key}: {} ± {} in the run, {} ± {} in the baseline: further apart than the stated \
                 uncertainties; a bare run under the same conditions is right",
                run.value,
                rounded(run.u),
                bare.value,
                rounded(bare.u)
            ));
        }
    };
    apart("conductor.mass_kg_per_m", mass(run), mass(bare));
    apart("span.tension_kn", tension(run), tension(bare));
    apart("span.length_m", length(run), length(bare));
    if let Some((run, bare)) = stiffness(run).zip(stiffness(bare)) {
        apart("conductor.bending_stiffness_n_m2", run, bare);
    }
    out
}

fn stated_pct(value: f64, pct: f64) -> Measured {
    Measured::new(value, value * pct / 100.0)
}

fn mass(setup: &Setup) -> Measured {
    let c = &setup.conductor;
    stated_pct(c.mass_kg_per_m, c.mass_uncertainty_pct)
}

fn tension(setup: &Setup) -> Measured {
    stated_pct(setup.span.tension_kn, setup.span.tension_uncertainty_pct)
}

fn length(setup: &Setup) -> Measured {
    Measured::new(setup.span.length_m, 1e-3 * setup.span.length_uncertainty_mm)
}

fn stiffness(setup: &Setup) -> Option<Measured> {
    let c = &setup.conductor;
    let value = c.bending_stiffness_n_m2?;
    Some(stated_pct(value, c.bending_stiffness_uncertainty_pct))
}

/// Three significant digits, for messages.
fn rounded(value: f64) -> String {
    let decimals = (2.0 - maths::log10(value.abs().max(1e-12)).floor()).clamp(0.0, 9.0);
    format!("{value:.*}", decimals as usize)
}

/// Relative standard uncertainty that a power of the one run and the same
/// power of the other share: calibration of sensors that served in both. The
/// power is half the product of `channels`' motions or force, times sqrt(T m)
/// where `waves` is set.
///
/// Without the same sensor in both runs there is nothing in common, and what
/// is stated for each stays its own.
pub fn shared_standard(run: &Setup, bare: &Setup, channels: [Role; 2], waves: bool) -> f64 {
    let Some(gains) = shared_gains(run, bare, channels.map(|role| (role, 1.0))) else {
        return 0.0;
    };
    let mut square = gains;
    if waves {
        let least = |a: f64, b: f64| 0.5 * part(a.min(b));
        let (ours, theirs) = (&run.conductor, &bare.conductor);
        square += maths::square(least(
            ours.mass_uncertainty_pct,
            theirs.mass_uncertainty_pct,
        ));
        let (ours, theirs) = (&run.span, &bare.span);
        square += maths::square(least(
            ours.tension_uncertainty_pct,
            theirs.tension_uncertainty_pct,
        ));
    }
    square.sqrt()
}

/// The same of the ratio of two channels' motions, in which a common reference
/// drops out as far as it is common.
pub fn shared_ratio_standard(run: &Setup, other: &Setup, [over, under]: [Role; 2]) -> f64 {
    shared_gains(run, other, [(over, 1.0), (under, -1.0)]).map_or(0.0, f64::sqrt)
}

/// Relative standard uncertainty of the sampling rate that two runs share: a
/// device of the same name and the same statement.
pub fn shared_clock_standard(run: &Setup, other: &Setup) -> f64 {
    let clock = |setup: &Setup| {
        let (_, source) = setup.main_source()?;
        Some((source.name.clone(), source.rate_uncertainty_ppm))
    };
    match (clock(run), clock(other)) {
        (Some(ours), Some(theirs)) if ours == theirs => ours.1 * 1e-6 / COVERAGE,
        _ => 0.0,
    }
}

/// Percent, expanded (k = 2), as a relative standard uncertainty.
fn part(pct: f64) -> f64 {
    pct / (100.0 * COVERAGE)
}

/// Square of the relative standard uncertainty that the calibrations common to
/// both runs leave in a product of the channels' gains, each to the power
/// given. `None` where one of the runs lacks a channel.
fn shared_gains(run: &Setup, bare: &Setup, channels: [(Role, f64); 2]) -> Option<f64> {
    let mut powers: Vec<(&Channel, &Channel, f64)> = Vec::new();
    for (role, power) in channels {
        let pairs = pairs(run, bare, role)?;
        for (ours, theirs) in &pairs {
            let part = power / pairs.len() as f64;
            match powers
                .iter_mut()
                .find(|(known, ..)| known.name == ours.name)
            {
                Some((.., sum)) => *sum += part,
                None => powers.push((ours, theirs, part)),
            }
        }
    }
    let mut square = 0.0_f64;
    let mut references: Vec<(&str, f64)> = Vec::new();
    for (ours, theirs, power) in powers {
        if let Some(pct) = ours.uncertainty_pct.filter(|_| same_sensor(ours, theirs)) {
            square += maths::square(power * part(pct));
        }
        if let (Some(our), Some(their)) = (&ours.reference, &theirs.reference)
            && our.name == their.name
        {
            let pct = our.uncertainty_pct.min(their.uncertainty_pct);
            match references.iter_mut().find(|(name, _)| *name == our.name) {
                // One reference behind several factors moves all of them.
                Some((_, sum)) => *sum += power * part(pct),
                None => references.push((&our.name, power * part(pct))),
            }
        }
    }
    Some(square + references.iter().map(|(_, sum)| sum * sum).sum::<f64>())
}

/// The channels of a role in both runs. Antinode and node by fixed sensors err by the mean of
/// those that served in both: unequal weights would leave more in common, never less.
fn pairs<'a>(
    run: &'a Setup,
    bare: &'a Setup,
    role: Role,
) -> Option<Vec<(&'a Channel, &'a Channel)>> {
    let is_read = matches!(role, Role::Antinode | Role::Node);
    if is_read && run.reads_by_fixed_sensors() && bare.reads_by_fixed_sensors() {
        let ours = run.channels.iter().filter(|c| c.role == Role::Wave);
        return ours
            .map(|ours| {
                let mut theirs = bare.channels.iter().filter(|c| c.role == Role::Wave);
                Some((ours, theirs.find(|theirs| theirs.name == ours.name)?))
            })
            .collect();
    }
    let (_, ours) = run.channel(role)?;
    let (_, theirs) = bare.channel(role)?;
    Some(vec![(ours, theirs)])
}

/// Whether two channels are one sensor, as far as setups say.
pub(super) fn same_sensor(ours: &Channel, theirs: &Channel) -> bool {
    ours.name == theirs.name
        && ours.unit == theirs.unit
        && ours.full_scale.to_bits() == theirs.full_scale.to_bits()
        && ours.uncertainty_pct == theirs.uncertainty_pct
        && reference_name(ours) == reference_name(theirs)
}

fn reference_name(channel: &Channel) -> Option<&str> {
    channel.reference.as_ref().map(|reference| &*reference.name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair() -> (Setup, Setup) {
        let damped = include_str!("../../config/damped-trial.toml");
        let bare = include_str!("../../config/bare-trial.toml");
        (
            crate::setup::parse(damped, "damped-trial.toml").unwrap(),
            crate::setup::parse(bare, "bare-trial.toml").unwrap(),
        )
    }

    #[test]
    fn the_demo_pair_fits_and_the_other_way_round_does_not() {
        let (damped, bare) = pair();
        assert_eq!(incompatibilities(&damped, &bare), Vec::<String>::new());
        let turned = incompatibilities(&bare, &damped);
        assert_eq!(turned.len(), 2, "{turned:?}");
        assert!(turned[0].contains("no bare run"));
        assert!(turned[1].contains("has no damper"));
    }

    #[test]
    fn another_conductor_tension_or_length_is_named() {
        let (damped, bare) = pair();
        let with = |change: &dyn Fn(&mut Setup)| {
            let mut other = bare.clone();
            change(&mut other);
            incompatibilities(&damped, &other)
        };
        assert!(with(&|b| b.conductor.designation = "ACSR 54/7".into())[0].contains("designation"));
        assert!(with(&|b| b.conductor.designation = "acsr 26/7,  21.8 MM".into()).is_empty());
        assert!(with(&|b| b.conductor.diameter_mm = 22.8)[0].contains("diameter_mm"));
        assert!(with(&|b| b.conductor.mass_kg_per_m = 1.1)[0].contains("mass_kg_per_m"));
        // 18 kN ± 1 % each: 0.2 kN is within sqrt(2) · 0.18 kN, 0.3 kN is not.
        assert!(with(&|b| b.span.tension_kn = 18.2).is_empty());
        assert!(with(&|b| b.span.tension_kn = 18.3)[0].contains("span.tension_kn: 18 ± 0.180"));
        assert!(with(&|b| b.span.length_m = 36.01).is_empty());
        assert!(with(&|b| b.span.length_m = 36.02)[0].contains("span.length_m"));
    }

    #[test]
    fn sensors_that_served_in_both_runs_err_together() {
        let (damped, bare) = pair();
        // By hand, k = 1: antinode and node 0.5 % each, one reference behind
        // both 2 · 0.3 %, half of mass 1 % and of tension 0.5 %:
        // sqrt(0.25 + 0.25 + 0.36 + 0.25 + 0.0625) % = 1.0828 %.
        let roles = [Role::Antinode, Role::Node];
        let shared = shared_standard(&damped, &bare, roles, true);
        assert!((shared - 0.010_828).abs() < 1e-6, "{shared}");
        let mut other = bare.clone();
        for channel in &mut other.channels {
            channel.name.push('2');
            channel.reference = None;
        }
        let shared = shared_standard(&damped, &other, roles, false);
        assert!(shared.abs() < 1e-12);
    }

    #[test]
    fn fixed_sensors_that_served_in_both_runs_err_together_by_their_mean() {
        let fixed = include_str!("../../config/fixed-trial.toml");
        let run = crate::setup::parse(fixed, "fixed-trial.toml").unwrap();
        // By hand, k = 1: V_a and V_n have twice the mean of three times 0.25 %, one reference
        // behind all of them 2 · 0.3 %, half of mass 0.5 % and of tension 0.5 %:
        // sqrt(4 · 0.0625/3 + 0.36 + 0.0625 + 0.0625) % = 0.7539 %.
        let roles = [Role::Antinode, Role::Node];
        let shared = shared_standard(&run, &run, roles, true);
        assert!((shared - 0.007_539).abs() < 1e-6, "{shared}");
        // A ratio has no gain in common.
        let ratio = shared_ratio_standard(&run, &run, roles);
        assert!(ratio.abs() < 1e-12, "{ratio}");
        let mut other = run.clone();
        other.channels[1].name.push('2');
        assert!(shared_standard(&run, &other, roles, true).abs() < 1e-12);
    }
}
