"""The page on simkit from Python does what it says: its blocks run, one after the other."""

import re
from pathlib import Path

import meshio
import numpy as np
import pytest

import simkit

PAGE = Path(simkit.__file__).parents[1] / "studies" / "from_python.md"


def blocks():
    """The page's blocks of Python, as they stand one after the other."""
    return re.findall(r"^```python\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


def test_every_block_of_the_page_asks_for_what_there_is():
    """Each compiles, and takes of simkit only what it has."""
    assert len(blocks()) >= 9
    for n, block in enumerate(blocks()):
        compile(block, f"{PAGE.name}, block {n + 1}", "exec")
        for name in re.findall(r"\bsimkit\.([a-z_]+)", block):
            assert hasattr(simkit, name), name


@pytest.mark.slow
@pytest.mark.sample
def test_every_block_of_the_page_runs(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    names = {"__name__": "from_python"}
    for n, block in enumerate(blocks()):
        exec(compile(block, f"{PAGE.name}, block {n + 1}", "exec"), names)
    said = capsys.readouterr().out
    assert "clay.wall_mm = -1: allowed:" in said
    assert "4 cases: 4 computed now" in said
    assert np.abs(names["cents"][-1]).max() > 30
    assert names["outcome"].vessel == simkit.load("tuned.toml")
    assert names["outcome"].reached and np.abs(names["outcome"].cents).max() < np.abs(names["prediction"].cents).max()
    # The peak of the admittance is the note of those holes, within a step of the sweep over frequency.
    note = names["prediction"].frequencies_hz[1]
    assert abs(names["hz"][np.abs(names["Y"]).argmax()] / note - 1) < 0.01
    assert len(meshio.read("mode.vtu").points) == len(names["field"].points)


def test_every_public_function_says_what_it_takes():
    for name in simkit.__all__:
        value = getattr(simkit, name)
        assert value.__doc__, name
