//! A text table → the columns of a recording.

use anyhow::bail;
use ndarray::{Axis, Slice};

use super::request::{ImportRequest, TableNumbers};
use super::target::Target;
use crate::ingest::time_history::TimeHistory;
use crate::ingest::time_history::csv::{self, TimeBase};

pub(super) fn from_table(
    bytes: &[u8],
    target: &Target,
    request: ImportRequest,
    notes: &mut Vec<String>,
) -> anyhow::Result<TimeHistory> {
    let base = match (
        request.time_column,
        request.rate_hz.or(target.source.rate_hz),
    ) {
        (Some(column), _) => TimeBase::Column(column),
        (None, Some(rate_hz)) if rate_hz.is_finite() && rate_hz > 0.0 => TimeBase::RateHz(rate_hz),
        (None, Some(rate_hz)) => bail!("{rate_hz} Hz is no sampling rate; one above 0 is right"),
        (None, None) => bail!(
            "nothing says how fast the samples come: --time-column N, --rate HZ or `rate_hz` in the \
             setup is right"
        ),
    };
    if bytes.starts_with(b"RIFF") || bytes.starts_with(b"RF64") {
        bail!("it is a WAV file; `spanhold reprocess` takes it as it is");
    }
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        bail!("it is text in UTF-16; save it as UTF-8 or plain text");
    }
    // Tables of old programs have a degree sign or a micro sign in some code page, in
    // their headings; their numbers are plain.
    let mut history = csv::parse(&String::from_utf8_lossy(bytes), base)?;
    let (needed, found) = (target.width(), history.samples.nrows());
    if found < needed {
        bail!(
            "{found} columns of samples, and the setup's channels need {needed} (`index` counts from 0, \
             without the time); a table with all of them is right"
        );
    }
    let used: Vec<usize> = target.channels.iter().map(|(_, c)| c.index).collect();
    let unused: Vec<String> = (0..found)
        .filter(|index| !used.contains(index))
        .map(|index| column_of(index, request.time_column).to_string())
        .collect();
    if !unused.is_empty() {
        notes.push(format!(
            "columns that belong to no channel of the setup: {}",
            unused.join(", ")
        ));
    }
    history.samples = history
        .samples
        .slice_axis(Axis(0), Slice::from(..needed))
        .to_owned();
    for (_, channel) in &target.channels {
        let (name, column) = (&channel.name, column_of(channel.index, request.time_column));
        let mut row = history.samples.row_mut(channel.index);
        if row.as_slice().is_some_and(csv::rises_evenly) {
            bail!(
                "column {column}, channel \"{name}\", rises evenly from line to line, as no measurement does; \
                 if it is the time in seconds, say --time-column {column}; if it counts the samples, let `index` \
                 in the setup begin behind it"
            );
        }
        let is_in_units = match request.numbers {
            Some(numbers) => numbers == TableNumbers::InUnits,
            // One and the same.
            None if channel.full_scale.to_bits() == 1.0_f64.to_bits() => true,
            None => bail!(
                "channel \"{name}\" has full_scale = {} in the setup, and nothing says what the numbers of \
                 the table are: --numbers units where they are in {}, --numbers full-scale where they are \
                 shares of full scale",
                channel.full_scale,
                channel.unit.symbol()
            ),
        };
        if is_in_units {
            row /= channel.full_scale;
        }
    }
    // Times of few digits lead to the same sample at the end of the file.
    let rounding = match base {
        TimeBase::Column(_) => 0.5 / history.samples.ncols() as f64,
        TimeBase::RateHz(_) => 0.0,
    };
    target.settle_rate(&mut history, rounding, notes)?;
    Ok(history)
}

/// The column of a channel as a person counts them, from 1, the time with them.
fn column_of(index: usize, time_column: Option<usize>) -> usize {
    let column = index + 1;
    column + usize::from(time_column.is_some_and(|time| time <= column))
}
