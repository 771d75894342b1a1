//! Mains hum on each channel of a run, as its holds away from the mains frequency
//! showed it. In: the fits of holds in order. Out: what to reckon with in a hold
//! whose drive cannot be told from the mains. Pure.

use std::collections::BTreeMap;

use super::fitted_channel::FittedChannel;

/// Hum seen so far: for each channel, nominal mains frequency in Hz and largest peak
/// in SI.
#[derive(Debug, Clone, Default)]
pub struct HumSeen(BTreeMap<String, Vec<(f64, f64)>>);

impl HumSeen {
    /// Takes what the fits of one hold showed.
    pub fn note(&mut self, fits: &[FittedChannel]) {
        for fit in fits {
            let seen = self.0.entry(fit.channel.name.clone()).or_default();
            for (hz, peak) in &fit.fit.mains {
                match seen
                    .iter_mut()
                    .find(|(known_hz, _)| known_hz.total_cmp(hz).is_eq())
                {
                    Some((_, most)) => *most = most.max(*peak),
                    None => seen.push((*hz, *peak)),
                }
            }
        }
    }

    /// Tells the fits of a hold what was seen.
    pub fn enter<'a>(&'a self, fits: &mut [FittedChannel<'a>]) {
        for fit in fits {
            fit.hum = self.0.get(&fit.channel.name).map_or(&[], Vec::as_slice);
        }
    }
}
