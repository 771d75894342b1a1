#!/usr/bin/env bash
# Runs archive.py with the engines of requirements.txt, in a virtual environment in
# target/ that is made anew when the pins change. Needs python3 with venv, and a
# package index the first time.
#
# Usage: tests/reference/archive/archive.sh PROGRAM [--runs N] [--workers N]
set -euo pipefail
cd "$(dirname "$0")/../../.."
venv=target/reference/engines
pins=tests/reference/archive/requirements.txt
if ! cmp -s "$pins" "$venv/pins.txt"; then
    rm -rf "$venv"
    python3 -m venv "$venv"
    "$venv/bin/python" -m pip install -q --disable-pip-version-check -r "$pins"
    cp "$pins" "$venv/pins.txt"
fi
"$venv/bin/python" tests/reference/archive/notebook.py "$1"
exec "$venv/bin/python" tests/reference/archive/archive.py "$@"
