//! The table of setup keys: section, key, unit, bounds, default and
//! documentation, once.
//!
//! In: nothing. Out: [`SECTIONS`]. Reading, the checks of bounds, the listing
//! of what was taken and the guide's tables come from it. A new key is a row
//! here and a field of the same name in [`super::model`].
//!
//! The texts are Markdown for the guide. "Common practice" marks a default
//! without a source.

use super::accept::CountingVerdict;
use super::choice::{kinds_of, words_of};
use super::key::Absent::{
    Computed, Nothing, Number, NumberForSignal, Off, Practice, Required, RequiredByRole,
    RequiredWith, Whole, Word, WordForSignal,
};
use super::key::{
    Bounds, Form, High, Key, Limit, Section, above_zero, from_zero, of_either_sign, percentage,
};
use super::model::SourceKind;
use super::requirements::{CriterionLevel, DecisionRule, PowerForm, Requirement};
use super::role::{RoleKind, StrainLocation};
use super::words::{LevelRule, Protocol, Unit};
use crate::span::wind::FUNCTIONS;

/// Every section, in the order of the guide.
pub(super) static SECTIONS: [&Section; 15] = [
    &TOP,
    &TEST,
    &REPORT,
    &INSTRUMENT,
    &PICTURE,
    &CONDUCTOR,
    &SPAN,
    &SWEEP,
    &AMPLITUDE,
    &HOLD,
    &LIMITS,
    &SOURCE,
    &CHANNEL,
    &PLACE,
    &CRITERIA,
];

const UNCERTAINTY: &str = "an uncertainty (k = 2)";
const UNCERTAINTY_PCT: Bounds = percentage(UNCERTAINTY);
const PCT_OF_ENERGY: Bounds = percentage("a loss factor");
const TOLERANCE_PCT: Bounds = above_zero("a tolerance").up_to(100.0);

/// A place on the free span, as far as its length is known.
const fn inside_span(what: &'static str) -> Bounds {
    above_zero(what).with_high(High::Below(Limit::OfKey {
        section: "span",
        key: "length_m",
        words: ("the span length of ", " m"),
    }))
}

pub(super) static TOP: Section = Section {
    name: "",
    form: Form::Top,
    about: "",
    keys: &[Key::text(
        "matching",
        "the name of a file that `spanhold match` wrote",
        Nothing("the stated calibrations"),
        "file with the gains and phases of the `wave` channels relative to one another, written by \
         `spanhold match` from a recording with all of them at one place (page \"matching\"); beside \
         the setup file or in a folder there, so that a run can carry it along. Without it \
         `uncertainty_pct` and `phase_uncertainty_deg` of each channel stand for what they differ by",
    )],
};

pub(super) static TEST: Section = Section {
    name: "test",
    form: Form::Required,
    about: "",
    keys: &[
        Key::text(
            "title",
            "a title for the run",
            Required,
            "title of the run, on every report",
        ),
        Key::text(
            "damper",
            "the name of the damper",
            Nothing("none: bare span"),
            "the damper. Goes with `span.damper_position_m`: one without the other is a fault, \
             because the run would be reduced as the other kind of run",
        ),
        Key::text("operator", "a name", Nothing("none"), "who runs it"),
    ],
};

/// What would be right at a date.
pub(super) const DATE: &str = "a date such as \"2026-03-17\"";

pub(super) static REPORT: Section = Section {
    name: "report",
    form: Form::Optional,
    about: "What a test report states besides results (ISO/IEC 17025:2017, 7.8.2.1; from memory). Nothing is \
            computed from it. What is not given is left as a line to fill in by hand, or out.",
    keys: &[
        Key::text(
            "laboratory",
            "a name",
            Nothing("a line to fill in"),
            "who tests",
        ),
        Key::text(
            "laboratory_address",
            "an address",
            Nothing("left out"),
            "its address, on one line",
        ),
        Key::text("client", "a name", Nothing("a line to fill in"), "for whom"),
        Key::text(
            "client_address",
            "an address",
            Nothing("left out"),
            "the client's address, on one line",
        ),
        Key::text(
            "number",
            "a number or other identification",
            Nothing("a line to fill in"),
            "identification of the report, on every printed page",
        ),
        Key::text(
            "date",
            DATE,
            Nothing("that of the recordings, else a line to fill in"),
            "date of the test, `2026-03-17`; it goes before that of the recordings",
        ),
        Key::text(
            "standard",
            "a standard with its year and clause",
            Nothing("left out"),
            "standard and clause that the test follows, with the year of the edition",
        ),
        Key::text(
            "deviations",
            "what was done otherwise",
            Nothing("none stated"),
            "deviations from the method, in words",
        ),
        Key::text(
            "damper_serial",
            "a serial number",
            Nothing("left out"),
            "serial number or mark of the sample",
        ),
        Key::number(
            "damper_torque_n_m",
            "N m",
            above_zero("a torque").taken_up_to(1000.0, "no clamp bolt of a damper takes more"),
            Nothing("left out"),
            "torque at the bolt of the damper's clamp",
        ),
        Key::number(
            "temperature_c",
            "°C",
            of_either_sign("a temperature").taken(-60.0, 80.0, "people work beside the span"),
            Nothing("left out"),
            "temperature beside the span, −60 to 80 °C",
        ),
    ],
};

pub(super) static INSTRUMENT: Section = Section {
    name: "instrument",
    form: Form::List {
        least: 0,
        most: 256,
    },
    about: "The instruments that were used, for the report. Up to 256.",
    keys: &[
        Key::text("name", "a name", Required, "what it is, with maker's type"),
        Key::text("serial", "a serial number", Required, "serial number"),
        Key::text(
            "calibration_due",
            DATE,
            Nothing("not stated"),
            "until when its calibration holds, `2027-01-31`. Warned of where it is before `report.date`",
        ),
    ],
};

pub(super) static PICTURE: Section = Section {
    name: "picture",
    form: Form::List { least: 0, most: 12 },
    about: "Photographs and sketches that the report shows. Up to 12; PNG, JPEG or SVG, each up to 8 MiB. They are \
            kept in the run folder with their hashes, as curves are, and embedded in the report.",
    keys: &[
        Key::text(
            "file",
            "the path of a picture",
            Required,
            "the picture, seen from the setup file; what it is, its first bytes say, not its name",
        ),
        Key::text("caption", "a caption", Required, "what it shows"),
    ],
};

pub(super) static CONDUCTOR: Section = Section {
    name: "conductor",
    form: Form::Required,
    about: "",
    keys: &[
        Key::text(
            "designation",
            "the name of the conductor",
            Required,
            "trade designation",
        ),
        Key::number(
            "diameter_mm",
            "mm",
            above_zero("a diameter").taken(
                1.0,
                1000.0,
                "no overhead conductor is thinner or thicker",
            ),
            Required,
            "outer diameter, from 1 to 1000 mm; sets the default sweep and the wind power",
        ),
        Key::number(
            "mass_kg_per_m",
            "kg/m",
            above_zero("a mass per length"),
            Required,
            "mass per length; with the tension it gives the wave impedance sqrt(T m). Denser than \
             copper is a fault: kilograms per kilometre is the usual slip",
        ),
        Key::number(
            "mass_uncertainty_pct",
            "%",
            UNCERTAINTY_PCT,
            Number(2.0),
            "the tolerance of conductor standards on the mass (IEC 61089, value from memory); \
             weighing a length does better",
        ),
        Key::number(
            "rated_strength_kn",
            "kN",
            above_zero("a rated strength"),
            Nothing("none"),
            "rated strength; a tension at or above it is a fault",
        ),
        Key::number(
            "bending_stiffness_n_m2",
            "N m²",
            above_zero("a bending stiffness"),
            Nothing("none"),
            "bending stiffness EI. Enables the stiffness correction of the power, reported beside \
             the standard's form. Warned of outside loose aluminium wires to a solid steel rod",
        ),
        Key::number(
            "bending_stiffness_uncertainty_pct",
            "%",
            UNCERTAINTY_PCT,
            Practice(50.0),
            "EI lies anywhere between loose and bonded wires and depends on the amplitude",
        ),
        Key::number(
            "loss_factor_pct",
            "%",
            PCT_OF_ENERGY,
            Practice(0.02),
            "loss factor of the strung conductor: what of the energy that its tension stores is lost a \
             radian. What fixed sensors (role `wave`) read some loops before the damper contains \
             it",
        ),
        Key::number(
            "bending_loss_factor_pct",
            "%",
            PCT_OF_ENERGY,
            Practice(0.5),
            "the same of what bending stores; what it takes grows with the square of the frequency",
        ),
        Key::number(
            "loss_uncertainty_pct",
            "%",
            from_zero(UNCERTAINTY).up_to(300.0),
            Practice(200.0),
            "uncertainty (k = 2) of both loss factors, of themselves: none, or three times as much. A bare run \
             narrows it: together they are at most 2 S/(n π)",
        ),
        Key::number(
            "outer_wire_diameter_mm",
            "mm",
            above_zero("a wire diameter").with_high(High::UpTo(Limit::OfKey {
                section: "conductor",
                key: "diameter_mm",
                words: ("the conductor's ", " mm"),
            })),
            Nothing("none"),
            "diameter of an outer wire, up to the conductor's. With the next key `plan` and `field` \
             predict the clamp strain, π d sqrt(m/EI) f y (EPRI 2009, eq. 3.2-14): a prediction, \
             never a reading",
        ),
        Key::number(
            "least_bending_stiffness_n_m2",
            "N m²",
            above_zero("a bending stiffness").with_high(High::UpTo(Limit::OfKey {
                section: "conductor",
                key: "bending_stiffness_n_m2",
                words: ("bending_stiffness_n_m2 = ", ""),
            })),
            Nothing("none"),
            "bending stiffness with every wire bending by itself, the sum of E π d⁴/64 over the \
             wires; up to `bending_stiffness_n_m2`. It belongs to the wire: the stiffness of bonded \
             wires with the diameter of one gives a strain far too low",
        ),
    ],
};

pub(super) static SPAN: Section = Section {
    name: "span",
    form: Form::Required,
    about: "",
    keys: &[
        Key::number(
            "length_m",
            "m",
            above_zero("a length").taken_up_to(1000.0, "this is an indoor span"),
            Required,
            "free length between the clamps, up to 1000 m. Warned of below 30 m (common practice, \
             no source)",
        ),
        Key::number(
            "length_uncertainty_mm",
            "mm",
            from_zero(UNCERTAINTY),
            Practice(20.0),
            "a tape between two clamp mouths",
        ),
        Key::number(
            "tension_kn",
            "kN",
            above_zero("a tension").with_high(High::Below(Limit::OfKey {
                section: "conductor",
                key: "rated_strength_kn",
                words: ("the rated strength of ", " kN"),
            })),
            Required,
            "tension, above zero and below the rated strength",
        ),
        Key::number(
            "tension_uncertainty_pct",
            "%",
            UNCERTAINTY_PCT,
            Practice(2.0),
            "a load cell without its certificate at hand",
        ),
        Key::number(
            "damper_position_m",
            "m",
            inside_span("a distance from the clamp"),
            Nothing("none: bare span"),
            "damper clamp, from the damper-end clamp",
        ),
        Key::number(
            "drive_position_m",
            "m",
            inside_span("a distance from the clamp"),
            Nothing("none"),
            "drive point, from the drive-end clamp. Without it nobody can tell at which harmonics \
             the drive sits by a node of its own",
        ),
        Key::number(
            "drive_mass_kg",
            "kg",
            from_zero("a mass").up_to(100.0),
            Nothing("not stated"),
            "what moves with the drive without a force cell between it and the conductor: armature, stud, \
             clamp. It lowers the resonances, 0.3 kg by more than a bandwidth. Stated, the peak that the \
             free motion and the drive signal show is that of the span alone, at the same force into the \
             conductor; else that of span and shaker together",
        ),
        Key::number(
            "drive_mass_uncertainty_pct",
            "%",
            UNCERTAINTY_PCT,
            Practice(10.0),
            "uncertainty (k = 2) of that mass",
        ),
        Key::whole(
            "node_from_damper",
            "–",
            ("a number of nodes", 1, 100),
            Nothing("not stated: no corrected damper power without the place of the node sensor"),
            "which node is read, counted from the damper towards the drive: 1 is the first node clear \
             of the damper's near field; on a bare span 1 is the first node from the damper-end clamp. \
             Where the span has fewer loops, the last node that has an antinode before the drive. \
             What the conductor loses between node and damper is not the damper's; a place in \
             `[[place]]` or at the node channel goes before this number",
        ),
    ],
};

const FREQUENCY: Bounds = above_zero("a frequency").taken(
    0.1,
    5000.0,
    "the analysis window is as long as the lowest frequency asks for, at a rate that the highest \
     asks for",
);

pub(super) static SWEEP: Section = Section {
    name: "sweep",
    form: Form::Optional,
    about: "The whole section is optional. Both from 0.1 to 5000 Hz, and `high_hz` at most 1000 \
            times `low_hz`: the analysis window is as long as the lowest frequency asks for, at a \
            rate that the highest asks for, and has to fit in memory.",
    keys: &[
        Key::number(
            "low_hz",
            "Hz",
            FREQUENCY,
            Computed("0.18/d"),
            "lowest frequency of interest (IEC 61897, d in m, result in Hz)",
        ),
        Key::number(
            "high_hz",
            "Hz",
            FREQUENCY,
            Computed("1.4/d"),
            "highest frequency of interest (IEC 61897)",
        ),
    ],
};

pub(super) static AMPLITUDE: Section = Section {
    name: "amplitude",
    form: Form::Optional,
    about: "Optional: without it points are taken at whatever level the bench runs, and no \
            deviation is given.",
    keys: &[
        Key::word(
            "rule",
            words_of::<LevelRule>,
            Required,
            "which quantity is kept: `constant-velocity`, `inverse-frequency` or `clamp-strain`",
        ),
        Key::number(
            "value",
            "",
            above_zero("a level"),
            Required,
            "`constant-velocity`: antinode velocity, mm/s peak. `inverse-frequency`: k in mm Hz, \
             antinode amplitude peak-to-peak = k/f; the same as a constant velocity of π k mm/s \
             peak. `clamp-strain`: µm/m peak-to-peak at the largest gauge; needs a clamp-strain \
             channel",
        )
        .in_unit_of("rule", "by rule", LevelRule::unit_of),
        Key::number(
            "tolerance_pct",
            "%",
            TOLERANCE_PCT,
            Practice(10.0),
            "how far a point may be off",
        ),
    ],
};

const SECONDS: Bounds = above_zero("a time");

pub(super) static HOLD: Section = Section {
    name: "hold",
    form: Form::Optional,
    about: "All optional. The page \"tolerances\" derives each default.",
    keys: &[
        Key::number(
            "min_seconds",
            "s",
            SECONDS,
            Number(8.0),
            "shortest hold: two to three ring-up times of a well damped span",
        ),
        Key::number(
            "min_cycles",
            "cycles",
            above_zero("a length"),
            Number(100.0),
            "shortest hold in cycles; rules at low frequencies, where eight seconds are too few \
             cycles for a mean",
        ),
        Key::number(
            "max_seconds",
            "s",
            SECONDS.taken_up_to(
                3600.0,
                "the samples of a hold are kept in memory until it is closed",
            ),
            Number(60.0),
            "a hold is closed and logged at this length: more tells nothing new, and a forgotten \
             bench still logs. Up to 3600 s, because the samples of a hold are kept in memory until \
             it is closed",
        ),
        Key::number(
            "ring_up_time_constants",
            "–",
            above_zero("a number of time constants"),
            Number(4.0),
            "least wait since frequency or level last changed, in time constants 1/(π df): under \
             2 % of the change is left",
        ),
        Key::number(
            "drive_phase_deg",
            "degrees",
            above_zero("a phase tolerance").below(90.0),
            Number(20.0),
            "largest phase between drive force and antinode velocity, modulo 180: the amplitude is \
             then within 6 % of its peak. Below 90, where everything would pass",
        ),
        Key::number(
            "drift_bandwidths",
            "df",
            above_zero("a change of the detuning"),
            Number(0.1),
            "largest change of the detuning over the hold, in half-power bandwidths: 11 degrees of \
             phase",
        ),
        Key::number(
            "amplitude_drift_pct",
            "%",
            TOLERANCE_PCT,
            Number(1.0),
            "largest trend of the antinode amplitude over the hold",
        ),
        Key::number(
            "amplitude_variation_pct",
            "%",
            TOLERANCE_PCT,
            Number(1.5),
            "largest deviation of the antinode amplitude from its mean",
        ),
        Key::number(
            "node_drift_pct",
            "%",
            TOLERANCE_PCT,
            Number(2.0),
            "largest trend of the node's quadrature part, of which the ratio is made, over the hold; \
             what noise makes of it is allowed on top",
        ),
        Key::number(
            "node_variation_pct",
            "%",
            TOLERANCE_PCT,
            Number(3.0),
            "largest departure of the node's quadrature part from its mean, from a quarter of a \
             second on; noise likewise",
        ),
        Key::number(
            "beat_pct",
            "%",
            TOLERANCE_PCT,
            Number(0.7),
            "largest line in the spectrum of the antinode envelope",
        ),
        Key::number(
            "distortion_pct",
            "%",
            TOLERANCE_PCT,
            Number(10.0),
            "largest distortion of the antinode signal",
        ),
        Key::number(
            "min_snr_db",
            "dB",
            above_zero("a signal-to-noise ratio"),
            Number(10.0),
            "least signal-to-noise ratio at the antinode, with the noise in 0 to 250 Hz: below it a \
             hold of usual length shows no beat of a few per cent any more",
        ),
        Key::number(
            "drive_node_sine",
            "–",
            above_zero("a sine").below(1.0),
            Number(0.15),
            "the drive phase is no evidence where abs(sin(k x)) of the drive point, x from the clamp \
             less its end correction, is below this: nine degrees of wave from a node",
        ),
        Key::words(
            "accept",
            words_of::<CountingVerdict>,
            "held",
            "the verdicts that count for a criterion, the laboratory's rule: `\"held\"` always; \
             `\"steady\"` and `\"off-peak\"` may be added. Named in the verdict and in the block to \
             sign. The ratio does not depend on the drive standing at the peak; level and the \
             definition of a tunable harmonic do: page \"tolerances\"",
        ),
    ],
};

pub(super) static LIMITS: Section = Section {
    name: "limits",
    form: Form::Optional,
    about: "Optional, as is every key. While a capture runs, values above these raise an alarm: in \
            the log, in the exit status, and by the command that `--on-alarm` names. They are the \
            limits of the test specification. The program is no interlock and no emergency stop, \
            and nothing may rest on it as if it were.",
    keys: &[
        Key::number(
            "strain_pp_um_m",
            "µm/m",
            above_zero("a peak-to-peak strain"),
            Nothing("none"),
            "dynamic strain at any clamp-strain channel, peak-to-peak over one second",
        ),
        Key::number(
            "antinode_amplitude_mm_pp",
            "mm",
            above_zero("a peak-to-peak amplitude"),
            Nothing("none"),
            "antinode amplitude, peak-to-peak",
        ),
        Key::number(
            "antinode_velocity_mm_s",
            "mm/s",
            above_zero("a peak velocity"),
            Nothing("none"),
            "antinode velocity, peak",
        ),
    ],
};

pub(super) static SOURCE: Section = Section {
    name: "source",
    form: Form::List { least: 1, most: 64 },
    about: "From 1 to 64. Recordings are named after their source, so its name is made of letters, \
            digits, `-`, `_` and `.`, and does not begin with `.`.",
    keys: &[
        Key::text("name", "a name of its own", Required, "a name of its own"),
        Key::word(
            "kind",
            kinds_of::<SourceKind>,
            Required,
            "`serial` (a device) or `wav` (recordings named on the command line)",
        ),
        Key::text(
            "port",
            "a device such as \"/dev/ttyUSB0\"",
            Required,
            "device, `/dev/ttyUSB0`. A fault under `wav`, as are the next two",
        )
        .only_for("kind", "serial"),
        Key::whole(
            "baud",
            "baud",
            ("a baud rate", 300, 50_000_000),
            Required,
            "line speed. Warned of when it cannot carry the channels at `rate_hz`",
        )
        .only_for("kind", "serial"),
        Key::word(
            "protocol",
            words_of::<Protocol>,
            Word("frames"),
            "`frames` (binary, with CRC and sequence numbers) or `lines` (comma-separated text); \
             page \"device protocol\"",
        )
        .only_for("kind", "serial"),
        Key::number(
            "rate_hz",
            "Hz",
            above_zero("a sampling rate").taken_up_to(
                super::sampling::MAX_RATE_HZ,
                "no accelerometer channel of the trade samples faster",
            ),
            Nothing("as it arrives"),
            "expected sampling rate, checked against what arrives; required for `lines`, which do \
             not carry it. Below 4 × `high_hz` is a fault: the tone and its second harmonic would \
             meet the anti-alias filter. Below 8 × `high_hz` is a warning: the third harmonic gets \
             lost, and distortion reads low. A source of nothing but `monitor` and \
             `tension` channels may be slower here; without a `tension` channel a run still refuses \
             it below 4 × `high_hz`. Up to 1000000 Hz: no accelerometer channel of the trade samples faster, and \
             memory grows with it",
        ),
        Key::number(
            "rate_uncertainty_ppm",
            "ppm",
            from_zero(UNCERTAINTY).up_to(1e5),
            Practice(100.0),
            "an ordinary quartz over temperature and age",
        ),
        Key::switch(
            "continues",
            Off,
            "whether each recording continues the one before it to the sample, as where a recorder \
             splits a long one. `false`: each recording stands for itself, and no hold reaches over \
             the seam; recordings whose sidecars or header times join to the sample are one without \
             being told",
        )
        .only_for("kind", "wav"),
        Key::text(
            "utc_offset",
            UTC_OFFSET,
            Nothing("not stated: the times in the headers are those of a clock of unknown zone, and \
                     points bear no `start_utc`"),
            "by how much the clock of the recorder was ahead of UTC, `+05:30` or `-03:00`. Sidecars, \
             which state UTC, go before it",
        )
        .only_for("kind", "wav"),
    ],
};

/// What would be right at `utc_offset`.
pub(super) const UTC_OFFSET: &str = "an offset such as \"+05:30\" or \"-03:00\"";

pub(super) static CHANNEL: Section = Section {
    name: "channel",
    form: Form::List {
        least: 1,
        most: 1024,
    },
    about: "From 1 to 1024; how many of each role, and what a role needs, is in the second table. All \
            channels whose phase enters a result share one source, because two devices are two \
            clocks.",
    keys: &[
        Key::text("name", "a name of its own", Required, "a name of its own"),
        Key::word(
            "role",
            words_of::<RoleKind>,
            Required,
            "what it measures: see below",
        ),
        Key::text(
            "source",
            "the name of a [[source]]",
            Required,
            "the name of a `[[source]]`",
        ),
        Key::whole(
            "index",
            "–",
            ("a column of the source", 0, 65_535),
            Required,
            "column in that source, from 0; used once",
        ),
        Key::word(
            "unit",
            words_of::<Unit>,
            WordForSignal("V"),
            "one of `m/s2`, `g`, `mm/s`, `m/s`, `mm`, `um`, `um/m`, `N`, `kN`, `V`, as the role allows",
        ),
        Key::number(
            "full_scale",
            "",
            above_zero("a full scale"),
            NumberForSignal(1.0),
            "value of digital full scale, peak; for text lines, of the number 1. Of a `drive-signal` only the \
             phase is used, and it needs none",
        )
        .in_unit_of("unit", "`unit`", Unit::listed),
        Key::number(
            "uncertainty_pct",
            "%",
            UNCERTAINTY_PCT,
            Nothing("not stated"),
            "calibration of this channel alone, from its certificate. Not stated, and without a \
             `reference`, it counts as zero: the uncertainty of every result from the channel is too \
             small, is marked as incomplete, and no guard band decides on it",
        ),
        Key::number(
            "phase_uncertainty_deg",
            "degrees",
            from_zero(UNCERTAINTY).below(45.0),
            Nothing("not stated"),
            "how far the phase of this channel may be off that of the other channels of its source \
             (filters, mounting, lower corner of an accelerometer). Without it phase errors are in \
             no uncertainty. It matters for the ratio of a bare span (page \"Tolerances\") and for \
             the power at the drive",
        ),
        Key::text(
            "serial",
            "a serial number",
            Nothing("not stated"),
            "serial number of the sensor. A matching (`matching`) holds for the sensors that it was made \
             with: where the numbers differ it is refused",
        ),
        Key::text(
            "reference",
            "the name of the reference",
            Nothing("none"),
            "what the channel was calibrated against. Channels with the same reference err \
             together, and part of the error drops out of their ratio",
        ),
        Key::number(
            "reference_uncertainty_pct",
            "%",
            UNCERTAINTY_PCT,
            RequiredWith("reference"),
            "of that reference; the same wherever it is named",
        ),
        Key::number(
            "position_m",
            "m",
            inside_span("a distance from the drive-end clamp"),
            RequiredByRole,
            "place of the sensor from the drive-end clamp, on the free span. Leave it out for \
             sensors that are moved from harmonic to harmonic. On a drive channel it must agree \
             with `span.drive_position_m`",
        ),
        Key::number(
            "position_uncertainty_mm",
            "mm",
            from_zero(UNCERTAINTY).taken_up_to(1000.0, "a sensor is put up to better than a metre"),
            Practice(20.0),
            "how far an antinode or node sensor may stand from where it is put: a tape along the \
             span, and an antinode found by hand. Beside an antinode the motion is less, by \
             1 − cos(k δ), whichever side: that enters the antinode's velocity, the ratio and the \
             power. Where the node sensor stands its own signal says; its place counts for \
             `antinode_offset_mm`",
        ),
        Key::number(
            "moving_mass_kg",
            "kg",
            from_zero("a mass").up_to(100.0),
            Nothing("none"),
            "of a `drive-force` channel: what the cell carries besides the conductor (clamp, stud, half \
             of the cell). Its inertia is taken off with the motion of the `drive-motion` channel, \
             else with the motion that the standing wave gives at `span.drive_position_m`. Without \
             it 0.3 kg can turn the drive phase by 60 degrees and a good hold into one off resonance",
        ),
        Key::number(
            "moving_mass_uncertainty_pct",
            "%",
            UNCERTAINTY_PCT,
            Nothing("5, common practice, no source"),
            "uncertainty (k = 2) of that mass; where it leaves the drive phase uncertain by more than \
             half of `drive_phase_deg`, the phase is no evidence",
        ),
        Key::word(
            "location",
            words_of::<StrainLocation>,
            RequiredByRole,
            "which clamp: `damper` or `end`; refused for other roles",
        ),
    ],
};

pub(super) static PLACE: Section = Section {
    name: "place",
    form: Form::List {
        least: 0,
        most: 1024,
    },
    about: "Where sensors that are moved stood, as far as it is known: in one recording (`file`), or in a range \
            of frequencies. A point takes the place that holds for it, else the `position_m` of the channel. The \
            offsets of both sensors from node and antinode and the correction of the damper's power go by \
            it.",
    keys: &[
        Key::text(
            "file",
            "the name of a recording, without folders",
            Nothing("none: by frequency"),
            "the recording, by its name without folders. It holds for what is read from recordings; a \
             capture names its files itself, so there the frequencies are right",
        ),
        Key::number(
            "low_hz",
            "Hz",
            FREQUENCY,
            Nothing("none: by recording"),
            "lowest frequency; goes with `high_hz`",
        ),
        Key::number(
            "high_hz",
            "Hz",
            FREQUENCY,
            Nothing("none: by recording"),
            "highest frequency",
        ),
        Key::number(
            "node_position_m",
            "m",
            inside_span("a distance from the clamp"),
            Nothing("that of the channel"),
            "node sensor, from the drive-end clamp",
        ),
        Key::number(
            "antinode_position_m",
            "m",
            inside_span("a distance from the clamp"),
            Nothing("that of the channel"),
            "antinode sensor, from the drive-end clamp",
        ),
    ],
};

pub(super) static CRITERIA: Section = Section {
    name: "criteria",
    form: Form::List { least: 0, most: 64 },
    about: "What the run is held against; up to 64, none is needed. Required values come from the \
            licensed text of the standard in force and the responsible engineer, never from this \
            program. Each point passes, fails or is inconclusive; a gap in the coverage of the \
            range keeps the run from passing. A key of another kind is a fault.",
    keys: &[
        Key::word(
            "kind",
            kinds_of::<Requirement>,
            Required,
            "`efficiency-curve` (efficiency not below a curve), `wind-power` (power of the dampers \
             not below what the wind puts in) or `strain-limit` (clamp strain not above a limit)",
        ),
        Key::word(
            "decision_rule",
            words_of::<DecisionRule>,
            Word("simple-acceptance"),
            "`simple-acceptance`: the measured value decides. `guard-band`: pass or fail only beyond \
             the limit by more than the expanded uncertainty (ISO/IEC 17025, ILAC-G8)",
        ),
        Key::word_or_keys_of(
            "level",
            CriterionLevel::words,
            &AMPLITUDE,
            Word("setup"),
            "level of the points that the criterion is judged by. `setup`: that of `[amplitude]`, \
             within its tolerance. `any`: whatever level a point was taken at. Or a level of its \
             own, `{ rule = \"constant-velocity\", value = 150.0, tolerance_pct = 10.0 }`, with the \
             keys of `[amplitude]`: one sweep at several levels then serves several criteria. A \
             point at another level is inconclusive; it does not keep the run from passing where \
             another point at the same harmonic was judged. A fault beside \
             `antinode_velocity_mm_s`, which states the level itself",
        ),
        Key::text(
            "curve",
            "the path of the curve's CSV file, seen from the setup file",
            Required,
            "CSV file, seen from the setup file, headed `frequency_hz,efficiency_pct` or \
             `frequency_diameter_hz_m,efficiency_pct`. Other headings are refused: a sheet has been \
             published with frequencies under \"wind speed (mph)\". \
             `config/curves/example-curve.csv` is invented",
        )
        .only_for("kind", "efficiency-curve"),
        Key::word(
            "wind",
            || FUNCTIONS.iter().map(|function| function.id).collect(),
            Required,
            "wind power function by author and year, such as `diana-falco-1971` or \
             `iec-61897-1998`; they differ by a factor of two",
        )
        .only_for("kind", "wind-power"),
        Key::number(
            "span_length_m",
            "m",
            above_zero("the length of a line span"),
            Required,
            "length of the line span",
        )
        .only_for("kind", "wind-power"),
        Key::whole(
            "dampers",
            "–",
            ("a number of dampers", 1, 100),
            Whole(1),
            "how many such dampers that span has",
        )
        .only_for("kind", "wind-power"),
        Key::number(
            "antinode_velocity_mm_s",
            "mm/s",
            above_zero("a peak antinode velocity"),
            Nothing("each point's own"),
            "antinode velocity, peak, at which the wind's power is taken; points at another level \
             are then inconclusive",
        )
        .only_for("kind", "wind-power"),
        Key::number(
            "tolerance_pct",
            "%",
            TOLERANCE_PCT,
            Practice(10.0),
            "how far a point's velocity may be from it",
        )
        .only_for("kind", "wind-power"),
        Key::word(
            "power",
            words_of::<PowerForm>,
            Word("standard"),
            "which damper power is held against the wind's: `standard`, the standard's plain \
             difference of the powers with damper and without, or `corrected`, with bending stiffness \
             and only what of the bare span's losses remains with the damper on. A point without the \
             one that is asked for is inconclusive",
        )
        .only_for("kind", "wind-power"),
        Key::number(
            "limit_pp_um_m",
            "µm/m",
            above_zero("a peak-to-peak strain"),
            Required,
            "**peak-to-peak**: 300 peak-to-peak is 150 zero-to-peak",
        )
        .only_for("kind", "strain-limit"),
        Key::word(
            "location",
            words_of::<StrainLocation>,
            Nothing("the largest of all gauges"),
            "which clamp: `damper` or `end`",
        )
        .only_for("kind", "strain-limit"),
    ],
};
