//! A universal file → the columns of a recording, or of several.

use anyhow::bail;
use ndarray::Array2;

use super::target::Target;
use crate::ingest::time_history::TimeHistory;
use crate::ingest::time_history::uff58::{self, Response};
use crate::setup::Quantity;

/// The interval of a universal file is rounded to six digits; of the rate, so much.
const INTERVAL_ROUNDING: f64 = 1e-5;

/// The unit that a universal file states, as quantity and factor to SI; `None` where it
/// is none that is known here.
fn stated_unit(unit: &str) -> Option<(Quantity, f64)> {
    let plain: String = unit
        .to_lowercase()
        .chars()
        .filter(|letter| !letter.is_whitespace())
        .collect();
    let known = match plain.replace("**", "^").replace("sec", "s").as_str() {
        "m/s^2" | "m/s2" => (Quantity::Acceleration, 1.0),
        "g" => (Quantity::Acceleration, 9.806_65),
        "mm/s^2" | "mm/s2" => (Quantity::Acceleration, 1e-3),
        "m/s" => (Quantity::Velocity, 1.0),
        "mm/s" => (Quantity::Velocity, 1e-3),
        "m" => (Quantity::Displacement, 1.0),
        "mm" => (Quantity::Displacement, 1e-3),
        "um" | "µm" => (Quantity::Displacement, 1e-6),
        "n" => (Quantity::Force, 1.0),
        "kn" => (Quantity::Force, 1e3),
        "v" => (Quantity::Voltage, 1.0),
        "m/m" | "strain" => (Quantity::Strain, 1.0),
        "um/m" | "µm/m" | "ustrain" | "µstrain" | "microstrain" => (Quantity::Strain, 1e-6),
        _ => return None,
    };
    Some(known)
}

/// The n-th dataset of every node makes the n-th recording.
pub(super) fn from_universal(
    bytes: &[u8],
    target: &Target,
    by_order: bool,
    notes: &mut Vec<String>,
) -> anyhow::Result<Vec<TimeHistory>> {
    let (responses, others) = uff58::parse(bytes)?;
    if others > 0 {
        notes.push(format!(
            "{others} datasets that are no time responses are passed over"
        ));
    }
    if responses.is_empty() {
        bail!(
            "no time response among its {others} datasets; dataset 58 of function type 1, real, is right"
        );
    }
    let wanted = &target.channels;
    let by_channel: Vec<Vec<&Response>> = if by_order {
        let (has, channels) = (responses.len(), wanted.len());
        if !has.is_multiple_of(channels) {
            bail!(
                "{has} time responses, and the setup has {channels} channels of this source; as many of each \
                 are right"
            );
        }
        let of_channel = |place| responses.iter().skip(place).step_by(channels).collect();
        (0..channels).map(of_channel).collect()
    } else {
        let of_node = |number: usize| {
            let own = responses.iter();
            own.filter(|response| usize::try_from(response.node) == Ok(number))
                .collect()
        };
        wanted.iter().map(|(number, _)| of_node(*number)).collect()
    };
    let stretches = by_channel.first().map_or(0, Vec::len);
    for ((number, channel), found) in wanted.iter().zip(&by_channel) {
        let name = &channel.name;
        if found.len() != stretches || found.is_empty() {
            let nodes: Vec<String> = responses.iter().map(|r| r.node.to_string()).collect();
            bail!(
                "channel \"{name}\" is number {number} in the setup, and the file has {} time responses at node \
                 {number}, {stretches} at the first channel's; its nodes are {}. As many for each channel are \
                 right, or --by-order where they stand in the order of the channels",
                found.len(),
                nodes.join(", ")
            );
        }
        let mut directions = found.iter().map(|response| response.direction);
        let first = directions.next();
        if !by_order && directions.any(|other| Some(other) != first) {
            bail!(
                "channel \"{name}\": time responses in several directions at node {number}; one direction of \
                 each node, or --by-order where every dataset is a channel of the setup, is right"
            );
        }
    }
    let mut histories = Vec::new();
    for stretch in 0..stretches {
        let of_stretch: Vec<&Response> = by_channel
            .iter()
            .filter_map(|all| all.get(stretch).copied())
            .collect();
        histories.push(joined(target, &of_stretch, notes)?);
    }
    Ok(histories)
}

/// The channels of one stretch side by side, in digital full scale.
fn joined(
    target: &Target,
    responses: &[&Response],
    notes: &mut Vec<String>,
) -> anyhow::Result<TimeHistory> {
    let Some(first) = responses.first() else {
        bail!("no time response");
    };
    let mut samples = Array2::zeros((target.width(), first.values.len()));
    for ((_, channel), response) in target.channels.iter().zip(responses) {
        let name = &channel.name;
        if response.values.len() != first.values.len()
            || response.rate_hz.to_bits() != first.rate_hz.to_bits()
            || response.first_sample != first.first_sample
        {
            bail!(
                "line {}: channel \"{name}\" has {} samples at {} Hz, and the first channel {} at {} Hz; \
                 the same samples of every channel are right",
                response.line,
                response.values.len(),
                response.rate_hz,
                first.values.len(),
                first.rate_hz
            );
        }
        let factor = match stated_unit(&response.unit) {
            Some((quantity, to_si)) if quantity == channel.unit.quantity() => {
                to_si / (channel.full_scale * channel.unit.to_si())
            }
            Some(_) => bail!(
                "line {}: channel \"{name}\" is in {}, and in the setup in {}; the same quantity is right",
                response.line,
                response.unit,
                channel.unit.symbol()
            ),
            None => {
                let what = if response.unit.is_empty() {
                    "no unit"
                } else {
                    &response.unit
                };
                notes.push(format!(
                    "channel \"{name}\": the file states {what}; taken as {}, the setup's",
                    channel.unit.symbol()
                ));
                channel.full_scale.recip()
            }
        };
        let mut row = samples.row_mut(channel.index);
        for (place, value) in row.iter_mut().zip(&response.values) {
            *place = value * factor;
        }
    }
    let mut history = TimeHistory {
        rate_hz: first.rate_hz,
        first_sample: first.first_sample.unwrap_or(0),
        samples,
    };
    let rounding = if first.rate_is_exact {
        0.0
    } else {
        INTERVAL_ROUNDING
    };
    target.settle_rate(&mut history, rounding, notes)?;
    Ok(history)
}
