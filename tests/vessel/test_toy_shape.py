"""A shape of another package stands in a design file, and its keys are swept and optimised, as our own are."""

import json
import sqlite3

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.cli.door import run
from simkit.errors import InputError

SHAPE = '''
"""A body as long as it is full: x^2/a^2 + s^4 + z^2/b^2 = 1, s from -1 to 1 along it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import Field

from simkit.body.walls.rings import around, true_sheet
from simkit.body.walls.wall import Wall
from simkit.vessel.shapes import FurtherShape
from simkit.vessel.values import Length


class Loaf(FurtherShape):
    """A loaf."""

    kind: Literal["loaf"] = Field("loaf", alias="shape")
    length_mm: Length
    width_mm: Length
    height_mm: Length

    def wall(self):
        return LoafWall(self.width_mm / 1e3, self.length_mm / 1e3, self.height_mm / 1e3)


@dataclass(frozen=True)
class LoafWall(Wall):
    width: float
    length: float
    height: float

    def formula(self, x, y, z):
        a, half, b = self.width / 2, self.length / 2, self.height / 2
        s = (y - half) / half
        return (x / a) * (x / a) + s * s * s * s + (z / b) * (z / b) - 1.0

    @property
    def box(self):
        return np.array([[-self.width / 2, 0, -self.height / 2], [self.width / 2, self.length, self.height / 2]])

    @property
    def volume(self):
        return np.pi / 5 * self.width * self.length * self.height

    def sheets(self, fine=1):
        t, phi = np.linspace(0, np.pi, 24 * fine + 1)[:, None], around(fine)[None, :]
        s = -np.cos(t)
        ring = np.sqrt(np.maximum(1 - s**4, 0.0))
        x, z = self.width / 2 * ring * np.sin(phi), self.height / 2 * ring * np.cos(phi)
        return (true_sheet(self, np.stack([x, self.length / 2 * (s + 1) + 0 * phi, z], axis=-1)),)
'''

LOAF = """
clay.wall_mm = 5
[[chamber]]
name = "body"
shape = "loaf"
length_mm = 80
width_mm = 50
height_mm = 40
[chamber.voicing]
along_mm = 20
around_deg = 180
window_width_mm = 10
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 25
[[chamber.note]]
pitch = "G4"
open = []
"""


@pytest.fixture
def loaves(tmp_path, monkeypatch, announce):
    announce("loaves", SHAPE, "simkit.shapes", "loaf = loaves:Loaf")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "loaf.toml").write_text(LOAF)


def test_a_design_is_read_written_and_changed(loaves):
    vessel = simkit.load("loaf.toml")
    assert simkit.loads(simkit.dumps(vessel)) == vessel
    assert vessel.with_value("body.width_mm", 52).value("body.width_mm") == 52
    assert {"body.length_mm", "body.width_mm", "body.height_mm"} <= set(vessel.numbers)
    (chamber,) = body_of(vessel).chambers
    # By hand: integral of pi a b (1 - s^4) over s from -1 to 1, times half the length.
    assert chamber.volume == pytest.approx(np.pi * 25e-3 * 20e-3 * (2 - 2 / 5) * 40e-3)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("width_mm = 50", "width_mm = -50"), "body.width_mm = -50: allowed: a number from 1 to 1000"),
        (("width_mm = 50", ""), "body.width_mm: allowed: a number from 1 to 1000; the key is missing"),
        (("width_mm = 50", "widht_mm = 50"), "body.widht_mm = 50: allowed: known keys only; did you mean width_mm?"),
        (('shape = "loaf"', 'shape = "loav"'), "tube, box, sections, lobes, scan, loaf; did you mean loaf?"),
    ],
)
def test_its_keys_are_checked_like_ours(loaves, change, says):
    with pytest.raises(InputError) as caught:
        simkit.loads(LOAF.replace(*change, 1), "loaf.toml")
    assert says in str(caught.value)


def test_its_air_sounds(loaves):
    """The frequency goes as the root of the volume, but for friction."""
    vessel = simkit.load("loaf.toml")
    short, long = (
        simkit.predict(each, "lumped").frequencies_hz[0] for each in (vessel, vessel.with_value("body.length_mm", 96.8))
    )
    assert short / long == pytest.approx(1.21**0.5, rel=3e-3)


@pytest.mark.slow
@pytest.mark.sample
def test_it_is_predicted_swept_and_optimised(loaves, capsys):
    vessel = simkit.load("loaf.toml")
    at = simkit.predict(vessel, "ports").frequencies_hz[0]
    with open("cases.toml", "w") as plan:
        plan.write('base = "loaf.toml"\ncompute = ["predict"]\n[predict]\nmodel = "lumped"\n')
        plan.write('[[variation]]\nname = "length"\n"body.length_mm" = [80, 96.8]\n')
    assert run(["sweep", "cases.toml", "-o", "out", "--workers", "1"]) == 0, capsys.readouterr().err
    with sqlite3.connect("out/results.sqlite") as database:
        short, long = database.execute('select lumped_frequency_hz from notes order by "body.length_mm"').fetchall()
    # The frequency goes as the root of the volume, but for friction and the wall about the window.
    assert short[0] / long[0] == pytest.approx(1.21**0.5, rel=3e-3)
    capsys.readouterr()
    assert run(["optimise", "loaf.toml", "--free", "body.length_mm", "--json", "-o", "tuned.toml"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert abs(told["chambers"][0]["after"][0]["ports"]["cents"]) < 0.5
    tuned = simkit.load("tuned.toml").value("body.length_mm")
    target = simkit.predict(simkit.load("tuned.toml"), "ports").frequencies_hz[0]
    # Flat by ports' own word: the volume, and nearly the length, goes as 1/f^2.
    assert tuned == pytest.approx(80 * (at / target) ** 2, rel=0.05)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1/0", "ZeroDivisionError: division by zero"),
        ("class Loaf: pass", "Loaf is no FurtherShape with its own wall"),
        (SHAPE.replace('"loaf"', '"bun"'), "Loaf is not of its kind; allowed: kind"),
        (
            SHAPE.replace("return LoafWall(self.width_mm", "return LoafWall(self.width_mm / 0"),
            "its wall: ZeroDivisionError",
        ),
        (SHAPE.replace("return LoafWall(", "return tuple("), "its wall: TypeError"),
        (SHAPE.replace("return LoafWall(", "return max("), "its wall: it is a float, allowed: a Wall"),
        (SHAPE.replace("self.height_mm / 1e3)", "np.nan)"), "its wall: its box is [[-0.025, 0.0, nan]"),
        (SHAPE.replace("self.height / 2]])", "self.height / 2, 0]])"), "its wall: ValueError"),
        (SHAPE.replace("+ (z / b)", "+ np.nan * (z / b)"), "has points or normals that are no numbers"),
        (SHAPE.replace("* (z / b) - 1.0", "* (z / b) - 1.2"), "mm off the place where its formula is 0"),
        (SHAPE.replace("return (x / a) * (x / a)", "return 1 / 0 + (x / a)"), "its wall: ZeroDivisionError"),
        (SHAPE.replace("np.pi / 5", "np.pi / 5 * np.nan"), "its volume is nan ml"),
        (SHAPE.replace("np.pi / 5", "np.pi"), "its volume is 502.7 ml, and its rings enclose 98."),
        (SHAPE.replace("[self.width / 2, self.length,", "[self.width / 2, self.length / 2,"), "beyond its box"),
        (SHAPE.replace("return (true_sheet(", "return (np.array("), "its wall: TypeError"),
    ],
)
def test_a_broken_one_is_told_in_one_line(tmp_path, announce, capsys, text, says):
    announce("crumbs", text, "simkit.shapes", "loaf = crumbs:Loaf")
    (tmp_path / "loaf.toml").write_text(LOAF)
    assert run(["predict", str(tmp_path / "loaf.toml"), "--model", "lumped"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    who = "body.shape = 'loaf': the plug-in loaf (simkit.shapes, crumbs:Loaf) of the package crumbs cannot be used: "
    assert line.startswith(f"{tmp_path / 'loaf.toml'}: {who}") and says in line


def test_what_it_raises_later_is_told_with_its_line(tmp_path, announce, capsys):
    """Of a formula, say, that only fails off the wall."""
    late = SHAPE.replace(
        "        s = (y - half) / half\n",
        "        s = (y - half) / half\n        assert not isinstance(x, np.ndarray) or x.size > 1\n",
    )
    announce("crumbs", late, "simkit.shapes", "loaf = crumbs:Loaf")
    (tmp_path / "loaf.toml").write_text(LOAF)
    assert run(["predict", str(tmp_path / "loaf.toml"), "--model", "lumped"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith("the plug-in loaf (simkit.shapes, crumbs:Loaf) of the package crumbs cannot be used: ")
    assert "AssertionError" in line and "(crumbs.py, line " in line
