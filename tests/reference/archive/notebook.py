"""Runs the example for a notebook that the guide's page on archives shows, as it stands there.

In its text DIR is the folder of the export; here a run of the demo is exported.
"""

import pathlib
import re
import subprocess
import sys
import tempfile

PROGRAM = str(pathlib.Path(sys.argv[1]).resolve())
TOP = pathlib.Path(__file__).resolve().parents[3]


def main():
    page = (TOP / "src/guide/archives.md").read_text(encoding="utf-8")
    section = page.split("### In a notebook", 1)[1]
    example = re.search("```python\n(.*?)```", section, re.S)[1]
    with tempfile.TemporaryDirectory() as folder:
        for arguments in (
            ["reprocess", "config/damped-trial.toml", "recordings/damped-trial.wav", "--out", f"{folder}/run"],
            ["note", f"{folder}/run", "--point", "3", "--by", "A. Name", "--exclude", "a door was open, invented"],
            ["export", f"{folder}/run", "--format", "parquet", "--out", f"{folder}/DIR"],
        ):
            subprocess.run([PROGRAM, *arguments], cwd=TOP, check=True, capture_output=True)
        found = {}
        exec(example.replace('"DIR/', f'"{folder}/DIR/'), found)
        table = found["pl"].read_parquet(f"{folder}/DIR/points.parquet")
    # Eight of the nine dwells of the demo are held, one of them is excluded; two gauges, fifteen seconds at four
    # hops a second.
    assert found["table"].height == 7, found["table"]
    excluded = table.filter(found["pl"].col("excluded").is_not_null())
    assert excluded["point"].to_list() == [3], excluded
    assert excluded["excluded"].to_list() == ["A. Name: a door was open, invented"], excluded
    assert "a door was open, invented" in excluded["notes"][0] and excluded["verdict"][0] == "held", excluded
    assert found["strains"]["strain_gauges"].n_unique() == 2, found["strains"]
    assert 50 <= found["held"].height <= 70, found["held"].height


main()
