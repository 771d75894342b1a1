"""Reference values for Student's t: within what it stays with a probability,
from SciPy's quantile.

Usage: students_t_scipy.py OUTPUT_FOLDER
Writes students_t.csv there.
"""

import csv
import sys
from pathlib import Path

from scipy.stats import t

PROBABILITIES = [0.5, 0.6827, 0.9545, 0.9973]
DEGREES_OF_FREEDOM = [1.0, 1.5, 2.0, 3.7, 5.0, 12.25, 30.0, 100.0, 777.7, 1e4]


def main(folder):
    with open(folder / "students_t.csv", "w", newline="") as table:
        rows = csv.writer(table, lineterminator="\n")
        rows.writerow(["probability", "degrees_of_freedom", "within"])
        for probability in PROBABILITIES:
            for freedom in DEGREES_OF_FREEDOM:
                within = t.ppf(0.5 + 0.5 * probability, freedom)
                rows.writerow([probability, freedom, f"{within:.14g}"])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
