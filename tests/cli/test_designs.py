"""The main job on every design of our own, through the installed command, as a user runs it."""

import json
import math
import subprocess
import sys
from pathlib import Path

import pytest

SIMKIT = Path(sys.executable).with_name("simkit")
DESIGNS = sorted((Path(__file__).parents[2] / "studies" / "designs").glob("*.toml"))


@pytest.mark.slow
@pytest.mark.parametrize("design", DESIGNS, ids=lambda path: path.stem)
def test_a_design_is_answered_and_drawn(tmp_path, design):
    def simkit(*arguments):
        return subprocess.run([SIMKIT, *arguments], capture_output=True, text=True, check=True, cwd=tmp_path).stdout

    (chamber, *_) = json.loads(simkit("predict", design, "--json", "--model", "lumped,ports"))["chambers"]
    assert chamber["notes"][0]["pitch"], "a design of our own has notes"
    for note in chamber["notes"]:
        apart = 1200 * math.log2(note["lumped"]["frequency_hz"] / note["ports"]["frequency_hz"])
        assert abs(apart) < note["lumped"]["uncertainty_cents"] + note["ports"]["uncertainty_cents"]
    rings = json.loads(simkit("resonances", design, "--closed", "--json"))["chambers"][0]["resonances"]
    # The chamber is small against its note's wave: the first higher resonance lies far above.
    assert rings[0]["frequency_hz"] > 1.5 * max(note["ports"]["frequency_hz"] for note in chamber["notes"])
    simkit("predict", design, "--plot", "piece.pdf")
    simkit("resonances", design, "--closed", "--plot", "modes.svg")
    assert (tmp_path / "piece.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "modes.svg").read_text().startswith("<?xml")
