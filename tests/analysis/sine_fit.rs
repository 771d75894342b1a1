//! The sine fit against certified and independent values.
//!
//! * NIST StRD 'ENSO', <https://www.itl.nist.gov/div898/strd/nls/data/enso.shtml>
//!   (address from memory): 168 observed monthly values, certified parameters
//!   and standard deviations.
//! * SciPy's `least_squares` on seeded records; made by
//!   `tests/reference/sine_fit_scipy.py`, made anew and compared by `.ci/run`.
//! * SciPy's window and transform for the spectral search that gives the fit
//!   its first guess: `tests/reference/transforms_scipy.py`.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::float_cmp)]

use ndarray::Array2;
use num_complex::Complex64;
use spanhold::tone::fit::{FitError, ToneFit, ToneGuess, fit};
use std::collections::BTreeMap;
use std::f64::consts::TAU;

use crate::first_guess::FirstGuess;

const ENSO: &str = include_str!("../reference/nist_enso.dat");

/// The certified values b1 to b9 and their standard deviations, as printed in
/// the data set's own header.
fn enso_certified() -> BTreeMap<String, [f64; 2]> {
    ENSO.lines()
        .filter_map(|line| {
            let (name, rest) = line.trim().split_once(" =")?;
            let numbers: Vec<f64> = rest
                .split_whitespace()
                .map(str::parse)
                .collect::<Result<_, _>>()
                .ok()?;
            Some((name.to_owned(), [*numbers.get(2)?, *numbers.get(3)?]))
        })
        .collect()
}

/// The number at the end of the header line that starts with `label`.
fn enso_header(label: &str) -> f64 {
    let line = ENSO.lines().find(|line| line.starts_with(label)).unwrap();
    line.split_whitespace().last().unwrap().parse().unwrap()
}

fn enso_samples() -> Array2<f64> {
    let start = ENSO.find("Data:   y          x").unwrap();
    let rows: Vec<[f64; 2]> = ENSO[start..]
        .lines()
        .skip(1)
        .map(|line| {
            let mut numbers = line.split_whitespace().map(|n| n.parse().unwrap());
            [numbers.next().unwrap(), numbers.next().unwrap()]
        })
        .collect();
    for (i, [_, month]) in rows.iter().enumerate() {
        assert_eq!(*month, (i + 1) as f64, "the months are evenly spaced");
    }
    Array2::from_shape_fn((1, rows.len()), |(_, i)| rows[i][0])
}

/// A tone's cosine and sine coefficients at month 0 and their standard
/// deviations, from the phasor at the window's centre.
fn at_month_zero(found: &ToneFit, tone: usize) -> [[f64; 2]; 2] {
    let centre = 84.5; // between month 1 and month 168
    let channel = &found.channels[0];
    let phasor = channel.phasors[tone][0];
    let frequency = found.frequencies[tone];
    let turn = Complex64::cis(-TAU * frequency.frequency_hz * centre);
    let value = phasor.value * turn;
    // d(value) = turn · d(phasor) + slope · d(frequency)
    let slope = Complex64::new(0.0, -TAU * centre) * value;
    let variance = |part: fn(Complex64) -> f64| {
        let (re, im) = (part(turn), part(turn * Complex64::I));
        let with_frequency = channel.frequency_covs[tone][0];
        re * re * phasor.var_re
            + im * im * phasor.var_im
            + 2.0 * re * im * phasor.cov
            + 2.0 * part(slope) * (re * with_frequency.re + im * with_frequency.im)
            + (part(slope) * frequency.frequency_u_hz).powi(2)
    };
    [
        [value.re, variance(|z| z.re).sqrt()],
        [-value.im, variance(|z| z.im).sqrt()],
    ]
}

#[test]
fn certified_three_sine_fit_of_nist() {
    let certified = enso_certified();
    assert_eq!(certified.len(), 9);
    // NIST's second set of starting values; the first (40 and 25 months) lies
    // further off than a line of this window is wide.
    let tones = [12.0, 44.0, 26.0].map(|months: f64| ToneGuess {
        frequency_hz: 1.0 / months,
        free: (months - 12.0).abs() > 1.0,
        orders: 1,
    });
    let found = fit(enso_samples().view(), 1.0, &tones, &[true]).unwrap();
    let channel = &found.channels[0];

    let near = |name: &str, [value, deviation]: [f64; 2]| {
        let [certified_value, certified_deviation] = certified[name];
        // Eleven digits are certified. The fit stops when its next step would
        // be 1e-6 of the standard deviation; on these data a step is half the
        // one before, so that steps worth 2e-6 may be left.
        assert!(
            (value - certified_value).abs() < 2e-6 * certified_deviation,
            "{name}: {value} against {certified_value}"
        );
        assert!(
            (deviation / certified_deviation - 1.0).abs() < 2e-6,
            "standard deviation of {name}: {deviation} against {certified_deviation}"
        );
    };
    near("b1", [channel.offset, channel.offset_u]);
    for (tone, cosine, sine) in [(0, "b2", "b3"), (1, "b5", "b6"), (2, "b8", "b9")] {
        let [c, s] = at_month_zero(&found, tone);
        near(cosine, c);
        near(sine, s);
    }
    for (tone, period) in [(1, "b4"), (2, "b7")] {
        let frequency = found.frequencies[tone];
        let months = 1.0 / frequency.frequency_hz;
        near(period, [months, frequency.frequency_u_hz * months * months]);
    }
    let residual_sum = enso_header("Residual Sum of Squares:");
    assert!((channel.residual_sum / residual_sum - 1.0).abs() < 1e-9);
    let residual_deviation = enso_header("Residual Standard Deviation:");
    assert!((channel.noise_rms / residual_deviation - 1.0).abs() < 1e-9);
}

const RECORDS: &str = include_str!("../reference/sine_fit_records.csv");
const VALUES: &str = include_str!("../reference/sine_fit_values.csv");

struct Record {
    rate_hz: f64,
    samples: Array2<f64>,
}

fn records() -> BTreeMap<String, Record> {
    let mut rows: BTreeMap<String, (f64, Vec<Vec<f64>>)> = BTreeMap::new();
    for row in csv::Reader::from_reader(RECORDS.as_bytes()).records() {
        let row = row.unwrap();
        let samples = row[3].split(' ').map(|x| x.parse().unwrap()).collect();
        let case = rows
            .entry(row[0].to_owned())
            .or_insert_with(|| (row[1].parse().unwrap(), Vec::new()));
        case.1.push(samples);
    }
    rows.into_iter()
        .map(|(name, (rate_hz, channels))| {
            let samples =
                Array2::from_shape_fn((channels.len(), channels[0].len()), |(c, i)| channels[c][i]);
            (name, Record { rate_hz, samples })
        })
        .collect()
}

type Key = (String, String, String, String);

/// (quantity, channel, tone, order) → value, by case.
fn values() -> BTreeMap<String, BTreeMap<Key, f64>> {
    let mut values: BTreeMap<String, BTreeMap<Key, f64>> = BTreeMap::new();
    for row in csv::Reader::from_reader(VALUES.as_bytes()).records() {
        let row = row.unwrap();
        let key = [1, 2, 3, 4].map(|i| row[i].to_owned()).into();
        values
            .entry(row[0].to_owned())
            .or_default()
            .insert(key, row[5].parse().unwrap());
    }
    values
}

fn key(quantity: &str, channel: &str, tone: &str, order: &str) -> Key {
    [quantity, channel, tone, order].map(str::to_owned).into()
}

/// Asks of every value of a case that ours is near.
fn compare(name: &str, values: &BTreeMap<Key, f64>, found: &ToneFit) -> usize {
    let mut compared = 0;
    for ((quantity, channel, tone, order), reference) in values {
        let index = |text: &str| text.parse::<usize>().unwrap();
        let of = |text: &str| &found.channels[index(text)];
        let phasor = || of(channel).phasors[index(tone)][index(order) - 1];
        let with_frequency = || of(channel).frequency_covs[index(tone)][index(order) - 1];
        let frequency = || found.frequencies[index(tone)];
        let get = |q: &str| values[&key(q, channel, tone, order)];
        // Values are asked for in units of their own uncertainty, variances
        // relative, covariances relative to what full correlation would give.
        let (ours, scale) = match quantity.as_str() {
            "frequency_hz" => {
                let u = values.get(&key("frequency_u_hz", "", tone, ""));
                (frequency().frequency_hz, u.copied().unwrap_or(1.0))
            }
            "frequency_u_hz" => (frequency().frequency_u_hz, *reference),
            "offset" => (of(channel).offset, get("offset_u")),
            "offset_u" => (of(channel).offset_u, *reference),
            "residual_sum" => (of(channel).residual_sum, *reference),
            "re" => (phasor().value.re, get("var_re").sqrt()),
            "im" => (phasor().value.im, get("var_im").sqrt()),
            "var_re" => (phasor().var_re, *reference),
            "var_im" => (phasor().var_im, *reference),
            "cov" => (phasor().cov, (get("var_re") * get("var_im")).sqrt()),
            "cov_re_frequency" | "cov_im_frequency" => {
                let u = values[&key("frequency_u_hz", "", tone, "")];
                let re = quantity == "cov_re_frequency";
                let ours = with_frequency();
                let (ours, part) = if re {
                    (ours.re, "var_re")
                } else {
                    (ours.im, "var_im")
                };
                (ours, get(part).sqrt() * u)
            }
            _ => continue,
        };
        assert!(
            (ours - reference).abs() < 1e-6 * scale,
            "{name}, {quantity} of channel {channel:?} tone {tone:?} order {order:?}: \
             {ours:e} against SciPy's {reference:e}"
        );
        compared += 1;
    }
    compared
}

#[test]
fn parameters_and_covariances_agree_with_scipy() {
    let records = records();
    let values = values();
    assert_eq!(records.len(), 6);
    for (name, record) in &records {
        let values = &values[name];
        let count = |quantity: &str| values.keys().filter(|k| k.0 == quantity).count();
        let tones: Vec<ToneGuess> = (0..count("orders"))
            .map(|tone| {
                let get = |quantity: &str| values[&key(quantity, "", &tone.to_string(), "")];
                let free = get("free") == 1.0;
                // A third of a bin off, as a search would have it.
                let bin_hz = record.rate_hz / record.samples.ncols() as f64;
                let off_hz = if free { bin_hz / 3.0 } else { 0.0 };
                ToneGuess {
                    frequency_hz: get("frequency_hz") + off_hz,
                    free,
                    orders: get("orders") as usize,
                }
            })
            .collect();
        let say: Vec<bool> = (0..record.samples.nrows())
            .map(|channel| values[&key("say", &channel.to_string(), "", "")] == 1.0)
            .collect();
        let found = fit(record.samples.view(), record.rate_hz, &tones, &say).unwrap();
        let compared = compare(name, values, &found);
        assert!(compared >= 10, "{name}: {compared} values compared");
    }
}

#[test]
fn the_search_agrees_with_scipy() {
    const SEARCHES: &str = include_str!("../reference/search_values.csv");
    let records = records();
    let mut compared = 0;
    for row in csv::Reader::from_reader(SEARCHES.as_bytes()).records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        let record = &records[&row[0]];
        let counts: Vec<bool> = (0..record.samples.nrows())
            .map(|channel| row[1].split(' ').any(|c| c == channel.to_string()))
            .collect();
        let frames = record.samples.ncols();
        let mut search = FirstGuess::new(frames, record.rate_hz, [number(2), number(3)]);
        let found = search.hz(record.samples.view(), &counts);
        let (peak_hz, over_median) = (number(4), number(5));
        // One of the bands holds no tone: its top is 5.2 times the median.
        if over_median < 10.0 {
            assert_eq!(found, None, "{row:?}");
        } else {
            // Where between two lines a tone stands is read off otherwise there: by a parabola.
            let lines = (found.unwrap() - peak_hz) * frames as f64 / record.rate_hz;
            assert!(lines.abs() < 0.05, "{lines} lines off in {row:?}");
        }
        compared += 1;
    }
    assert_eq!(compared, 9);
}

#[test]
fn a_tone_without_noise_is_found_to_the_last_digits() {
    // The step can then get no smaller than the rounding of the angle; the
    // fit must see that it has arrived. Offsets far above the tone round worst.
    for (frames, rate_hz, frequency_hz, offset) in [
        (300, 200.0, 12.345, 0.0),
        (1200, 1000.0, 43.217, 1e3),
        (40_000, 1000.0, 61.003, -20.0),
    ] {
        let centre = 0.5 * (frames - 1) as f64;
        let samples = Array2::from_shape_fn((1, frames), |(_, i)| {
            offset + (TAU * frequency_hz * (i as f64 - centre) / rate_hz + 0.4).cos()
        });
        let guess = ToneGuess {
            frequency_hz: frequency_hz + 0.4 * rate_hz / frames as f64,
            free: true,
            orders: 2,
        };
        let found = fit(samples.view(), rate_hz, &[guess], &[true]).unwrap();
        assert!((found.frequencies[0].frequency_hz / frequency_hz - 1.0).abs() < 1e-12);
        let phasor = found.channels[0].phasors[0][0].value;
        assert!((phasor - Complex64::cis(0.4)).norm() < 1e-10, "{phasor}");
    }
}

#[test]
fn what_cannot_be_fitted_is_refused() {
    let tone = |frequency_hz, free| ToneGuess {
        frequency_hz,
        free,
        orders: 1,
    };
    let wave = |frames: usize| {
        Array2::from_shape_fn((1, frames), |(_, i)| (TAU * 0.11 * i as f64).sin() + 0.1)
    };
    let few = fit(wave(4).view(), 1.0, &[tone(0.11, true)], &[true]);
    assert!(
        matches!(few, Err(FitError::TooFewSamples { .. })),
        "{few:?}"
    );

    // One tone given twice.
    let twice = [tone(0.11, false), tone(0.11, false)];
    let twice = fit(wave(100).view(), 1.0, &twice, &[true]);
    assert_eq!(twice, Err(FitError::Singular));

    let mut broken = wave(100);
    broken[[0, 50]] = f64::NAN;
    let broken = fit(broken.view(), 1.0, &[tone(0.11, true)], &[true]);
    assert_eq!(broken, Err(FitError::NotFinite));

    // The guess is ten lines away from the only tone there is.
    let far = fit(wave(100).view(), 1.0, &[tone(0.21, true)], &[true]);
    assert_eq!(far, Err(FitError::Diverged));
}
