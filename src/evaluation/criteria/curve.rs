//! A required efficiency curve, transcribed by the user.
//!
//! In: the text of a CSV file. Out: a [`RequiredCurve`], or every fault with
//! its line. Pure.
//!
//! The header must name both columns with their units. This is not pedantry: a
//! published laboratory sheet heads a column of frequencies "wind speed (mph)",
//! and read as it stands every requirement would land at the wrong place.

use std::fmt;

use crate::setup::Sweep;

const FREQUENCY: &str = "frequency_hz";
const REDUCED: &str = "frequency_diameter_hz_m";
const EFFICIENCY: &str = "efficiency_pct";
/// A curve that asks for no more than this anywhere, %, is one of fractions: dampers
/// take tens of per cent (common practice, no source).
const LARGEST_FRACTION: f64 = 1.0;

/// What the curve runs over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Abscissa {
    /// Frequency, Hz.
    Frequency,
    /// Frequency times conductor diameter, Hz m.
    FrequencyTimesDiameter,
}

/// A piecewise linear curve of required efficiency.
#[derive(Debug, Clone, PartialEq)]
pub struct RequiredCurve {
    abscissa: Abscissa,
    /// Strictly rising abscissa, efficiency in %; two points at least.
    points: Vec<(f64, f64)>,
}

/// One thing wrong with a curve's file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CurveFault {
    /// The line, from 1.
    pub line: u64,
    /// What is wrong and what would be right.
    pub text: String,
}

/// Everything wrong with a curve's file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CurveFaults {
    /// The file's name.
    pub file: String,
    /// The faults, in the order of lines.
    pub faults: Vec<CurveFault>,
}

impl fmt::Display for CurveFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (n, fault) in self.faults.iter().enumerate() {
            if n > 0 {
                writeln!(f)?;
            }
            write!(f, "{}:{}: {}", self.file, fault.line, fault.text)?;
        }
        Ok(())
    }
}

impl std::error::Error for CurveFaults {}

impl RequiredCurve {
    /// Reads a curve. Lines that begin with `#` are comments. `file` is the
    /// name for messages.
    pub fn parse(text: &str, file: &str) -> Result<Self, CurveFaults> {
        let mut faults = Vec::new();
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let mut abscissa = None;
        let mut points: Vec<(f64, f64)> = Vec::new();
        for (n, record) in reader.records().enumerate() {
            let record = match record {
                Ok(record) => record,
                Err(error) => {
                    let line = error.position().map_or(0, csv::Position::line);
                    faults.push(fault(line, format!("not a line of CSV text ({error})")));
                    break;
                }
            };
            let line = record.position().map_or(0, csv::Position::line);
            let cells: Vec<&str> = record.iter().collect();
            let result = if n == 0 {
                header(&cells).map(|a| abscissa = Some(a))
            } else {
                row(&cells, points.last().copied()).map(|point| points.push(point))
            };
            if let Err(text) = result {
                faults.push(fault(line, text));
            }
        }
        if faults.is_empty() && points.len() < 2 {
            faults.push(fault(
                1,
                format!(
                    "{} point(s); a curve needs the header \"{FREQUENCY},{EFFICIENCY}\" and two \
                     points or more",
                    points.len()
                ),
            ));
        }
        match abscissa {
            Some(abscissa) if faults.is_empty() => Ok(Self { abscissa, points }),
            _ => Err(CurveFaults {
                file: file.to_owned(),
                faults,
            }),
        }
    }

    /// Required efficiency, %, at a frequency on a conductor. `None` outside
    /// the curve: there it requires nothing.
    pub fn required_pct(&self, frequency_hz: f64, diameter_mm: f64) -> Option<f64> {
        let x = self.abscissa_at(frequency_hz, diameter_mm);
        self.points.windows(2).find_map(|pair| match pair {
            &[(x0, y0), (x1, y1)] if x >= x0 && x <= x1 => {
                Some(y0 + (y1 - y0) * (x - x0) / (x1 - x0))
            }
            _ => None,
        })
    }

    /// The frequencies between which the curve requires something, Hz.
    pub fn range_hz(&self, diameter_mm: f64) -> (f64, f64) {
        let scale = 1.0 / self.abscissa_at(1.0, diameter_mm);
        let at = |point: Option<&(f64, f64)>| point.map_or(f64::NAN, |p| p.0 * scale);
        (at(self.points.first()), at(self.points.last()))
    }

    /// The corners of the curve on a conductor: frequency, Hz, and required
    /// efficiency, %.
    pub fn corners_hz(&self, diameter_mm: f64) -> Vec<(f64, f64)> {
        let scale = 1.0 / self.abscissa_at(1.0, diameter_mm);
        let corners = self.points.iter();
        corners.map(|(x, pct)| (x * scale, *pct)).collect()
    }

    /// What is odd about the curve for a sweep: values that look like fractions, a range
    /// that the sweep leaves.
    pub fn oddities(&self, sweep: Sweep, diameter_mm: f64) -> Vec<String> {
        let mut odd = Vec::new();
        let most_pct = self.points.iter().fold(0.0, |most, (_, pct)| pct.max(most));
        if most_pct <= LARGEST_FRACTION {
            odd.push(format!(
                "no more than {most_pct} % is required anywhere; if these are fractions, per cent are right: {} for {most_pct}",
                100.0 * most_pct
            ));
        }
        let (low_hz, high_hz) = self.range_hz(diameter_mm);
        let (from_hz, to_hz) = (sweep.low_hz.max(low_hz), sweep.high_hz.min(high_hz));
        if from_hz >= to_hz {
            odd.push(format!(
                "the curve goes from {low_hz:.2} to {high_hz:.2} Hz, the sweep from {} to {} Hz: nothing of the sweep is judged by it",
                sweep.low_hz, sweep.high_hz
            ));
        } else if low_hz > sweep.low_hz || high_hz < sweep.high_hz {
            odd.push(format!(
                "the curve goes from {low_hz:.2} to {high_hz:.2} Hz: of the sweep, {} to {} Hz, only {from_hz:.2} to {to_hz:.2} Hz are judged by it",
                sweep.low_hz, sweep.high_hz
            ));
        }
        odd
    }

    fn abscissa_at(&self, frequency_hz: f64, diameter_mm: f64) -> f64 {
        match self.abscissa {
            Abscissa::Frequency => frequency_hz,
            Abscissa::FrequencyTimesDiameter => frequency_hz * diameter_mm * 1e-3,
        }
    }
}

fn fault(line: u64, text: String) -> CurveFault {
    CurveFault { line, text }
}

fn header(cells: &[&str]) -> Result<Abscissa, String> {
    let right = format!(
        "the header has to be \"{FREQUENCY},{EFFICIENCY}\" or \"{REDUCED},{EFFICIENCY}\" \
         (frequency times diameter in metres)"
    );
    let &[abscissa, efficiency] = cells else {
        return Err(format!("{} columns; {right}", cells.len()));
    };
    if efficiency != EFFICIENCY {
        return Err(format!(
            "the second column is headed \"{efficiency}\"; {right}"
        ));
    }
    match abscissa {
        FREQUENCY => Ok(Abscissa::Frequency),
        REDUCED => Ok(Abscissa::FrequencyTimesDiameter),
        other if other.to_lowercase().contains("wind") || other.to_lowercase().contains("mph") => {
            Err(format!(
                "the first column is headed \"{other}\"; sheets have been published with \
                 frequencies under such a heading, so it is not taken. Check what the numbers \
                 are, turn wind speeds into Hz with the Strouhal number that the standard gives, \
                 and head the column \"{FREQUENCY}\""
            ))
        }
        other => Err(format!("the first column is headed \"{other}\"; {right}")),
    }
}

fn row(cells: &[&str], before: Option<(f64, f64)>) -> Result<(f64, f64), String> {
    let &[x, y] = cells else {
        return Err(format!("{} values; each line has two", cells.len()));
    };
    let number = |text: &str| {
        text.parse::<f64>()
            .ok()
            .filter(|v| v.is_finite())
            .ok_or_else(|| format!("\"{text}\" is no number (decimal point, no unit)"))
    };
    let (x, y) = (number(x)?, number(y)?);
    if x <= 0.0 {
        return Err(format!("{x} in the first column; it has to be above 0"));
    }
    if let Some((last, _)) = before
        && x <= last
    {
        return Err(format!(
            "{x} follows {last}; the first column has to rise from line to line"
        ));
    }
    if !(0.0..=100.0).contains(&y) {
        return Err(format!(
            "an efficiency of {y} %; it lies between 0 and 100 %"
        ));
    }
    Ok((x, y))
}
