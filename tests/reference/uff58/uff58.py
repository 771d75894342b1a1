"""Universal files that pyuff writes, read by the program, and the other way round.

pyuff (https://github.com/ladisk/pyuff, MIT) is the independent side: it writes dataset 58
as text in single and double precision and in binary form (which it has in double precision
alone), and reads what the program exports. The samples are sines of our own; what is compared is every one of them.
"""

import pathlib
import struct
import subprocess
import sys
import tempfile

import numpy as np
import pyuff

PROGRAM = str(pathlib.Path(sys.argv[1]).resolve())
RATE_HZ = 200.0
UNITS = [("acceleration", "m/s^2", 1.0), ("acceleration", "g", 9.80665), ("force", "N", 1.0)]
SETUP = """
[test]
title = "invented"
damper = "invented"
[conductor]
designation = "invented"
diameter_mm = 21.8
mass_kg_per_m = 0.98
[span]
length_m = 36.0
tension_kn = 18.0
damper_position_m = 0.95
drive_position_m = 1.3
[sweep]
low_hz = 10.0
high_hz = 20.0
[[source]]
name = "bench"
kind = "wav"
rate_hz = 200.0
[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "m/s2"
full_scale = 100.0
[[channel]]
name = "node"
role = "node"
source = "bench"
index = 1
unit = "m/s2"
full_scale = 50.0
[[channel]]
name = "force"
role = "drive-force"
source = "bench"
index = 2
unit = "kN"
full_scale = 0.2
"""
FULL_SCALE_SI = [100.0, 50.0, 200.0]


def spanhold(folder, *arguments):
    done = subprocess.run([PROGRAM, *arguments], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, (arguments, done.stderr)
    return done


def samples():
    time_s = np.arange(4000) / RATE_HZ
    return [np.sin(2 * np.pi * (11.0 + k) * time_s + k) * (3.0 + k) for k in range(3)]


def floats(path):
    """Frames of a WAV file of 64-bit floats: its chunks, read here by themselves."""
    data = path.read_bytes()
    assert data[:4] in (b"RIFF", b"RF64") and data[8:12] == b"WAVE"
    at, channels = 12, None
    while at < len(data):
        name, size = data[at:at + 4], struct.unpack("<I", data[at + 4:at + 8])[0]
        body = data[at + 8:at + 8 + size]
        if name == b"fmt ":
            channels, rate, bits = (struct.unpack("<H", body[2:4])[0], struct.unpack("<I", body[4:8])[0],
                                    struct.unpack("<H", body[14:16])[0])
            assert bits == 64 and rate == RATE_HZ, (bits, rate)
        elif name == b"data":
            return np.frombuffer(body[:len(body) // (8 * channels) * 8 * channels]).reshape(-1, channels).T
        at += 8 + size + size % 2
    raise AssertionError("no samples")


def written(path, binary, single):
    file = pyuff.UFF(str(path))
    for number, (values, (label, unit, _)) in enumerate(zip(samples(), UNITS), 1):
        file.write_sets({
            "type": 58, "binary": int(binary), "func_type": 1, "rsp_node": number, "rsp_dir": 0, "ref_dir": 0,
            "ref_node": 0, "data": values, "x": np.arange(len(values)) / RATE_HZ,
            "id1": "invented", "id2": "NONE", "id3": "NONE", "id4": "NONE", "id5": "NONE",
            "rsp_ent_name": "NONE", "ref_ent_name": "NONE", "abscissa_spacing": 1,
            "ord_data_type": 2 if single else 4, "abscissa_spec_data_type": 17, "abscissa_axis_lab": "Time", "abscissa_axis_units_lab": "s",
            "ordinate_spec_data_type": 12, "ordinate_axis_lab": label, "ordinate_axis_units_lab": unit,
            "orddenom_spec_data_type": 0, "z_axis_axis_lab": "NONE",
        }, "add", force_double=not single)


def main():
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        (folder / "setup.toml").write_text(SETUP)
        # Text has as many digits as pyuff writes: six, and twelve.
        for name, binary, single, close in (("text-single", False, True, 5e-6), ("text-double", False, False, 5e-12),
                                            ("binary-double", True, False, 1e-14)):
            written(folder / f"{name}.uff", binary, single)
            spanhold(folder, "import", "setup.toml", f"{name}.uff", "--out", "made")
            worst = 0.0
            for got, values, (_, _, to_si), scale in zip(floats(folder / "made" / f"{name}.wav"), samples(),
                                                         UNITS, FULL_SCALE_SI):
                assert len(got) == len(values), (name, len(got))
                worst = max(worst, float(np.max(np.abs(got * scale / to_si - values))) / float(np.max(values)))
            print(f"{name}: {worst:.1e} of the largest value")
            assert worst < close, (name, worst)
        # And back: what the program exports of a run, read by pyuff.
        spanhold(folder, "reprocess", "setup.toml", "made/binary-double.wav", "--out", "run")
        spanhold(folder, "export", "run", "--format", "uff58", "--out", "exported")
        sets = pyuff.UFF(str(folder / "exported" / "recordings.uff")).read_sets()
        assert len(sets) == 3
        for read, values, (_, _, to_si) in zip(sets, samples(), UNITS):
            assert read["type"] == 58 and read["func_type"] == 1
            np.testing.assert_allclose(read["data"], values * to_si, rtol=0, atol=1e-12)
            assert abs(read["x"][1] - read["x"][0] - 1 / RATE_HZ) < 1e-9
    print("pyuff and the program agree on every sample, in both directions")


main()
