//! What shows that the channels do not show one and the same motion.

use super::error::MatchFaults;
use super::windows::{MatchedWindows, WaveWindow};
use crate::maths;
use num_complex::Complex64;

/// A tone is clear from this on, dB: a window of a second then tells the gain to some tenths of
/// a percent.
const CLEAR_DB: f64 = 20.0;
/// A channel that is not clear in so much of the windows in which another is shows nothing.
const SHOWS_NOTHING: f64 = 0.5;
/// Hops with clipped values, or distorted windows, as a part of all, that are too many.
const TOO_OFTEN: f64 = 0.2;
/// Harmonics that a channel may have more than the others, as parts of the fundamental: they
/// see the same motion. A flattened extreme takes about as much off the fundamental as it
/// makes of a third harmonic.
const LARGEST_EXCESS: f64 = 0.01;
/// A gain may differ from the median of all by this part, a phase by so many degrees: more is
/// another sensitivity, another place or another filter, and no matter of matching.
const LARGEST_GAIN: f64 = 0.10;
const LARGEST_PHASE_DEG: f64 = 10.0;

/// The windows in which every channel is clear and undistorted.
pub(super) fn clear_windows(windows: &MatchedWindows) -> Result<Vec<&WaveWindow>, MatchFaults> {
    let is_clear = |snr_db: f64| snr_db >= CLEAR_DB;
    let lit: Vec<&WaveWindow> = windows
        .windows
        .iter()
        .filter(|window| window.shown.iter().any(|shown| is_clear(shown.snr_db)))
        .collect();
    let mut faults = Vec::new();
    for (name, clipped) in windows.clipped() {
        if clipped as f64 > TOO_OFTEN * windows.hops() as f64 {
            faults.push(format!(
                "channel \"{name}\": it saturates: at full scale in {clipped} of {} hops; a smaller \
                 drive or a larger range is right",
                windows.hops()
            ));
        }
    }
    if lit.is_empty() && faults.is_empty() {
        faults.push(format!(
            "no channel shows a tone {CLEAR_DB} dB above its noise for a whole window; drive through \
             the sweep, or dwell along it, with more amplitude"
        ));
    }
    for (number, name) in windows.names().iter().enumerate() {
        let shown = |window: &&&WaveWindow| {
            window
                .shown
                .get(number)
                .is_some_and(|shown| is_clear(shown.snr_db))
        };
        let clear = lit.iter().filter(shown).count();
        if !lit.is_empty() && (clear as f64) < SHOWS_NOTHING * lit.len() as f64 {
            faults.push(format!(
                "channel \"{name}\": it shows nothing clear in {} of {} windows in which another \
                 channel does; look at its cable, its range and its mounting",
                lit.len() - clear,
                lit.len()
            ));
        }
    }
    if !faults.is_empty() {
        return Err(MatchFaults(faults));
    }
    let all_clear: Vec<&WaveWindow> = lit
        .into_iter()
        .filter(|window| window.shown.iter().all(|shown| is_clear(shown.snr_db)))
        .collect();
    let undistorted = undistorted(windows.names(), &all_clear)?;
    differences(windows.names(), &undistorted)?;
    Ok(undistorted)
}

/// The windows in which no channel has more harmonics than the others.
fn undistorted<'a>(
    names: &[String],
    windows: &[&'a WaveWindow],
) -> Result<Vec<&'a WaveWindow>, MatchFaults> {
    let mut bent = vec![0_usize; names.len()];
    let mut kept = Vec::new();
    for window in windows {
        // Harmonics of one motion are larger in acceleration than in velocity.
        let least = |derivative: i32| {
            let alike = window.shown.iter();
            let alike = alike.filter(|shown| shown.derivative == derivative);
            alike.fold(f64::INFINITY, |least, shown| least.min(shown.distortion))
        };
        let mut is_kept = true;
        for (count, shown) in bent.iter_mut().zip(&window.shown) {
            // Noise looks like harmonics, too.
            let noise = 5.0 * shown.relative_u;
            if shown.distortion > least(shown.derivative) + LARGEST_EXCESS + noise {
                *count += 1;
                is_kept = false;
            }
        }
        if is_kept {
            kept.push(*window);
        }
    }
    let faults: Vec<String> = names
        .iter()
        .zip(&bent)
        .filter(|(_, count)| **count as f64 > TOO_OFTEN * windows.len() as f64)
        .map(|(name, count)| {
            format!(
                "channel \"{name}\": in {count} of {} windows it has harmonics that another channel at \
                 the same place has not: it saturates or rattles; a smaller drive, a larger range, a \
                 firm mount is right",
                windows.len()
            )
        })
        .collect();
    if faults.is_empty() {
        Ok(kept)
    } else {
        Err(MatchFaults(faults))
    }
}

/// Whether the channels are alike enough to be at one place and the right way round.
fn differences(names: &[String], windows: &[&WaveWindow]) -> Result<(), MatchFaults> {
    let ratios: Vec<Complex64> = (0..names.len()).map(|n| ratio(windows, n)).collect();
    let inverted: Vec<bool> = ratios.iter().map(|ratio| ratio.re < 0.0).collect();
    let count = inverted.iter().filter(|inverted| **inverted).count();
    let named = |which: bool| -> Vec<&str> {
        let both = names.iter().zip(&inverted);
        both.filter(|(_, inverted)| **inverted == which)
            .map(|(name, _)| name.as_str())
            .collect()
    };
    if count > 0 {
        // Fewer are wrong than right, where that can be told.
        let fault = if 2 * count == names.len() {
            format!(
                "polarity inverted: {} against {}; turn the one or the other, or negate its sensitivity",
                named(true).join(", "),
                named(false).join(", ")
            )
        } else {
            format!(
                "channel {}: polarity inverted: turn it or negate the sensitivity",
                named(2 * count < names.len()).join(", ")
            )
        };
        return Err(MatchFaults(vec![fault]));
    }
    let gains: Vec<f64> = ratios.iter().map(|ratio| maths::modulus(*ratio)).collect();
    let phases: Vec<f64> = ratios
        .iter()
        .map(|ratio| maths::argument(*ratio).to_degrees())
        .collect();
    // Two are held against one another, more against the median.
    let (typical_gain, typical_deg) = match (gains.as_slice(), phases.as_slice()) {
        ([gain, _], [phase, _]) => (*gain, *phase),
        _ => (median(&gains), median(&phases)),
    };
    let mut faults = Vec::new();
    for (name, (gain, phase)) in names.iter().zip(gains.iter().zip(&phases)) {
        let (more, ahead_deg) = (gain / typical_gain - 1.0, phase - typical_deg);
        if more.abs() > LARGEST_GAIN || ahead_deg.abs() > LARGEST_PHASE_DEG {
            faults.push(format!(
                "channel \"{name}\": it differs from the rest by {:+.1} % and {ahead_deg:+.1} deg: it has \
                 another sensitivity than the setup says, or is not at the same place",
                100.0 * more
            ));
        }
    }
    if faults.is_empty() {
        Ok(())
    } else {
        Err(MatchFaults(faults))
    }
}

/// A channel over the first one: the median over all windows, of real and imaginary part.
fn ratio(windows: &[&WaveWindow], number: usize) -> Complex64 {
    let ratios = windows.iter().filter_map(|window| {
        let first = window.shown.first()?.displacement;
        Some(window.shown.get(number)?.displacement / first)
    });
    let (re, im): (Vec<f64>, Vec<f64>) = ratios.map(|ratio| (ratio.re, ratio.im)).unzip();
    Complex64::new(median(&re), median(&im))
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = |place: usize| sorted.get(place).copied().unwrap_or(0.0);
    let half = sorted.len() / 2;
    if sorted.len() % 2 == 1 {
        at(half)
    } else {
        0.5 * (at(half.saturating_sub(1)) + at(half))
    }
}
