"""Where the drive stands against the peak, and the field at places along the span, by finite
elements.

Writes node_pattern.csv. An independent check of the proof of resonance by the place of the
nodes: the elements of beam_elements.py, tension and stiffness complex (structural damping),
the damper a complex force at its place, both ends clamped, a force at the drive. How far the
drive stands from the peak is the phase between that force and the velocity at the antinode
next to the damper, which is read off the field by maximising its modulus, without any notion of
waves: -tan(phase)/2 half-power bandwidths. Spans, dampers and places are random and invented.
Needs NumPy and SciPy (made with numpy 2.4.6, scipy 1.17.1).

    python3 node_pattern.py > node_pattern.csv
"""
import numpy as np
from scipy.optimize import brentq, minimize_scalar

from beam_elements import Field, matrices

SPANS, PLACES = 60, 6
rng = np.random.default_rng(20261127)


class Span:
    def __init__(self):
        diameter = rng.uniform(0.012, 0.038)
        self.mass = 2700*np.pi/4*diameter**2*rng.uniform(0.75, 1.25)
        self.tension = self.mass*rng.uniform(100, 160)**2
        self.stiffness = rng.uniform(0.1, 0.45)*69e9*np.pi/64*diameter**4
        self.length = rng.uniform(28, 55)
        self.eta_t, self.eta_e = 10**rng.uniform(-4, -3), 10**rng.uniform(np.log10(0.003), np.log10(0.05))
        self.damper_m, self.drive_m = rng.uniform(0.4, 1.2), rng.uniform(0.1, 1.4)
        ratio, angle = 10**rng.uniform(-1.2, 0.6), rng.uniform(-1.4, 1.4)
        self.damper = ratio * np.sqrt(self.tension*self.mass) * np.exp(1j*angle)
        self.frequency_hz = np.exp(rng.uniform(np.log(0.18/diameter), np.log(1.4/diameter)))
        self.clear = 6*np.sqrt(self.stiffness/self.tension)
        end = self.length - self.damper_m - self.clear
        first = self.drive_m + self.clear
        self.places = np.round(np.concatenate([
            [first + rng.uniform(0, 1.0)], rng.uniform(first + 2, end - 6, 2),
            rng.uniform(end - 4, end, 3)]), 2)
        self.elements = int(2*self.length/0.03)
        self.K, self.M = matrices(self.tension*(1 + 1j*self.eta_t), self.mass,
                                  self.stiffness*(1 + 1j*self.eta_e), self.length, self.elements)

    def wave_number(self, hz):
        root = np.sqrt(self.tension**2 + 4*self.stiffness*self.mass*(2*np.pi*hz)**2)
        return np.sqrt((root - self.tension) / (2*self.stiffness))

    def at(self, hz):
        """Field, velocity at the antinode, and how far above the peak, bandwidths."""
        omega = 2*np.pi*hz
        at_m = self.length - self.damper_m
        field = Field(self.K, self.M, self.length, self.elements, self.drive_m, at_m,
                      1j*omega*self.damper, omega)
        loop = np.pi/self.wave_number(hz)
        end = at_m - self.clear - 0.25*loop
        x = np.linspace(end - 1.5*loop, end, 300)
        m = np.array([abs(field(v)) for v in x])
        inner = np.where((m[1:-1] > m[:-2]) & (m[1:-1] >= m[2:]))[0] + 1
        i = inner[-1]
        antinode = minimize_scalar(lambda v: -abs(field(v)), bounds=(x[i-1], x[i+1]), method="bounded",
                                   options={"xatol": 1e-9}).x
        velocity = 1j*omega*field(antinode)
        return field, velocity, -0.5*velocity.imag/velocity.real

    def peak(self):
        """The resonance above the drawn frequency, with a bracket about it."""
        spacing = 0.5*2*np.pi/self.wave_number(1.0)/(2*self.length)
        grid = self.frequency_hz + np.linspace(0, 1.3*spacing, 60)
        found = [self.at(hz)[2] for hz in grid]
        for low, high, a, b in zip(grid, grid[1:], found, found[1:]):
            if a < 0 < b and b - a < 20:
                return low, high
        return None


print(",".join(["span", "tension_n", "mass_kg_per_m", "bending_stiffness_n_m2", "length_m", "loss_tension",
                "loss_bending", "drive_m", "damper_m", "frequency_hz", "detuning_bandwidths"]
               + [f"{name}_{i}" for i in range(PLACES) for name in ("place_m", "re", "im")]))
number = 0
while number < SPANS:
    span = Span()
    # At a node of its own the force says nothing of the peak.
    phase = span.wave_number(span.frequency_hz)*span.drive_m - np.arctan(
        span.wave_number(span.frequency_hz)*np.sqrt(span.stiffness/span.tension))
    if abs(np.sin(phase)) < 0.15:
        continue
    bracket = span.peak()
    if bracket is None:
        continue
    peak_hz = brentq(lambda hz: span.at(hz)[2], *bracket, xtol=1e-7)
    width_hz = 1e-4*peak_hz / (span.at(peak_hz*1.0001)[2] - span.at(peak_hz)[2])
    rows = []
    for target in (0.0, rng.uniform(-1, 1), rng.uniform(-0.3, 0.3)):
        beside = lambda hz: span.at(hz)[2] - target
        hz = peak_hz
        if target:
            far_hz = peak_hz + 3*target*width_hz
            if beside(peak_hz)*beside(far_hz) > 0:
                continue
            hz = brentq(beside, min(peak_hz, far_hz), max(peak_hz, far_hz), xtol=1e-7)
        field, top, detuning = span.at(hz)
        unit = 0.2/top
        values = [number, span.tension, span.mass, span.stiffness, span.length, span.eta_t, span.eta_e,
                  span.drive_m, span.damper_m, hz, detuning]
        for place in span.places:
            v = 2j*np.pi*hz*field(place)*unit
            values += [place, v.real, v.imag]
        rows.append(",".join(f"{v:.9g}" for v in values))
    if rows:
        print("\n".join(rows))
        number += 1
