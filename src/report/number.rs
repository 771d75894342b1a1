//! Numbers as text: digits rounded by their uncertainty.

use crate::reduction::Measured;

use crate::maths;

/// A dash: the value is absent, and a reason stands elsewhere.
pub const ABSENT: &str = "–";

/// Decimals that give `uncertainty` two significant digits, as JCGM 100
/// (GUM), 7.2.6 has it; negative for tens and hundreds. `None` where the
/// uncertainty is zero or no number.
fn decimals_of(uncertainty: f64) -> Option<i32> {
    if !uncertainty.is_finite() || uncertainty <= 0.0 {
        return None;
    }
    let decimals = 1 - maths::log10(uncertainty).floor() as i32;
    // 0.0996 rounds to 0.10, which already has its two digits.
    let rounded = round_to(uncertainty, decimals);
    Some(1 - maths::log10(rounded * (1.0 + 1e-12)).floor() as i32)
}

fn round_to(value: f64, decimals: i32) -> f64 {
    let scale = maths::power_of_ten(decimals);
    (value * scale).round() / scale
}

/// `value` with `decimals`, which may be negative; never `-0`.
pub fn fixed(value: f64, decimals: i32) -> String {
    if !value.is_finite() {
        return ABSENT.to_owned();
    }
    let places = decimals.max(0) as usize;
    let text = format!("{:.places$}", round_to(value, decimals));
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        _ => text,
    }
}

/// `value ± uncertainty`, the uncertainty with two significant digits and the
/// value with as many decimals.
pub fn with_uncertainty(value: Option<f64>, uncertainty: Option<f64>) -> String {
    let Some(value) = value else {
        return ABSENT.to_owned();
    };
    match uncertainty.and_then(|u| Some((u, decimals_of(u)?))) {
        Some((u, decimals)) => format!("{} ± {}", fixed(value, decimals), fixed(u, decimals)),
        None => significant(value, 4),
    }
}

/// A measured value with its uncertainty.
pub fn measured(measured: Option<Measured>) -> String {
    with_uncertainty(
        measured.map(|m| m.value),
        measured.and_then(Measured::stated_u),
    )
}

/// A measured value with the digits that its uncertainty leaves it, the
/// uncertainty itself not written.
pub fn by_uncertainty(measured: Option<Measured>) -> String {
    match measured.map(|m| (m.value, decimals_of(m.u))) {
        None => ABSENT.to_owned(),
        Some((value, Some(decimals))) => fixed(value, decimals),
        Some((value, None)) => significant(value, 4),
    }
}

/// `value` with `digits` significant digits, never in powers of ten.
pub fn significant(value: f64, digits: i32) -> String {
    if value == 0.0 || !value.is_finite() {
        return fixed(value, 0);
    }
    let decimals = digits - 1 - maths::log10(value.abs()).floor() as i32;
    let rounded = round_to(value, decimals);
    let decimals = digits - 1 - maths::log10(rounded.abs() * (1.0 + 1e-12)).floor() as i32;
    fixed(value, decimals)
}

/// `value` with at most `digits` significant digits and no zeros at the end
/// that say nothing: for limits, which are exact.
pub fn plain(value: f64, digits: i32) -> String {
    without_idle_zeros(significant(value, digits))
}

fn without_idle_zeros(text: String) -> String {
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A size rounded up to `digits` significant digits, and to `least` where it is
/// smaller: what may be said after "within".
pub fn within(size: f64, digits: i32, least: f64) -> String {
    if !size.is_finite() {
        return ABSENT.to_owned();
    }
    let size = size.abs().max(least);
    let scale = maths::power_of_ten(digits - 1 - maths::log10(size).floor() as i32);
    // A number that is exact but for its last bits is not rounded up.
    plain((size * scale * (1.0 - 1e-9)).ceil() / scale, digits)
}

/// `value` with three significant digits, but none beyond a thousandth of
/// `limit`: finer ones decide nothing.
pub fn against(value: f64, limit: f64) -> String {
    if value == 0.0 || !value.is_finite() || limit <= 0.0 {
        return plain(value, 3);
    }
    let finest = 3 - maths::log10(limit).floor() as i32;
    let own = 2 - maths::log10(value.abs()).floor() as i32;
    without_idle_zeros(fixed(value, own.min(finest)))
}

/// `value` with one decimal, none where it is whole; never `-0`: coordinates.
pub(super) fn plain_fixed(value: f64) -> String {
    let text = fixed(value, 1);
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}

/// A unit, or a text with one in it, as it is printed: the setup file and the
/// files of results write `um/m` with a letter that every keyboard has.
pub fn with_micro_sign(text: &str) -> String {
    text.replace("um/m", "µm/m")
}

/// `90 min 12 s`-style length for people; below two minutes in seconds.
pub fn duration(seconds: f64) -> String {
    if seconds < 120.0 {
        return format!("{} s", fixed(seconds, 1));
    }
    let whole = seconds.round() as u64;
    let (hours, minutes, rest) = (whole / 3600, whole / 60 % 60, whole % 60);
    if hours > 0 {
        format!("{hours} h {minutes:02} min")
    } else {
        format!("{minutes} min {rest:02} s")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of JCGM 100:2008, 7.2.2: a mass of 100.021 47 g with a
    /// standard uncertainty of 0.35 mg.
    #[test]
    fn digits_follow_the_uncertainty() {
        let mass = with_uncertainty(Some(100.021_47), Some(0.000_35));
        assert_eq!(mass, "100.02147 ± 0.00035");
        // 7.2.6: 10.057 62 Ohm with 27 mOhm is 10.058 Ohm.
        assert_eq!(
            by_uncertainty(Some(Measured::new(10.057_62, 0.027))),
            "10.058"
        );
    }

    #[test]
    fn rounding_up_a_decade_keeps_two_digits() {
        assert_eq!(
            with_uncertainty(Some(1.234_56), Some(0.0996)),
            "1.23 ± 0.10"
        );
        assert_eq!(with_uncertainty(Some(1234.0), Some(99.7)), "1230 ± 100");
        assert_eq!(
            with_uncertainty(Some(0.1), Some(0.000_999_9)),
            "0.1000 ± 0.0010"
        );
    }

    #[test]
    fn what_is_absent_is_a_dash_and_zero_has_no_sign() {
        assert_eq!(with_uncertainty(None, Some(1.0)), ABSENT);
        assert_eq!(with_uncertainty(Some(f64::NAN), None), ABSENT);
        assert_eq!(fixed(-0.000_4, 2), "0.00");
        assert_eq!(fixed(f64::INFINITY, 2), ABSENT);
    }

    #[test]
    fn significant_digits_survive_carries() {
        assert_eq!(significant(9.9996, 4), "10.00");
        assert_eq!(significant(0.001_234_5, 3), "0.00123");
        assert_eq!(significant(-123_456.0, 3), "-123000");
        assert_eq!(plain(20.0, 3), "20");
        assert_eq!(plain(0.7, 3), "0.7");
        assert_eq!(plain(6.251_89, 4), "6.252");
    }

    #[test]
    fn within_never_says_less_than_is_true() {
        assert_eq!(within(0.961, 2, 0.01), "0.97");
        assert_eq!(within(-0.010_000_000_001, 2, 0.001), "0.01");
        assert_eq!(within(0.000_21, 2, 0.001), "0.001");
    }

    #[test]
    fn digits_that_decide_nothing_are_left_out() {
        assert_eq!(against(0.000_051_2, 0.1), "0.0001");
        assert_eq!(against(0.000_012, 0.1), "0");
        assert_eq!(against(-62.415, 20.0), "-62.4");
        assert_eq!(against(7.097, 4.0), "7.1");
        assert_eq!(against(3.0, 0.0), "3");
    }

    #[test]
    fn lengths_read_as_people_say_them() {
        assert_eq!(duration(23.456), "23.5 s");
        assert_eq!(duration(754.0), "12 min 34 s");
        assert_eq!(duration(7_265.0), "2 h 01 min");
    }

    #[test]
    fn digits_follow_the_uncertainty_of_the_guide() {
        // JCGM 100, 7.2.6: 10.057 62 ohm with u = 27 mohm is 10.058 ohm.
        assert_eq!(
            with_uncertainty(Some(10.057_62), Some(0.027)),
            "10.058 ± 0.027"
        );
        assert_eq!(with_uncertainty(Some(198.34), Some(2.07)), "198.3 ± 2.1");
        assert_eq!(with_uncertainty(Some(1234.5), Some(173.0)), "1230 ± 170");
        assert_eq!(with_uncertainty(Some(1.0), Some(0.0996)), "1.00 ± 0.10");
        assert_eq!(with_uncertainty(Some(-3.21), Some(12.0)), "-3 ± 12");
        assert_eq!(with_uncertainty(Some(12.3456), None), "12.35");
        assert_eq!(with_uncertainty(Some(12.3456), Some(f64::NAN)), "12.35");
        assert_eq!(with_uncertainty(Some(0.0), None), "0");
    }
}
