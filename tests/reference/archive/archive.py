"""An archive spread over several workers by Dask, one run a task, its tables read by other engines.

Makes an invented archive (a virtual span, no laboratory), reprocesses it once by
`spanhold reprocess --archive` alone and once spread over worker processes, and compares:

- the files of the two, byte for byte but for clock times and places;
- every cell of the Parquet tables, read by PyArrow, with points.csv, reduced.csv and trace.csv;
- one query over all points, by DuckDB and by Polars, with the same from the CSV files;
- a universal file of a recording, read by pyuff, with the recording.

Usage: archive.py PROGRAM [--runs N] [--workers N]      (see archive.sh)
"""

import argparse
import csv
import json
import math
import pathlib
import struct
import subprocess
import sys
import tempfile
import time
import tomllib

import duckdb
import numpy
import polars
import pyarrow.parquet
import pyuff
from dask.distributed import Client, LocalCluster

ROOT = pathlib.Path(__file__).resolve().parents[3]
NOT_DONE = (2, 3)


def spanhold(program, *arguments):
    ended = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True)
    if ended.returncode in NOT_DONE:
        raise RuntimeError(f"{arguments}: {ended.stderr}")
    return ended


def make_archive(program, folder, runs):
    """Recordings of a virtual span, and the list."""
    setups = {kind: ROOT / f"config/{kind}-trial.toml" for kind in ("bare", "damped")}
    rows = [["bare", setups["bare"], "", ROOT / "recordings/bare-trial.wav"]]
    for n in range(1, runs):
        made = folder / f"made-{n}"
        spanhold(program, "rehearse", setups["damped"], "--out", made, "--seed", n, "--harmonics", f"{6 + n % 4}-{9 + n % 4}")
        rows.append([f"trial-{n}", setups["damped"], "bare", made / "damped-trial.wav"])
    return rows


def write_list(path, rows):
    with open(path, "w", newline="") as file:
        csv.writer(file).writerows([["run", "setup", "baseline", "recordings"], *rows])
    return path


# --- The part to take over: what runs on the workers. Program, setups and recordings lie on a
# --- disk that all of them see; each run gets an archive of its own, of one row.


def reprocess_one(program, out, row, bare_folder):
    """One task: one run, one thread; what is done already is not done again."""
    run, setup, baseline, *recordings = row
    folder = pathlib.Path(out) / run
    folder.mkdir(parents=True, exist_ok=True)
    rows = [[run, setup, bare_folder if baseline else "", *recordings]]
    spanhold(program, "reprocess", "--archive", write_list(folder / "list.csv", rows), "--out", folder, "--threads", 1)
    return str(folder / run)


def spread(program, out, rows, workers):
    """The bare runs first, then what is reduced against them."""
    with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster, Client(cluster) as client:
        folders, tasks = {}, []
        for row in sorted(rows, key=lambda row: row[2] != ""):
            # A task that is given the result of another waits for it.
            bare = folders.get(row[2])
            folders[row[0]] = client.submit(reprocess_one, program, out, row, bare, key=row[0], pure=False)
            tasks.append(folders[row[0]])
        return client.gather(tasks)


# --- End of that part.


def comparable(path, folder):
    data = path.read_bytes()
    if path.name == "run.json":
        record = json.loads(data)
        for key in ("started_utc", "ended_utc", "record_blake3"):
            del record[key]
        return record
    if path.name == "reduction.json":
        record = json.loads(data)
        for run in ("run", "baseline"):
            if record[run]:
                del record[run]["folder"]
        return record
    return data


def same_files(one, other):
    """Two run folders, but for clock times and places."""
    skipped = {"report.html", "results.jsonl"}
    names = [{p.relative_to(f) for p in f.rglob("*") if p.is_file() and p.name not in skipped} for f in (one, other)]
    if names[0] != names[1]:
        sys.exit(f"{one} and {other} have not the same files: {names[0] ^ names[1]}")
    for name in names[0]:
        if name.name == "reduction.json":
            a, b = (comparable(f / name, f) for f in (one, other))
            for record in (a, b):
                record["curves"] = [{**curve, "file": ""} for curve in record["curves"]]
        else:
            a, b = (comparable(f / name, f) for f in (one, other))
        if a != b:
            sys.exit(f"{one / name} and {other / name} differ")
    return len(names[0])


def cell(text):
    return None if text == "" else text


def same_cell(text, value):
    if text is None or value is None:
        return (text or None) == (value or None) if not isinstance(value, (int, float)) else text == value
    if isinstance(value, float):
        return float(text) == value or (math.isnan(value) and text == "nan")
    return text == str(value)


def check_table(parquet, tables, run):
    """Every cell of a Parquet table against the CSV files; returns how many."""
    read = pyarrow.parquet.read_table(parquet)
    columns = {name: read.column(name).to_pylist() for name in read.column_names}
    units = json.loads(read.schema.metadata[b"spanhold.columns"])
    assert set(units) == set(columns), "each column has its unit and meaning"
    assert set(columns["run"]) <= {run}, columns["run"]
    with open(tables, newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == read.num_rows, (tables, len(rows), read.num_rows)
    seen = 0
    for n, row in enumerate(rows):
        for name, text in row.items():
            if "." in name:
                key, gauge = name.split(".", 1)
                gauges = columns["strain_gauges"][n]
                value = columns[key][n][gauges.index(gauge)] if gauge in gauges else None
            else:
                value = columns[name][n]
            if not same_cell(cell(text), value):
                sys.exit(f"{parquet}, row {n}, {name}: {value!r}, in {tables.name} {text!r}")
            seen += 1
    return seen


QUERY = """
    SELECT harmonic, count(*) AS points, avg(efficiency_pct) AS efficiency_pct
    FROM read_parquet('{files}') WHERE verdict = 'held' AND damper IS NOT NULL
    GROUP BY harmonic ORDER BY harmonic
"""


def by_csv(out, runs):
    found = {}
    for run in runs:
        with open(out / run / "reduced.csv", newline="") as file:
            for row in csv.DictReader(file):
                if row["verdict"] == "held":
                    found.setdefault(int(row["harmonic"]), []).append(float(row["efficiency_pct"]))
    return [(n, len(v), sum(v) / len(v)) for n, v in sorted(found.items())]


def same_answers(one, other):
    return len(one) == len(other) > 0 and all(
        a[:2] == b[:2] and math.isclose(a[2], b[2], rel_tol=1e-13) for a, b in zip(one, other)
    )


SI = {"m/s2": 1.0, "N": 1.0, "um/m": 1e-6}


def samples_of(recording):
    """Rate, columns, bytes a sample and the sample bytes of a WAV file (RIFF, Microsoft/IBM 1991)."""
    data, chunks, at = recording.read_bytes(), {}, 12
    while at + 8 <= len(data):
        name, length = struct.unpack_from("<4sI", data, at)
        chunks[name] = data[at + 8 : at + 8 + length]
        at += 8 + length + length % 2
    _, columns, rate_hz, _, frame_bytes, _ = struct.unpack_from("<HHIIHH", chunks[b"fmt "])
    return rate_hz, columns, frame_bytes // columns, chunks[b"data"]


def check_universal_file(program, folder, run, recording, setup):
    """Every sample of a recording, as pyuff reads it; returns how many."""
    out = folder / "exported"
    spanhold(program, "export", run, "--format", "uff58", "--out", out)
    read = pyuff.UFF(str(out / "recordings.uff")).read_sets()
    rate_hz, columns, sample_bytes, data = samples_of(recording)
    stored = numpy.frombuffer(data, dtype=numpy.uint8).reshape(-1, columns, sample_bytes)
    frames = len(stored)
    # At the top of 32 bits, as little-endian bytes.
    top = numpy.zeros((frames, columns, 4), dtype=numpy.uint8)
    top[:, :, 4 - stored.shape[2] :] = stored
    fractions = top.view("<i4")[:, :, 0] / 2.0**31
    channels = tomllib.loads(pathlib.Path(setup).read_text())["channel"]
    assert len(read) == len(channels), (len(read), len(channels))
    for place, (dataset, channel) in enumerate(zip(read, channels), 1):
        assert dataset["type"] == 58 and dataset["func_type"] == 1 and dataset["abscissa_spacing"] == 1
        assert dataset["rsp_node"] == place and channel["name"] in dataset["id2"], dataset["id2"]
        assert f"rate_hz = {rate_hz}" in dataset["id4"], dataset["id4"]
        assert math.isclose(dataset["abscissa_inc"], 1 / rate_hz, rel_tol=1e-5)
        right = fractions[:, channel["index"]] * channel["full_scale"] * SI[channel["unit"]]
        assert len(dataset["data"]) == frames, (len(dataset["data"]), frames)
        numpy.testing.assert_allclose(dataset["data"], right, rtol=1e-15, atol=0)
    return frames * len(channels)


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("program", type=pathlib.Path)
    arguments.add_argument("--runs", type=int, default=12)
    arguments.add_argument("--workers", type=int, default=4)
    given = arguments.parse_args()
    program = str(given.program.resolve())
    with tempfile.TemporaryDirectory() as temporary:
        folder = pathlib.Path(temporary)
        rows = make_archive(program, folder, given.runs)
        runs = [row[0] for row in rows]
        one = folder / "one"
        began = time.perf_counter()
        spanhold(program, "reprocess", "--archive", write_list(folder / "list.csv", rows), "--out", one)
        alone = time.perf_counter() - began

        began = time.perf_counter()
        spread(program, folder / "spread", rows, given.workers)
        print(f"{len(runs)} runs: {alone:.1f} s by one program, {time.perf_counter() - began:.1f} s spread over {given.workers} workers of Dask")
        files = sum(same_files(one / run, folder / "spread" / run / run) for run in runs)
        print(f"{files} files are the same")

        cells = 0
        for run in runs:
            reduced = one / run / "reduced.csv"
            points = reduced if reduced.exists() else one / run / "points.csv"
            cells += check_table(one / f"parquet/points/{run}.parquet", points, run)
            cells += check_table(one / f"parquet/trace/{run}.parquet", one / run / "trace.csv", run)
        print(f"{cells} cells, read by PyArrow, are those of the CSV files")

        wanted = by_csv(one, [run for run in runs if run != "bare"])
        spread_files = folder / "spread/*/parquet/points/*.parquet"
        answers = {"DuckDB": duckdb.sql(QUERY.format(files=spread_files)).fetchall()}
        held = polars.scan_parquet(spread_files).filter(
            (polars.col("verdict") == "held") & polars.col("damper").is_not_null()
        )
        answers["Polars"] = (
            held.group_by("harmonic")
            .agg(polars.len(), polars.col("efficiency_pct").mean())
            .sort("harmonic")
            .collect()
            .rows()
        )
        for engine, answer in answers.items():
            if not same_answers(answer, wanted):
                sys.exit(f"{engine}: {answer}, the CSV files: {wanted}")
        print(f"one query over all points, by {' and '.join(answers)}: {sum(row[1] for row in wanted)} held points of {len(wanted)} harmonics")
        samples = check_universal_file(program, folder, one / "bare", ROOT / "recordings/bare-trial.wav", ROOT / "config/bare-trial.toml")
        print(f"{samples} samples of a universal file, read by pyuff, are those of the recording")


if __name__ == "__main__":
    main()
