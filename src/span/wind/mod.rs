//! Wind power functions: what a steady wind puts into a vibrating conductor.
//!
//! In: the name of a published function, an amplitude, a diameter, a
//! frequency. Out: W per metre of conductor, or `None` outside the function's
//! valid range. Pure.
//!
//! All have the form `P = L · d⁴ · f³ · Fnc(Y/d)` with Fnc in W s³/m⁵. The
//! authors differ by a factor of two, and in what Y is: peak in the tables of
//! EPRI and CIGRE, peak-to-peak in IEC 61897:1998. Callers of this module
//! always give **peak** amplitude; each function turns it into its own
//! convention. A figure is worth nothing without author, year and convention:
//! [`WindFunction::label`] gives all three.
//!
//! Faults known in the transcriptions that circulate:
//!
//! * IEC 61897:1998 Annex C: the sign of the coefficient a1 (−11.8029) is lost
//!   in some scans. Above Y_pp/d of about 0.4 the polynomial falls away from
//!   every other author; the valid range is not known to us and is cut there.
//! * Brika and Laneville 1995: a public data file has the sixth coefficient as
//!   +68607.6; with it Fnc(0.4) is 231 where the table says 6.0. It is −68607.6.
//! * Rawlins 1983: the polynomial that goes with the table does not give the
//!   table (1.59 for 0.18 at Y/d = 0.03). Only the table points are used.
//! * CIGRE closed form: Fnc(0) = 0.2256, not 0: too high below Y/d of about
//!   0.05 and cut there. A public copy has the two middle signs negative.

mod published;

use crate::maths;

pub use published::FUNCTIONS;

/// What a function means by its amplitude.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Convention {
    /// Zero-to-peak amplitude over diameter.
    Peak,
    /// Peak-to-peak amplitude over diameter.
    PeakToPeak,
}

/// How a function is written down.
#[derive(Debug, Clone, Copy)]
pub(crate) enum FunctionForm {
    /// x (c0 + c1 x + … + c7 x⁷).
    Polynomial([f64; 8]),
    /// 10^(Σ a_i (log10 x)^i).
    LogPolynomial([f64; 9]),
    /// Chart readings, straight lines between them on logarithmic axes.
    Points(&'static [(f64, f64)]),
    /// A formula of its own.
    Closed(fn(f64) -> f64),
}

/// One published wind power function.
#[derive(Debug, Clone, Copy)]
pub struct WindFunction {
    /// The name by which a user selects it.
    pub id: &'static str,
    /// Author.
    pub author: &'static str,
    /// Year; `None` where the source names none.
    pub year: Option<u16>,
    /// What it means by amplitude.
    pub convention: Convention,
    /// Lowest and highest amplitude over diameter, in its own convention, at
    /// which it may be used.
    pub valid: (f64, f64),
    /// Where the numbers were read.
    pub source: &'static str,
    pub(crate) form: FunctionForm,
}

impl PartialEq for WindFunction {
    /// One id, one function.
    fn eq(&self, other: &Self) -> bool {
        self.id == other.id
    }
}

impl serde::Serialize for WindFunction {
    /// As its id.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.id)
    }
}

impl WindFunction {
    /// The function with this id.
    pub fn by_id(id: &str) -> Option<&'static Self> {
        FUNCTIONS.iter().find(|function| function.id == id)
    }

    /// Author, year and convention, for every place where a figure is shown.
    pub fn label(&self) -> String {
        let convention = match self.convention {
            Convention::Peak => "Y peak",
            Convention::PeakToPeak => "Y peak-to-peak",
        };
        let form = match self.form {
            FunctionForm::Points(_) => ", table points",
            FunctionForm::Polynomial(_) | FunctionForm::LogPolynomial(_) => ", polynomial",
            FunctionForm::Closed(_) => "",
        };
        let year = self
            .year
            .map_or("undated".to_owned(), |year| year.to_string());
        format!("{} {year}{form} ({convention})", self.author)
    }

    /// The valid range as peak amplitude over diameter.
    pub fn valid_peak_over_diameter(&self) -> (f64, f64) {
        match self.convention {
            Convention::Peak => self.valid,
            Convention::PeakToPeak => (self.valid.0 / 2.0, self.valid.1 / 2.0),
        }
    }

    /// Fnc at a **peak** amplitude over diameter, W s³/m⁵. `None` outside the
    /// valid range.
    pub fn reduced_power(&self, peak_over_diameter: f64) -> Option<f64> {
        let x = match self.convention {
            Convention::Peak => peak_over_diameter,
            Convention::PeakToPeak => 2.0 * peak_over_diameter,
        };
        // Room for rounding only, so that a table's own end points count.
        let (low, high) = self.valid;
        if !(x >= low * (1.0 - 1e-9) && x <= high * (1.0 + 1e-9)) {
            return None;
        }
        match self.form {
            FunctionForm::Polynomial(c) => Some(x * horner(&c, x)),
            FunctionForm::LogPolynomial(a) => Some(maths::powf(10f64, horner(&a, maths::log10(x)))),
            FunctionForm::Points(points) => log_log_between(points, x.clamp(low, high)),
            FunctionForm::Closed(formula) => Some(formula(x)),
        }
    }

    /// Wind power per metre, W/m, at a peak amplitude. `None` outside the
    /// valid range.
    pub fn power_w_per_m(
        &self,
        frequency_hz: f64,
        amplitude_mm_peak: f64,
        diameter_mm: f64,
    ) -> Option<f64> {
        let d = diameter_mm * 1e-3;
        self.reduced_power(amplitude_mm_peak / diameter_mm)
            .map(|fnc| maths::cube(frequency_hz) * maths::whole_power(d, 4) * fnc)
    }
}

fn horner(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Straight line between the neighbouring points on logarithmic axes: the
/// functions are close to powers of x, which are straight there.
fn log_log_between(points: &[(f64, f64)], x: f64) -> Option<f64> {
    points.windows(2).find_map(|pair| match pair {
        &[(x0, y0), (x1, y1)] if x >= x0 && x <= x1 => {
            let part = maths::ln(x / x0) / maths::ln(x1 / x0);
            Some(y0 * maths::powf(y1 / y0, part))
        }
        _ => None,
    })
}

#[cfg(test)]
mod tests;
