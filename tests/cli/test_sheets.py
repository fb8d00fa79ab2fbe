"""The door to the bench: sheets and solids, or one clear message and nothing written."""

import io
import json
import math
import re
import shutil
from contextlib import redirect_stdout

import meshio
import numpy as np
import pytest

from simkit.body.printing import SEAMS, PrintedPart
from simkit.cli import run
from simkit.making import PAPERS
from simkit.show import printed
from simkit.show.printed import write
from simkit.vessel.starter import starter

SMALL = """
title = "Small ball"
[clay]
wall_mm = 4
shrinkage_percent = 10
[[chamber]]
name = "a/b"
shape = "sphere"
diameter_mm = 30
[[chamber.hole]]
name = "1"
along_mm = 15
around_deg = 20
diameter_mm = 5
"""


@pytest.fixture
def design(tmp_path):
    (tmp_path / "small.toml").write_text(SMALL)
    return tmp_path / "small.toml"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """What one call says, and the folder that it wrote, one PDF for all papers: show/test_sheets reads each."""
    place = tmp_path_factory.mktemp("sheets")
    (place / "small.toml").write_text(SMALL)

    def first_of_each_paper(pages, folder):
        return write({page.paper: page for page in reversed(pages)}.values(), folder)

    made, real = [], printed.pdf

    def first_book(figures):
        made.extend([] if made else [real(figures)])
        return made[0]

    with pytest.MonkeyPatch.context() as patch, redirect_stdout(io.StringIO()) as said:
        patch.setattr(printed, "write", first_of_each_paper)
        patch.setattr(printed, "pdf", first_book)
        assert (
            run(["sheets", str(place / "small.toml"), "-o", str(place / "out"), "--json", "--reamer", "2,14,60"]) == 0
        )
    return json.loads(said.getvalue()), place / "out"


def test_sheets_writes_all_that_it_names(written):
    answer, out = written
    assert answer["state"] == "played"
    assert sorted(answer["files"]) == sorted(str(path) for path in out.iterdir())
    (chamber,) = answer["chambers"]
    assert chamber["name"] == "a/b" and chamber["files"] == answer["files"]
    (place,) = chamber["placing"]  # the hole is 20 degrees to the right on a ball, halfway between its tips
    assert place["opening"] == "1" and place["line"] == "top"
    radius = place["from_mouth_tip_mm"] / math.sqrt(2)
    assert 19 < radius < 19 / 0.9 and place["from_far_tip_mm"] == pytest.approx(place["from_mouth_tip_mm"])
    assert place["around_mm"] == pytest.approx(math.radians(20) * radius, abs=0.02)
    kinds = {path.rpartition(".")[2] for path in answer["files"]}
    assert kinds == {"pdf", "svg", "stl", "step"}
    assert sum(path.suffix == ".pdf" for path in out.iterdir()) == len(PAPERS)
    form = meshio.read(out / "inside-a-b.stl")
    assert (form.points.max(axis=0) - form.points.min(axis=0)) == pytest.approx([30 / 0.9] * 3, abs=0.05)


def test_a_second_run_tells_what_is_left_of_the_first(design, written, tmp_path, capsys, monkeypatch):
    """By their names: what the second run draws and makes is no matter."""

    def sheets(_, half):
        return [shutil.copy(path, half / path.name).name for path in sorted(written[1].glob("sheets-*"))]

    def solids(_, seam):
        assert seam.square_to == "across"
        corners = np.vstack([np.zeros(3), 0.01 * np.eye(3)])
        faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
        names = ("inside-a-b", *(f"shell-{half}" for half in SEAMS["across"][1]))
        return [
            PrintedPart(name, corners, faces, 1e-6 / 6, "" if "shell" in name else "ISO-10303-21;") for name in names
        ]

    monkeypatch.setattr("simkit.show.printed.write", sheets)
    monkeypatch.setattr("simkit.show.printed.solids_of", solids)
    assert not any("left from" in caution for caution in written[0]["cautions"])
    out = shutil.copytree(written[1], tmp_path / "out")
    assert run(["sheets", str(design), "-o", str(out), "--seam", "across"]) == 0
    told = "left from an earlier run, perhaps of other sizes: shell-lower.stl, shell-upper.stl"
    assert told in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--reamer", "8,20,80"], "--reamer = '8,20,80': allowed: for a/b.hole.1, 5.33 mm when cut, a tip of at most"),
        (["--reamer", "8"], "--reamer = '8': allowed: three numbers in mm such as 3,12,80"),
        (["--bar", "100,60"], "--bar: fired = 60.0: allowed: at least 75 mm: no pottery clay shrinks by more than 25"),
        (["--seam", "up=40"], "--seam = 'up=40': allowed: a cut through the air of every chamber, from -14.4 to 14.4"),
        (["--seam", "sideways"], "--seam = 'sideways': allowed: up, across or along"),
        (["--cut-at", "soft"], "--cut-at = 'soft': allowed: wet, leather-hard, bone dry, fired"),
        (["--temperature-c", "60"], "--temperature-c = 60.0: allowed: a number from 0 to 40"),
    ],
)
def test_what_cannot_be_is_said_and_nothing_is_written(design, tmp_path, capsys, options, told):
    assert run(["sheets", str(design), "-o", str(tmp_path / "out"), *options]) == 2
    said = capsys.readouterr()
    assert told in said.err and said.out == ""
    assert [path.name for path in tmp_path.iterdir()] == ["small.toml"]


def test_a_design_that_does_not_say_its_shrinkage_is_asked(tmp_path, capsys):
    text = starter("egg").replace("shrinkage_percent", "# shrinkage_percent")
    (tmp_path / "egg.toml").write_text(text)
    assert run(["sheets", str(tmp_path / "egg.toml"), "-o", str(tmp_path / "out")]) == 2
    assert re.search(r"egg.toml: clay.shrinkage_percent: allowed: a number from 0 to 25", capsys.readouterr().err)
    assert not (tmp_path / "out").exists()
    (tmp_path / "egg.toml").write_text(text)
