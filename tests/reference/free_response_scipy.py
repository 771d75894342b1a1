"""Reference values for the free response beside a driven tone, from SciPy.

Makes noisy series of complex amplitudes (a constant, and one or two decaying
exponentials) with a seeded NumPy generator, rounds them to six decimals (what is
stored is exactly what is fitted), and finds the exponents in two ways that share
nothing with the Rust code: the whole non-linear model over real unknowns with
`scipy.optimize.least_squares`, started from the matrix pencil (Hua and Sarkar
1990, IEEE Trans. ASSP 38, from memory), which needs no start. The two
have to agree to 3 %, which is what noise leaves to a pencil of slow exponents. Covariances are the inverse of J'J, J by finite
differences, with the residual variance raised by a third: the series' values come
from windows that overlap by half.

Usage: free_response_scipy.py OUTPUT_FOLDER
Writes free_response_series.csv and free_response_values.csv.
"""

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.linalg import svd
from scipy.optimize import least_squares

# name, step_s, values, driven amplitude, [(amplitude, detuning Hz, bandwidth Hz)], noise
CASES = [
    ("ring_up", 0.25, 80, 1.0 + 0.2j, [(-0.9 + 0.1j, 0.0, 0.1)], 0.003),
    ("detuned", 0.25, 60, 0.8 - 0.3j, [(0.5 + 0.5j, 0.12, 0.15)], 0.005),
    ("drive_cut", 0.25, 120, 0.0j, [(1.0 - 0.4j, -0.02, 0.05)], 0.01),
    ("broad", 0.2, 60, 1.0 + 0j, [(-1.0 + 0j, 0.05, 0.35)], 0.002),
    ("bare", 0.25, 240, 1.0 + 0j, [(-0.7 + 0.2j, 0.003, 0.006)], 0.001),
    (
        "with_a_neighbour",
        0.25,
        80,
        1.0 + 0.1j,
        [(-0.8 + 0.3j, 0.01, 0.12), (0.2 - 0.1j, 1.13, 0.2)],
        0.003,
    ),
]


def matrix_pencil(series, order):
    """Poles of a series by the singular vectors of its Hankel matrix."""
    length = len(series) // 3
    hankel = np.array([series[i : i + length + 1] for i in range(len(series) - length)])
    _, _, vh = svd(hankel, full_matrices=False)
    v = vh[:order].conj().T
    poles = np.linalg.eigvals(np.linalg.pinv(v[:-1]) @ v[1:])
    return poles.conj()


def model(parameters, time_s, count):
    values = np.full(len(time_s), parameters[0] + 1j * parameters[1])
    for k in range(count):
        re, im, decay, turn = parameters[2 + 4 * k : 6 + 4 * k]
        values = values + (re + 1j * im) * np.exp((-decay + 1j * turn) * time_s)
    return values


def fitted(series, step_s, count):
    time_s = step_s * np.arange(len(series))
    exponents = np.log(matrix_pencil(series, count + 1)) / step_s
    # One pole is the driven tone's, at zero; a drive that was cut leaves a poor one.
    exponents = sorted(exponents, key=abs)[1:] if abs(series[-1]) > 0.2 else None
    if exponents is None:
        exponents = np.log(matrix_pencil(series, count)) / step_s
    columns = [np.ones(len(series))] + [np.exp(e * time_s) for e in exponents]
    linear = np.linalg.lstsq(np.array(columns).T, series, rcond=None)[0]
    start = [linear[0].real, linear[0].imag]
    for amplitude, exponent in zip(linear[1:], exponents):
        start += [amplitude.real, amplitude.imag, -exponent.real, exponent.imag]

    def rest(parameters):
        difference = model(parameters, time_s, count) - series
        return np.concatenate([difference.real, difference.imag])

    found = least_squares(rest, start, xtol=1e-15, ftol=1e-15, gtol=1e-15, jac="3-point", x_scale="jac")
    freedom = 2 * len(series) - len(start)
    variance = 2 * found.cost / freedom * (4 / 3)
    covariance = variance * np.linalg.inv(found.jac.T @ found.jac)
    tones = []
    for k in range(count):
        at = 2 + 4 * k
        re, im, decay, turn = found.x[at : at + 4]
        u = np.sqrt(np.diag(covariance))[at + 2 : at + 4]
        found_exponent = -decay + 1j * turn
        pencil = min(exponents, key=lambda e: abs(e - found_exponent))
        assert abs(pencil - found_exponent) < 0.03 * abs(found_exponent)
        tones.append(
            [turn / (2 * np.pi), u[1] / (2 * np.pi), decay / np.pi, u[0] / np.pi, abs(re + 1j * im)]
        )
    return sorted(tones, key=lambda tone: abs(tone[0]))


def main():
    folder = Path(sys.argv[1])
    generator = np.random.default_rng(20260611)
    with (
        open(folder / "free_response_series.csv", "w", newline="") as series_file,
        open(folder / "free_response_values.csv", "w", newline="") as values_file,
    ):
        series_csv = csv.writer(series_file, lineterminator="\n")
        values_csv = csv.writer(values_file, lineterminator="\n")
        series_csv.writerow(["case", "step_s", "re", "im"])
        values_csv.writerow(
            ["case", "tone", "detuning_hz", "detuning_u_hz", "bandwidth_hz", "bandwidth_u_hz", "amplitude"]
        )
        for name, step_s, count, driven, tones, noise in CASES:
            time_s = step_s * np.arange(count)
            series = np.full(count, driven, dtype=complex)
            for amplitude, detuning, bandwidth in tones:
                series += amplitude * np.exp((-np.pi * bandwidth + 2j * np.pi * detuning) * time_s)
            scatter = generator.standard_normal((2, count))
            series += noise * (scatter[0] + 1j * scatter[1]) / np.sqrt(2)
            series = np.round(series.real, 6) + 1j * np.round(series.imag, 6)
            for value in series:
                series_csv.writerow([name, step_s, f"{value.real:.6f}", f"{value.imag:.6f}"])
            for k, tone in enumerate(fitted(series, step_s, len(tones))):
                values_csv.writerow([name, k] + [f"{value:.9f}" for value in tone])


main()
