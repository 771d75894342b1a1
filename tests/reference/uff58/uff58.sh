#!/usr/bin/env bash
# Runs uff58.py in a virtual environment in target/. Needs python3 with venv, and a
# package index the first time.
#
# Usage: tests/reference/uff58/uff58.sh PROGRAM
set -euo pipefail
cd "$(dirname "$0")/../../.."
venv=target/reference/uff58
pins="numpy==2.4.6 pyuff==2.5.8"
if [ "$(cat "$venv/pins.txt" 2>/dev/null)" != "$pins" ]; then
    rm -rf "$venv"
    python3 -m venv "$venv"
    # shellcheck disable=SC2086
    "$venv/bin/python" -m pip install -q --disable-pip-version-check $pins
    echo "$pins" >"$venv/pins.txt"
fi
exec "$venv/bin/python" tests/reference/uff58/uff58.py "$@"
