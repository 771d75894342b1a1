"""What a user would write with NumPy and SciPy for the readings of a recording: decode,
flat-top windowed transforms of all channels, the peak of the antinode interpolated, the
ratio node over antinode. Vectorised over hops and channels, in batches that stay in
the cache. It does less than what it is compared with: no fit, no harmonics, no
uncertainty, no decision whether anything was held, no hash.

Usage: peer.py RECORDING LOW_HZ HIGH_HZ      (24-bit PCM; column 0 antinode, 1 node)
"""

import sys

import numpy as np
import scipy.fft
import scipy.signal
import soundfile

BATCH = 64


def main():
    path, low_hz, high_hz = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
    with soundfile.SoundFile(path) as recording:
        rate_hz = recording.samplerate
        hop = round(rate_hz / 4)
        window = 4 * hop
        flat_top = scipy.signal.windows.flattop(window, sym=False)
        flat_top *= 2 / flat_top.sum()
        low, high = int(low_hz * window / rate_hz), int(np.ceil(high_hz * window / rate_hz))
        kept = np.empty((0, recording.channels))
        frequencies, ratios, clipped = [], [], 0
        while True:
            block = recording.read(BATCH * hop, dtype="float64", always_2d=True)
            if not len(block):
                break
            clipped += np.count_nonzero(np.abs(block) >= 1 - 2**-23)
            kept = np.concatenate([kept, block])
            hops = (len(kept) - window) // hop + 1
            if hops < 1:
                continue
            rows = np.ascontiguousarray(kept.T)
            parts = np.lib.stride_tricks.sliding_window_view(rows, window, axis=1)[:, ::hop]
            spectra = scipy.fft.rfft(parts * flat_top, axis=2)
            size = np.abs(spectra[0, :, low - 1 : high + 2])
            top = np.argmax(size[:, 1:-1], axis=1) + 1
            each = np.arange(hops)
            left, middle, right = (np.log(size[each, top + i] + 1e-300) for i in (-1, 0, 1))
            vertex = 0.5 * (left - right) / (left - 2 * middle + right)
            frequencies.append((low - 1 + top + vertex) * rate_hz / window)
            bins = low - 1 + top
            ratios.append(np.abs(spectra[1, each, bins] / spectra[0, each, bins]))
            kept = kept[hops * hop :]
    frequencies, ratios = np.concatenate(frequencies), np.concatenate(ratios)
    print(f"{len(ratios)} {np.median(frequencies):.4f} {np.median(ratios):.4f} {clipped}")


main()
