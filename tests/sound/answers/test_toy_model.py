"""A model of one file, announced by one line of another package, is asked by every command like our own."""

import json
import sqlite3

import numpy as np
import pytest
from matplotlib.text import Text

import simkit
from simkit import provenance
from simkit.cli.door import run
from simkit.show.look import page
from simkit.show.scale import scale_chart
from simkit.sound import catalogue, models

MODEL = '''
"""Helmholtz's rule with the oldest end corrections: 0.85 radii at each end of a hole."""

from dataclasses import dataclass

import numpy as np

from simkit.sound.catalogue import Model
from simkit.sound.models.resonator import helmholtz_motion
from simkit.sound.models.resonator import Evidence, Resonance, openness_of

JUG = Model("jug", __name__, 15, "Helmholtz's rule", quick=True, motion=True)


@dataclass(frozen=True, eq=False)
class Jug:
    air: object
    volume: float
    holes: tuple
    window: float
    conductivities: np.ndarray
    areas: np.ndarray
    model = "jug"

    def each(self, openness):
        openness = np.atleast_2d(openness)
        return np.hstack([np.full((len(openness), 1), self.window), openness * self.conductivities])

    def lowest(self, openness):
        K = self.each(openness).sum(axis=1)
        return self.air.sound_speed * np.sqrt(K / self.volume) * (1 + 0.02j)

    def resonances(self, fingering=(), count=1):
        found = complex(self.lowest(openness_of(self.holes, fingering))[0])
        return (Resonance(found),) if found and count else ()

    def admittance(self, fingering, frequency):
        return np.zeros(np.shape(frequency), complex)

    def evidence(self, fingering=()):
        return Evidence(80.0, ("jug: no more than a rule",))

    def motion(self, openness, count):
        return helmholtz_motion(self.air, self.lowest(openness), self.each(openness), self.areas)


def conductivity(opening):
    return opening.area / (opening.length + 1.7 * np.sqrt(opening.area / np.pi))


def resonator(case):
    chamber = case.chamber
    window = conductivity(chamber.window) if chamber.window else 0.0
    areas = np.array([o.area for o in chamber.all_openings])
    names = tuple(o.name for o in chamber.openings)
    K = np.array([conductivity(o) for o in chamber.openings])
    return Jug(case.airs.chamber, chamber.volume, names, window, K, areas)
'''

EGG = """
title = "egg"
clay.wall_mm = 5
[[chamber]]
name = "body"
shape = "egg"
length_mm = 80
width_mm = 50
height_mm = 40
widest_at = 0.45
[chamber.voicing]
along_mm = 20
around_deg = 180
window_width_mm = 10
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 25
[[chamber.hole]]
name = "1"
along_mm = 45
around_deg = 0
diameter_mm = 8
[[chamber.note]]
pitch = "C5"
open = []
[[chamber.note]]
pitch = "D5"
open = ["1"]
"""


@pytest.fixture
def jug(tmp_path, monkeypatch, announce):
    announce("jugs", MODEL, "simkit.models", "jug = jugs:JUG")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "egg.toml").write_text(EGG)


def said(capsys, *arguments):
    assert run(list(arguments)) == 0, capsys.readouterr().err
    return capsys.readouterr().out


def by_hand():
    """Hz of both notes, Helmholtz 1860 with end corrections of 0.85 radii (Rayleigh, Theory of Sound, section 307)."""
    vessel = simkit.loads(EGG, "egg.toml")
    (case,) = models.cases(vessel)
    ends = [(10e-3 * 5e-3, 5e-3), (np.pi * 4e-3**2, 5e-3)]  # 10 by 5 mm; 8 mm wide, both through 5 mm
    K = np.array([S / (h + 1.7 * np.sqrt(S / np.pi)) for S, h in ends])
    volume = np.pi / 6 * 80e-3 * 50e-3 * 40e-3
    return case.airs.chamber.sound_speed * np.sqrt(np.cumsum(K) / volume) / (2 * np.pi)


def test_predict_compare_and_chart(jug, capsys):
    told = json.loads(said(capsys, "predict", "egg.toml", "--model", "jug", "--json"))
    found = [note["jug"]["frequency_hz"] for note in told["chambers"][0]["notes"]]
    assert found == pytest.approx(by_hand(), rel=1e-6)
    assert "jug: no more than a rule" in told["cautions"]
    assert "jug: knows nothing of playing: its numbers are of the still piece" in told["cautions"]
    charted = simkit.chart(simkit.load("egg.toml"), "jug")
    assert charted.chambers[0].frequencies_hz == pytest.approx(by_hand(), rel=1e-6)
    assert catalogue.able("quick") == models.models()[:-1] == ("lumped", "jug", "ports")


def test_its_notes_are_drawn(jug):
    (chamber,) = simkit.predict(simkit.load("egg.toml"), "jug").chambers
    figure = page(scale_chart("scale", ["1"], chamber.notes))
    words = {text.get_text() for text in figure.findobj(Text)}
    assert any("jug" in each for each in words)


def test_it_stands_beside_another_in_compare(jug, monkeypatch):
    monkeypatch.setattr(models, "models", lambda: ("lumped", "jug"))  # those that want no mesh
    assert simkit.compare(simkit.load("egg.toml")).frequencies_hz[:, 1] == pytest.approx(by_hand(), rel=1e-6)


@pytest.mark.slow
def test_it_stands_among_our_own_in_compare_report_and_picture(jug, monkeypatch, capsys):
    said(capsys, "predict", "egg.toml", "--model", "jug", "--plot", "egg.png")
    quick = catalogue.able("quick")  # without the judge, which takes minutes
    monkeypatch.setattr(models, "models", lambda: quick)
    vessel = simkit.load("egg.toml")
    assert simkit.compare(vessel).frequencies_hz[:, 1] == pytest.approx(by_hand(), rel=1e-6)
    page = simkit.report(vessel)
    assert "3 models answer for every note" in page and "jug, Helmholtz&#39;s rule; ports" in page


def test_blow_and_resonances(jug, capsys):
    notes = json.loads(said(capsys, "blow", "egg.toml", "--model", "jug", "--json"))["chambers"][0]["notes"]
    assert notes[0]["sounding_hz"] == pytest.approx(by_hand()[0], rel=0.05)  # the breath bends it
    assert run(["resonances", "egg.toml", "--model", "jug"]) == 1
    assert "the model jug reaches 0 of them" in capsys.readouterr().err


def test_what_it_cannot_is_refused_by_name(jug, capsys):
    for arguments, says in (
        (["field", "egg.toml", "--model", "jug", "-o", "a.vtu"], "allowed: ports or resolved"),
        (["predict", "egg.toml", "--model", "jar"], "allowed: lumped, ports, resolved, jug"),
    ):
        assert run(arguments) == 2
        assert says in capsys.readouterr().err


@pytest.mark.slow  # at once: what it answers elsewhere, here; columns in sweeps/test_sweep
def test_a_sweep_has_its_columns_and_knows_its_version(jug, capsys):
    with open("cases.toml", "w") as plan:
        plan.write('base = "egg.toml"\ncompute = ["predict"]\n[[variation]]\nname = "wall"\n"clay.wall_mm" = [4, 5]\n')
        plan.write('[predict]\nmodel = "jug"\n')
    said(capsys, "sweep", "cases.toml", "-o", "out", "--workers", "1")
    with sqlite3.connect("out/results.sqlite") as database:
        found = database.execute(
            'select jug_frequency_hz from notes where "clay.wall_mm" = 5 order by pitch'
        ).fetchall()
    assert provenance.provenance().libraries["jugs"] == "1.2"
    assert [hz for (hz,) in found] == pytest.approx(by_hand(), rel=1e-6)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("import nowhere_at_all", "cannot be used: ModuleNotFoundError: No module named 'nowhere_at_all'"),
        ("JUG = 3", "cannot be used: it is a int, allowed: a Model"),
        (MODEL.replace('Model("jug"', 'Model("mug"'), "its model is called mug; allowed: the name it is announced by"),
        (MODEL.replace("    chamber = case.chamber", "    chamber = case.chambers"), "its resonator: AttributeError"),
        (MODEL.replace("    return Jug(", "    return tuple("), "its resonator: TypeError"),
        (MODEL.replace("    return Jug(", "    return max(range(9)) or Jug("), "its resonator, a int, has no model"),
        (MODEL.replace("def motion", "def move"), "its resonator, a Jug, has no motion"),
        (
            MODEL.replace("(1 + 0.02j)", "(np.nan + 0.02j)"),
            "its lowest is array([nan+nanj, nan+nanj]), allowed: (2,) finite numbers",
        ),
        (MODEL.replace("(1 + 0.02j)", "(1 + 0.02j) * np.ones((3, 1))"), "allowed: (2,) finite numbers"),
        (MODEL.replace("Evidence(80.0", "Evidence(np.nan"), "its evidence is Evidence(uncertainty_cents=nan"),
        (MODEL.replace("return Evidence(80.0", "return (80.0"), "its evidence is (80.0, "),
        (MODEL.replace("self.each(openness).sum(axis=1)", "self.each(openness) / 0"), "its lowest: "),
    ],
)
def test_a_broken_one_is_told_in_one_line_and_troubles_nobody_else(tmp_path, announce, capsys, text, says):
    announce("shards", text, "simkit.models", "jug = shards:JUG")
    (tmp_path / "egg.toml").write_text(EGG)
    assert run(["predict", str(tmp_path / "egg.toml"), "--model", "jug"]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith("the plug-in jug (simkit.models, shards:JUG) of the package shards") and says in line
    assert run(["predict", str(tmp_path / "egg.toml"), "--model", "lumped", "--still"]) == 0
