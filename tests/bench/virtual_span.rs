//! A virtual bench for the tests: random spans and dampers, and the analysis
//! of what they record, with nothing between but the stages themselves.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::format_collect,
    reason = "the bench of tests: what fails here is the test's own message"
)]

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Uniform};
use spanhold::analysis::{Analysis, Evidence, Finding};
use spanhold::ingest::{Block, StreamFormat};
use spanhold::reduction::settle::fitted_channels;
use spanhold::reduction::{SettledPoint, settle};
use spanhold::rehearsal::{
    DriveFrequency, DwellTruth, Noise, Rehearsal, Resonance, Sensors, SpanModel, VirtualSensor,
    VirtualSpan,
};
use spanhold::resonance::Dwell;
use spanhold::setup::Verdict;
use spanhold::setup::{self, Setup};
use spanhold::tone::interval::HoldFit;
use spanhold::tone::{Estimator, TonePlan, Windows};

/// A source of repeatable chance.
pub struct Chance(ChaCha8Rng);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        Uniform::new_inclusive(low, high)
            .unwrap()
            .sample(&mut self.0)
    }

    pub fn below(&mut self, count: usize) -> usize {
        (self.between(0.0, count as f64) as usize).min(count - 1)
    }

    pub fn sign(&mut self) -> f64 {
        if self.below(2) == 0 { -1.0 } else { 1.0 }
    }
}

/// A bench of a random span; the damper sits at 70 to 80 % of the shortest
/// loop, as is common practice, no source.
pub fn setup(chance: &mut Chance, damped: bool) -> Setup {
    let diameter_mm = chance.between(14.0, 32.0);
    // Mass and strength of an ACSR go with the square of its diameter.
    let area = (diameter_mm / 21.8_f64).powi(2);
    let mass = 0.98 * area * chance.between(0.95, 1.05);
    let tension_kn = 18.0 * area * chance.between(0.8, 1.4);
    let stiffness = 180.0 * area * area * chance.between(0.5, 1.5);
    let length_m = chance.between(30.0, 50.0);
    let high_hz = 1.4 / (diameter_mm * 1e-3);
    let shortest_loop_m = (tension_kn * 1e3 / mass).sqrt() / (2.0 * high_hz);
    let damper_m = shortest_loop_m * chance.between(0.7, 0.8);
    let drive_m = shortest_loop_m * chance.between(0.6, 0.8);
    let damper = if damped { "damper = \"invented\"" } else { "" };
    let damper_position = if damped {
        format!("damper_position_m = {damper_m}")
    } else {
        String::new()
    };
    let channels: String = [
        ("antinode", "antinode", "m/s2", 200.0, ""),
        ("node", "node", "m/s2", 200.0, ""),
        ("force", "drive-force", "N", 400.0, ""),
        ("drive", "drive-motion", "m/s2", 200.0, ""),
        ("damper gauge", "clamp-strain", "um/m", 1500.0, "location = \"damper\""),
        ("end gauge", "clamp-strain", "um/m", 1500.0, "location = \"end\""),
    ]
    .iter()
    .enumerate()
    .map(|(index, (name, role, unit, full_scale, extra))| {
        format!(
            "[[channel]]\nname = \"{name}\"\nrole = \"{role}\"\nsource = \"bench\"\nindex = {index}\n\
             unit = \"{unit}\"\nfull_scale = {full_scale:.1}\nuncertainty_pct = 1.0\n{extra}\n"
        )
    })
    .collect();
    let text = format!(
        "[test]\ntitle = \"invented span\"\n{damper}\n\
         [conductor]\ndesignation = \"invented\"\ndiameter_mm = {diameter_mm}\nmass_kg_per_m = {mass}\n\
         bending_stiffness_n_m2 = {stiffness}\n\
         [span]\nlength_m = {length_m}\ntension_kn = {tension_kn}\n{damper_position}\ndrive_position_m = {drive_m}\n\
         [amplitude]\nrule = \"constant-velocity\"\nvalue = 200.0\ntolerance_pct = 10.0\n\
         [[source]]\nname = \"bench\"\nkind = \"wav\"\n{channels}"
    );
    setup::parse(&text, "bench.toml").expect("the invented bench is a valid setup")
}

/// A damper made for that conductor.
pub fn model(setup: &Setup, chance: &mut Chance) -> SpanModel {
    let mut model = SpanModel::default();
    let size = setup.conductor.diameter_mm / 21.8;
    model.damper = model.damper.scaled(
        chance.between(0.9, 1.1) / size,
        size * size * chance.between(0.5, 1.2),
    );
    model
}

/// Sensors with white noise at `snr_db` of each channel's own tone but at the
/// node, whose sensor is like the antinode's; offsets; hum on the gauges.
pub fn sensors(setup: &Setup, chance: &mut Chance, snr_db: f64) -> Sensors {
    let mut sensors = Sensors::with_snr_db(snr_db);
    sensors.channels = setup
        .channels
        .iter()
        .map(|channel| VirtualSensor {
            noise: Noise::SnrDb(snr_db),
            offset: 0.01 * channel.full_scale * chance.between(-1.0, 1.0),
            mains_peak: if channel.role.is_clamp_strain() {
                chance.between(0.0, 5.0)
            } else {
                0.0
            },
            mains_phase_deg: chance.between(0.0, 360.0),
            ..VirtualSensor::default()
        })
        .collect();
    sensors
}

/// The resonances within the setup's sweep.
pub fn in_sweep(setup: &Setup, span: &VirtualSpan) -> Vec<Resonance> {
    span.resonances()
        .iter()
        .copied()
        .filter(|r| r.frequency_hz > setup.sweep.low_hz && r.frequency_hz < setup.sweep.high_hz)
        .collect()
}

/// A resonance, off its peak by so many half-power bandwidths.
pub fn at(r: &Resonance, bandwidths: f64) -> DriveFrequency {
    DriveFrequency::Resonance {
        harmonic: r.harmonic,
        bandwidths,
    }
}

/// A judged dwell.
pub struct Judged {
    pub point: SettledPoint,
    pub evidence: Evidence,
}

/// Runs the analysis over a rehearsal, in blocks of `block_frames`.
pub fn analyse(setup: &Setup, rehearsal: &Rehearsal, block_frames: usize) -> Vec<Judged> {
    points(&findings(setup, rehearsal, block_frames))
}

/// The points among what was found.
pub fn points(findings: &[Finding]) -> Vec<Judged> {
    findings
        .iter()
        .filter_map(|finding| match finding {
            Finding::Point(point, evidence) => Some(Judged {
                point: (**point).clone(),
                evidence: evidence.clone(),
            }),
            Finding::Event(_) | Finding::Trace(_) => None,
        })
        .collect()
}

/// All that the analysis finds.
pub fn findings(setup: &Setup, rehearsal: &Rehearsal, block_frames: usize) -> Vec<Finding> {
    let format = StreamFormat {
        rate_hz: rehearsal.rate_hz,
        channels: rehearsal.samples.nrows(),
        clip_level: (2_f64.powi(23) - 1.0) / 2_f64.powi(23),
        start_utc: None,
    };
    let plan = TonePlan::new(setup, 0, &format).unwrap();
    let mut windows = Windows::new(plan.clone());
    let mut estimator = Estimator::new(plan.clone());
    let mut analysis = Analysis::new(setup, &[plan], None);
    let mut findings = Vec::new();
    let frames = rehearsal.samples.ncols();
    for start in (0..frames).step_by(block_frames) {
        let end = (start + block_frames).min(frames);
        let samples = rehearsal
            .samples
            .slice(ndarray::s![.., start..end])
            .to_owned();
        windows.block(
            &Block {
                first_sample: start as u64,
                samples,
            },
            |message| {
                findings.extend(analysis.push(0, estimator.estimate(message)));
            },
        );
    }
    findings.extend(analysis.source_ended(0));
    findings
}

/// The judged dwells whose hold lies in a true dwell, best verdict first.
pub fn in_dwell<'a>(judged: &'a [Judged], truth: &DwellTruth) -> Vec<&'a Judged> {
    let mut inside: Vec<&Judged> = judged
        .iter()
        .filter(|judged| {
            let middle_s = 0.5 * (judged.point.start_s + judged.point.end_s);
            middle_s > truth.start_s && middle_s < truth.end_s
        })
        .collect();
    inside.sort_by_key(|judged| match judged.point.verdict {
        Verdict::Held => 0,
        Verdict::Steady => 1,
        Verdict::OffPeak => 2,
        Verdict::Rejected => 3,
    });
    inside
}

/// Reduces a settled dwell from its samples, without asking the tracker. Each
/// channel's samples are multiplied by its gain first.
pub fn reduce_settled(
    setup: &Setup,
    rehearsal: &Rehearsal,
    truth: &DwellTruth,
    gains: &[f64],
) -> SettledPoint {
    let format = StreamFormat {
        rate_hz: rehearsal.rate_hz,
        channels: rehearsal.samples.nrows(),
        clip_level: 1.0,
        start_utc: None,
    };
    let plan = TonePlan::new(setup, 0, &format).unwrap();
    assert_eq!(plan.decimation, 1, "the samples are fitted as they are");
    let first = (truth.start_s * rehearsal.rate_hz).ceil() as usize;
    let last = (truth.end_s * rehearsal.rate_hz).floor() as usize;
    let mut si = rehearsal
        .samples
        .slice(ndarray::s![.., first..last])
        .to_owned();
    for ((mut row, channel), gain) in si.rows_mut().into_iter().zip(&plan.channels).zip(gains) {
        row.mapv_inplace(|x| x * channel.to_si * gain);
    }
    let interval = HoldFit::new(&plan)
        .fit(si.view(), truth.frequency_hz)
        .unwrap();
    let dwell = Dwell {
        start_s: truth.start_s,
        end_s: truth.end_s,
        verdict: Verdict::Held,
        reasons: Vec::new(),
        criteria: Vec::new(),
        hold_start_s: truth.start_s,
        hold_end_s: truth.end_s,
        bandwidth_hz: None,
        transient: None,
        peak: None,
        angle: None,
        signal: None,
        mass_shift: spanhold::resonance::peak_evidence::MassShift::default(),
        interval: Some(interval.clone()),
        clipped: Vec::new(),
        missing_values: Vec::new(),
        missing_samples: 0,
    };
    settle(
        setup,
        &dwell,
        &fitted_channels(setup, &plan, &interval, [&[], &[]]),
        None,
    )
}
