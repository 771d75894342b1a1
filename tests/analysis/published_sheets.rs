//! Two sheets that a laboratory published: what follows from them must follow
//! from this program. They stand under `tests/reference/` with their source.
//!
//! Neither sheet states span length, tension or mass. Each gives the wave
//! speed (the damper sits at 70 % of the loop at the highest frequency) and
//! the frequencies of its harmonics; the span length and EI/T come out by a fit.

use spanhold::span::StrungConductor;

use crate::bench::run_folder::{code, spanhold};

const INCH_M: f64 = 0.0254; // exact

/// One sheet: frequencies, Hz; the first harmonic's number; the wave speed.
struct Sheet {
    frequencies_hz: Vec<f64>,
    first_harmonic: u32,
    wave_speed_m_s: f64,
    diameter_mm: f64,
    sweep_hz: (f64, f64),
}

fn first_column(table: &str) -> Vec<f64> {
    table
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').next().unwrap().parse().unwrap())
        .collect()
}

/// Loop at 15 mph from the damper's place (70 % of it), times 2 f.
fn wave_speed_m_s(damper_inch: f64, top_hz: f64) -> f64 {
    damper_inch * INCH_M / 0.7 * 2.0 * top_hz
}

fn sheet_795() -> Sheet {
    Sheet {
        frequencies_hz: first_column(include_str!("../reference/lab_sheet_795_acsr.csv")),
        first_harmonic: 4,
        wave_speed_m_s: wave_speed_m_s(50.4, 44.05),
        diameter_mm: 28.2,
        sweep_hz: (5.87, 44.5),
    }
}

fn sheet_1272() -> Sheet {
    // The column is mph; 2 and 15 mph are 4.72 and 35.44 Hz on the same sheet.
    let mph = first_column(include_str!("../reference/lab_sheet_1272_acsr.csv"));
    Sheet {
        frequencies_hz: mph.iter().map(|v| v * 35.44 / 15.0).collect(),
        first_harmonic: 3,
        wave_speed_m_s: wave_speed_m_s(59.6, 35.44),
        diameter_mm: 35.05,
        sweep_hz: (4.72, 35.6),
    }
}

impl Sheet {
    /// Mass is free: only c and EI/T act on the harmonics.
    fn span(&self, length_m: f64, stiffness_over_tension_m2: f64) -> StrungConductor {
        let mass_kg_per_m = 1.5;
        let tension_n = mass_kg_per_m * self.wave_speed_m_s.powi(2);
        StrungConductor {
            tension_n,
            mass_kg_per_m,
            bending_stiffness_n_m2: stiffness_over_tension_m2 * tension_n,
            length_m,
        }
    }

    fn rms_hz(&self, span: &StrungConductor, law: fn(&StrungConductor, u32) -> f64) -> f64 {
        let sum: f64 = (self.first_harmonic..)
            .zip(&self.frequencies_hz)
            .map(|(n, f)| (law(span, n) - f).powi(2))
            .sum();
        (sum / self.frequencies_hz.len() as f64).sqrt()
    }

    /// Length and EI/T of least rms, by a search on ever finer grids.
    fn fit(&self, law: fn(&StrungConductor, u32) -> f64) -> (f64, f64, f64) {
        let (mut length, mut stiffness, mut rms) = (48.0, 0.05, f64::INFINITY);
        let (mut step_m, mut step_m2) = (1.0, 0.02);
        for _ in 0..12 {
            let centre = (length, stiffness);
            for i in -6..=6 {
                for j in -6..=6 {
                    let l = centre.0 + f64::from(i) * step_m;
                    let s = (centre.1 + f64::from(j) * step_m2).max(0.0);
                    let r = self.rms_hz(&self.span(l, s), law);
                    if r < rms {
                        (length, stiffness, rms) = (l, s, r);
                    }
                }
            }
            step_m /= 2.0;
            step_m2 /= 2.0;
        }
        (length, stiffness, rms)
    }
}

#[test]
fn both_sheets_come_from_one_span() {
    // tests/reference/published_sheet_fit.py: the same fits by SciPy.
    let reference = include_str!("../reference/published_sheet_fit.csv");
    let mut lengths_m = Vec::new();
    for line in reference.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let sheet = match cells[0] {
            "lab_sheet_795_acsr.csv" => sheet_795(),
            _ => sheet_1272(),
        };
        let law: fn(&StrungConductor, u32) -> f64 = match cells[1] {
            "pinned" => StrungConductor::pinned_harmonic_hz,
            _ => StrungConductor::clamped_harmonic_hz,
        };
        let expected: Vec<f64> = cells[2..].iter().map(|c| c.parse().unwrap()).collect();
        let (length_m, stiffness, rms_hz) = sheet.fit(law);
        assert!((length_m - expected[0]).abs() < 0.01, "{line}: {length_m}");
        assert!(
            (stiffness - expected[1]).abs() < 1e-4,
            "{line}: {stiffness}"
        );
        assert!((rms_hz - expected[2]).abs() < 1e-4, "{line}: {rms_hz}");
        lengths_m.push(length_m);
    }
    // One span: the damper's place is printed to 0.1 inch, the 70 % of the
    // loop to a per cent, so 1.5 % is what two sheets can agree to.
    let (pinned, clamped) = (lengths_m[2] / lengths_m[0], lengths_m[3] / lengths_m[1]);
    assert!((pinned - 1.0).abs() < 0.015 && (clamped - 1.0).abs() < 0.015);
}

#[test]
fn a_string_without_stiffness_does_not_fit() {
    for sheet in [sheet_795(), sheet_1272()] {
        let best = (400..600)
            .map(|decimetres| {
                let span = sheet.span(f64::from(decimetres) / 10.0, 0.0);
                sheet.rms_hz(&span, StrungConductor::string_harmonic_hz)
            })
            .fold(f64::INFINITY, f64::min);
        assert!(best > 0.15, "{best}");
    }
}

#[test]
fn plan_visits_the_harmonics_of_both_sheets() {
    let folder = tempfile::tempdir().unwrap();
    for (name, sheet, numbers) in [("795", sheet_795(), 4..=25), ("1272", sheet_1272(), 3..=21)] {
        let (length_m, stiffness, _) = sheet.fit(StrungConductor::clamped_harmonic_hz);
        let span = sheet.span(length_m, stiffness);
        let text = format!(
            "[test]\ntitle = \"published sheet {name}\"\n\
             [conductor]\ndesignation = \"{name} kcmil\"\ndiameter_mm = {}\nmass_kg_per_m = {}\n\
             bending_stiffness_n_m2 = {}\n\
             [span]\nlength_m = {length_m}\ntension_kn = {}\n\
             [sweep]\nlow_hz = {}\nhigh_hz = {}\n\
             [amplitude]\nrule = \"inverse-frequency\"\nvalue = 76.2\n\
             [[source]]\nname = \"bench\"\nkind = \"wav\"\nrate_hz = 1000.0\n\
             [[channel]]\nname = \"antinode\"\nrole = \"antinode\"\nsource = \"bench\"\nindex = 0\n\
             unit = \"mm/s\"\nfull_scale = 1000.0\n",
            sheet.diameter_mm,
            span.mass_kg_per_m,
            span.bending_stiffness_n_m2,
            span.tension_n * 1e-3,
            sheet.sweep_hz.0,
            sheet.sweep_hz.1,
        );
        let file = folder.path().join(format!("{name}.toml"));
        std::fs::write(&file, text).unwrap();
        let output = spanhold(&["plan", "--json", file.to_str().unwrap()]);
        assert_eq!(code(&output), 0);
        let plan: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let harmonics = plan["harmonics"].as_array().unwrap();
        let planned: Vec<u64> = harmonics
            .iter()
            .map(|h| h["harmonic"].as_u64().unwrap())
            .collect();
        assert_eq!(planned, numbers.collect::<Vec<u64>>());
        for (harmonic, measured_hz) in harmonics.iter().zip(&sheet.frequencies_hz) {
            let f = harmonic["frequency_hz"].as_f64().unwrap();
            // A tenth of the spacing: the damper is on the span and the sheet
            // has two decimals.
            assert!((f - measured_hz).abs() < 0.17, "{name}: {f} {measured_hz}");
            // 3/f inch peak-to-peak is 239.4 mm/s peak at every harmonic.
            let v = harmonic["antinode_velocity_mm_s"].as_f64().unwrap();
            assert!((v - 239.4).abs() < 0.05);
        }
    }
}
