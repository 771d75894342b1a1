//! The guide: what is heard and seen → the state. Pure.

use std::collections::VecDeque;

use super::advice::Advice;
use super::bench::BenchReadings;
use super::known::Known;
use super::situation::{Moment, Situation, is_rung_up};
use super::state::{CaptureState, RecordingState, RequiredEfficiency};
use super::traces::{TraceKeeper, Traces};
use super::waves::FixedSensorsSeen;
use crate::analysis::{Analysis, Event, Exclusion};
use crate::evaluation::criteria::RequiredCurve;
use crate::pipeline::capture::{CaptureMoment, Coverage};
use crate::plan::KnownSpan;
use crate::reduction::SettledPoint;
use crate::resonance::standing_wave::NodePattern;
use crate::resonance::{DriveStanding, DwellOutlook};
use crate::setup::Setup;
use crate::tone::{ToneMessage, TonePlan};

/// Events that are remembered.
const EVENTS: usize = 12;
/// How often the free motion at the beginning of a dwell is looked at, s, and how much of
/// a hold that takes.
const FREE_MOTION_EVERY_S: f64 = 4.0;
const FREE_MOTION_HOLD_S: f64 = 3.0;
/// How well it has to tell the detuning before it is asked no more, bandwidths, k = 2.
const WELL_TOLD: f64 = 0.06;

/// What the free motion told of one dwell.
#[derive(Debug, Clone, Copy)]
struct FreeMotionSeen {
    /// Begin of the dwell, s.
    since_s: f64,
    /// When it was last looked at, s.
    looked_s: f64,
    standing: Option<DriveStanding>,
}

/// Turns what is heard and seen of a capture into its state.
#[derive(Debug, Clone)]
pub struct Guide {
    known: Known,
    traces: TraceKeeper,
    free: Option<FreeMotionSeen>,
}

impl Guide {
    /// `folder`: the run folder's name; `curves`: the required curves of the setup, each
    /// with the name of its file.
    pub fn new(setup: &Setup, folder: &str, curves: &[(String, RequiredCurve)]) -> Self {
        let diameter_mm = setup.conductor.diameter_mm;
        let required = curves.iter().map(|(curve, required)| {
            let corners = required.corners_hz(diameter_mm);
            let (frequency_hz, efficiency_pct) = corners.into_iter().unzip();
            RequiredEfficiency {
                curve: curve.clone(),
                frequency_hz,
                efficiency_pct,
            }
        });
        Self {
            known: Known {
                setup: setup.clone(),
                span: KnownSpan::stated(setup),
                folder: folder.to_owned(),
                required: required.collect(),
                bench: BenchReadings::new(setup, &[]),
                fixed: FixedSensorsSeen::new(setup, &[], 0),
                exclusions: Vec::new(),
                events: VecDeque::new(),
            },
            traces: TraceKeeper::default(),
            free: None,
        }
    }

    /// What will be done with each source.
    pub fn sources(&mut self, plans: &[TonePlan]) {
        let main = self
            .known
            .setup
            .main_source()
            .map_or(0, |(number, _)| number);
        self.known.bench = BenchReadings::new(&self.known.setup, plans);
        self.known.fixed = FixedSensorsSeen::new(&self.known.setup, plans, main);
        self.traces = TraceKeeper::new(&self.known.setup, plans, main);
    }

    /// Hears a message of a source.
    pub fn hear(&mut self, source: usize, message: &ToneMessage) {
        self.known.bench.hear(source, message);
        self.known.fixed.hear(source, message);
        self.traces.hear(source, message);
    }

    /// Something new happened.
    pub fn event(&mut self, event: &Event) {
        self.known.events.push_back(event.message.clone());
        while self.known.events.len() > EVENTS {
            self.known.events.pop_front();
        }
    }

    /// Takes what is known of the span, instead of what the setup states.
    pub fn span(&mut self, known: KnownSpan) {
        self.known.span = known;
    }

    /// Takes the points that are not to count, instead of those it knew of.
    pub fn exclusions(&mut self, exclusions: Vec<Exclusion>) {
        self.known.exclusions = exclusions;
    }

    /// How all stands.
    pub fn state(&mut self, look: &CaptureMoment) -> CaptureState {
        let outlook = look.analysis.outlook();
        if let Some(outlook) = &outlook {
            self.traces.look(outlook);
        }
        let standing_still = outlook
            .as_ref()
            .filter(|outlook| outlook.stands && !outlook.at_rest);
        let known = &self.known;
        let waves = standing_still.and_then(|_| known.fixed.shown(&known.setup, &known.bench));
        let by_waves = waves.as_ref().and_then(|shown| shown.as_ref().ok());
        let pattern = by_waves.and_then(|waves| waves.pattern);
        let standing = outlook.as_ref().and_then(|outlook| {
            let told = self.standing_by_free_motion(look.analysis, outlook);
            let by_nodes = pattern.and_then(|pattern| standing_by_nodes(pattern, outlook));
            outlook.standing.or(told).or(by_nodes)
        });
        let setup = &self.known.setup;
        let harmonic = standing_still.and_then(|outlook| {
            let hz = outlook.frequency_hz;
            let nearest = by_waves.and_then(|waves| waves.harmonic(setup, hz));
            look.analysis
                .harmonic_at(hz, nearest.or_else(|| setup.harmonic_of(hz)))
        });
        Situation {
            known: &self.known,
            heard: self.traces.has_heard(),
            outlook: outlook.as_ref(),
            standing,
            waves,
            harmonic,
            moment: Moment {
                points: look.points,
                coverage: look.coverage,
                alarms: look.alarms,
                links: look.links,
                disk: look.space,
                behind_s: look.behind_s,
                catches_up: look.catches_up,
                session: look.session,
                utc: Some(look.now_utc),
            },
        }
        .state()
    }

    /// A capture of which nothing has come yet.
    pub fn before_the_first_sample(&self) -> CaptureState {
        self.without_analysis(&Coverage::new(&[]), &[], 1)
    }

    /// A run that is not captured now, from what its files hold.
    pub fn after_the_end(
        &self,
        coverage: &Coverage,
        points: &[SettledPoint],
        session: u32,
        how: &str,
    ) -> CaptureState {
        self.without_analysis(coverage, points, session).ended(how)
    }

    fn without_analysis(
        &self,
        coverage: &Coverage,
        points: &[SettledPoint],
        session: u32,
    ) -> CaptureState {
        let situation = Situation {
            known: &self.known,
            heard: false,
            outlook: None,
            standing: None,
            waves: None,
            harmonic: None,
            moment: Moment {
                points,
                coverage,
                alarms: &[],
                links: &[],
                disk: None,
                behind_s: 0.0,
                catches_up: false,
                session,
                utc: None,
            },
        };
        CaptureState {
            recording: RecordingState::default(),
            ..situation.state()
        }
    }

    /// What a view draws besides.
    pub fn traces(&self) -> Traces {
        self.traces.traces()
    }

    /// Where the drive stands by the free motion, looked at now and then where nothing else
    /// tells it.
    fn standing_by_free_motion(
        &mut self,
        analysis: &Analysis,
        outlook: &DwellOutlook,
    ) -> Option<DriveStanding> {
        if outlook.standing.is_some() || !outlook.stands || outlook.hold_s < FREE_MOTION_HOLD_S {
            return None;
        }
        let known = self.free.filter(|seen| {
            (seen.since_s - outlook.since_s).abs() < 1.0 && outlook.at_s >= seen.looked_s
        });
        let well_told = known
            .and_then(|seen| seen.standing)
            .is_some_and(|standing| standing.detuning_u <= WELL_TOLD);
        let is_due = known.is_none_or(|seen| outlook.at_s - seen.looked_s >= FREE_MOTION_EVERY_S);
        if is_due && !well_told {
            let found = analysis.standing_by_free_motion();
            self.free = Some(FreeMotionSeen {
                since_s: outlook.since_s,
                looked_s: outlook.at_s,
                standing: found.or(known.and_then(|seen| seen.standing)),
            });
        }
        self.free
            .filter(|seen| (seen.since_s - outlook.since_s).abs() < 1.0)?
            .standing
    }
}

/// Where the drive stands by the place of the nodes, where that decides.
fn standing_by_nodes(pattern: NodePattern, outlook: &DwellOutlook) -> Option<DriveStanding> {
    let decides = is_rung_up(outlook) && pattern.is_on_peak(outlook.peak_limit).is_some();
    let bandwidth_hz = outlook.bandwidth_hz.filter(|_| decides)?;
    Some(DriveStanding::of_node_pattern(pattern, bandwidth_hz))
}

impl CaptureState {
    /// Takes the tension that was measured for the last of some points which has one: of a run
    /// that is not captured now.
    pub fn tension_of(&mut self, points: &[SettledPoint]) {
        let measured = points.iter().rev().find_map(|point| point.tension_kn);
        if let Some(measured) = measured {
            self.tension.tension_kn = Some(measured.value);
            self.tension.tension_u_kn = measured.stated_u();
            self.absent.remove("tension.tension_kn");
        }
    }

    /// The same capture after its end.
    #[must_use]
    pub fn ended(mut self, how: &str) -> Self {
        self.run.capturing = false;
        self.advice = Advice::Ended {
            how: how.to_owned(),
        };
        self.now = self.advice.to_string();
        self.missing.clear();
        self
    }
}
