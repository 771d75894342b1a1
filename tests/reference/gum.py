"""Worked cases of uncertainty propagation (JCGM 100) with GTC: the program's
measurement equations written anew with GTC's complex uncertain numbers, whose
derivatives are exact. The real-valued cases are done a second time with the
package `uncertainties`; the two must agree before anything is written.

Usage: gum.py OUTPUT_FOLDER
Writes gum_cases.csv: case, kind (input, cause, value, standard), name, number.
All SI, peak values, **standard** uncertainties (k = 1).
"""

import csv
import math
import sys
from pathlib import Path

import GTC
import uncertainties
from uncertainties import umath

TAU = 2 * math.pi


# Inputs of a case; causes are relative standard uncertainties but for noise
# (SI, of the real and of the imaginary part alike) and frequency (Hz).
COMMON = dict(
    frequency_hz=43.217,
    tension_n=18000.0,
    mass_kg_per_m=0.98,
    bending_stiffness_n_m2=180.0,
    antinode=(54.3, 0.0),
    node=(-1.2, -5.1),
    force=(0.9, 6.2),
    drive_motion=(0.11, 0.021),
    strain=(60e-6, -35e-6),
)
CAUSES = dict(
    frequency_hz=0.0004,
    clock=0.0,
    tension=0.005,
    mass=0.002,
    stiffness=0.1,
    gain_antinode=0.0,
    gain_node=0.0,
    gain_force=0.0,
    gain_drive_motion=0.0,
    gain_strain=0.0,
    gain_reference=0.0,
    noise_antinode=0.0,
    noise_node=0.0,
    noise_force=0.0,
    noise_drive_motion=0.0,
    noise_strain=0.0,
)
CASES = {
    # Every channel errs by itself.
    "separate_calibrations": dict(
        causes=dict(
            gain_antinode=0.005,
            gain_node=0.005,
            gain_force=0.01,
            gain_drive_motion=0.005,
            gain_strain=0.01,
            noise_antinode=0.02,
            noise_node=0.02,
            noise_force=0.01,
            noise_drive_motion=0.0002,
            noise_strain=2e-7,
        )
    ),
    # The same total per motion channel, but most of it from one reference.
    "common_reference": dict(
        causes=dict(
            gain_antinode=0.003,
            gain_node=0.003,
            gain_drive_motion=0.003,
            gain_reference=0.004,
            noise_antinode=0.02,
            noise_node=0.02,
            noise_drive_motion=0.0002,
        )
    ),
    # A node sensor far off the node: the in-phase part is large.
    "node_sensor_off": dict(
        inputs=dict(node=(14.0, -2.5)),
        causes=dict(gain_antinode=0.005, gain_node=0.005, gain_reference=0.004, noise_node=0.05, clock=2e-4),
    ),
    # Noise alone, with a faint node.
    "faint_node": dict(
        inputs=dict(node=(0.02, -0.11)),
        causes=dict(noise_antinode=0.01, noise_node=0.01, frequency_hz=0.002, tension=0.0, mass=0.0, stiffness=0.0),
    ),
}


def equations(x, sqrt, asin, cos, norm, re, im):
    """The design's equations 7.1 to 7.5; antinode, node in m/s², drive motion
    in m/s. The operators are those of the number package."""
    omega = TAU * x["frequency_hz"]
    tension, mass, stiffness = x["tension_n"], x["mass_kg_per_m"], x["bending_stiffness_n_m2"]
    # k from EI k⁴ + T k² = m omega², by the textbook's formula.
    k = sqrt((sqrt(tension**2 + 4 * stiffness * mass * omega**2) - tension) / (2 * stiffness))
    antinode_velocity = norm(x["antinode"]) / omega
    re_part, im_part = re(x["node"], x["antinode"]), im(x["node"], x["antinode"])
    angle = asin(re_part)
    sign = 1 if float(nominal(im_part)) > 0 else -1
    iswr = sign * im_part / cos(angle)
    node_velocity = iswr * antinode_velocity
    product = 0.5 * antinode_velocity * node_velocity
    result = dict(
        frequency_hz=x["frequency_hz"],
        antinode_velocity_m_s=antinode_velocity,
        node_velocity_m_s=node_velocity,
        iswr=iswr,
        node_offset_m=angle / k,
        power_total_w=product * sqrt(tension * mass),
        power_total_stiffness_w=product * (tension * k + 2 * stiffness * k**3) / omega,
        strain_pp=2 * norm(x["strain"]),
    )
    return result


def nominal(number):
    """The value of a number of either package, or of a plain one."""
    return getattr(number, "nominal_value", getattr(number, "x", number))


def with_gtc(inputs, causes):
    def real(name, value, u):
        return GTC.ureal(value, u, label=name)

    clock = 1 + real("clock", 0.0, causes["clock"])
    reference = real("reference", 0.0, causes["gain_reference"])
    x = dict(
        frequency_hz=(inputs["frequency_hz"] + real("frequency", 0.0, causes["frequency_hz"])) * clock,
        tension_n=inputs["tension_n"] * (1 + real("tension", 0.0, causes["tension"])),
        mass_kg_per_m=inputs["mass_kg_per_m"] * (1 + real("mass", 0.0, causes["mass"])),
        bending_stiffness_n_m2=inputs["bending_stiffness_n_m2"] * (1 + real("stiffness", 0.0, causes["stiffness"])),
    )
    for name in ("antinode", "node", "force", "drive_motion", "strain"):
        gain = 1 + real(f"gain {name}", 0.0, causes[f"gain_{name}"])
        if name in ("antinode", "node", "drive_motion"):
            gain = gain + reference
        noise = causes[f"noise_{name}"]
        x[name] = GTC.ucomplex(complex(*inputs[name]), (noise, noise), label=name) * gain
    result = equations(
        x,
        sqrt=GTC.sqrt,
        asin=GTC.asin,
        cos=GTC.cos,
        norm=GTC.magnitude,
        re=lambda a, b: (a / b).real,
        im=lambda a, b: (a / b).imag,
    )
    result["power_force_w"] = 0.5 * (x["force"] * x["drive_motion"].conjugate()).real
    return {name: (GTC.value(y), GTC.uncertainty(y)) for name, y in result.items()}


def with_uncertainties(inputs, causes):
    def real(value, u):
        return uncertainties.ufloat(value, u) if u > 0 else value

    clock = 1 + real(0.0, causes["clock"])
    reference = real(0.0, causes["gain_reference"])
    x = dict(
        frequency_hz=(inputs["frequency_hz"] + real(0.0, causes["frequency_hz"])) * clock,
        tension_n=inputs["tension_n"] * (1 + real(0.0, causes["tension"])),
        mass_kg_per_m=inputs["mass_kg_per_m"] * (1 + real(0.0, causes["mass"])),
        bending_stiffness_n_m2=inputs["bending_stiffness_n_m2"] * (1 + real(0.0, causes["stiffness"])),
    )
    for name in ("antinode", "node", "force", "drive_motion", "strain"):
        gain = 1 + real(0.0, causes[f"gain_{name}"])
        if name in ("antinode", "node", "drive_motion"):
            gain = gain + reference
        noise = causes[f"noise_{name}"]
        x[name] = tuple(real(part, noise) * gain for part in inputs[name])

    def square(a):
        return a[0] * a[0] + a[1] * a[1]

    result = equations(
        x,
        sqrt=umath.sqrt,
        asin=umath.asin,
        cos=umath.cos,
        norm=lambda a: umath.sqrt(square(a)),
        re=lambda a, b: (a[0] * b[0] + a[1] * b[1]) / square(b),
        im=lambda a, b: (a[1] * b[0] - a[0] * b[1]) / square(b),
    )
    force, motion = x["force"], x["drive_motion"]
    result["power_force_w"] = 0.5 * (force[0] * motion[0] + force[1] * motion[1])
    return {name: (nominal(y), getattr(y, "std_dev", 0.0)) for name, y in result.items()}


def main(folder):
    with open(folder / "gum_cases.csv", "w", newline="") as table:
        rows = csv.writer(table, lineterminator="\n")
        rows.writerow(["case", "kind", "name", "number"])
        for case, changes in CASES.items():
            inputs = COMMON | changes.get("inputs", {})
            causes = CAUSES | changes["causes"]
            first, second = with_gtc(inputs, causes), with_uncertainties(inputs, causes)
            for name, (value, standard) in first.items():
                for a, b in zip((value, standard), second[name]):
                    if not math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-15):
                        raise SystemExit(f"{case}, {name}: GTC {a}, uncertainties {b}")
            for name, number in inputs.items():
                if isinstance(number, tuple):
                    rows.writerow([case, "input", f"{name}_re", number[0]])
                    rows.writerow([case, "input", f"{name}_im", number[1]])
                else:
                    rows.writerow([case, "input", name, number])
            for name, number in causes.items():
                rows.writerow([case, "cause", name, number])
            for name, (value, standard) in first.items():
                rows.writerow([case, "value", name, f"{value:.12e}"])
                rows.writerow([case, "standard", name, f"{standard:.12e}"])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
