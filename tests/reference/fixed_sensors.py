"""The field of lossy conductors with a damper on, at places along them, by finite elements.

Writes fixed_sensors.csv. An independent check of the decomposition into two waves:
cubic Hermite beam elements with geometric stiffness and consistent mass (textbook
matrices), tension and stiffness complex (structural damping), the damper a complex
force at its place, both ends clamped, a force at the drive. What the node next to the
damper and the antinode before it show is read off the field itself, by minimising and
maximising its modulus, without any notion of waves. Spans, dampers and places are
random and invented. Needs NumPy and SciPy (made with numpy 2.4.6, scipy 1.17.1).

    python3 fixed_sensors.py > fixed_sensors.csv
"""
import numpy as np
from scipy.optimize import minimize_scalar

from beam_elements import Field, matrices

SPANS, FREQUENCIES, PLACES = 40, 6, 12
rng = np.random.default_rng(20261127)


def case(span, frequency_hz, scale):
    tension, mass, stiffness, length, eta_t, eta_e, drive_m, damper_m, places, ratio, angle = span
    omega = 2*np.pi*frequency_hz
    elements = int(scale * length / 0.03)
    K, M = matrices(tension*(1 + 1j*eta_t), mass, stiffness*(1 + 1j*eta_e), length, elements)
    impedance = ratio * np.sqrt(tension*mass) * np.exp(1j*angle)
    at_m = length - damper_m
    field = Field(K, M, length, elements, drive_m, at_m, 1j*omega*impedance, omega)
    k = np.sqrt((-tension + np.sqrt(tension**2 + 4*stiffness*mass*omega**2)) / (2*stiffness))
    loop = np.pi / k
    clear = max(6/np.sqrt(k*k + tension/stiffness), 0.25*loop)
    modulus = lambda x: abs(field(x))
    # The furthest minimum that is clear of the damper, bracketed on a grid.
    x = np.arange(at_m - clear - 1.6*loop, at_m - clear + 0.5*loop, loop/200)
    m = np.array([modulus(v) for v in x])
    inner = np.where((m[1:-1] < m[:-2]) & (m[1:-1] <= m[2:]))[0] + 1
    inner = [i for i in inner if x[i] <= at_m - clear]
    i = inner[-1]
    node = minimize_scalar(modulus, bounds=(x[i-1], x[i+1]), method="bounded", options={"xatol": 1e-10}).x
    if at_m - clear - node < 0.02*loop or at_m - clear - node > 0.98*loop:
        return None
    antinode = minimize_scalar(lambda v: -modulus(v), bounds=(node - 0.75*loop, node - 0.25*loop),
                               method="bounded", options={"xatol": 1e-10}).x
    velocity = lambda v: 1j*omega*field(v)
    top = velocity(antinode)
    # The level is invented: 0.2 m/s at the antinode, whose phase is zero.
    unit = 0.2 / top
    return (modulus(node)/modulus(antinode), node, antinode), [velocity(p)*unit for p in places]


header = ["span", "tension_n", "mass_kg_per_m", "bending_stiffness_n_m2", "length_m", "loss_tension",
          "loss_bending", "drive_m", "damper_m", "frequency_hz", "iswr", "node_m", "antinode_m"]
header += [f"{name}_{i}" for i in range(PLACES) for name in ("place_m", "re", "im")]
print(",".join(header))
number = 0
while number < SPANS:
    diameter = rng.uniform(0.012, 0.038)
    mass = 2700*np.pi/4*diameter**2*rng.uniform(0.75, 1.25)
    tension = mass*rng.uniform(100, 160)**2
    stiffness = rng.uniform(0.1, 0.45)*69e9*np.pi/64*diameter**4
    length = rng.uniform(28, 55)
    eta_t, eta_e = 10**rng.uniform(-4, -3), 10**rng.uniform(np.log10(0.003), np.log10(0.05))
    damper_m, drive_m = rng.uniform(0.4, 1.2), rng.uniform(0.6, 1.4)
    low, high = 0.18/diameter, 1.4/diameter
    ratio, angle = 10**rng.uniform(-1.2, 0.6), rng.uniform(-1.4, 1.4)
    near = length - damper_m - 0.7
    places = np.round(np.sort(np.concatenate([
        rng.uniform(near - 3, near, 7), rng.uniform(near - 12, near - 3, 5)])), 2)
    span = (tension, mass, stiffness, length, eta_t, eta_e, drive_m, damper_m, places, ratio, angle)
    rows = []
    for frequency_hz in np.exp(rng.uniform(np.log(low), np.log(high), FREQUENCIES)):
        fine = case(span, frequency_hz, 2)
        coarse = case(span, frequency_hz, 1)
        if fine is None or coarse is None:
            continue
        (iswr, node, antinode), field = fine
        # Converged: half as many elements move nothing by more than a thousandth of what is tested.
        if abs(coarse[0][0]/iswr - 1) > 1e-3:
            continue
        values = [number, tension, mass, stiffness, length, eta_t, eta_e, drive_m, damper_m, frequency_hz,
                  iswr, node, antinode]
        for place, v in zip(places, field):
            values += [place, v.real, v.imag]
        rows.append(",".join(f"{v:.9g}" for v in values))
    if len(rows) >= 4:
        print("\n".join(rows))
        number += 1
