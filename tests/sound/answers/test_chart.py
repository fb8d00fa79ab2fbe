"""Charts and comparisons of one of our own designs."""

import numpy as np
import pytest

import simkit
from simkit.show.as_text import chart_text
from simkit.sound import models
from simkit.sound.answers.chart import chart, combinations
from simkit.sound.answers.comparison import compare
from simkit.sound.models import roots
from simkit.sound.models.neighbours import stiffness
from simkit.vessel.starter import starter

VESSEL = simkit.loads(starter("egg"), "egg.toml")
JUG = """
[clay]
wall_mm = 4
[[chamber]]
name = "jug"
shape = "sphere"
diameter_mm = 50
[chamber.voicing]
along_mm = 12
around_deg = 180
window_width_mm = 10
cut_up_mm = 4
windway_height_mm = 1.2
windway_length_mm = 20
"""


@pytest.fixture(scope="module")
def charted():
    (chamber,) = chart(VESSEL).chambers
    return chamber


def test_a_chart_has_every_combination_once_and_in_order(charted):
    assert len({f.openness for f in charted.fingerings}) == 2**4
    frequencies = [f.frequency_hz for f in charted.fingerings]
    assert frequencies == sorted(frequencies)
    assert charted.fingerings[0].openness == (0, 0, 0, 0)
    assert charted.fingerings[-1].openness == (1, 1, 1, 1)
    for f in charted.fingerings:
        target = f.frequency_hz / 2 ** (f.cents / 1200)
        assert 12 * np.log2(target / 440) == pytest.approx(round(12 * np.log2(target / 440)), abs=1e-6)


def test_a_chart_agrees_with_the_prediction(charted):
    by_pitch = {f.wanted: f for f in charted.fingerings if f.wanted}
    for note in simkit.predict(VESSEL, "ports").notes:
        assert by_pitch[note.pitch].frequency_hz == pytest.approx(note.by("ports").frequency_hz, rel=1e-9)
    assert set(by_pitch) == {"C5", "D5", "E5", "F5", "G5"}


@pytest.mark.parametrize(
    ("state", "lossless"),
    [
        ("played", False),
        ("still", True),
        pytest.param("played", True, marks=pytest.mark.slow),
        pytest.param("still", False, marks=pytest.mark.slow),
    ],
)
def test_subsets_in_a_tree_are_each_by_itself(monkeypatch, state, lossless):
    """In branches, one hole always open; by the tree's own equations and by those that solve for each fingering."""
    (case,) = models.cases(VESSEL, state=state, lossless=lossless)
    asked, each = models.resonator("ports", case), combinations(4)
    alone = np.array([asked.lowest(one)[0] for one in each])
    monkeypatch.setattr(roots, "_TOGETHER", 2)
    some = each[:, 1] > 0
    for mine in (np.ones(16, bool), some):
        states = asked.states(each[mine])
        found = roots.lowest_of_many(asked.circuit, states, asked.near_lowest(states), 1e-11)
        missed = 1200 * np.abs(np.log2(found / (alone / asked.drift(each))[mine]))
        assert missed == pytest.approx(np.zeros(mine.sum()), abs=1e-6)
    monkeypatch.setattr(roots, "FEWEST", 8)
    plainly = []
    monkeypatch.setattr(roots, "stiffness", lambda *asked: plainly.append(len(asked[3])) or stiffness(*asked))
    assert asked.lowest(np.tile(each, (40, 1)))[:16] == pytest.approx(alone, rel=1e-9)
    assert sum(plainly) < 40  # but for those that are tried


def test_a_tree_that_is_wrong_for_some_fingerings_is_found_out(monkeypatch):
    """Of 1,024 counted in twos those where the first and the sixth hole differ, which no even steps of 33 meet."""
    asked = models.resonator("ports", models.cases(VESSEL, state="still")[0])
    number = np.arange(1024)
    each = np.stack([number >> hole & 1 for hole in (0, 5, 1, 2)], axis=1).astype(float)
    few = combinations(4)
    right = dict(zip(map(tuple, few), (asked.lowest(one)[0] for one in few), strict=True))
    alone = np.array([right[tuple(one)] for one in each])
    wrong = np.where(each[:, 0] == each[:, 1], 1.0, 1 + 1e-6)
    monkeypatch.setattr(roots, "lowest_of_many", lambda *given: alone * wrong)
    assert asked.lowest(each) == pytest.approx(alone, rel=1e-9)


@pytest.mark.slow  # at once: a tree that is wrong for some is found out, above
def test_a_tree_is_left_where_it_does_not_serve(monkeypatch):
    """A shell without thickness has no ducts; a note beyond the range is no note that was found."""
    thin = VESSEL.with_values({"clay.wall_mm": 0.0, "clay.edge_radius_mm": 0.0})
    (case,) = models.cases(thin, state="still", lossless=True)
    asked, each = models.resonator("ports", case), combinations(4)
    alone = np.array([asked.lowest(one)[0] for one in each])
    monkeypatch.setattr(roots, "FEWEST", 8)
    assert asked.lowest(each) == pytest.approx(alone, rel=1e-9)
    asked = models.resonator("ports", models.cases(VESSEL, state="still")[0])
    alone = np.array([asked.lowest(one)[0] for one in each])
    monkeypatch.setattr(roots, "_RANGES", ((1.01, 1.2, 14), (1.01, 1.3, 24)))
    assert asked.lowest(each) == pytest.approx(alone, rel=1e-9)


def test_half_covered_holes_fill_the_gaps():
    assert len(combinations(4, half=True)) == 16 + 4 * 8
    (chamber,) = chart(VESSEL, half=True).chambers
    pitch = {f.openness: f.frequency_hz for f in chamber.fingerings}
    assert pitch[0, 0, 0, 0] < pitch[0.5, 0, 0, 0] < pitch[1, 0, 0, 0]
    halves = [f for f in chamber.fingerings if 0.5 in f.openness]
    assert "½" in chamber.open_holes(halves[0])[0]


def test_models_side_by_side_with_reasons(monkeypatch):
    """By the two quick models; the judge stands beside them in the slow test below."""
    monkeypatch.setattr(models, "models", lambda: ("lumped", "ports"))
    check(compare(VESSEL).as_dict(), ("lumped", "ports"))


@pytest.mark.slow
def test_the_judge_stands_beside_the_quick_models():
    check(compare(VESSEL).as_dict(), models.models())


def check(data, names):
    notes = data["chambers"][0]["notes"]
    for note in notes:
        assert {*names, "reasons"} <= set(note)
    assert any("leaves out" in text for note in notes for text in note["reasons"])


@pytest.mark.parametrize("half", [False, True])
def test_a_chamber_without_holes_has_one_combination(half):
    assert combinations(0, half).shape == (1, 0)
    (jug,) = chart(simkit.loads(JUG), "lumped", half=half).chambers
    assert [fingered.openness for fingered in jug.fingerings] == [()]


def test_the_chart_of_a_chamber_without_holes_says_so():
    jug = simkit.loads(JUG)
    assert "a chamber without holes by lumped, 20 °C" in chart_text(jug, chart(jug, "lumped"))
