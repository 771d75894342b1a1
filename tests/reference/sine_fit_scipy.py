"""Reference values for the sine fit (IEEE 1057, four parameters, and its
extension to harmonics, several channels and several tones), from SciPy.

Makes noisy records with a seeded NumPy generator, rounds them to six decimals
(what is stored is exactly what is fitted), and fits the whole non-linear model
at once with `scipy.optimize.least_squares`; no separation into linear and
non-linear parameters, no normal equations, unlike the Rust code. Covariances
are the inverse of J'J, J by hand at the solution, weighted by each channel's
residual variance.

Usage: sine_fit_scipy.py OUTPUT_FOLDER
Writes sine_fit_records.csv and sine_fit_values.csv.
"""

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

# name, rate_hz, frames, tones, channels.
# tone: frequency_hz, free, orders, phasors[channel][order - 1] (peak)
# channel: offset, noise_rms, has a say in the frequency
CASES = [
    dict(
        name="plain",
        rate_hz=1000.0,
        frames=240,
        tones=[dict(hz=43.217, free=True, orders=1, phasors=[[2.0 * np.exp(0.7j)]])],
        channels=[(0.0, 0.05, True)],
    ),
    dict(
        name="ten_cycles_20_db",
        rate_hz=200.0,
        frames=160,
        tones=[dict(hz=12.61, free=True, orders=1, phasors=[[1.0 * np.exp(-2.3j)]])],
        channels=[(0.4, 0.0707, True)],
    ),
    dict(
        name="harmonics_and_offset",
        rate_hz=500.0,
        frames=300,
        tones=[
            dict(
                hz=23.833,
                free=True,
                orders=3,
                phasors=[[1.5 * np.exp(2.9j), 0.3 * np.exp(0.4j), 0.2 * np.exp(-1.1j)]],
            )
        ],
        channels=[(-3.0, 0.02, True)],
    ),
    dict(
        name="three_channels",
        rate_hz=400.0,
        frames=220,
        tones=[
            dict(
                hz=31.09,
                free=True,
                orders=2,
                phasors=[
                    [200.0 * np.exp(0.2j), 4.0],
                    [9.0 * np.exp(1.8j), 0.5j],
                    [40.0 * np.exp(-0.9j), 2.0 - 1.0j],
                ],
            )
        ],
        channels=[(1.0, 2.0, True), (-0.3, 1.0, True), (5.0, 0.4, True)],
    ),
    dict(
        name="two_free_tones",
        rate_hz=250.0,
        frames=300,
        tones=[
            dict(hz=48.53, free=True, orders=1, phasors=[[1.0 * np.exp(1.0j)]]),
            dict(hz=50.04, free=True, orders=1, phasors=[[0.6 * np.exp(-0.5j)]]),
        ],
        channels=[(0.1, 0.03, True)],
    ),
    dict(
        name="mains_on_a_silent_channel",
        rate_hz=400.0,
        frames=500,
        tones=[
            dict(
                hz=48.47,
                free=True,
                orders=2,
                phasors=[[3.0 * np.exp(0.3j), 0.1], [0.5 * np.exp(1.3j), 0.05j]],
            ),
            dict(hz=50.0, free=False, orders=1, phasors=[[0.0], [0.25 * np.exp(2.0j)]]),
        ],
        channels=[(0.0, 0.05, True), (1.0, 0.02, False)],
    ),
]


def times_s(case):
    """Seconds from the centre of the window."""
    frames = case["frames"]
    return (np.arange(frames) - (frames - 1) / 2) / case["rate_hz"]


def record(case, rng):
    t = times_s(case)
    rows = []
    for c, (offset, noise, _) in enumerate(case["channels"]):
        x = offset + noise * rng.standard_normal(t.size)
        for tone in case["tones"]:
            for h, phasor in enumerate(tone["phasors"][c], start=1):
                x = x + np.real(phasor * np.exp(2j * np.pi * h * tone["hz"] * t))
        rows.append(np.round(x, 6))
    return np.array(rows)


def model_and_jacobian(case, t, parameters, frequencies_free):
    """Values and derivatives (channels x frames, channels x frames x
    parameters). Parameters: free frequencies, then per channel the offset and
    re, im of every order of every tone."""
    free = sum(tone["free"] for tone in case["tones"])
    per_channel = 1 + 2 * sum(tone["orders"] for tone in case["tones"])
    channels = len(case["channels"])
    values = np.zeros((channels, t.size))
    jacobian = np.zeros((channels, t.size, len(parameters)))
    for c in range(channels):
        at = free + c * per_channel
        values[c] += parameters[at]
        jacobian[c, :, at] = 1.0
        at += 1
        k = 0
        for tone in case["tones"]:
            hz = frequencies_free[k] if tone["free"] else tone["hz"]
            for h in range(1, tone["orders"] + 1):
                angle = 2 * np.pi * h * hz * t
                re, im = parameters[at], parameters[at + 1]
                cos, sin = np.cos(angle), np.sin(angle)
                values[c] += re * cos - im * sin
                jacobian[c, :, at] = cos
                jacobian[c, :, at + 1] = -sin
                if tone["free"]:
                    jacobian[c, :, k] += (-re * sin - im * cos) * 2 * np.pi * h * t
                at += 2
            k += tone["free"]
    return values, jacobian


def residuals(case, t, x, parameters, weights, with_say):
    """Weighted residuals and Jacobian. A channel without a say follows the
    frequency of the others: its own derivative to it is dropped from the fit
    of the frequency by fitting it after the others."""
    free = sum(tone["free"] for tone in case["tones"])
    values, jacobian = model_and_jacobian(case, t, parameters, parameters[:free])
    scale = np.sqrt(weights)[:, None]
    return (scale * (values - x))[with_say], (scale[:, :, None] * jacobian)[with_say]


def fit(case, x):
    """Joint weighted least squares; weights from the channels' own residuals,
    repeated until they stand still."""
    t = times_s(case)
    tones, channels = case["tones"], case["channels"]
    free = sum(tone["free"] for tone in tones)
    per_channel = 1 + 2 * sum(tone["orders"] for tone in tones)
    say = [c for c, channel in enumerate(channels) if channel[2]]
    silent = [c for c, channel in enumerate(channels) if not channel[2]]
    total = free + per_channel * len(channels)
    parameters = np.zeros(total)
    parameters[:free] = [tone["hz"] for tone in tones if tone["free"]]
    # First guess: linear fit at the true frequencies.
    _, jacobian = model_and_jacobian(case, t, parameters, parameters[:free])
    for c in range(len(channels)):
        columns = slice(free + c * per_channel, free + (c + 1) * per_channel)
        parameters[columns] = np.linalg.lstsq(jacobian[c][:, columns], x[c], rcond=None)[0]

    def active(of):
        return np.r_[
            np.arange(free),
            np.concatenate([np.arange(free + c * per_channel, free + (c + 1) * per_channel) for c in of]),
        ].astype(int)

    freedom = t.size - per_channel - free / len(channels)
    weights = np.ones(len(channels))
    columns = active(say)
    for _ in range(60):

        def function(p, give):
            trial = parameters.copy()
            trial[columns] = p
            r, j = residuals(case, t, x, trial, weights, say)
            return r.ravel() if give == 0 else j[:, :, columns].reshape(-1, columns.size)

        solution = least_squares(
            lambda p: function(p, 0),
            parameters[columns],
            jac=lambda p: function(p, 1),
            method="lm",
            x_scale="jac",
            ftol=1e-15,
            xtol=1e-15,
            gtol=1e-15,
        )
        parameters[columns] = solution.x
        # least_squares stops where the sum of squares no longer changes;
        # two plain Gauss-Newton steps by QR bring the last digits.
        for _ in range(3):
            p = parameters[columns]
            parameters[columns] = p - np.linalg.lstsq(function(p, 1), function(p, 0), rcond=None)[0]
        values, jacobian = model_and_jacobian(case, t, parameters, parameters[:free])
        sums = np.sum((values - x) ** 2, axis=1)
        new_weights = freedom / sums
        still = np.max(np.abs(new_weights[say] / weights[say] - 1)) < 1e-13
        weights[say] = new_weights[say]
        if still:
            break
    # Channels without a say: linear at the frequencies found.
    for c in silent:
        own = slice(free + c * per_channel, free + (c + 1) * per_channel)
        parameters[own] = np.linalg.lstsq(jacobian[c][:, own], x[c], rcond=None)[0]
    values, jacobian = model_and_jacobian(case, t, parameters, parameters[:free])
    sums = np.sum((values - x) ** 2, axis=1)
    variances = sums / freedom

    covariance = np.zeros((total, total))
    j = (jacobian / np.sqrt(variances)[:, None, None])[say][:, :, columns].reshape(-1, columns.size)
    r = np.linalg.qr(j, mode="r")
    inverse = np.linalg.inv(r)
    covariance[np.ix_(columns, columns)] = inverse @ inverse.T
    for c in silent:
        # beta = (B'B)^-1 B'(x - D d_theta): own noise and the frequency's
        # error, which the noise of other channels made, are independent.
        own = np.arange(free + c * per_channel, free + (c + 1) * per_channel)
        b, d = jacobian[c][:, own], jacobian[c][:, :free]
        r = np.linalg.inv(np.linalg.qr(b, mode="r"))
        slope = -np.linalg.lstsq(b, d, rcond=None)[0]
        of_frequency = covariance[:free, :free]
        covariance[np.ix_(own, own)] = variances[c] * r @ r.T + slope @ of_frequency @ slope.T
        covariance[np.ix_(own, np.arange(free))] = slope @ of_frequency
    return parameters, covariance, sums


def main(folder):
    rng = np.random.Generator(np.random.PCG64(1057))
    with open(folder / "sine_fit_records.csv", "w", newline="") as records, open(
        folder / "sine_fit_values.csv", "w", newline=""
    ) as results:
        record_rows = csv.writer(records, lineterminator="\n")
        record_rows.writerow(["case", "rate_hz", "channel", "samples"])
        rows = csv.writer(results, lineterminator="\n")
        rows.writerow(["case", "quantity", "channel", "tone", "order", "value"])
        for case in CASES:
            x = record(case, rng)
            parameters, covariance, sums = fit(case, x)
            for c, samples in enumerate(x):
                record_rows.writerow([case["name"], case["rate_hz"], c, " ".join(f"{v:.6f}" for v in samples)])

            def put(quantity, channel, tone, order, value):
                rows.writerow([case["name"], quantity, channel, tone, order, f"{value:.14e}"])

            k = 0
            at = sum(tone["free"] for tone in case["tones"])
            for j, tone in enumerate(case["tones"]):
                put("orders", "", j, "", tone["orders"])
                put("free", "", j, "", int(tone["free"]))
                if tone["free"]:
                    put("frequency_hz", "", j, "", parameters[k])
                    put("frequency_u_hz", "", j, "", np.sqrt(covariance[k, k]))
                else:
                    put("frequency_hz", "", j, "", tone["hz"])
                k += tone["free"]
            for c, channel in enumerate(case["channels"]):
                put("say", c, "", "", int(channel[2]))
                put("offset", c, "", "", parameters[at])
                put("offset_u", c, "", "", np.sqrt(covariance[at, at]))
                put("residual_sum", c, "", "", sums[c])
                at += 1
                k = 0
                for j, tone in enumerate(case["tones"]):
                    for h in range(1, tone["orders"] + 1):
                        put("re", c, j, h, parameters[at])
                        put("im", c, j, h, parameters[at + 1])
                        put("var_re", c, j, h, covariance[at, at])
                        put("var_im", c, j, h, covariance[at + 1, at + 1])
                        put("cov", c, j, h, covariance[at, at + 1])
                        if tone["free"]:
                            put("cov_re_frequency", c, j, h, covariance[at, k])
                            put("cov_im_frequency", c, j, h, covariance[at + 1, k])
                        at += 2
                    k += tone["free"]


if __name__ == "__main__":
    main(Path(sys.argv[1]))
