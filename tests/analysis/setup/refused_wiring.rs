//! Sources and channels that do not fit one another.

use super::refused;

#[test]
fn units_that_do_not_fit_the_role() {
    refused(
        &[(60, "unit = \"N\"")],
        "bench.toml:60: channel[node].unit: N does not fit the role node; one of m/s2, g, mm/s, \
         m/s, mm, um is right",
    );
    refused(
        &[(71, "unit = \"m/s2\"")],
        "bench.toml:71: channel[force].unit: m/s2 does not fit the role drive-force; one of N, kN \
         is right",
    );
    refused(
        &[(100, "unit = \"um\"")],
        "bench.toml:100: channel[strain].unit: um does not fit the role clamp-strain; um/m is \
         right",
    );
    refused(
        &[(80, "unit = \"um/m\"")],
        "bench.toml:80: channel[wave 1].unit: um/m does not fit the role wave; one of m/s2, g, \
         mm/s, m/s, mm, um is right",
    );
}

#[test]
fn names_and_columns_used_twice() {
    refused(
        &[(56, "name = \"antinode\"")],
        "bench.toml:56: channel[antinode].name: \"antinode\" is already the name of the channel at \
         line 45; a name of its own is right",
    );
    refused(
        &[
            (41, "name = \"bench\""),
            (98, "source = \"bench\""),
            (99, "index = 7"),
        ],
        "bench.toml:41: source[bench].name: \"bench\" is already the name of the source at line \
         33; a name of its own is right",
    );
    refused(
        &[(70, "index = 1")],
        "bench.toml:70: channel[force].index: column 1 of \"bench\" is already used by the channel \
         at line 59; a column of its own is right",
    );
}

#[test]
fn a_source_nobody_knows() {
    refused(
        &[(98, "source = \"gauge\"")],
        "bench.toml:98: channel[strain].source: there is no source \"gauge\"; known are: bench, \
         gauges; \"gauges\" is right",
    );
    refused(
        &[(98, "source = \"x\"")],
        "bench.toml:98: channel[strain].source: there is no source \"x\"; known are: bench, \
         gauges; one of bench, gauges is right",
    );
}

#[test]
fn roles_that_occur_too_often_or_not_at_all() {
    for (line, name, role, first) in [
        (77, "wave 1", "antinode", 46),
        (77, "wave 1", "node", 57),
        (87, "wave 2", "drive-force", 68),
    ] {
        let unit = if role == "drive-force" {
            "unit = \"N\""
        } else {
            "unit = \"mm\""
        };
        let position = if role == "drive-force" {
            "#"
        } else {
            "position_m = 31.25"
        };
        refused(
            &[
                (line, &format!("role = \"{role}\"")),
                (line + 3, unit),
                (line + 6, position),
            ],
            &format!(
                "bench.toml:{line}: channel[{name}].role: is a second {role}, the first is at line \
                 {first}; one {role} and role monitor or wave for the others is right"
            ),
        );
    }
    refused(
        &[
            (77, "role = \"drive-motion\""),
            (83, "#"),
            (87, "role = \"drive-motion\""),
            (93, "#"),
        ],
        "bench.toml:87: channel[wave 2].role: is a second drive-motion, the first is at line 77; \
         one drive-motion and role monitor or wave for the others is right",
    );
    // Two fixed sensors are there, and could read both.
    refused(
        &[(46, "role = \"monitor\"")],
        "bench.toml:57: channel[node].role: is a node without an antinode channel to compare it \
         with; an antinode channel beside it, or no node channel where fixed sensors read both, is \
         right",
    );
    refused(
        &[(46, "role = \"monitor\""), (87, "role = \"monitor\"")],
        "bench.toml:44: channel: no channel has the role antinode; exactly one channel of role \
         antinode, or two or more of role wave at fixed places, is right",
    );
}

#[test]
fn two_devices_are_two_clocks() {
    refused(
        &[(58, "source = \"gauges\"")],
        "bench.toml:58: channel[node].source: \"gauges\" is not the source of the antinode channel: \
         two devices are two clocks, so the phase of the node would mean nothing; \"bench\" is \
         right",
    );
    // The antinode is the clock even where it is not the first channel.
    refused(
        &[
            (46, "role = \"node\""),
            (57, "role = \"antinode\""),
            (58, "source = \"gauges\""),
            (47, "source = \"gauges\""),
            (99, "index = 5"),
            (69, "source = \"gauges\""),
            (78, "source = \"gauges\""),
        ],
        "bench.toml:88: channel[wave 2].source: \"bench\" is not the source of the antinode \
         channel: two devices are two clocks, so the phase of the wave would mean nothing; \
         \"gauges\" is right",
    );
}

#[test]
fn places_that_a_role_needs_or_refuses() {
    refused(
        &[(83, "#")],
        "bench.toml:75: channel[wave 1].position_m: is missing; a distance from the drive-end clamp \
         above 0 m and below the span length of 36 m is right",
    );
    refused(
        &[(103, "#")],
        "bench.toml:95: channel[strain].location: is missing; one of damper, end is right",
    );
    refused(
        &[(65, "location = \"end\"")],
        "bench.toml:65: channel[node].location: belongs to the role clamp-strain, this channel is \
         node; no such key here is right",
    );
    refused(
        &[(65, "moving_mass_kg = 0.3")],
        "bench.toml:65: channel[node].moving_mass_kg: belongs to the role drive-force, this channel \
         is node; no such key here is right",
    );
    refused(
        &[(74, "moving_mass_kg = 0.3"), (17, "")],
        "bench.toml:74: channel[force].moving_mass_kg: cannot be taken off: nothing says how the \
         drive moves; a drive-motion channel, or span.drive_position_m, is right",
    );
    refused(
        &[(74, "position_m = 1.4")],
        "bench.toml:74: channel[force].position_m: 1.4 contradicts span.drive_position_m, which is \
         1.3; one place of the drive, stated once, is right",
    );
}

#[test]
fn a_rate_too_low_for_the_sweep() {
    refused(
        &[(38, "rate_hz = 255")],
        "bench.toml:38: source[bench].rate_hz: 255 Hz is too low for a sweep up to 64.0 Hz; a \
         sampling rate of at least 256 Hz, four times sweep.high_hz, is right",
    );
    // Against the default range, 1.4/0.0218 m = 64.22 Hz.
    refused(
        &[(21, "#"), (38, "rate_hz = 256")],
        "bench.toml:38: source[bench].rate_hz: 256 Hz is too low for a sweep up to 64.2 Hz; a \
         sampling rate of at least 257 Hz, four times sweep.high_hz, is right",
    );
}

#[test]
fn a_serial_source_is_whole() {
    refused(
        &[(35, "#"), (36, "#")],
        "bench.toml:32: source[bench].port: is missing; a device such as \"/dev/ttyUSB0\" is \
         right\n\
         bench.toml:32: source[bench].baud: is missing; a baud rate, a whole number from 300 to \
         50000000, is right",
    );
    refused(
        &[(36, "baud = 0")],
        "bench.toml:36: source[bench].baud: 0 is impossible; a baud rate, a whole number from 300 \
         to 50000000, is right",
    );
    refused(
        &[(37, "protocol = \"lines\""), (38, "#")],
        "bench.toml:32: source[bench].rate_hz: is missing: text lines do not carry their sampling \
         rate; the sampling rate of the device in Hz is right",
    );
}

#[test]
fn a_wav_source_has_no_device() {
    refused(
        &[(34, "kind = \"wav\""), (37, "#")],
        "bench.toml:35: source[bench].port: belongs to a serial source, this one is kind \"wav\"; \
         no such key here, or kind = \"serial\", is right\n\
         bench.toml:36: source[bench].baud: belongs to a serial source, this one is kind \"wav\"; \
         no such key here, or kind = \"serial\", is right",
    );
}

#[test]
fn a_source_name_that_would_be_a_path() {
    for name in ["../x", "a/b", ".hidden", "two words"] {
        refused(
            &[
                (41, &format!("name = \"{name}\"")),
                (98, &format!("source = \"{name}\"")),
            ],
            &format!(
                "bench.toml:41: source[{name}].name: \"{name}\" cannot be part of a file name; a \
                 name of letters, digits, `-`, `_` and `.` that does not begin with `.` is right"
            ),
        );
    }
}

#[test]
fn half_a_reference() {
    refused(
        &[(64, "#")],
        "bench.toml:63: channel[node].reference_uncertainty_pct: is missing although a reference \
         is named; the uncertainty (k = 2) of the reference in % is right",
    );
    refused(
        &[(63, "#")],
        "bench.toml:64: channel[node].reference_uncertainty_pct: is given although no reference is \
         named; the name of the reference in the key reference is right",
    );
    refused(
        &[(64, "reference_uncertainty_pct = 0.7")],
        "bench.toml:64: channel[node].reference_uncertainty_pct: 0.7 contradicts line 53, where the \
         same reference has 0.6; one uncertainty for one reference is right",
    );
}
