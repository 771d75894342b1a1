//! One moment, put together: the state and its advice. Pure.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use super::harmonics::{marks, next};
use super::situation::{Places, Situation, is_rung_up, sends};
use super::state::{
    CaptureState, DeviceState, DwellState, PeakState, PlaceState, PointState, ReadingState,
    RecordingState, RunInHand,
};
use super::traces::rounded;
use crate::maths;
use crate::pipeline::capture::LinkHealth;
use crate::plan::ReadFrequency;
use crate::reduction::SettledPoint;
use crate::resonance::PeakShownBy;
use crate::setup::{Channel, LevelRule, Role, Verdict};

/// Version of the form of the state.
const VERSION: u32 = 1;
/// Significant digits of a number in the state.
const DIGITS: i32 = 7;
/// Points that the state has, the latest.
const MOST_POINTS: usize = 400;

/// Why values are left out.
#[derive(Default)]
struct Absent(BTreeMap<String, String>);

impl Absent {
    fn note(&mut self, keys: &[&str], why: &str) {
        for key in keys {
            self.0.insert((*key).to_owned(), why.to_owned());
        }
    }
}

impl Situation<'_> {
    pub(super) fn state(&self) -> CaptureState {
        let mut absent = Absent::default();
        let accept = self.known.setup.hold.accept;
        let marks = marks(
            self.moment.coverage,
            self.moment.points,
            &self.known.exclusions,
            accept,
            self.harmonic,
        );
        let next = next(&marks, self.outlook.map(|outlook| outlook.frequency_hz));
        let place = self.place();
        let advice = self.advice(place.as_ref(), &marks, next);
        let strain = self
            .known
            .bench
            .strain(&self.known.setup, |key, why| absent.note(&[&key], why));
        let tension = self.known.bench.tension(&self.known.setup);
        match &tension {
            Err(why) => absent.note(&["tension.tension_kn"], why),
            Ok(_) if self.known.bench.has_tension() => {}
            Ok(_) => absent.note(&["tension.tension_kn"], "no channel measures it"),
        }
        CaptureState {
            version: VERSION,
            run: RunInHand {
                title: self.known.setup.test.title.clone(),
                folder: self.known.folder.clone(),
                capturing: true,
                session: self.moment.session,
                utc: self.moment.utc,
                at_s: self.outlook.map(|outlook| outlook.at_s),
            },
            now: advice.to_string(),
            also: self.also(&advice, place.as_ref(), &marks),
            missing: self.missing(),
            reading: self.reading(&mut absent),
            peak: self.peak(&mut absent),
            dwell: self.dwell(&mut absent),
            strain,
            tension: tension.unwrap_or_default(),
            place: self.place_state(place.as_ref(), &mut absent),
            harmonics: marks,
            next,
            points: points(self.moment.points),
            required: self.known.required.clone(),
            alarms: self.moment.alarms.to_vec(),
            events: self.known.events.iter().cloned().collect(),
            devices: self.moment.links.iter().map(device).collect(),
            recording: RecordingState {
                behind_s: Some(rounded(self.moment.behind_s, 3)),
                catches_up: Some(self.moment.catches_up),
                disk_free_mb: self.moment.disk.map(|disk| disk.free_bytes / 1_000_000),
                disk_lasts_s: self
                    .moment
                    .disk
                    .and_then(|disk| disk.lasts)
                    .map(|lasts| lasts.as_secs_f64().round()),
            },
            advice,
            absent: absent.0,
        }
    }

    fn reading(&self, absent: &mut Absent) -> ReadingState {
        let keys = [
            "reading.frequency_hz",
            "reading.antinode_velocity_mm_s",
            "reading.node_velocity_mm_s",
            "reading.iswr",
        ];
        let setup = &self.known.setup;
        let level = setup.amplitude;
        let target = ReadingState {
            target_tolerance_pct: level.map(|level| level.tolerance_pct),
            ..ReadingState::default()
        };
        let Some(outlook) = self.outlook else {
            absent.note(&keys, "no tone stands out");
            return target;
        };
        let hz = outlook.frequency_hz;
        let rate_ppm = setup
            .main_source()
            .map_or(0.0, |(_, source)| source.rate_uncertainty_ppm);
        let antinode_u = |channel: Option<&Channel>| calibration_u(channel);
        let antinode = setup.antinode_or_fixed();
        let node = setup.channel(Role::Node).map(|(_, channel)| channel);
        let node = node.or_else(|| antinode.filter(|_| setup.reads_by_fixed_sensors()));
        let antinode_rel = antinode_u(antinode);
        let node_rel = antinode_u(node);
        if antinode_rel.is_none() {
            absent.note(&["reading.antinode_velocity_u_mm_s"], NO_CALIBRATION);
        }
        let velocity = outlook.antinode_m_s;
        let velocity_u =
            antinode_rel.map(|rel| maths::hypot(rel * velocity, outlook.antinode_u_m_s));
        let iswr = outlook.ratio.map(|ratio| ratio.im.abs());
        if iswr.is_none() {
            absent.note(&keys[2..], "no node channel, or it shows nothing");
        } else if node_rel.is_none() || antinode_rel.is_none() {
            absent.note(
                &["reading.iswr_u", "reading.node_velocity_u_mm_s"],
                NO_CALIBRATION,
            );
        }
        let iswr_u = iswr.and_then(|iswr| {
            let scale = maths::hypot(antinode_rel?, node_rel?);
            Some(maths::hypot(scale * iswr, outlook.ratio_u?))
        });
        let node_velocity_u =
            iswr.and_then(|iswr| Some(velocity * maths::hypot(node_rel? * iswr, outlook.ratio_u?)));
        if level.is_some_and(|level| level.rule == LevelRule::ClampStrain)
            && self.level_deviation_pct().is_none()
        {
            absent.note(&["reading.target_deviation_pct"], "no gauge shows a strain");
        }
        let mm = |m: f64| rounded(1e3 * m, DIGITS);
        ReadingState {
            settled: Some(is_rung_up(outlook)),
            frequency_hz: Some(rounded(hz, 9)),
            frequency_u_hz: Some(rounded(
                maths::hypot(outlook.frequency_u_hz, 1e-6 * rate_ppm * hz),
                3,
            )),
            antinode_velocity_mm_s: Some(mm(velocity)),
            antinode_velocity_u_mm_s: velocity_u.map(|u| rounded(1e3 * u, 3)),
            antinode_amplitude_mm_pp: Some(mm(2.0 * velocity / (TAU * hz))),
            node_velocity_mm_s: iswr.map(|iswr| mm(iswr * velocity)),
            node_velocity_u_mm_s: node_velocity_u.map(|u| rounded(1e3 * u, 3)),
            iswr: iswr.map(|iswr| rounded(iswr, DIGITS)),
            iswr_u: iswr_u.map(|u| rounded(u, 3)),
            efficiency_pct: iswr.map(|iswr| rounded(100.0 * iswr, DIGITS)),
            node_offset_mm: self.node_offset_m().map(|m| rounded(1e3 * m, 3)),
            target_velocity_mm_s: level
                .and_then(|level| level.target_velocity_m_s(hz))
                .map(mm),
            target_deviation_pct: self.level_deviation_pct().map(|pct| rounded(pct, 4)),
            ..target
        }
    }

    fn peak(&self, absent: &mut Absent) -> PeakState {
        let Some(outlook) = self.outlook else {
            absent.note(&["peak.on_peak", "peak.detuning_hz"], "no tone stands out");
            return PeakState::default();
        };
        let (on_peak, by) = self.on_peak();
        let standing = self.standing;
        let hz = standing.and_then(|standing| standing.detuning_hz());
        let why = match standing {
            None if outlook.why_no_standing.is_empty() => "nothing tells it",
            None => &outlook.why_no_standing,
            Some(_) => "farther off than can be told",
        };
        if hz.is_none() {
            absent.note(&["peak.detuning_hz"], why);
        }
        if on_peak.is_none() {
            absent.note(&["peak.on_peak"], "neither shown nor excluded");
        }
        let shown_by = by.map(|by| match by {
            PeakShownBy::DriveForce => "drive-force",
            PeakShownBy::DriveSignal => "drive-signal",
            PeakShownBy::FreeMotion => "free-motion",
            PeakShownBy::NodePattern => "node-pattern",
        });
        PeakState {
            on_peak,
            shown_by: shown_by.or(on_peak.map(|_| "passage")).map(str::to_owned),
            detuning_hz: hz.map(|(hz, _)| rounded(hz, 3)),
            detuning_u_hz: hz.map(|(_, u)| rounded(u, 2)),
            detuning_bandwidths: standing.map(|standing| rounded(standing.detuning, 3)),
            detuning_u_bandwidths: standing.map(|standing| rounded(standing.detuning_u, 2)),
            bandwidth_hz: standing
                .map(|standing| standing.bandwidth_hz)
                .or(outlook.bandwidth_hz)
                .map(|hz| rounded(hz, 4)),
            drive_phase_deg: outlook.drive_phase_deg.map(|deg| rounded(deg, 4)),
        }
    }

    fn dwell(&self, absent: &mut Absent) -> DwellState {
        let Some(outlook) = self.outlook.filter(|outlook| outlook.stands) else {
            absent.note(
                &["dwell.since_s", "dwell.ring_up_left_s"],
                "the drive does not stand still",
            );
            return DwellState::default();
        };
        if outlook.ring_up_left_s.is_none() {
            absent.note(
                &["dwell.ring_up_left_s"],
                "no node motion tells the time constant",
            );
        }
        DwellState {
            since_s: Some(rounded(outlook.since_s, DIGITS)),
            ring_up_left_s: outlook.ring_up_left_s.map(|s| rounded(s, 4)),
            hold_s: Some(outlook.hold_s),
            least_hold_s: Some(rounded(outlook.least_hold_s, 4)),
            has_point: Some(outlook.has_point),
        }
    }

    /// The node that the setup has read, at the frequency of the drive: by the waves where
    /// they may be trusted.
    fn place(&self) -> Option<Places> {
        let outlook = self
            .outlook
            .filter(|outlook| outlook.stands && !outlook.at_rest)?;
        if let Some(Ok(waves)) = &self.waves {
            return Some(Places {
                node_from_drive_end_mm: 1e3 * waves.read.node_m,
                antinode_from_drive_end_mm: 1e3 * waves.read.antinode_m,
                from_drive_end_u_mm: 2e3 * waves.place_standard_u_m,
                by_waves: true,
            });
        }
        let setup = &self.known.setup;
        let read = ReadFrequency {
            hz: outlook.frequency_hz,
            u_hz: outlook.frequency_u_hz,
        };
        let efficiency_pct = outlook
            .ratio
            .filter(|_| is_rung_up(outlook))
            .map(|ratio| 100.0 * ratio.im.abs().min(1.0));
        let number = setup.span.node_from_damper.unwrap_or(1);
        let places = self.known.span.places(setup, read, efficiency_pct).places;
        let place = places
            .iter()
            .find(|place| place.node_from_damper == number)?;
        Some(Places {
            node_from_drive_end_mm: place.node_from_drive_end_mm,
            antinode_from_drive_end_mm: place.antinode_from_drive_end_mm,
            from_drive_end_u_mm: place.from_drive_end_u_mm,
            by_waves: false,
        })
    }

    fn place_state(&self, place: Option<&Places>, absent: &mut Absent) -> PlaceState {
        let shown = self.waves.as_ref();
        match shown {
            Some(Ok(_)) => {}
            Some(Err(why)) => absent.note(&["place.loops"], why),
            None => absent.note(&["place.loops"], "no fixed sensors tell it"),
        }
        let waves = shown.and_then(|shown| shown.as_ref().ok());
        let Some(place) = place else {
            let why = "the drive does not stand still, or the span has no such node here";
            absent.note(&["place.node_from_drive_end_m"], why);
            return PlaceState::default();
        };
        let m = |mm: f64| Some(rounded(1e-3 * mm, DIGITS));
        let by = if place.by_waves { "waves" } else { "tension" };
        PlaceState {
            node_from_drive_end_m: m(place.node_from_drive_end_mm),
            antinode_from_drive_end_m: m(place.antinode_from_drive_end_mm),
            from_drive_end_u_mm: Some(rounded(place.from_drive_end_u_mm, 3)),
            by: Some(by.to_owned()),
            loops: waves.map(|waves| rounded(waves.loops, 5)),
            loops_u: waves.map(|waves| rounded(2.0 * waves.loops_standard_u, 2)),
        }
    }
}

const NO_CALIBRATION: &str = "the setup does not state the calibration's uncertainty";

/// What the calibration of a channel leaves open, relative, k = 2.
fn calibration_u(channel: Option<&Channel>) -> Option<f64> {
    let channel = channel?;
    let reference_pct = channel
        .reference
        .as_ref()
        .map_or(0.0, |reference| reference.uncertainty_pct);
    Some(0.01 * maths::hypot(channel.uncertainty_pct?, reference_pct))
}

fn device(link: &LinkHealth) -> DeviceState {
    let counts = link.counts.clone().unwrap_or_default();
    DeviceState {
        source: link.source.clone(),
        sends: sends(link),
        silent_s: (10.0 * link.silent_s).round() / 10.0,
        rate_hz: counts.rate.map(|rate| rounded(rate.rate_hz, 8)),
        offset_ppm: counts.rate.map(|rate| rate.offset_ppm.round()),
        offset_u_ppm: counts.rate.map(|rate| rate.offset_u_ppm.round()),
        lost_samples: counts.lost_samples,
        corrupt: counts.corrupt,
        restarts: counts.restarts,
        disconnects: counts.disconnects,
    }
}

pub(super) fn points(points: &[SettledPoint]) -> Vec<PointState> {
    let latest = points.get(points.len().saturating_sub(MOST_POINTS)..);
    let state = |point: &SettledPoint| PointState {
        point: point.point,
        verdict: point.verdict,
        start_utc: point.start_utc.clone(),
        harmonic: point.harmonic,
        frequency_hz: point.frequency_hz.map(|hz| rounded(hz.value, DIGITS)),
        antinode_velocity_mm_s: point.antinode_velocity_mm_s.map(|v| rounded(v.value, 5)),
        efficiency_pct: point
            .efficiency_pct
            .filter(|_| point.verdict != Verdict::Rejected)
            .map(|pct| rounded(pct.value, 5)),
        efficiency_u_pct: point
            .efficiency_pct
            .filter(|_| point.verdict != Verdict::Rejected)
            .and_then(crate::reduction::Measured::stated_u)
            .map(|u| rounded(u, 3)),
        reasons: point.reasons.clone(),
    };
    latest.unwrap_or_default().iter().map(state).collect()
}
