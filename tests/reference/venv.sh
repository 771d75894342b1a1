# Sourced by fetch.sh and check.sh: a virtual environment in target/ with the
# pinned packages, made anew when the pins change.
venv=target/reference/venv
pins=tests/reference/requirements.txt
if ! cmp -s "$pins" "$venv/pins.txt"; then
    rm -rf "$venv"
    python3 -m venv "$venv"
    "$venv/bin/python" -m pip install -q --disable-pip-version-check -r "$pins"
    cp "$pins" "$venv/pins.txt"
fi
