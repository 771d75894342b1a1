//! What the guide reads off the frames by itself: strain at every gauge, tension. Pure.

use std::collections::VecDeque;

use super::state::{StrainState, TensionState};
use crate::maths;
use crate::setup::{Role, Setup};
use crate::tone::{ToneFrame, ToneMessage, TonePlan};

/// Standard uncertainties from which a gauge shows a strain.
const SHOWS: f64 = 5.0;
/// How many times the setup's tension a channel may say, as for a point.
const PLAUSIBLE: std::ops::RangeInclusive<f64> = 0.5..=2.0;
/// Hops over which the tension is the mean: a second.
const TENSION_HOPS: usize = 4;

/// A channel by its place: source, row in the frames of that.
#[derive(Debug, Clone)]
struct Seat {
    setup_index: usize,
    source: usize,
    row: usize,
}

/// Gauges and tension of a bench, as their latest frames have them.
#[derive(Debug, Clone)]
pub(super) struct BenchReadings {
    /// Each gauge with its strain, peak-to-peak, or why there is none.
    gauges: Vec<(Seat, Result<f64, &'static str>)>,
    tension: Option<(Seat, VecDeque<f64>)>,
}

impl BenchReadings {
    pub(super) fn new(setup: &Setup, plans: &[TonePlan]) -> Self {
        let seats = || {
            plans.iter().enumerate().flat_map(|(source, plan)| {
                let channels = plan.channels.iter().enumerate();
                channels.map(move |(row, planned)| Seat {
                    setup_index: planned.setup_index,
                    source,
                    row,
                })
            })
        };
        let role = |seat: &Seat| {
            setup
                .channels
                .get(seat.setup_index)
                .map(|channel| channel.role)
        };
        Self {
            gauges: seats()
                .filter(|seat| role(seat).is_some_and(Role::is_clamp_strain))
                .map(|seat| (seat, Err("nothing has come from its source yet")))
                .collect(),
            tension: seats()
                .find(|seat| role(seat) == Some(Role::Tension))
                .map(|seat| (seat, VecDeque::new())),
        }
    }

    pub(super) fn hear(&mut self, source: usize, message: &ToneMessage) {
        let ToneMessage::Frame(frame) = message else {
            return;
        };
        for (seat, strain) in self
            .gauges
            .iter_mut()
            .filter(|(seat, _)| seat.source == source)
        {
            *strain = strain_pp_um_m(frame, seat.row);
        }
        if let Some((seat, means)) = self
            .tension
            .as_mut()
            .filter(|(seat, _)| seat.source == source)
            && seat.row < frame.samples.nrows()
        {
            let samples = frame.samples.row(seat.row);
            means.push_back(samples.sum() / samples.len().max(1) as f64);
            while means.len() > TENSION_HOPS {
                means.pop_front();
            }
        }
    }

    /// The largest strain that a gauge shows, µm/m peak-to-peak.
    pub(super) fn largest_strain_pp_um_m(&self) -> Option<f64> {
        let shown = self.gauges.iter().filter_map(|(_, strain)| strain.ok());
        shown.reduce(f64::max)
    }

    /// The gauges; `absent` is told why one shows nothing.
    pub(super) fn strain(
        &self,
        setup: &Setup,
        mut absent: impl FnMut(String, &str),
    ) -> Vec<StrainState> {
        let mut states = Vec::new();
        for (number, (seat, strain)) in self.gauges.iter().enumerate() {
            let Some(channel) = setup.channels.get(seat.setup_index) else {
                continue;
            };
            if let Err(why) = strain {
                absent(format!("strain[{number}].strain_pp_um_m"), why);
            }
            states.push(StrainState {
                channel: Some(channel.name.clone()),
                location: channel.role.location().map(|place| place.name().to_owned()),
                strain_pp_um_m: strain.ok(),
                limit_pp_um_m: setup.limits.strain_pp_um_m,
            });
        }
        states
    }

    pub(super) fn tension(&self, setup: &Setup) -> Result<TensionState, &'static str> {
        let stated = TensionState {
            setup_tension_kn: Some(setup.span.tension_kn),
            ..TensionState::default()
        };
        let Some((seat, means)) = &self.tension else {
            return Ok(stated);
        };
        let count = means.len() as f64;
        let mean_n = means.iter().sum::<f64>() / count;
        if !mean_n.is_finite() {
            return Err("the tension channel gives no value");
        }
        let mean_kn = 1e-3 * mean_n;
        let u_pct = setup
            .channels
            .get(seat.setup_index)
            .and_then(|c| c.uncertainty_pct);
        Ok(TensionState {
            tension_kn: Some(mean_kn),
            tension_u_kn: u_pct.map(|pct| 0.01 * pct * mean_kn),
            ..stated
        })
    }

    /// The setup with the tension that is measured, where it is.
    pub(super) fn by_measured_tension(&self, setup: &Setup) -> Setup {
        if let Ok(tension) = self.tension(setup)
            && let Some(tension_kn) = tension.tension_kn
            && PLAUSIBLE.contains(&(tension_kn / setup.span.tension_kn))
        {
            let u_pct = tension.tension_u_kn.map(|u_kn| 100.0 * u_kn / tension_kn);
            return setup.under_tension(tension_kn, u_pct);
        }
        setup.clone()
    }

    pub(super) fn has_tension(&self) -> bool {
        self.tension.is_some()
    }
}

fn strain_pp_um_m(frame: &ToneFrame, row: usize) -> Result<f64, &'static str> {
    if frame.frequency_hz.is_none() {
        return Err("no tone stands out");
    }
    let gauge = frame
        .channels
        .get(row)
        .ok_or("its source sends no such channel")?;
    if gauge.missing > 0 {
        return Err("the gauge gave no value at some instants");
    }
    if gauge.clipped > 0 {
        return Err("the gauge is at full scale");
    }
    let amplitude = maths::modulus(gauge.amplitude);
    if amplitude <= SHOWS * gauge.amplitude_u {
        return Err("the gauge shows no strain at the drive's frequency");
    }
    Ok(2e6 * amplitude)
}
