"""Reference values for channels matched against their mean, from SciPy's spectra.

Three channels show one slow sine sweep whose level breathes: the first as it is, the
second through a one-pole filter, the third with another gain and a part of a sample
late. Both sides compute the samples from the formulas below, so none are stored. The
transfer functions against the first channel are Welch averages of cross over power
spectra (`scipy.signal.csd`, `welch`), which know nothing of a tone; the mean is taken
of the transfer functions, the relative response is each over that mean. The values are
held against the exact transfer functions of the two filters before they are written.

Usage: relative_response_scipy.py OUTPUT_FOLDER
Writes relative_response.csv there.
"""

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.signal import csd, lfilter, welch

RATE_HZ = 500.0
SECONDS = 240.0
FROM_HZ, TO_HZ = 10.0, 40.0
POLE = 0.05
LATE = 0.1
GAIN = 0.97


def channels():
    n = np.arange(int(RATE_HZ * SECONDS))
    t = n / RATE_HZ
    cycles = FROM_HZ * t + 0.5 * (TO_HZ - FROM_HZ) / SECONDS * t * t
    level = 0.3 * (1.0 + 0.5 * np.cos(2.0 * np.pi * t / 37.0))
    x = level * np.cos(2.0 * np.pi * cycles)
    filtered = lfilter([1.0 - POLE], [1.0, -POLE], x)
    late = GAIN * lfilter([1.0 - LATE, LATE], [1.0], x)
    return [x, filtered, late]


def main(folder):
    signals = channels()
    terms = {"fs": RATE_HZ, "window": "hann", "nperseg": 2000, "detrend": False}
    frequency, power = welch(signals[0], **terms)
    transfer = np.array([csd(signals[0], y, **terms)[1] / power for y in signals])
    relative = transfer / transfer.mean(axis=0)
    delayed = np.exp(-2j * np.pi * frequency / RATE_HZ)
    exact = np.array(
        [
            np.ones_like(delayed),
            (1.0 - POLE) / (1.0 - POLE * delayed),
            GAIN * (1.0 - LATE + LATE * delayed),
        ]
    )
    exact /= exact.mean(axis=0)
    with open(folder / "relative_response.csv", "w", newline="") as table:
        rows = csv.writer(table, lineterminator="\n")
        rows.writerow(["channel", "frequency_hz", "gain", "phase_deg"])
        for channel in range(3):
            for hz in range(12, 39, 2):
                line = int(np.argmin(np.abs(frequency - hz)))
                value = relative[channel, line]
                assert abs(value / exact[channel, line] - 1.0) < 1e-4
                phase = np.degrees(np.angle(value))
                rows.writerow([channel, hz, f"{abs(value):.9f}", f"{phase:.9f}"])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
