//! Antinode and node by sensors that nobody moves: whole rehearsed sweeps on exact fields,
//! places, gains and phases wrong by what is stated of them.

use crate::bench::virtual_span::{Chance, Judged, analyse, at, in_dwell, in_sweep, model, setup};
use spanhold::plan::KnownSpan;
use spanhold::plan::fixed_places::best_places;
use spanhold::rehearsal::{
    DwellTruth, Noise, Program, Rehearsal, Resonance, Sensors, SpanModel, Step, VirtualSensor,
    VirtualSpan, perform,
};
use spanhold::setup::{Channel, Quantity, Role, Setup, Verdict};

const RATE_HZ: f64 = 1000.0;
/// What is stated of each fixed sensor, k = 2.
const PLACE_MM: f64 = 2.0;
const GAIN_PCT: f64 = 0.5;
const PHASE_DEG: f64 = 0.2;

/// The setup with fixed sensors for antinode and node, at places that `plan` finds.
fn with_fixed_sensors(pair: &Setup, count: usize) -> Setup {
    let mut setup = pair.clone();
    let (_, antinode) = pair.channel(Role::Antinode).unwrap();
    let model = Channel {
        role: Role::Wave,
        uncertainty_pct: Some(GAIN_PCT),
        phase_uncertainty_deg: Some(PHASE_DEG),
        position_uncertainty_mm: PLACE_MM,
        ..antinode.clone()
    };
    setup
        .channels
        .retain(|channel| !matches!(channel.role, Role::Antinode | Role::Node));
    setup.channels.push(Channel {
        position_m: Some(0.5 * setup.span.length_m),
        ..model.clone()
    });
    let places = best_places(&setup, &KnownSpan::stated(&setup), count, &[]).unwrap();
    setup.channels.pop();
    for (number, place_m) in places.places_m.into_iter().enumerate() {
        setup.channels.push(Channel {
            name: format!("fixed {}", number + 1),
            position_m: Some(place_m),
            ..model.clone()
        });
    }
    for (index, channel) in setup.channels.iter_mut().enumerate() {
        channel.index = index;
    }
    setup
}

/// Standard normal enough: the sum of twelve.
fn normal(chance: &mut Chance) -> f64 {
    (0..12).map(|_| chance.between(-0.5, 0.5)).sum()
}

/// Sensors that err by what is stated, and the setup as the sensors really stand.
fn erring(setup: &Setup, chance: &mut Chance) -> (Setup, Sensors) {
    let mut real = setup.clone();
    let mut sensors = Sensors::with_snr_db(60.0);
    for channel in &mut real.channels {
        let mut sensor = VirtualSensor {
            noise: Noise::SnrDb(60.0),
            ..VirtualSensor::default()
        };
        if channel.role == Role::Wave {
            let off_m = 0.5e-3 * PLACE_MM * normal(chance);
            channel.position_m = channel.position_m.map(|place_m| place_m + off_m);
            sensor.gain_error_pct = 0.5 * GAIN_PCT * normal(chance);
            sensor.phase_error_deg = 0.5 * PHASE_DEG * normal(chance);
        }
        sensors.channels.push(sensor);
    }
    // What is stated of tension and mass is stated for a reason.
    let standard = |pct: f64, chance: &mut Chance| 1.0 + 0.005 * pct * normal(chance);
    real.span.tension_kn *= standard(setup.span.tension_uncertainty_pct, chance);
    real.conductor.mass_kg_per_m *= standard(setup.conductor.mass_uncertainty_pct, chance);
    (real, sensors)
}

/// A dwell at each of some resonances.
fn dwells(resonances: &[Resonance]) -> Program {
    Program {
        lead_in_s: 1.0,
        steps: resonances
            .iter()
            .map(|r| Step::new(at(r, 0.0), 8.0 * r.time_constant_s + 10.0))
            .collect(),
        lead_out_s: 1.0,
    }
}

/// A span with losses along the conductor of random size, from next to none to those of the
/// worst.
fn lossy(setup: &Setup, chance: &mut Chance) -> SpanModel {
    let mut model = model(setup, chance);
    let impedance = setup.wave_impedance_n_s_per_m();
    let length_m = setup.span.length_m;
    let stiffness = setup.conductor.bending_stiffness_n_m2.unwrap();
    let top = setup
        .strung_conductor()
        .wave_number_per_m(setup.sweep.high_hz);
    model.viscous_n_s_per_m2 = Some(2.0 * chance.between(0.0001, 0.004) * impedance / length_m);
    model.self_damping_s =
        Some(2.0 * chance.between(0.001, 0.02) * impedance / (stiffness * top.powi(4) * length_m));
    model
}

struct Performed {
    setup: Setup,
    rehearsal: Rehearsal,
}

fn performed(seed: u64, sensors: usize) -> Performed {
    let mut chance = Chance::new(seed);
    let mut pair = setup(&mut chance, true);
    pair.span.tension_uncertainty_pct = 1.0;
    pair.conductor.mass_uncertainty_pct = 0.5;
    pair.conductor.bending_stiffness_uncertainty_pct = 20.0;
    let setup = with_fixed_sensors(&pair, sensors);
    let (real, errors) = erring(&setup, &mut chance);
    let span = VirtualSpan::new(&real, &lossy(&real, &mut chance)).unwrap();
    let mut resonances = in_sweep(&real, &span);
    // Those that ring for minutes take minutes.
    resonances.retain(|r| r.time_constant_s < 12.0);
    let every = (resonances.len() / 8).max(1);
    let some: Vec<Resonance> = resonances.into_iter().step_by(every).collect();
    let rehearsal = perform(&span, &dwells(&some), &errors, RATE_HZ, seed).unwrap();
    Performed { setup, rehearsal }
}

#[derive(Default)]
struct Tally {
    held: usize,
    dwells: usize,
    errors: Vec<[f64; 3]>,
    u_rel: Vec<f64>,
    others: Vec<String>,
}

impl Tally {
    fn add(&mut self, truth: &DwellTruth, best: Option<&&Judged>) {
        self.dwells += 1;
        let Some(best) = best.filter(|best| best.point.verdict == Verdict::Held) else {
            let reasons = best.map(|best| best.point.reasons.clone());
            self.others.push(format!(
                "{:.2} Hz, S {:.3}: {reasons:?}",
                truth.frequency_hz, truth.iswr
            ));
            return;
        };
        self.held += 1;
        let point = &best.point;
        let (Some(iswr), Some(antinode), Some(power)) = (
            point.iswr,
            point.antinode_velocity_mm_s,
            point.power_total_stiffness_w,
        ) else {
            self.others.push(format!("{:?}", point.reasons));
            return;
        };
        let off = |value: f64, u: f64, truth: f64| (value - truth) / u;
        self.u_rel.push(iswr.u / iswr.value);
        self.errors.push([
            off(iswr.value, iswr.u, truth.iswr),
            off(antinode.value, antinode.u, truth.antinode_velocity_mm_s),
            off(power.value, power.u, truth.power_past_node_w),
        ]);
    }

    fn within(&self, which: usize, times: f64) -> f64 {
        let inside = self
            .errors
            .iter()
            .filter(|e| e[which].abs() <= times)
            .count();
        inside as f64 / self.errors.len() as f64
    }
}

#[test]
fn sweeps_by_three_fixed_sensors_agree_with_the_exact_field() {
    let mut tally = Tally::default();
    for seed in 0..8 {
        let performed = performed(9100 + seed, 3);
        let judged = analyse(&performed.setup, &performed.rehearsal, 5000);
        for truth in &performed.rehearsal.truth {
            tally.add(truth, in_dwell(&judged, truth).first());
        }
    }
    println!(
        "{} of {} held; inside U: {:?}; within 1.5 U {:?}; median U {:.4}; others {:#?}",
        tally.held,
        tally.dwells,
        [0, 1, 2].map(|i| tally.within(i, 1.0)),
        [0, 1, 2].map(|i| tally.within(i, 1.5)),
        {
            let mut u = tally.u_rel.clone();
            u.sort_by(f64::total_cmp);
            u[u.len() / 2]
        },
        tally.others
    );
}
