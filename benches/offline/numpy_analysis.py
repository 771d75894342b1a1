"""The hop estimates of a recording as one would write them with NumPy and SciPy.

Decode, decimate with a Kaiser filter of 90 dB, and for each hop of a quarter of
a second: a Hann spectrum for the first guess, then the least-squares fit of one
tone with five orders to all channels, frequency by Gauss-Newton. Vectorised
where NumPy can. No tracking, no fit over whole holds, no hashes: less than what
it is compared with. Prints seconds, without those for starting Python.

Usage: numpy_analysis.py RECORDING DECIMATION LOW_HZ HIGH_HZ
"""

import sys
import time

import numpy as np
import scipy.fft
import scipy.signal
import soundfile

ORDERS = 5
PASS = 0.33


def decimated(samples, factor):
    transition = (1 - 2 * PASS) / factor
    beta = 0.1102 * (90 - 8.7)
    half = int(np.ceil(0.5 * ((90 - 8) / (2.285 * 2 * np.pi * transition) + 1)))
    taps = scipy.signal.firwin(2 * half + 1, 1 / factor, window=("kaiser", beta))
    return scipy.signal.upfirdn(taps, samples, 1, factor, axis=1)


def basis(times, frequency_hz):
    angles = 2 * np.pi * frequency_hz * np.outer(times, np.arange(1, ORDERS + 1))
    return np.concatenate([np.ones((len(times), 1)), np.cos(angles), np.sin(angles)], axis=1)


def fit(window, times, frequency_hz):
    orders = np.arange(1, ORDERS + 1)
    for _ in range(4):
        columns = basis(times, frequency_hz)
        inverse = np.linalg.inv(columns.T @ columns)
        amplitudes = inverse @ (columns.T @ window.T)
        rest = window.T - columns @ amplitudes
        cosines, sines = amplitudes[1 : ORDERS + 1], amplitudes[ORDERS + 1 :]
        turned = 2 * np.pi * times[:, None] * (
            -columns[:, ORDERS + 1 :] @ (orders[:, None] * cosines)
            + columns[:, 1 : ORDERS + 1] @ (orders[:, None] * sines)
        )
        turned -= columns @ (inverse @ (columns.T @ turned))
        weights = 1 / np.maximum(np.var(rest, axis=0), 1e-30)
        step = np.sum(weights * np.sum(turned * rest, axis=0)) / np.sum(
            weights * np.sum(turned**2, axis=0)
        )
        frequency_hz += step
        if abs(step) < 1e-9:
            break
    return frequency_hz, amplitudes, np.std(rest, axis=0)


def main():
    path, factor = sys.argv[1], int(sys.argv[2])
    low_hz, high_hz = float(sys.argv[3]), float(sys.argv[4])
    began = time.perf_counter()
    samples, rate_hz = soundfile.read(path, always_2d=True)
    samples = np.ascontiguousarray(samples.T)
    clipped = np.count_nonzero(np.abs(samples) >= 1 - 2**-23, axis=1)
    rough = np.abs(np.diff(samples, 2, axis=1)).max(axis=1)
    slow = decimated(samples, factor)
    rate_hz /= factor
    hop = round(rate_hz / 4)
    window = 4 * hop
    times = (np.arange(window) - (window - 1) / 2) / rate_hz
    hann = scipy.signal.windows.hann(window, sym=False)
    padded = 1 << (4 * window - 1).bit_length()
    bin_hz = rate_hz / padded
    band = slice(int(low_hz / bin_hz), int(np.ceil(high_hz / bin_hz)) + 1)
    found = []
    for start in range(0, slow.shape[1] - window + 1, hop):
        part = slow[:, start : start + window]
        centred = (part - part.mean(axis=1, keepdims=True)) * hann
        power = np.abs(scipy.fft.rfft(centred, padded, axis=1)[:, band]) ** 2
        power = np.sum(power / np.median(power, axis=1, keepdims=True), axis=0)
        top = int(np.argmax(power))
        if power[top] < 30:
            continue
        found.append(fit(part, times, (band.start + top) * bin_hz)[0])
    seconds = time.perf_counter() - began
    print(f"{seconds:.4f} {len(found)} {np.median(found):.4f} {clipped.sum()} {rough.max():.3g}")


main()
