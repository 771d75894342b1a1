//! The published functions, as numbers.
//!
//! Table points and polynomials: EPRI, "Transmission Line Reference Book:
//! Wind-Induced Conductor Motion", 2009, tables A2.1-1 and A2.1-2, as stored
//! in a public data file. IEC 61897:1998 Annex C: from an anonymous technical
//! manual of 2026 that quotes it, not from the standard. Everything here is
//! second hand: open the source before a signature depends on it.

use super::{Convention, FunctionForm, WindFunction};
use crate::maths;

const EPRI: &str = "EPRI 2009, tables A2.1-1 and A2.1-2, through a public data file";

const fn peak(
    id: &'static str,
    author: &'static str,
    year: Option<u16>,
    valid: (f64, f64),
    source: &'static str,
    form: FunctionForm,
) -> WindFunction {
    WindFunction {
        id,
        author,
        year,
        convention: Convention::Peak,
        valid,
        source,
        form,
    }
}

/// All functions. The table forms are valid only where the table has points.
pub static FUNCTIONS: &[WindFunction] = &[
    peak(
        "farquharson-mchugh-1956",
        "Farquharson & McHugh",
        Some(1956),
        (0.01, 0.17),
        EPRI,
        FunctionForm::Polynomial([
            6.51807e-4,
            171.046_11,
            -1_746.419_02,
            14_889.229_68,
            -87_265.233_58,
            330_860.200_86,
            -720_484.661_35,
            678_441.924_98,
        ]),
    ),
    peak(
        "farquharson-mchugh-1956-table",
        "Farquharson & McHugh",
        Some(1956),
        (0.01, 0.10),
        EPRI,
        FunctionForm::Points(&[(0.01, 0.02), (0.03, 0.11), (0.06, 0.40), (0.10, 0.84)]),
    ),
    peak(
        "carroll-1936",
        "Carroll",
        Some(1936),
        (0.027, 0.26),
        EPRI,
        FunctionForm::Polynomial([
            1.573_07,
            114.040_78,
            -804.627_61,
            4_979.354_18,
            -22_730.025_52,
            68_022.209_96,
            -117_502.979_68,
            88_282.535_36,
        ]),
    ),
    peak(
        "carroll-1936-table",
        "Carroll",
        Some(1936),
        (0.03, 0.10),
        EPRI,
        FunctionForm::Points(&[(0.03, 0.11), (0.06, 0.40), (0.10, 0.85)]),
    ),
    peak(
        "rawlins-1958",
        "Rawlins",
        Some(1958),
        (0.026, 0.26),
        EPRI,
        FunctionForm::Polynomial([
            0.235_55,
            184.805_87,
            -1_166.871_18,
            6_226.342_9,
            -25_617.401_5,
            71_498.141_06,
            -117_476.061_11,
            84_876.933_78,
        ]),
    ),
    peak(
        "rawlins-1958-table",
        "Rawlins",
        Some(1958),
        (0.03, 0.20),
        EPRI,
        FunctionForm::Points(&[(0.03, 0.18), (0.06, 0.50), (0.10, 1.20), (0.20, 3.20)]),
    ),
    peak(
        "bate-1930",
        "Bate",
        Some(1930),
        (0.04, 0.26),
        EPRI,
        FunctionForm::Polynomial([
            5.510_21,
            144.836_11,
            -879.826_68,
            5_524.750_28,
            -29_042.903_44,
            97_156.066_05,
            -180_845.342_78,
            143_111.155_15,
        ]),
    ),
    peak(
        "bate-1930-table",
        "Bate",
        Some(1930),
        (0.06, 0.20),
        EPRI,
        FunctionForm::Points(&[(0.06, 0.65), (0.10, 1.60), (0.20, 3.90)]),
    ),
    peak(
        "diana-falco-1971",
        "Diana & Falco",
        Some(1971),
        (0.01, 0.85),
        EPRI,
        FunctionForm::Polynomial([
            3.128_58,
            208.972,
            -1_048.688_29,
            3_894.564_24,
            -8_396.672_35,
            9_919.957_3,
            -6_137.309_05,
            1_573.970_4,
        ]),
    ),
    peak(
        "diana-falco-1971-table",
        "Diana & Falco",
        Some(1971),
        (0.03, 0.80),
        EPRI,
        FunctionForm::Points(&[
            (0.03, 0.23),
            (0.06, 0.70),
            (0.10, 1.80),
            (0.20, 5.00),
            (0.30, 9.00),
            (0.40, 14.0),
            (0.50, 18.0),
            (0.60, 20.0),
            (0.70, 21.0),
            (0.80, 20.0),
        ]),
    ),
    peak(
        "brika-laneville-1995",
        "Brika & Laneville",
        Some(1995),
        (0.01, 0.40),
        EPRI,
        // The sixth coefficient: see the module's list of faults.
        FunctionForm::Polynomial([
            1.798_38,
            118.934_29,
            -432.367_54,
            2_188.630_16,
            -11_857.167_38,
            39_612.628_33,
            -68_607.577_65,
            45_073.019,
        ]),
    ),
    peak(
        "brika-laneville-1995-table",
        "Brika & Laneville",
        Some(1995),
        (0.01, 0.40),
        EPRI,
        FunctionForm::Points(&[
            (0.01, 0.03),
            (0.03, 0.17),
            (0.06, 0.49),
            (0.10, 1.10),
            (0.20, 3.20),
            (0.30, 5.50),
            (0.40, 6.00),
        ]),
    ),
    peak(
        "rawlins-1983-table",
        "Rawlins",
        Some(1983),
        (0.03, 0.70),
        EPRI,
        FunctionForm::Points(&[
            (0.03, 0.18),
            (0.06, 0.60),
            (0.10, 1.60),
            (0.20, 4.00),
            (0.30, 6.50),
            (0.40, 9.00),
            (0.50, 10.1),
            (0.60, 10.7),
            (0.70, 10.8),
        ]),
    ),
    peak(
        "pon-1989",
        "Pon et al.",
        Some(1989),
        (0.01, 0.30),
        EPRI,
        FunctionForm::Polynomial([
            2.268_94,
            134.820_29,
            312.711_15,
            -8_038.408_39,
            31_926.38,
            -40_289.967_69,
            79.975_53,
            -40.252_53,
        ]),
    ),
    peak(
        "pon-1989-table",
        "Pon et al.",
        Some(1989),
        (0.01, 0.30),
        EPRI,
        FunctionForm::Points(&[
            (0.01, 0.04),
            (0.03, 0.20),
            (0.06, 0.60),
            (0.10, 1.50),
            (0.20, 3.00),
            (0.30, 4.50),
        ]),
    ),
    WindFunction {
        id: "iec-61897-1998",
        author: "IEC 61897 Annex C",
        year: Some(1998),
        convention: Convention::PeakToPeak,
        valid: (0.01, 0.40),
        source: "quoted by an anonymous technical manual, 2026; not checked against the standard",
        form: FunctionForm::LogPolynomial([
            -0.491_949, -11.802_9, -43.553_2, -78.587_6, -86.119_9, -58.180_8, -23.608_2,
            -5.267_05, -0.495_885,
        ]),
    },
    peak(
        "cigre-foti-martinelli-2018",
        "CIGRE, as given by Foti & Martinelli",
        Some(2018),
        (0.05, 0.50),
        "public research code that quotes Foti & Martinelli 2018; without turbulence",
        FunctionForm::Closed(|x| -99.73 * maths::cube(x) + 101.62 * x * x + 0.1627 * x + 0.2256),
    ),
    peak(
        "foti-martinelli-2018-rational",
        "rational fit in code that quotes Foti & Martinelli",
        Some(2018),
        (0.01, 0.50),
        "public research code; valid range not stated there, cut where others end",
        FunctionForm::Closed(|x| {
            (0.669 * x + 12.843 * x * x - 13.223 * maths::cube(x))
                / (0.168 - 0.097 * x + 0.119 * x * x - 0.057 * maths::cube(x))
        }),
    ),
    peak(
        "riegert-currie-undated",
        "Riegert & Currie",
        None,
        (0.01, 0.50),
        "an unreviewed energy-balance script; valid range not stated there",
        FunctionForm::Closed(|x| {
            807.4 * maths::powf(x, 1.953)
                - 767.6 * x * x
                - 3.2 * maths::cube(x)
                - 78.2 * maths::whole_power(x, 4)
        }),
    ),
];
