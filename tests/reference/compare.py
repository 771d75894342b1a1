"""Compares freshly made reference tables with the committed ones.

Usage: compare.py FRESH_FOLDER COMMITTED_FOLDER
Text must be the same; numbers may differ by 1e-7 relative, as another
processor's linear algebra rounds otherwise and small covariances are
differences of larger numbers. Where a table is found by iteration, its small
numbers end where the iteration does: they may differ by what is stated for it.
"""

import csv
import sys
from pathlib import Path


# Fields of 0.2 at most, small parts beside large ones: read to 0.1 % of a ratio. Places against
# a peak that is sought on a flat maximum, in bandwidths: checked to 0.005 of one.
ABSOLUTE = {"fixed_sensors.csv": 1e-8, "node_pattern.csv": 2e-5}


def number(text):
    try:
        return float(text)
    except ValueError:
        return None


def differences(fresh, committed):
    absolute = ABSOLUTE.get(fresh.name, 0.0)
    with open(fresh, newline="") as a, open(committed, newline="") as b:
        rows_a, rows_b = list(csv.reader(a)), list(csv.reader(b))
    if len(rows_a) != len(rows_b):
        yield f"{len(rows_a)} rows against {len(rows_b)}"
        return
    for line, (row_a, row_b) in enumerate(zip(rows_a, rows_b), start=1):
        if len(row_a) != len(row_b):
            yield f"line {line}: {len(row_a)} cells against {len(row_b)}"
            continue
        for cell_a, cell_b in zip(row_a, row_b):
            x, y = number(cell_a), number(cell_b)
            same = cell_a == cell_b
            if x is not None and y is not None:
                same = abs(x - y) <= max(1e-7 * abs(y), absolute)
            if not same:
                yield f"line {line}: {cell_a[:60]} against {cell_b[:60]}"


def main(fresh_folder, committed_folder):
    bad = 0
    tables = sorted(fresh_folder.glob("*.csv"))
    for fresh in tables:
        found = list(differences(fresh, committed_folder / fresh.name))
        bad += bool(found)
        for difference in found[:5]:
            print(f"{fresh.name}: {difference}")
    print(f"reference tables made again: {len(tables) - bad} agree, {bad} differ")
    return 1 if bad or not tables else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2])))
