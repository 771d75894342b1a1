#!/usr/bin/env bash
# Makes the committed reference values again and compares: a value that nobody
# can make again is no reference.
set -euo pipefail
cd "$(dirname "$0")/../.."
source tests/reference/venv.sh
fresh=target/reference/fresh
rm -rf "$fresh"
mkdir -p "$fresh"
for script in sine_fit_scipy.py transforms_scipy.py students_t_scipy.py gum.py free_response_scipy.py free_tones_scipy.py relative_response_scipy.py; do
    "$venv/bin/python" "tests/reference/$script" "$fresh"
done
# These print their table; one reads the sheets beside it, three share their elements.
export PYTHONDONTWRITEBYTECODE=1
for table in clamped_span published_sheet_fit fixed_sensors node_pattern; do
    (cd tests/reference && "../../$venv/bin/python" "$table.py") >"$fresh/$table.csv"
done
"$venv/bin/python" tests/reference/compare.py "$fresh" tests/reference
