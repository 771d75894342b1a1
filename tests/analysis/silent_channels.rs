//! A force cell that falls silent is said, a drive that is switched off is not, against the
//! exact field of the virtual span: its free motion decays by its own poles.

use spanhold::analysis::Finding;
use spanhold::rehearsal::{Program, Rehearsal, Step, Transition, VirtualSpan, perform};
use spanhold::setup::{Role, Setup};

use crate::bench::virtual_span::{self as bench, Chance};

/// How long the span is left to itself, s.
const LEFT_S: f64 = 60.0;

#[test]
fn a_cell_that_falls_silent_is_said_and_a_drive_that_ends_is_not() {
    for (seed, is_damped) in [(1, true), (2, true), (3, true), (1, false), (2, false)] {
        let mut chance = Chance::new(seed);
        let setup = bench::setup(&mut chance, is_damped);
        let model = bench::model(&setup, &mut chance);
        let span = VirtualSpan::new(&setup, &model).unwrap();
        let all = bench::in_sweep(&setup, &span);
        let shows = |hz: f64| setup.drive_sine(hz).is_some_and(|sine| sine > 0.3);
        let resonance = all.iter().find(|r| shows(r.frequency_hz)).unwrap();
        let step = Step::new(bench::at(resonance, 0.0), 40.0).reached_by(Transition::Settled);
        let program = Program {
            lead_in_s: 2.0,
            steps: vec![step],
            lead_out_s: LEFT_S,
        };
        let rate_hz = (8.0 * setup.sweep.high_hz).ceil();
        let sensors = bench::sensors(&setup, &mut chance, 60.0);
        let rehearsal = perform(&span, &program, &sensors, rate_hz, seed).unwrap();
        let what = format!("seed {seed}, {}", if is_damped { "damped" } else { "bare" });
        let truth = &rehearsal.truth[0];
        assert_eq!(
            silent(&setup, &rehearsal),
            Vec::<String>::new(),
            "{what}: S = {}",
            truth.iswr
        );

        // The cable of the cell comes off in the middle of the dwell.
        let mut pulled = rehearsal.clone();
        let row = setup
            .channels
            .iter()
            .position(|c| c.role == Role::DriveForce)
            .unwrap();
        let off = ((truth.start_s + 20.0) * rate_hz) as usize;
        pulled.samples.slice_mut(ndarray::s![row, off..]).fill(0.0);
        let said = silent(&setup, &pulled);
        assert_eq!(said.len(), 1, "{what}: {said:?}");
        let name = &setup.channels[row].name;
        let (channel, since) = said[0].split_once(" dropped to nothing at ").unwrap();
        assert!(channel.contains(name.as_str()), "{channel}");
        let since_s: f64 = since.split(' ').next().unwrap().parse().unwrap();
        assert!(
            (since_s - truth.start_s - 20.0).abs() < 0.5,
            "{what}: {since_s}"
        );
    }
}

fn silent(setup: &Setup, rehearsal: &Rehearsal) -> Vec<String> {
    let findings = bench::findings(setup, rehearsal, 4096).into_iter();
    findings
        .filter_map(|finding| match finding {
            Finding::Event(event) if event.kind == "silent" => Some(event.message),
            _ => None,
        })
        .collect()
}
