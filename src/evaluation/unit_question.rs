//! Points that are all off their level by a factor that a wrong unit makes.
//!
//! In: the setup, and how many times the level it asks for was read. Out: the
//! question that helps. Pure.
//!
//! Nothing is corrected: a level may be off for another reason, and a factor
//! tells only which question to ask.

use std::f64::consts::SQRT_2;

use crate::reduction::SettledPoint;
use crate::setup::{Channel, LevelRule, Setup, Unit, Verdict};

/// How far every reading over its level may be from a factor, as a share: the
/// level was kept by another instrument, and as well as levels are kept.
const NEAR: f64 = 0.1;

/// What a slip multiplies a reading by, and the question that asks for it.
struct Slip {
    /// Reading over truth.
    factor: f64,
    /// What stands behind the channel's name.
    question: String,
}

/// The question to ask of a run whose points that count are all off their
/// level by about one factor. Where none counts, because what reads a
/// thousandth of its level is no dwell, it is asked of those that do not.
pub fn of_points(setup: &Setup, points: &[SettledPoint]) -> Option<String> {
    let ratios_of = |counts: bool| -> Vec<f64> {
        points
            .iter()
            .filter(|point| (point.verdict != Verdict::Rejected) == counts)
            .filter_map(|point| Some(1.0 + point.target_deviation_pct? / 100.0))
            .collect()
    };
    let mut ratios = ratios_of(true);
    if ratios.is_empty() {
        ratios = ratios_of(false);
    }
    // One point alone may be anything.
    (ratios.len() > 1).then(|| of_ratios(setup, &ratios))?
}

/// The question where every reading is about one factor times the level that
/// the setup asks for.
pub fn of_ratios(setup: &Setup, ratios: &[f64]) -> Option<String> {
    let level = setup.amplitude?;
    let on_level = |ratio: &f64| (ratio - 1.0).abs() * 100.0 <= level.tolerance_pct;
    if ratios.is_empty() || ratios.iter().any(on_level) {
        return None;
    }
    let channel = level_channel(setup, level.rule)?;
    let slip = slips(channel, level.rule)
        .into_iter()
        .find(|slip| ratios.iter().all(|ratio| near(*ratio, slip.factor)))?;
    Some(format!(
        "every reading is about {} times the level that the setup asks for; channel \"{}\": {}",
        written(slip.factor),
        channel.name,
        slip.question
    ))
}

fn near(ratio: f64, factor: f64) -> bool {
    (ratio / factor - 1.0).abs() <= NEAR
}

/// The channel that tells the level.
fn level_channel(setup: &Setup, rule: LevelRule) -> Option<&Channel> {
    match rule {
        LevelRule::ConstantVelocity | LevelRule::InverseFrequency => setup.antinode_or_fixed(),
        LevelRule::ClampStrain => setup
            .channels
            .iter()
            .find(|channel| channel.role.is_clamp_strain()),
    }
}

/// The slips that this channel may have been entered with, or its level kept
/// with.
fn slips(channel: &Channel, rule: LevelRule) -> Vec<Slip> {
    let declared = channel.unit;
    let of_unit = Unit::ALL
        .into_iter()
        .filter(|real| *real != declared && real.quantity() == declared.quantity())
        .map(|real| Slip {
            factor: declared.to_si() / real.to_si(),
            question: format!("unit {real} instead of {declared}?"),
        });
    let kept = |factor: f64, what: &str| Slip {
        factor,
        question: format!("{what}? full_scale is peak, the level is {}", rule.unit()),
    };
    let conventions = [
        (2.0, "peak or peak-to-peak"),
        (SQRT_2, "peak or rms"),
        (2.0 * SQRT_2, "peak-to-peak or rms"),
    ]
    .into_iter()
    .flat_map(|(factor, what)| [kept(factor, what), kept(factor.recip(), what)]);
    let prefix = [1e3, 1e-3].map(|factor| Slip {
        factor,
        question: "a prefix of its full_scale, such as mV for V?".to_owned(),
    });
    of_unit.chain(conventions).chain(prefix).collect()
}

/// A factor as people know it: 9.81, 1/9.81.
fn written(factor: f64) -> String {
    if factor < 1.0 {
        format!("1/{}", written(factor.recip()))
    } else {
        let text = format!("{factor:.2}");
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduction::Measured;

    fn setup(unit: &str, rule: &str, value: f64) -> Setup {
        let text = include_str!("../../config/damped-trial.toml");
        let parsed = crate::setup::parse(text, "damped-trial.toml").unwrap();
        let mut setup = parsed;
        let rule = match rule {
            "clamp-strain" => LevelRule::ClampStrain,
            _ => LevelRule::ConstantVelocity,
        };
        setup.amplitude = Some(crate::setup::Amplitude {
            rule,
            value,
            tolerance_pct: 10.0,
        });
        let unit = Unit::ALL.into_iter().find(|u| u.symbol() == unit).unwrap();
        for channel in &mut setup.channels {
            if channel.role == crate::setup::Role::Antinode {
                channel.unit = unit;
            }
        }
        setup
    }

    fn asked(unit: &str, ratios: &[f64]) -> Option<String> {
        of_ratios(&setup(unit, "constant-velocity", 200.0), ratios)
    }

    #[test]
    fn each_slip_of_the_bench_is_asked_about_by_its_name() {
        // By hand: 200 mm/s kept, and what a setup with the slip makes of it.
        // A sensor of 10 g full scale entered as 10 m/s2 reads 20.4 mm/s.
        let question = asked("m/s2", &[20.4 / 200.0, 20.1 / 200.0, 21.0 / 200.0]).unwrap();
        assert!(question.contains("unit g instead of m/s2?"), "{question}");
        assert!(question.contains("1/9.81"), "{question}");
        let question = asked("g", &[9.7, 9.9]).unwrap();
        assert!(question.contains("unit m/s2 instead of g?"), "{question}");
        let question = asked("mm/s", &[0.001, 0.00102]).unwrap();
        assert!(question.contains("unit m/s instead of mm/s?"), "{question}");
        // 200 mm/s rms kept are 283 mm/s peak.
        let question = asked("m/s2", &[283.0 / 200.0, 280.0 / 200.0]).unwrap();
        assert!(question.contains("peak or rms?"), "{question}");
        // 200 mm/s peak-to-peak kept are 100 mm/s peak.
        let question = asked("m/s2", &[0.5, 0.51]).unwrap();
        assert!(question.contains("peak or peak-to-peak?"), "{question}");
        let question = asked("m/s2", &[1000.0]).unwrap();
        assert!(question.contains("mV for V"), "{question}");
    }

    #[test]
    fn a_level_that_is_merely_off_and_one_that_is_kept_raise_no_question() {
        assert_eq!(asked("m/s2", &[0.85, 0.83]), None);
        assert_eq!(asked("m/s2", &[0.1, 1.0]), None);
        // Some at a half, some at a tenth: no one factor.
        assert_eq!(asked("m/s2", &[0.5, 0.1]), None);
        assert_eq!(asked("m/s2", &[]), None);
        // One on its level says that the unit is right.
        assert_eq!(asked("m/s2", &[0.5, 0.5, 0.95]), None);
        let mut unset = setup("m/s2", "constant-velocity", 200.0);
        unset.amplitude = None;
        assert_eq!(of_ratios(&unset, &[0.1, 0.1]), None);
    }

    #[test]
    fn a_level_kept_by_strain_asks_about_the_gauge() {
        let by_strain = setup("m/s2", "clamp-strain", 300.0);
        let question = of_ratios(&by_strain, &[0.5, 0.5]).unwrap();
        assert!(question.contains("um/m peak-to-peak"), "{question}");
        assert!(!question.contains("\"antinode\""), "{question}");
    }

    #[test]
    fn one_point_alone_and_rejected_ones_raise_no_question() {
        let setup = setup("m/s2", "constant-velocity", 200.0);
        let point = |verdict, pct| SettledPoint {
            verdict,
            frequency_hz: Some(Measured::without_u(20.0)),
            target_deviation_pct: Some(pct),
            ..SettledPoint::default()
        };
        let held = point(Verdict::Held, -89.8);
        assert_eq!(of_points(&setup, std::slice::from_ref(&held)), None);
        let rejected = point(Verdict::Rejected, 0.0);
        let question = of_points(&setup, &[held.clone(), rejected, held]);
        assert!(question.unwrap().contains("unit g instead of m/s2?"));
    }
}
