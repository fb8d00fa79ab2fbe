"""Why the models part, in words with what was measured."""

from functools import cache

import pytest

import simkit
from simkit.sound import models
from simkit.sound.answers.comparison import Build, reasons_for
from simkit.sound.answers.prediction import predict

HEAD = """
[clay]
wall_mm = 4
[[chamber]]
name = "body"
shape = "sections"
sections = [[0, 0, 0, 0, 2], [10, 33, 33, 0, 2], [19, 37, 37, 0, 2], [29, 32, 32, 0, 2], [49, 14, 14, 0, 2],
            [69, 32, 32, 0, 2], [79, 37, 37, 0, 2], [88, 33, 33, 0, 2], [98, 0, 0, 0, 2]]
[chamber.voicing]
along_mm = 18
around_deg = 180
window_width_mm = 10
cut_up_mm = 4.5
windway_height_mm = 1.2
windway_length_mm = 25
edge_deg = 45
"""
HOLE = '[[chamber.hole]]\nname = "{}"\nalong_mm = {}\naround_deg = {}\ndiameter_mm = {}\n'
NOTE = '[[chamber.note]]\npitch = "{}"\nopen = {}\n'
WAISTED = HEAD + HOLE.format("wide", 80, 0, 20) + HOLE.format("side", 18, 45, 6) + HOLE.format("twin", 18, 18, 6)
WAISTED += NOTE.format("A4", "[]") + NOTE.format("E5", '["wide"]') + NOTE.format("C5", '["side", "twin"]')


@cache
def reasons():
    vessel = simkit.loads(WAISTED)
    (case,) = models.cases(vessel)
    (chamber,) = predict(vessel, ["lumped", "ports"], state="still").chambers
    lumped, ports = (models.resonator(name, case) for name in ("lumped", "ports"))
    build = Build.of(case.chamber)
    return [reasons_for([lumped, ports], build, note) for note in chamber.notes]


def test_a_waist_is_told_with_its_width():
    assert any("narrows to 14 mm" in text and "run along it" in text for text in reasons()[0])


def test_a_near_resonance_is_told_with_its_ratio():
    assert any("next resonance is near" in text for text in reasons()[0])


def test_a_wide_hole_is_told_with_its_share_of_the_width_and_ports_doubts_it():
    said = " ".join(reasons()[1])
    assert "hole wide is 0.5" in said
    assert "ports: hole wide" in said
    assert "hole wide" not in " ".join(reasons()[0])


def test_near_holes_are_told_with_the_clay_between_them():
    assert any("nearest: hole twin and hole side" in text for text in reasons()[2])


@pytest.mark.parametrize(("model", "known"), [pytest.param("ports", True, marks=pytest.mark.slow), ("lumped", False)])
def test_predict_says_that_ports_is_less_sure_of_a_wide_hole(model, known):
    heard = predict(simkit.loads(WAISTED), model).cautions
    assert any("hole wide" in text for text in heard) == known
