//! The tension channel: its mean hop by hop, whichever source it hangs on, and
//! what it says of a hold.

use std::collections::VecDeque;

use crate::maths;
use crate::resonance::Dwell;
use crate::resonance::criteria::unmet;
use crate::resonance::tension::HeldTension;
use crate::setup::{Channel, Role, Setup, Verdict};
use crate::tone::plan::PlannedChannel;
use crate::tone::{ToneFrame, TonePlan};

/// How many times the setup's tension a channel may say: beyond it its unit or
/// scale is wrong.
const PLAUSIBLE: std::ops::RangeInclusive<f64> = 0.5..=2.0;

/// The tension channel and its latest hops.
#[derive(Debug)]
pub(super) struct TensionRecord {
    channel: Channel,
    /// Its row in the frames of its source.
    row: usize,
    hop_s: f64,
    /// End of the hop, s, and the mean over it, N; `None` where a sample had no
    /// value or was at full scale.
    hops: VecDeque<(f64, Option<f64>)>,
}

/// What the channel says of a hold.
pub(super) struct TensionOfHold {
    /// The setup with the tension that was measured.
    pub(super) setup: Setup,
    /// The tension.
    pub(super) held: HeldTension,
}

impl TensionRecord {
    pub(super) fn new(setup: &Setup, plans: &[TonePlan]) -> Option<Self> {
        let (setup_index, channel) = setup.channel(Role::Tension)?;
        let plan = plans.get(channel.source)?;
        let is_this = |planned: &PlannedChannel| planned.setup_index == setup_index;
        Some(Self {
            channel: channel.clone(),
            row: plan.channels.iter().position(is_this)?,
            hop_s: plan.hop_seconds(),
            hops: VecDeque::new(),
        })
    }

    /// Takes a frame of source number `source`.
    pub(super) fn push(&mut self, source: usize, frame: &ToneFrame) {
        if source != self.channel.source || self.row >= frame.samples.nrows() {
            return;
        }
        let sound = frame
            .channels
            .get(self.row)
            .is_some_and(|channel| channel.clipped == 0 && channel.missing == 0);
        let samples = frame.samples.row(self.row);
        let mean = samples.sum() / samples.len() as f64;
        self.hops
            .push_back((frame.end_s, (sound && mean.is_finite()).then_some(mean)));
    }

    /// Drops hops that ended before `oldest_s`.
    pub(super) fn forget(&mut self, oldest_s: f64) {
        while self
            .hops
            .front()
            .is_some_and(|(end_s, _)| *end_s < oldest_s)
        {
            self.hops.pop_front();
        }
    }

    /// The tension over a dwell's hold, or why it is not known.
    pub(super) fn over(&self, dwell: &Dwell, setup: &Setup) -> Result<TensionOfHold, String> {
        let stands = format!(
            "the tension of the setup, {} kN, stands for this point",
            setup.span.tension_kn
        );
        let margin_s = 1e-6;
        let within = self.hops.iter().filter(|(end_s, _)| {
            end_s - self.hop_s >= dwell.hold_start_s - margin_s
                && *end_s <= dwell.hold_end_s + margin_s
        });
        let hops: Option<Vec<(f64, f64)>> = within
            .map(|(end_s, mean)| Some((*end_s, (*mean)?)))
            .collect();
        let Some(hops) = hops else {
            return Err(format!(
                "the tension channel was at full scale or gave no value during the hold: {stands}"
            ));
        };
        let Some(held) = HeldTension::new(&hops) else {
            return Err(format!(
                "the tension channel gave too few values during the hold: {stands}"
            ));
        };
        let setup_n = 1e3 * setup.span.tension_kn;
        if !PLAUSIBLE.contains(&(held.mean_n / setup_n)) {
            return Err(format!(
                "the tension channel says {:.3} kN: is its unit or scale wrong? {stands}",
                1e-3 * held.mean_n
            ));
        }
        let scatter_pct = 200.0 * held.mean_u_n / held.mean_n;
        let calibration_pct = self
            .channel
            .uncertainty_pct
            .unwrap_or(setup.span.tension_uncertainty_pct);
        let uncertainty_pct = maths::hypot(calibration_pct, scatter_pct);
        Ok(TensionOfHold {
            setup: setup.under_tension(1e-3 * held.mean_n, Some(uncertainty_pct)),
            held,
        })
    }
}

/// Holds the tension against its criteria and enters what it finds into the
/// dwell.
pub(super) fn judge(dwell: &mut Dwell, setup: &Setup, held: &HeldTension) {
    let (Some(interval), Some(bandwidth_hz)) = (&dwell.interval, dwell.bandwidth_hz) else {
        return;
    };
    let judged = held.judge(&setup.hold, interval.frequency_hz, bandwidth_hz);
    let failed = unmet(&judged);
    dwell
        .criteria
        .extend(judged.into_iter().map(|judged| judged.result));
    if failed.is_empty() {
        return;
    }
    // The tension is the cause of what else moved.
    if dwell.verdict != Verdict::Rejected {
        dwell.verdict = Verdict::Rejected;
        dwell.reasons.clear();
    }
    dwell.reasons.splice(0..0, failed);
}
