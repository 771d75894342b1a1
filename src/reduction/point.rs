//! The settled point: what a hold is reduced to.

use std::collections::BTreeMap;

use super::fields::ReportTable::{FixedSensors, Motion, Power, Strain};
use super::fields::{Cell, Shown, point_fields};
use super::gauge::Gauge;
use super::measured::Measured;
use crate::setup::{RecordedFile, Verdict};

point_fields! {
    /// One line of `points.jsonl`. Peak values unless the name says `pp`.
    /// Uncertainties (`_u` before the unit part) are expanded, k = 2. A value
    /// that cannot be trusted is `None` and a reason says why.
    #[derive(Debug, Clone, Default, PartialEq)]
    pub struct SettledPoint {
        /// Number of the point in the run, from 1.
        point: u64 = Shown::in_files("")
            .report(Motion, "Point").terminal("#").settled(0).reduced(0);
        /// `held`: steady and shown to be at resonance; `steady`: resonance neither shown nor
        /// excluded; `rejected`: looked like a dwell and does not count.
        verdict: Verdict = Shown::in_files("")
            .report(Motion, "Verdict").terminal("verdict").settled(0);
        /// What is to be said of the point; of a rejected one why it does not count.
        reasons: Vec<String> = Shown::in_files("");
        /// Begin of the hold, from sample 0 of the main source.
        start_s: f64 = Shown::in_files("s").terminal("from").settled(6);
        /// End of the hold.
        end_s: f64 = Shown::in_files("s").terminal("to").settled(8);
        /// Begin of the hold by the clock of the recording: a label, nothing is computed from it.
        start_utc: Option<String> = Shown::in_files("");
        /// Recording that the hold begins in; empty where the samples came from a device that was
        /// not recorded.
        recording @ default: Option<String> = Shown::in_files("");
        /// Begin of the hold from the first sample of that recording.
        recording_start_s @ default: Option<f64> = Shown::in_files("s");
        /// Number n of the harmonic, loops of the span.
        harmonic: Option<u32> = Shown::in_files("")
            .report(Motion, "Harmonic").terminal("n").settled(3).reduced(7).after("verdict");
        /// Frequency of the drive, common to all channels.
        frequency_hz / frequency_u_hz: Option<Measured> = Shown::in_files("Hz")
            .report(Motion, "Frequency").terminal("frequency").settled(0).reduced(0);
        /// Velocity V_a of the antinode.
        antinode_velocity_mm_s / antinode_velocity_u_mm_s: Option<Measured> = Shown::in_files("mm/s peak")
            .report(Motion, "Antinode velocity").terminal("antinode").settled(1).reduced(4);
        /// Velocity V_n of the node, `iswr` times that of the antinode.
        node_velocity_mm_s / node_velocity_u_mm_s: Option<Measured> = Shown::in_files("mm/s peak")
            .report(Motion, "Node velocity").terminal("node").settled(5);
        /// Displacement of the antinode.
        antinode_amplitude_mm_pp / antinode_amplitude_u_mm_pp: Option<Measured> = Shown::in_files("mm pp")
            .report(Motion, "Antinode amplitude");
        /// Displacement of the node.
        node_amplitude_mm_pp / node_amplitude_u_mm_pp: Option<Measured> = Shown::in_files("mm pp");
        /// Inverse standing wave ratio S = V_n / V_a, by the part of the node's motion that is in
        /// quadrature with the antinode's.
        iswr / iswr_u: Option<Measured> = Shown::in_files("");
        /// Efficiency 100 S; the losses of the bare span are in it.
        efficiency_pct / efficiency_u_pct: Option<Measured> = Shown::in_files("%")
            .report(Motion, "Efficiency").terminal("efficiency").settled(0).reduced(0);
        /// Phase of the node's velocity against the antinode's: ±90 with the sensor on the node.
        node_phase_deg / node_phase_u_deg: Option<Measured> = Shown::in_files("deg");
        /// Distance of the node sensor from the node; above 0 it is nearer to the antinode sensor.
        node_offset_mm / node_offset_u_mm: Option<Measured> = Shown::in_files("mm");
        /// Distance of the antinode sensor from the antinode, where the places of both sensors are
        /// in the setup.
        antinode_offset_mm / antinode_offset_u_mm: Option<Measured> = Shown::in_files("mm");
        /// Place of the node sensor from the drive-end clamp, where the setup says it for this point.
        node_position_m: Option<f64> = Shown::in_files("m");
        /// Place of the antinode sensor, likewise.
        antinode_position_m: Option<f64> = Shown::in_files("m");
        /// Which node was read, from the drive-end clamp (1 is the first), where its place is in the
        /// setup.
        node_from_drive @ default: Option<u32> = Shown::in_files("");
        /// Which node that is from the damper: 1 is the first that is clear of it; of a bare span
        /// from the damper-end clamp.
        node_from_damper @ default: Option<u32> = Shown::in_files("");
        /// How well the places of the fixed sensors tell the two waves apart at this frequency: 1 is
        /// best, above 6.3 there is no value. Absent where there are none.
        wave_condition @ default: Option<f64> = Shown::in_files("")
            .report(FixedSensors, "Condition");
        /// What two waves do not explain of the fixed sensors' motion, root mean square over the
        /// antinode's.
        wave_residual_pct @ default: Option<f64> = Shown::in_files("%")
            .report(FixedSensors, "Left over").decimals(2);
        /// Inverse standing wave ratio by the fixed sensors, at the same node, where the setup has
        /// them beside an antinode and a node sensor.
        wave_iswr / wave_iswr_u: Option<Measured> = Shown::in_files("")
            .report(FixedSensors, "Ratio by them");
        /// By how much that differs from `iswr`, of `iswr`; the uncertainty is the joint one.
        wave_difference_pct / wave_difference_u_pct: Option<Measured> = Shown::in_files("%")
            .report(FixedSensors, "Against the pair");
        /// How far the drive stood above the peak of the span alone by the place of the nodes against
        /// the drive-end clamp, in half-power bandwidths, where three fixed sensors or more show it.
        node_pattern_bandwidths / node_pattern_u_bandwidths: Option<Measured> = Shown::in_files("df")
            .report(FixedSensors, "From the peak, by the nodes");
        /// Phase of the antinode's velocity against the force into the conductor: 0 or 180 at
        /// resonance. The inertia of what the force cell carries is taken off where the setup states
        /// its mass.
        drive_phase_deg / drive_phase_u_deg: Option<Measured> = Shown::in_files("deg")
            .report(Motion, "Drive phase").within_half_turn();
        /// Half-power bandwidth of the resonance, 2 S f_1 / pi.
        bandwidth_hz: Option<f64> = Shown::in_files("Hz");
        /// Natural frequency by the span's free motion when the drive changed before or after the
        /// hold and by the phase against the drive signal; asked where no drive phase shows the
        /// peak. Of the span alone where the setup states `drive_mass_kg`, else with the shaker on it.
        natural_frequency_hz / natural_frequency_u_hz: Option<Measured> = Shown::in_files("Hz");
        /// Half-power bandwidth by the same.
        free_bandwidth_hz / free_bandwidth_u_hz: Option<Measured> = Shown::in_files("Hz");
        /// How far the drive stood above that natural frequency, in half-power bandwidths.
        detuning_bandwidths / detuning_u_bandwidths: Option<Measured> = Shown::in_files("df");
        /// Power carried past the node, ½ sqrt(T m) V_a V_n (IEEE 664).
        power_total_w / power_total_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Total power").terminal("P total").settled(2).reduced(3);
        /// The same with bending stiffness in the wave impedance; absent where EI is not given.
        power_total_stiffness_w / power_total_stiffness_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Total with stiffness");
        /// Power of the bare span at the point's frequency and level, by the standard's form;
        /// filled in by `reduce`.
        power_bare_w / power_bare_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Bare span").terminal("P bare").reduced(2);
        /// Power of the damper as the standard has it: `power_total_w` less `power_bare_w`; filled
        /// in by `reduce`.
        power_damper_w / power_damper_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Damper").terminal("P damper").reduced(0);
        /// Power of the damper, corrected: `power_total_stiffness_w`, where EI is not given
        /// `power_total_w`, less `power_taken_off_w`; filled in by `reduce`.
        power_damper_corrected_w / power_damper_corrected_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "Damper, corrected").terminal("corrected").reduced(1);
        /// Power fed in at the drive, ½ F V cos(phi), in all of which the whole span's losses are.
        power_force_w / power_force_u_w: Option<Measured> = Shown::in_files("W")
            .report(Power, "From force");
        /// Dynamic bending strain at each gauge. The key is the clamp (`damper`, `end`), with the
        /// channel's name where a clamp has several: `end: gauge 2`.
        strain_pp_um_m / strain_pp_u_um_m: BTreeMap<Gauge, Measured> = Shown::in_files("µm/m pp")
            .report(Strain, "Clamp strain").terminal("strain").settled(4);
        /// Tension of the conductor, the mean over the hold, where a channel measures it; absent
        /// where that of the setup stands.
        tension_kn / tension_u_kn: Option<Measured> = Shown::in_files("kN");
        /// How far the level is from the one the setup asks for.
        target_deviation_pct: Option<f64> = Shown::in_files("%")
            .report(Motion, "Off target level").terminal("off target").settled(0).reduced(0);
        /// Signal to noise ratio at the antinode, with the noise in 0 to 250 Hz.
        snr_db: Option<f64> = Shown::in_files("dB");
        /// Harmonics of the antinode's motion, root of the sum of squares over the fundamental.
        distortion_pct: Option<f64> = Shown::in_files("%");
        /// Samples of the hold at full scale, over all channels that a number rests on.
        clipped_samples: u64 = Shown::in_files("");
        /// Samples of the hold that were lost.
        missing_samples: u64 = Shown::in_files("");
        /// What is in no uncertainty of the point because the setup does not state it: the channel,
        /// and what it lacks. Empty where every uncertainty is complete.
        uncertainty_incomplete @ default: Vec<String> = Shown::in_files("");
        /// The keys whose uncertainty is too small by it; of a strain
        /// `strain_pp_um_m.damper`.
        uncertainty_incomplete_keys @ default: Vec<String> = Shown::in_files("");
    }
}

/// A point as a row of a table.
pub trait PointRow {
    /// Every key, in the order of the file; the same keys for each point.
    fn cells(&self) -> Vec<Cell<'_>>;

    /// The settled point behind it.
    fn settled(&self) -> &SettledPoint;
}

impl PointRow for SettledPoint {
    fn cells(&self) -> Vec<Cell<'_>> {
        self.cells()
    }

    fn settled(&self) -> &SettledPoint {
        self
    }
}

impl SettledPoint {
    /// The same point with the recording that its hold begins in; `files`: those of
    /// the main source, in order.
    #[must_use]
    pub fn in_recording(self, files: &[RecordedFile]) -> Self {
        let mut begun = files.iter().filter(|file| file.start_s <= self.start_s);
        let Some(file) = begun.next_back() else {
            return self;
        };
        Self {
            recording: Some(file.name.clone()),
            recording_start_s: Some(self.start_s - file.start_s),
            ..self
        }
    }

    /// What the uncertainty of the value under a key lacks, if anything;
    /// `gauge` where the key has a value a gauge.
    pub fn lacking(&self, key: &str, gauge: Option<&Gauge>) -> Option<String> {
        let of_gauge = gauge.map(|gauge| format!("{key}.{gauge}"));
        let wanted = of_gauge.as_deref().unwrap_or(key);
        self.uncertainty_incomplete_keys
            .iter()
            .any(|incomplete| incomplete == wanted)
            .then(|| self.uncertainty_incomplete.join("; "))
    }

    /// Notes that the uncertainty under a key is incomplete.
    pub(crate) fn mark_incomplete(&mut self, key: String) {
        if !self.uncertainty_incomplete_keys.contains(&key) {
            self.uncertainty_incomplete_keys.push(key);
        }
    }

    /// The largest strain of all gauges, µm/m peak-to-peak.
    pub fn largest_strain_pp_um_m(&self) -> Option<f64> {
        let strains = self.strain_pp_um_m.values().map(|strain| strain.value);
        strains.reduce(f64::max)
    }
}
