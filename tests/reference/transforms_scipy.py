"""Reference values for the spectral search, from SciPy: periodic Hann window,
zero-padded real transform, power over its median in the band summed over the
channels, top of the parabola through the logarithms of the three highest bins.

Looks at the records of sine_fit_scipy.py (which must have run before) in
several bands, one of them with no tone in it.

Usage: transforms_scipy.py OUTPUT_FOLDER
Reads sine_fit_records.csv there and writes search_values.csv.
"""

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.fft import rfft
from scipy.signal import get_window

# case, channels that count, band in Hz
SEARCHES = [
    ("plain", [0], (8.0, 64.0)),
    ("plain", [0], (60.0, 200.0)),
    ("ten_cycles_20_db", [0], (8.0, 64.0)),
    ("harmonics_and_offset", [0], (8.0, 64.0)),
    ("harmonics_and_offset", [0], (40.0, 64.0)),
    ("three_channels", [0, 1, 2], (8.0, 64.0)),
    ("three_channels", [1], (8.0, 64.0)),
    ("mains_on_a_silent_channel", [0], (8.0, 64.0)),
    ("mains_on_a_silent_channel", [0, 1], (8.0, 64.0)),
]


def main(folder):
    records = {}
    with open(folder / "sine_fit_records.csv", newline="") as table:
        for row in csv.DictReader(table):
            samples = np.array([float(x) for x in row["samples"].split(" ")])
            records.setdefault(row["case"], (float(row["rate_hz"]), []))[1].append(samples)
    with open(folder / "search_values.csv", "w", newline="") as table:
        rows = csv.writer(table, lineterminator="\n")
        rows.writerow(["case", "channels", "low_hz", "high_hz", "peak_hz", "peak_over_median"])
        for case, channels, (low_hz, high_hz) in SEARCHES:
            rate_hz, samples = records[case]
            frames = samples[0].size
            # At least twice the window: a power of two, or three times one.
            padded = 1 << (2 * frames - 1).bit_length()
            if 3 * padded // 4 >= 2 * frames:
                padded = 3 * padded // 4
            bin_hz = rate_hz / padded
            low, high = int(np.floor(low_hz / bin_hz)), int(np.ceil(high_hz / bin_hz))
            total = np.zeros(padded // 2 + 1)
            window = get_window("hann", frames, fftbins=True)
            for c in channels:
                x = samples[c]
                power = np.abs(rfft((x - x.mean()) * window, padded)) ** 2
                # The upper one of two middle values, as a selection takes it.
                band = np.sort(power[low : high + 1])
                total += power / band[band.size // 2]
            top = low + int(np.argmax(total[low : high + 1]))
            left, middle, right = np.log(total[top - 1 : top + 2])
            vertex = np.clip(0.5 * (left - right) / (left - 2 * middle + right), -0.5, 0.5)
            peak_hz = f"{bin_hz * (top + vertex):.12e}"
            channels = " ".join(map(str, channels))
            rows.writerow([case, channels, low_hz, high_hz, peak_hz, f"{total[top]:.12e}"])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
