"""Reference values for free tones that several channels share, from SciPy.

Makes noisy series of complex amplitudes on several channels (a constant each, and
decaying exponentials with common exponents and amplitudes of each channel's own)
with a seeded NumPy generator, rounds them to six decimals, and fits the whole
non-linear model over real unknowns with `scipy.optimize.least_squares`, each channel
over its noise. Nothing of it is the Rust code's variable projection. Covariances are
the inverse of J'J, J by finite differences, raised by a third: the series' values
come from windows that overlap by half.

Usage: free_tones_scipy.py OUTPUT_FOLDER
Writes free_tones_series.csv and free_tones_values.csv.
"""

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

# name, step_s, values, driven amplitude of each channel, noise of each channel,
# [(offset Hz, bandwidth Hz, amplitude of each channel)]; a bandwidth of 0 is
# another drive.
CASES = [
    ("cut", 0.25, 50, [0j, 0j], [0.003, 0.003], [(0.04, 0.11, [1.0 - 0.4j, 0.1 + 0.2j])]),
    (
        "level",
        0.25,
        60,
        [1.1 + 0.1j, 0.2j, 0.5 + 0j],
        [0.002, 0.002, 0.004],
        [(-0.02, 0.06, [-0.1 + 0.02j, 0.03j, 0.05 + 0j])],
    ),
    (
        "retuned",
        0.2,
        70,
        [0j, 0j],
        [0.002, 0.002],
        [(0.03, 0.09, [0.9 + 0.3j, 0.1 - 0.2j]), (0.74, 0.0, [0.3 - 0.5j, 0.2 + 0.1j])],
    ),
    (
        "broad",
        0.1,
        30,
        [0.2 + 0j, 0.1j],
        [0.004, 0.004],
        [(-0.1, 0.55, [1.0 + 0j, -0.4 + 0.3j]), (1.7, 0.8, [0.3 + 0.2j, 0.2 - 0.3j])],
    ),
]


def model(parameters, time_s, channels, tones):
    exponents = parameters[: 2 * tones].reshape(tones, 2)
    linear = parameters[2 * tones :].reshape(channels, 1 + tones, 2)
    linear = linear[:, :, 0] + 1j * linear[:, :, 1]
    columns = [np.ones(len(time_s), dtype=complex)]
    columns += [np.exp((-decay + 1j * turn) * time_s) for decay, turn in exponents]
    return linear @ np.array(columns)


def fitted(series, noise, step_s, tones):
    time_s = step_s * np.arange(series.shape[1])
    channels, count = len(series), len(tones)
    start = [x for offset, bandwidth, _ in tones for x in (np.pi * bandwidth, 2 * np.pi * offset)]
    columns = [np.ones(len(time_s), dtype=complex)]
    columns += [np.exp((-np.pi * b + 2j * np.pi * f) * time_s) for f, b, _ in tones]
    for row in series:
        linear = np.linalg.lstsq(np.array(columns).T, row, rcond=None)[0]
        start += [x for value in linear for x in (value.real, value.imag)]
    weights = 1 / np.array(noise)[:, None]

    def rest(parameters):
        difference = (model(parameters, time_s, channels, count) - series) * weights
        return np.concatenate([difference.real.ravel(), difference.imag.ravel()])

    found = least_squares(rest, start, xtol=1e-15, ftol=1e-15, gtol=1e-15, jac="3-point", x_scale="jac")
    # Rests in units of the noise of a complex value, half of whose square is in a part.
    left = 2 * found.cost / (series.size - channels * (1 + count) - count)
    variance = 0.5 * max(left, 1.0) * (4 / 3)
    covariance = variance * np.linalg.inv(found.jac.T @ found.jac)
    u = np.sqrt(np.diag(covariance))
    values = []
    for k in range(count):
        decay, turn = found.x[2 * k : 2 * k + 2]
        values.append(
            [turn / (2 * np.pi), u[2 * k + 1] / (2 * np.pi), decay / np.pi, u[2 * k] / np.pi]
        )
    return values


def main():
    folder = Path(sys.argv[1])
    generator = np.random.default_rng(20260912)
    with (
        open(folder / "free_tones_series.csv", "w", newline="") as series_file,
        open(folder / "free_tones_values.csv", "w", newline="") as values_file,
    ):
        series_csv = csv.writer(series_file, lineterminator="\n")
        values_csv = csv.writer(values_file, lineterminator="\n")
        series_csv.writerow(["case", "channel", "step_s", "noise", "re", "im"])
        values_csv.writerow(
            ["case", "tone", "offset_hz", "offset_u_hz", "bandwidth_hz", "bandwidth_u_hz"]
        )
        for name, step_s, count, driven, noise, tones in CASES:
            time_s = step_s * np.arange(count)
            series = []
            for channel, (own, rms) in enumerate(zip(driven, noise)):
                row = np.full(count, own, dtype=complex)
                for offset, bandwidth, amplitudes in tones:
                    row += amplitudes[channel] * np.exp(
                        (-np.pi * bandwidth + 2j * np.pi * offset) * time_s
                    )
                scatter = generator.standard_normal((2, count))
                row += rms * (scatter[0] + 1j * scatter[1]) / np.sqrt(2)
                row = np.round(row.real, 6) + 1j * np.round(row.imag, 6)
                series.append(row)
                for value in row:
                    series_csv.writerow(
                        [name, channel, step_s, rms, f"{value.real:.6f}", f"{value.imag:.6f}"]
                    )
            for k, tone in enumerate(fitted(np.array(series), noise, step_s, tones)):
                values_csv.writerow([name, k] + [f"{value:.9f}" for value in tone])


main()
