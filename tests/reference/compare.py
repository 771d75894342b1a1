"""Compares freshly made reference tables with the committed ones.

Usage: compare.py FRESH_FOLDER COMMITTED_FOLDER
Text must be the same; numbers may differ by 1e-7 relative, as another
processor's linear algebra rounds otherwise and small covariances are
differences of larger numbers.
"""

import csv
import sys
from pathlib import Path


def number(text):
    try:
        return float(text)
    except ValueError:
        return None


def differences(fresh, committed):
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
                same = abs(x - y) <= 1e-7 * abs(y)
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
