//! Universal files: datasets 58 of time responses, text or binary (58b).
//!
//! In: the bytes of a file. Out: each dataset with its node number, its unit and its
//! samples. Layout: 'Universal File Datasets', dataset 58, function at nodal degree of
//! freedom, as published by the University of Cincinnati's Structural Dynamics Research
//! Laboratory; `tests/reference/uff58` reads and writes such files with pyuff. Only
//! evenly spaced real ordinates of function type 1 (time response) are taken, and of type
//! 0 (general) over an abscissa that is the time; every other dataset is passed over and
//! counted.
//!
//! The sampling interval has six digits in the header. Where an ID line states the rate
//! with all of its digits (`rate_hz = …`, as our own files do), and the two agree, that is
//! taken.

use super::{TimeHistoryFault, fault};

/// Specific data type of an axis that is the time.
const TIME: &str = "17";

/// A time response.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Line of the file where the dataset begins, from 1.
    pub line: usize,
    /// The five ID lines.
    pub ids: [String; 5],
    /// Number of the node that responds.
    pub node: i64,
    /// Its direction, 0 for a scalar, ±1 to ±3 for x, y, z.
    pub direction: i64,
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Whether the rate is known to all of its digits, not to six.
    pub rate_is_exact: bool,
    /// Number of the first sample since the source started, where an ID line states it.
    pub first_sample: Option<u64>,
    /// Unit of the ordinate as the file has it, empty where it states none.
    pub unit: String,
    /// The samples.
    pub values: Vec<f64>,
}

/// Reads every time response of a file; the second value is the number of datasets
/// that are none.
///
/// # Errors
/// Where the file is no universal file, or a time response is cut short or not evenly
/// spaced.
pub fn parse(bytes: &[u8]) -> Result<(Vec<Response>, usize), TimeHistoryFault> {
    let mut cursor = Cursor {
        bytes,
        at: 0,
        line: 0,
    };
    let mut responses = Vec::new();
    let mut others = 0;
    while let Some(begin) = cursor.next_line() {
        if begin.trim().is_empty() {
            continue;
        }
        if begin.trim() != "-1" {
            return Err(fault(
                cursor.line,
                "a dataset of a universal file begins with a line of -1",
            ));
        }
        let Some(header) = cursor.next_line() else {
            break;
        };
        let first = header
            .split_whitespace()
            .next()
            .unwrap_or_default()
            .to_owned();
        let response = match first.as_str() {
            "58" => Some(dataset(&mut cursor, None)?),
            "58b" => Some(dataset(&mut cursor, Some(&header))?),
            _ => None,
        };
        match response.flatten() {
            Some(response) => responses.push(response),
            None => others += 1,
        }
        cursor.skip_to_end()?;
    }
    Ok((responses, others))
}

struct Cursor<'a> {
    bytes: &'a [u8],
    at: usize,
    line: usize,
}

impl<'a> Cursor<'a> {
    fn next_line(&mut self) -> Option<String> {
        let rest = self.bytes.get(self.at..)?;
        if rest.is_empty() {
            return None;
        }
        let length = rest.iter().position(|byte| *byte == b'\n');
        let line = rest.get(..length.unwrap_or(rest.len()))?;
        self.at += length.map_or(rest.len(), |length| length + 1);
        self.line += 1;
        Some(
            String::from_utf8_lossy(line)
                .trim_end_matches('\r')
                .to_owned(),
        )
    }

    fn line_of(&mut self, what: &str) -> Result<String, TimeHistoryFault> {
        self.next_line()
            .ok_or_else(|| fault(self.line, format!("the file ends before {what}")))
    }

    fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let taken = self.bytes.get(self.at..)?.get(..count)?;
        self.at += count;
        Some(taken)
    }

    /// Behind the -1 that ends a dataset.
    fn skip_to_end(&mut self) -> Result<(), TimeHistoryFault> {
        let begun = self.line;
        while let Some(line) = self.next_line() {
            if line.trim() == "-1" {
                return Ok(());
            }
        }
        Err(fault(
            begun,
            "the file ends within a dataset; each ends with a line of -1",
        ))
    }
}

/// Whitespace and fixed columns agree as long as no field is as wide as its columns;
/// by columns is what the layout says.
fn field(line: &str, from: usize, width: usize) -> &str {
    let end = (from + width).min(line.len());
    line.get(from.min(end)..end).unwrap_or_default().trim()
}

/// One dataset 58; `None` where it is no evenly spaced real time response.
fn dataset(
    cursor: &mut Cursor,
    binary_header: Option<&str>,
) -> Result<Option<Response>, TimeHistoryFault> {
    let line = cursor.line;
    let mut ids: [String; 5] = Default::default();
    for id in &mut ids {
        cursor.line_of("its ID lines")?.trim().clone_into(id);
    }
    let identification = cursor.line_of("record 6")?;
    let form = cursor.line_of("record 7")?;
    let number = |text: &str, what: &str, at: usize| {
        text.parse::<i64>()
            .map_err(|_| fault(at, format!("{what} is \"{text}\"; a whole number is right")))
    };
    let function = number(
        field(&identification, 0, 5),
        "the function type",
        cursor.line - 1,
    )?;
    let node = number(
        field(&identification, 41, 10),
        "the response node",
        cursor.line - 1,
    )?;
    let direction = number(
        field(&identification, 51, 4),
        "the response direction",
        cursor.line - 1,
    )?;
    let ordinate = number(field(&form, 0, 10), "the ordinate data type", cursor.line)?;
    let count = number(field(&form, 10, 10), "the number of values", cursor.line)?;
    let spacing = number(field(&form, 20, 10), "the abscissa spacing", cursor.line)?;
    let interval = field(&form, 43, 13).to_owned();
    let at = cursor.line;
    let abscissa_axis = cursor.line_of("record 8")?;
    let ordinate_axis = cursor.line_of("record 9")?;
    cursor.line_of("record 10")?;
    cursor.line_of("record 11")?;
    let is_single = ordinate == 2;
    let is_time_response = match function {
        0 => field(&abscissa_axis, 0, 10) == TIME,
        function => function == 1,
    };
    if !is_time_response || !(is_single || ordinate == 4) {
        return Ok(None);
    }
    if spacing != 1 {
        return Err(fault(
            at,
            "the abscissa is not evenly spaced; samples at a constant rate are right",
        ));
    }
    let in_header: f64 = interval.replace(['D', 'd'], "e").parse().unwrap_or(0.0);
    if !(in_header.is_finite() && in_header > 0.0) {
        return Err(fault(
            at,
            format!("the abscissa increment is \"{interval}\"; a time above 0 s is right"),
        ));
    }
    // Six digits in the file.
    let stated = stated(&ids, "rate_hz").filter(|rate| (rate * in_header - 1.0).abs() < 1e-5);
    let count = usize::try_from(count).map_err(|_| fault(at, "the number of values is below 0"))?;
    let values = match binary_header {
        Some(header) => binary_values(cursor, header, count, is_single)?,
        None => text_values(cursor, count)?,
    };
    let unit = field(&ordinate_axis, 47, 20);
    Ok(Some(Response {
        line,
        node,
        direction,
        rate_hz: stated.unwrap_or(in_header.recip()),
        rate_is_exact: stated.is_some(),
        first_sample: stated_index(&ids),
        unit: if unit == "NONE" {
            String::new()
        } else {
            unit.to_owned()
        },
        ids,
        values,
    }))
}

/// `key = number` in one of the ID lines.
fn stated(ids: &[String; 5], key: &str) -> Option<f64> {
    word_behind(ids, key)?.parse().ok()
}

fn stated_index(ids: &[String; 5]) -> Option<u64> {
    word_behind(ids, "first_sample")?.parse().ok()
}

fn word_behind<'a>(ids: &'a [String; 5], key: &str) -> Option<&'a str> {
    let behind = ids
        .iter()
        .find_map(|id| id.split_once(&format!("{key} = ")))?
        .1;
    behind.split([',', ' ']).next()
}

fn text_values(cursor: &mut Cursor, count: usize) -> Result<Vec<f64>, TimeHistoryFault> {
    let mut values = Vec::new();
    while values.len() < count {
        let line = cursor.line_of("the last value")?;
        for word in line.split_whitespace() {
            let value = word.replace(['D', 'd'], "e").parse().map_err(|_| {
                fault(
                    cursor.line,
                    format!("\"{word}\" is no number; values in E or D format are right"),
                )
            })?;
            values.push(value);
        }
    }
    if values.len() > count {
        return Err(fault(
            cursor.line,
            format!("more values than the {count} that the header promises"),
        ));
    }
    Ok(values)
}

/// Record 1 of 58b: byte order (1 little, 2 big), floating-point format (2 is IEEE 754),
/// number of ASCII lines that follow, number of bytes behind them.
fn binary_values(
    cursor: &mut Cursor,
    header: &str,
    count: usize,
    is_single: bool,
) -> Result<Vec<f64>, TimeHistoryFault> {
    let line = cursor.line;
    let (order, format) = (field(header, 7, 6), field(header, 13, 6));
    if format != "2" || !["1", "2"].contains(&order) {
        return Err(fault(
            line,
            format!(
                "byte order {order:?} and number format {format:?}; 1 or 2, and 2 (IEEE 754), are right"
            ),
        ));
    }
    let is_little = order == "1";
    let width = if is_single { 4 } else { 8 };
    let bytes = count
        .checked_mul(width)
        .and_then(|bytes| cursor.take(bytes))
        .ok_or_else(|| {
            fault(
                line,
                format!("the file ends before the last of {count} values"),
            )
        })?;
    let value = |chunk: &[u8]| {
        let mut eight = [0_u8; 8];
        for (place, byte) in eight.iter_mut().zip(chunk) {
            *place = *byte;
        }
        let [a, b, c, d, ..] = eight;
        match (is_single, is_little) {
            (true, true) => f64::from(f32::from_le_bytes([a, b, c, d])),
            (true, false) => f64::from(f32::from_be_bytes([a, b, c, d])),
            (false, true) => f64::from_le_bytes(eight),
            (false, false) => f64::from_be_bytes(eight),
        }
    };
    Ok(bytes.chunks_exact(width).map(value).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Columns as the layout has them: 2(I5,I10),… of record 6, I10s of record 7.
    fn file(function: &str, values: &str) -> String {
        let axis =
            |unit: &str| format!("{:10}{:5}{:5}{:5} {:<20} {unit:<20}\n", 12, 0, 0, 0, "NONE");
        format!(
            "    -1\n    58\nNONE\nantinode\nNONE\nNONE\nNONE\n\
             {function:>5}{:10}{:5}{:10} {:<10}{:10}{:4} {:<10}{:10}{:4}\n\
             {:10}{:10}{:10}{:>13}{:>13}{:>13}\n{}{}{}{}{values}    -1\n",
            0,
            0,
            0,
            "NONE",
            3,
            0,
            "NONE",
            0,
            0,
            4,
            3,
            1,
            "0.00000e+00",
            "5.00000e-03",
            "0.00000e+00",
            axis("s"),
            axis("m/s^2"),
            axis("NONE"),
            axis("NONE"),
        )
    }

    #[test]
    fn a_time_response_in_text() {
        let text = file("1", "  1.00000e+00 -2.5D-01\n  3.0\n");
        let (responses, others) = parse(text.as_bytes()).unwrap();
        assert_eq!((responses.len(), others), (1, 0));
        let response = &responses[0];
        assert_eq!(response.values, [1.0, -0.25, 3.0]);
        assert_eq!((response.node, response.unit.as_str()), (3, "m/s^2"));
        assert!((response.rate_hz - 200.0).abs() < 1e-9 && !response.rate_is_exact);
    }

    /// Record 1 of 58b is (I6,A1,2I6,2I12,2I6,2I12): byte order, number format, eleven lines,
    /// bytes behind them.
    #[test]
    fn a_time_response_in_binary_of_either_order_and_precision() {
        let values = [1.5_f64, -0.25, 3.0];
        for (order, kind, bytes) in [
            (1, 4, values.map(|v| v.to_le_bytes().to_vec()).concat()),
            (2, 4, values.map(|v| v.to_be_bytes().to_vec()).concat()),
            (
                1,
                2,
                values.map(|v| (v as f32).to_le_bytes().to_vec()).concat(),
            ),
            (
                2,
                2,
                values.map(|v| (v as f32).to_be_bytes().to_vec()).concat(),
            ),
        ] {
            let record = format!(
                "    58b{order:6}{:6}{:12}{:12}{:6}{:6}{:12}{:12}\n",
                2,
                11,
                bytes.len(),
                0,
                0,
                0,
                0
            );
            let text = file("1", "").replacen("    58\n", &record, 1).replacen(
                "         4         3",
                &format!("{kind:10}         3"),
                1,
            );
            let (head, tail) = text.split_at(text.len() - "    -1\n".len());
            let whole = [head.as_bytes(), &bytes, b"\n", tail.as_bytes()].concat();
            let (responses, _) = parse(&whole).unwrap();
            assert_eq!(responses[0].values, values, "{order} {kind}");
            assert!(parse(&whole[..head.len() + bytes.len() - 1]).is_err());
        }
    }

    #[test]
    fn other_functions_are_passed_over() {
        // A frequency response, and a general function over something else than the time.
        let others = file("4", "1 2 3\n") + &file("0", "1 2 3\n");
        let over_time = file("0", "1 2 3\n").replacen("        12 ", "        17 ", 1);
        assert_eq!(parse(over_time.as_bytes()).unwrap().0.len(), 1);
        let both = others + &file("1", "1 2 3\n");
        let (responses, others) = parse(both.as_bytes()).unwrap();
        assert_eq!((responses.len(), others), (1, 2));
    }

    #[test]
    fn what_is_cut_short_is_refused() {
        let whole = file("1", "1 2 3\n");
        for length in 8..whole.len() - 4 {
            assert!(parse(&whole.as_bytes()[..length]).is_err(), "{length}");
        }
        assert!(parse(b"a,b\n1,2\n").is_err());
        assert!(parse(file("1", "1 2 x\n").as_bytes()).is_err());
        assert!(parse(file("1", "1 2 3 4\n").as_bytes()).is_err());
    }
}
