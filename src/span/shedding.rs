//! Vortex shedding: which wind makes which frequency.
//!
//! In: diameter, frequency or wind speed. Out: the other. Pure.

/// Strouhal number of a conductor in aeolian vibration, f d/V = 0.185
/// (IEC 61897; EPRI, "Transmission Line Reference Book: Wind-Induced
/// Conductor Motion"; the line engineer's f = 3.26 V/d with mph and inch).
pub const STROUHAL: f64 = 0.185;

/// Frequency in Hz of the vortices that a wind sheds from a cylinder.
pub fn shedding_frequency_hz(wind_speed_m_s: f64, diameter_mm: f64) -> f64 {
    STROUHAL * wind_speed_m_s / (diameter_mm * 1e-3)
}

/// Wind speed in m/s that sheds vortices at a frequency.
pub fn wind_speed_m_s(frequency_hz: f64, diameter_mm: f64) -> f64 {
    frequency_hz * diameter_mm * 1e-3 / STROUHAL
}

/// The aeolian range, Hz: 0.18/d to 1.4/d with d in m (IEC 61897), winds of
/// about 1 m/s to 7 m/s.
pub fn aeolian_range_hz(diameter_mm: f64) -> (f64, f64) {
    let d = diameter_mm * 1e-3;
    (0.18 / d, 1.4 / d)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MPH_M_S: f64 = 0.447_04; // exact
    const INCH_MM: f64 = 25.4; // exact

    #[test]
    fn the_line_engineers_rule() {
        // f = 3.26 V/d, V in mph, d in inch (EPRI).
        let f = shedding_frequency_hz(10.0 * MPH_M_S, 1.108 * INCH_MM);
        assert!((f - 3.26 * 10.0 / 1.108).abs() < 0.06);
    }

    #[test]
    fn published_wind_speeds() {
        // A line example, tests/reference/bending_strain.csv (line_example_…).
        assert!((wind_speed_m_s(40.0, 13.4) - 2.90).abs() < 0.005);
        // A laboratory's efficiency sheet (scribd 456219705): 2 and 15 mph on
        // 1.38 inch are 4.72 and 35.44 Hz.
        for (mph, hz) in [(2.0, 4.72), (15.0, 35.44)] {
            let f = shedding_frequency_hz(mph * MPH_M_S, 1.38 * INCH_MM);
            assert!((f / hz - 1.0).abs() < 0.002, "{f}");
        }
    }

    #[test]
    fn facts_of_the_trade() {
        // Common practice, no source: on an 18 mm conductor 45 Hz is a wind of
        // about 4 m/s.
        assert!((wind_speed_m_s(45.0, 18.0) - 4.0).abs() < 0.5);
    }

    #[test]
    fn aeolian_range_of_the_standard() {
        // IEC 61897: 0.18/d to 1.4/d; for 21.8 mm that is 8.26 Hz to 64.2 Hz.
        let (low, high) = aeolian_range_hz(21.8);
        assert!((low - 8.257).abs() < 0.001 && (high - 64.22).abs() < 0.01);
    }
}
