//! A text table: a frame a line, a column a channel, with or without the time.
//!
//! In: the text. Out: samples. What stands before the first line of numbers is
//! taken for a heading; behind it every line has to have the same number of columns.
//! Semicolons, tabs, commas or blanks part the columns; with semicolons, tabs and
//! blanks, and within quotation marks, a comma is a decimal sign. A number with both
//! signs is refused: which of them parts thousands cannot be told.

use ndarray::Array2;

use super::{TimeHistory, TimeHistoryFault, fault};

/// What a table does not say itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TimeBase {
    /// The column of the time in seconds, from 1; the rate is taken from it.
    Column(usize),
    /// No column is the time; the samples come at this rate, Hz.
    RateHz(f64),
}

/// No heading is longer.
const MOST_HEADING_LINES: usize = 200;

/// How far a time may be from its place on an even grid, in sampling intervals. Times
/// with few digits are rounded; one that is this far off is of another sample.
const MOST_JITTER: f64 = 0.24;

/// Two times one after the other that are this many sampling intervals apart have a sample
/// missing between them.
const MOST_STEPS_APART: f64 = 1.5;

/// Reads a table.
///
/// # Errors
/// Where a line has no numbers, another number of columns, or a time that is not on
/// the grid of the others.
pub fn parse(text: &str, base: TimeBase) -> Result<TimeHistory, TimeHistoryFault> {
    let mut columns: Vec<Vec<f64>> = Vec::new();
    let mut first_line = 0;
    let mut separator = Separator::Blanks;
    let text = text.trim_start_matches('\u{feff}');
    for (number, line) in (1..).zip(text.lines()) {
        if line.trim().is_empty() {
            continue;
        }
        if columns.is_empty() {
            separator = Separator::of(line);
            match separator.numbers(line) {
                Ok(numbers) if numbers.iter().any(|number| number.is_finite()) => {
                    first_line = number;
                    columns = numbers.into_iter().map(|number| vec![number]).collect();
                }
                Err(Cell::TwoSigns(cell)) => return Err(fault(number, two_signs(&cell))),
                _ if number > MOST_HEADING_LINES => {
                    return Err(fault(
                        number,
                        format!(
                            "no line of numbers in {MOST_HEADING_LINES} lines; a table of numbers is right"
                        ),
                    ));
                }
                _ => {}
            }
            continue;
        }
        let numbers = separator.numbers(line).map_err(|cell| match cell {
            Cell::TwoSigns(cell) => fault(number, two_signs(&cell)),
            Cell::NoNumber(cell) => fault(number, format!("\"{cell}\" is no number")),
        })?;
        if numbers.len() != columns.len() {
            return Err(fault(
                number,
                format!(
                    "{} columns, and {} at line {first_line}; the same number in every line is right",
                    numbers.len(),
                    columns.len()
                ),
            ));
        }
        for (column, number) in columns.iter_mut().zip(numbers) {
            column.push(number);
        }
    }
    if columns.is_empty() {
        return Err(fault(1, "no line of numbers; a table of numbers is right"));
    }
    if separator == Separator::Commas && commas_may_be_decimal(text.lines().skip(first_line - 1)) {
        return Err(fault(
            first_line,
            "every second column holds a fixed number of digits, so that its comma may be a decimal sign; \
             decimal points, or semicolons, tabs or blanks between the columns are right",
        ));
    }
    let rate_hz = match base {
        TimeBase::Column(column) => {
            if column == 0 || column > columns.len() {
                return Err(fault(
                    first_line,
                    format!(
                        "there is no column {column} for the time; there are {}",
                        columns.len()
                    ),
                ));
            }
            rate_of(&columns.remove(column - 1), first_line)?
        }
        TimeBase::RateHz(rate_hz) => rate_hz,
    };
    let frames = columns.first().map_or(0, Vec::len);
    let values: Vec<f64> = columns.concat();
    let samples = Array2::from_shape_vec((columns.len(), frames), values)
        .map_err(|error| fault(first_line, error.to_string()))?;
    Ok(TimeHistory {
        rate_hz,
        first_sample: 0,
        samples,
    })
}

fn two_signs(cell: &str) -> String {
    format!(
        "\"{cell}\" has a comma and a point; a number without signs that part its thousands is right"
    )
}

/// What parts the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Separator {
    Semicolons,
    Tabs,
    Commas,
    Blanks,
}

/// Why a cell is refused.
enum Cell {
    NoNumber(String),
    TwoSigns(String),
}

impl Separator {
    fn of(line: &str) -> Self {
        if line.contains(';') {
            Self::Semicolons
        } else if line.contains('\t') {
            Self::Tabs
        } else if line.contains(',') && !line.trim().contains(' ') || line.contains(", ") {
            Self::Commas
        } else {
            Self::Blanks
        }
    }

    fn numbers(self, line: &str) -> Result<Vec<f64>, Cell> {
        let sign = match self {
            Self::Semicolons => ';',
            Self::Tabs => '\t',
            Self::Commas => ',',
            Self::Blanks => return line.split_whitespace().map(number_of).collect(),
        };
        cells(line, sign).map(number_of).collect()
    }
}

/// The cells of a line; what parts them may stand in a cell between quotation marks.
fn cells(line: &str, sign: char) -> impl Iterator<Item = &str> {
    let mut is_quoted = false;
    line.split(move |letter| {
        is_quoted ^= letter == '"';
        letter == sign && !is_quoted
    })
}

/// An empty cell has no value.
fn number_of(cell: &str) -> Result<f64, Cell> {
    let cell = cell.trim().trim_matches('"').trim();
    if cell.is_empty() {
        return Ok(f64::NAN);
    }
    if cell.contains(',') && cell.contains('.') {
        let is_number = cell.replace([',', '.'], "").parse::<f64>().is_ok();
        return Err(if is_number {
            Cell::TwoSigns(cell.to_owned())
        } else {
            Cell::NoNumber(cell.to_owned())
        });
    }
    cell.replace(',', ".")
        .parse()
        .map_err(|_| Cell::NoNumber(cell.to_owned()))
}

/// Whether `1,50,2,25` may be two numbers: as many digits in every line, without a
/// sign, in every second cell.
fn commas_may_be_decimal<'a>(mut lines: impl Iterator<Item = &'a str>) -> bool {
    let digits = |line: &'a str| -> Option<Vec<usize>> {
        let cells: Vec<&str> = cells(line, ',').map(str::trim).collect();
        let decimals = cells.iter().skip(1).step_by(2).map(|cell| {
            let mantissa = cell.split(['e', 'E']).next().unwrap_or_default();
            let is_plain = !mantissa.is_empty() && mantissa.bytes().all(|b| b.is_ascii_digit());
            is_plain.then_some(mantissa.len())
        });
        let has_point = cells.iter().any(|cell| cell.contains(['.', '"']));
        (cells.len().is_multiple_of(2) && !has_point)
            .then(|| decimals.collect())
            .flatten()
    };
    let Some(first) = lines.next().and_then(digits) else {
        return false;
    };
    lines
        .filter(|line| !line.trim().is_empty())
        .all(|line| digits(line).as_ref() == Some(&first))
}

/// The rate that times on an even grid have.
fn rate_of(times_s: &[f64], first_line: usize) -> Result<f64, TimeHistoryFault> {
    let (Some(first), Some(last)) = (times_s.first(), times_s.last()) else {
        return Err(fault(first_line, "no time"));
    };
    let interval_s = (last - first) / (times_s.len() as f64 - 1.0);
    if !(interval_s.is_finite() && interval_s > 0.0) {
        return Err(fault(
            first_line,
            "the times do not go up; two samples or more, in seconds, each later than the one before, are right",
        ));
    }
    // A gap moves the grid of all the others: it is looked for first.
    for (frame, pair) in (1..).zip(times_s.windows(2)) {
        if let [before, after] = pair
            && !(MOST_STEPS_APART * interval_s > after - before && after > before)
        {
            return Err(fault(
                first_line + frame,
                format!(
                    "the time goes from {before} s to {after} s, and elsewhere by {interval_s:.6} s a line; evenly \
                     spaced samples without a gap are right"
                ),
            ));
        }
    }
    for (frame, time_s) in times_s.iter().enumerate() {
        let off = (time_s - first) / interval_s - frame as f64;
        if off.is_nan() || off.abs() > MOST_JITTER {
            return Err(fault(
                first_line + frame,
                format!(
                    "the time {time_s} s is not where an even grid of {interval_s:.6} s has it; evenly \
                     spaced samples without a gap are right"
                ),
            ));
        }
    }
    Ok(interval_s.recip())
}

/// Whether numbers go up evenly from line to line, as the time and the number of a
/// sample do and no measured value does.
pub fn rises_evenly(numbers: &[f64]) -> bool {
    numbers.len() >= 4 && rate_of(numbers, 1).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(history: &TimeHistory) -> Vec<Vec<f64>> {
        let rows = history.samples.rows();
        rows.into_iter().map(|row| row.to_vec()).collect()
    }

    #[test]
    fn a_heading_a_decimal_comma_and_a_time_column() {
        let text = "\u{feff}Bench 2; 17 March\r\nt [s];a [m/s2];b\r\n0,000;1,5;-2\r\n0,005;2,5e-1;\r\n0,010;3;4\r\n\r\n";
        let history = parse(text, TimeBase::Column(1)).unwrap();
        assert!((history.rate_hz - 200.0).abs() < 1e-9);
        let rows = rows(&history);
        assert_eq!(rows[0], [1.5, 0.25, 3.0]);
        assert_eq!((rows[1][0], rows[1][2]), (-2.0, 4.0));
        assert!(rows[1][1].is_nan());
    }

    #[test]
    fn commas_tabs_and_blanks_part_columns() {
        for text in [
            "a,b\n1.5,2\n3,4\n",
            "1.5, 2\n3, 4\n",
            "1,5\t2\n3\t4\n",
            " 1,5   2\n 3 4",
            "Bench 2, version 1.4; March\n1,5;2\n3;4\n",
            "\"1,5\",\"2\"\n\"3,0\",\"4\"\n",
            "1.5,2\n3.0,4\n",
        ] {
            let history = parse(text, TimeBase::RateHz(100.0)).unwrap();
            assert_eq!(rows(&history), [[1.5, 3.0], [2.0, 4.0]], "{text:?}");
            assert_eq!(history.rate_hz.to_bits(), 100.0_f64.to_bits());
        }
    }

    #[test]
    fn whole_numbers_between_commas_and_empty_last_cells() {
        let rate = TimeBase::RateHz(100.0);
        // Counts of a converter: no decimal comma gives them.
        let counts = parse("12,-7\n13,120\n", rate).unwrap();
        assert_eq!(rows(&counts), [[12.0, 13.0], [-7.0, 120.0]]);
        let tabs = parse("1\t2\n3\t\n", rate).unwrap();
        assert!(rows(&tabs)[1][1].is_nan());
    }

    #[test]
    fn the_time_and_the_number_of_the_sample_rise_evenly() {
        assert!(rises_evenly(&[0.0, 5.0, 10.0, 15.0]));
        assert!(rises_evenly(&[0.001, 0.006, 0.012, 0.017]));
        assert!(!rises_evenly(&[0.0, 1.0, 1.5, 3.0]));
        assert!(!rises_evenly(&[2.0; 4]));
    }

    #[test]
    fn what_cannot_be_told_is_refused_with_its_line() {
        let refused = |text: &str, base: TimeBase| {
            let fault = parse(text, base).unwrap_err();
            (fault.line, fault.what)
        };
        let rate = TimeBase::RateHz(100.0);
        for (text, base, line, what) in [
            ("a\n1;2\n3;x\n", rate, 3, "\"x\" is no number"),
            ("1;2\n3;4;5\n", rate, 2, "3 columns, and 2 at line 1"),
            ("1.234,5;2\n", rate, 1, "has a comma and a point"),
            ("1;2\n1.234,5;2\n", rate, 2, "has a comma and a point"),
            ("only words\n", rate, 1, "no line of numbers"),
            ("", rate, 1, "no line of numbers"),
            (
                "0;1\n0.01;1\n0.0235;1\n0.03;1\n",
                TimeBase::Column(1),
                3,
                "even grid",
            ),
            (
                "0;1\n1;1\n2;1\n3;1\n4;1\n6;1\n7;1\n8;1\n",
                TimeBase::Column(1),
                6,
                "goes from 4 s to 6 s, and elsewhere by 1.142857 s a line",
            ),
            (
                "0;1\n1;1\n2;1\n1;1\n4;1\n",
                TimeBase::Column(1),
                4,
                "goes from 2 s to 1 s",
            ),
            ("5;1\n5;1\n", TimeBase::Column(1), 1, "do not go up"),
            ("0;1\n", TimeBase::Column(1), 1, "do not go up"),
            ("0;1\n1;1\n", TimeBase::Column(3), 1, "no column 3"),
            (
                "a;b\n\"1,5\";\"2.5,0\"\n",
                rate,
                2,
                "has a comma and a point",
            ),
            (
                "0,500,1,250\n0,510,2,000\n",
                rate,
                1,
                "may be a decimal sign",
            ),
        ] {
            let (at, said) = refused(text, base);
            assert!(at == line && said.contains(what), "{text:?}: {at}: {said}");
        }
    }
}
