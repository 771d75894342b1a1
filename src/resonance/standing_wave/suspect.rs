//! Which fixed sensor does not fit two waves, and how. Pure.
//!
//! A loose sensor, a swapped cable or a wrong place leaves something that two waves do
//! not explain. Each single fault that could be is tried: two cables swapped, one sensor
//! turned round, one left out. What brings the rest within what the stated errors
//! explain, alone, is named.

use super::two_waves::{FixedSensor, TwoWaves, WaveNumber};
use crate::maths;

/// Standard normal quantile of 99.9 %.
const NORMAL_999: f64 = 3.090;

/// A fault that would explain what is left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Suspect {
    /// The cables of two sensors are swapped.
    Swapped(usize, usize),
    /// One sensor is turned round.
    Inverted(usize),
    /// One sensor does not fit the others: loose, elsewhere than stated, or its
    /// scale is wrong.
    Misfit(usize),
}

impl TwoWaves {
    /// What is left over what the stated errors explain in 999 of 1000 cases; `None`
    /// where two sensors leave nothing.
    pub fn beyond_explained(&self) -> Option<f64> {
        let freedom = self.degrees_of_freedom();
        (freedom > 0).then(|| {
            let freedom = freedom as f64;
            (self.chi_square / (freedom * maths::chi_square_within(NORMAL_999, freedom))).sqrt()
        })
    }
}

/// The single fault that explains what two waves do not; `None` where none does, or
/// several do alike.
pub fn suspect(sensors: &[FixedSensor], number: WaveNumber) -> Option<Suspect> {
    let explains = |sensors: &[FixedSensor]| {
        let waves = TwoWaves::fit(sensors, number).ok()?;
        let beyond = waves.beyond_explained()?;
        (beyond <= 1.0).then_some(waves.chi_square)
    };
    let mut found: Vec<(Suspect, f64)> = Vec::new();
    for one in 0..sensors.len() {
        for other in one + 1..sensors.len() {
            let mut swapped = sensors.to_vec();
            if let [a, b] = [one, other].map(|i| sensors.get(i).map(|s| s.velocity_m_s))
                && let (Some(a), Some(b)) = (a, b)
            {
                set(&mut swapped, one, b);
                set(&mut swapped, other, a);
            }
            found.extend(explains(&swapped).map(|cost| (Suspect::Swapped(one, other), cost)));
        }
        let mut turned = sensors.to_vec();
        if let Some(sensor) = turned.get_mut(one) {
            sensor.velocity_m_s = -sensor.velocity_m_s;
        }
        found.extend(explains(&turned).map(|cost| (Suspect::Inverted(one), cost)));
    }
    // A swap or an inversion leaves every sensor in, so it explains more than leaving one
    // out does.
    if let [(only, _)] = found.as_slice() {
        return Some(*only);
    }
    // Of three sensors, two always fit.
    if sensors.len() < 4 || !found.is_empty() {
        return None;
    }
    for out in 0..sensors.len() {
        let mut rest = sensors.to_vec();
        rest.remove(out);
        found.extend(explains(&rest).map(|cost| (Suspect::Misfit(out), cost)));
    }
    found.sort_by(|a, b| a.1.total_cmp(&b.1));
    match found.as_slice() {
        [(only, _)] => Some(*only),
        [(best, cost), (_, next), ..] if next - cost > WORSE_BY => Some(*best),
        _ => None,
    }
}

/// Another suspect has to leave this much more of twice the log-likelihood.
const WORSE_BY: f64 = 6.0;

fn set(sensors: &mut [FixedSensor], at: usize, velocity_m_s: num_complex::Complex64) {
    if let Some(sensor) = sensors.get_mut(at) {
        sensor.velocity_m_s = velocity_m_s;
    }
}
