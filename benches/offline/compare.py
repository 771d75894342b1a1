"""Paired runs of the program, of reading the bytes alone, and of a peer in NumPy.

In turns, so that what else the machine does falls on all alike; CPU and wall seconds of
each process; medians and the spread (least to most) of the ratios of a pair. 'Decode-only'
is 2.4 times the CPU of reading the bytes: what draining the WAV reader took before it was
made faster, so that a faster reader does not move the yardstick.

Usage: compare.py PROGRAM [--turns N] [--share PART] [--case NAME]
Needs the virtual environment of tests/reference/fetch.sh; run it with that python.
--share makes the recordings shorter, or fewer of an archive's: 0.1 for a first look. The
recordings of the archive are one file, read 200 times.
"""

import argparse
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

import soundfile

HERE = pathlib.Path(__file__).parent
ROOT = HERE.parent.parent
DECODE_OVER_READING = 2.4
READ = "import sys\nwith open(sys.argv[1], 'rb', buffering=0) as f:\n    b = bytearray(1 << 20)\n    while f.readinto(b):\n        pass\n"
# Name, rate in Hz, seconds of one recording, recordings.
CASES = [("48k", 48_000, 600, 1), ("2k", 2_000, 14_400, 1), ("archive", 48_000, 120, 200)]


def setup_text(rate_hz):
    """The demo's setup with its first five channels, at another rate and sweep."""
    text = (ROOT / "config/damped-trial.toml").read_text()
    text = text.split('[[channel]]\nname = "strain-end"')[0]
    lines = []
    for line in text.splitlines():
        key = line.split(" = ")[0]
        lines.append({"rate_hz": f"rate_hz = {rate_hz}.0", "high_hz": "high_hz = 50.0"}.get(key, line))
    return "\n".join(lines) + "\n"


def recording(program, folder, rate_hz, seconds):
    """Dwells of the virtual span, repeated or cut to so many seconds."""
    setup = folder / f"damped-trial-{rate_hz}.toml"
    setup.write_text(setup_text(rate_hz))
    made = folder / f"made-{rate_hz}"
    if not made.exists():
        subprocess.run(
            [program, "rehearse", setup, "--out", made, "--harmonics", "8,12,16,20", "--seconds", "25"],
            check=True, capture_output=True,
        )
    target = folder / f"{rate_hz}-{seconds}.wav"
    data, _ = soundfile.read(next(made.glob("*.wav")), dtype="int32")
    with soundfile.SoundFile(target, "w", rate_hz, data.shape[1], "PCM_24") as write:
        left = seconds * rate_hz
        while left > 0:
            write.write(data[:left])
            left -= len(data)
    return setup, target


def timed(command):
    """CPU and wall seconds of a process; its output is thrown away."""
    began = time.perf_counter()
    child = subprocess.Popen([str(c) for c in command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1):
        sys.exit(f"{command[0]} ended with {child.returncode}")
    return usage.ru_utime + usage.ru_stime, wall


def ratio(name, above, below, kind):
    pairs = [a[kind] / b[kind] for a, b in zip(above, below)]
    print(f"  {name:<44} {statistics.median(pairs):6.2f}   ({min(pairs):.2f} to {max(pairs):.2f})")


def compare(program, folder, case, turns, share):
    name, rate_hz, seconds, count = case
    seconds, count = (seconds, max(2, int(count * share))) if count > 1 else (max(60, int(seconds * share)), 1)
    setup, wav = recording(program, folder, rate_hz, seconds)
    out = folder / "run"
    ours, read, peer, bare_read, bare_peer = [], [], [], [], []
    nothing = folder / "nothing.wav"
    start, _ = soundfile.read(wav, 2 * rate_hz, dtype="int32")
    soundfile.write(nothing, start, rate_hz, "PCM_24")
    cores = os.cpu_count()
    rows = folder / "list.csv"
    rows.write_text("run,setup,baseline,recordings\n" + "".join(f"run {n},{setup},,{wav}\n" for n in range(count)))
    for turn in range(turns):
        if count > 1:
            ours.append(timed([program, "reprocess", "--archive", rows, "--out", folder / f"archive-{turn}"]))
        else:
            ours.append(timed([program, "reprocess", setup, wav, "--out", out, "--force"]))
            read.append(timed([sys.executable, "-S", "-c", READ, wav]))
            bare_read.append(timed([sys.executable, "-S", "-c", READ, nothing]))
            peer.append(timed([sys.executable, HERE / "peer.py", wav, 6.6, 57.5]))
            bare_peer.append(timed([sys.executable, HERE / "peer.py", nothing, 6.6, 57.5]))
    print(f"{name}: {count} x {seconds} s, 5 channels, {rate_hz} Hz, 24 bit; {turns} turns, medians")
    for label, times in [("ours", ours), ("reading", read), ("peer", peer)]:
        if times:
            cpu, wall = (statistics.median(t[i] for t in times) for i in (0, 1))
            print(f"  {label:<44} {cpu:6.2f} s CPU, {wall:.2f} s wall")
    if count > 1:
        spread = [wall / (cpu / cores) for cpu, wall in ours]
        print(f"  wall over (CPU / {cores} cores): {statistics.median(spread):.2f} ({min(spread):.2f} to {max(spread):.2f})")
        return
    # Without what it takes to start Python.
    net = lambda whole, start: [(max(a - c, 1e-3), max(b - d, 1e-3)) for (a, b), (c, d) in zip(whole, start)]
    reading, peer = net(read, bare_read), net(peer, bare_peer)
    decode = [(DECODE_OVER_READING * cpu, DECODE_OVER_READING * wall) for cpu, wall in reading]
    ratio("ours over decode-only, CPU", ours, decode, 0)
    ratio("ours over decode-only, wall", ours, decode, 1)
    ratio("peer over ours, CPU", peer, ours, 0)
    ratio("peer over ours, wall", peer, ours, 1)


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("program", type=pathlib.Path)
    arguments.add_argument("--turns", type=int, default=5)
    arguments.add_argument("--share", type=float, default=1.0)
    arguments.add_argument("--case")
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            if given.case in (None, case[0]):
                compare(given.program.resolve(), pathlib.Path(folder), case, given.turns, given.share)


main()
