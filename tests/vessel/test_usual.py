"""A slip of the pen is asked about, with what is usual."""

import re
from pathlib import Path

import pytest

import simkit
from simkit.vessel.starter import STARTER_SHAPES, starter

SLIPS = [
    ("windway_height_mm = 1.2", "windway_height_mm = 12", "body.voicing.windway_height_mm = 12 .* 0.6 to 3.5 mm"),
    ("wall_mm = 4 ", "wall_mm = 0.6 ", "clay.wall_mm = 0.6 .* 2 to 12 mm"),
    ("cut_up_mm = 4.1", "cut_up_mm = 0.4", "body.voicing.cut_up_mm = 0.4 .* 1.5 to 15 mm"),
    ("diameter_mm = 3.46", "diameter_mm = 0.4", "body.hole.1.diameter_mm = 0.4 .* 1.5 to 20 mm"),
    ("diameter_mm = 3.46", "diameter_mm = 35", "body.hole.1.diameter_mm = 35 .* 1.5 to 20 mm"),
]


@pytest.mark.parametrize(("written", "slip", "said"), SLIPS)
def test_a_slip_is_told_with_its_key_and_what_is_usual(written, slip, said):
    text = starter()
    assert written in text
    (caution,) = [each for each in simkit.loads(text.replace(written, slip, 1)).cautions if "not usual" in each]
    assert re.search(said, caution) and "common practice, no source" in caution


@pytest.mark.parametrize("shape", STARTER_SHAPES)
def test_what_we_hand_out_is_usual(shape):
    assert simkit.loads(starter(shape)).cautions == ()


@pytest.mark.parametrize("path", sorted(Path("studies/designs").glob("*.toml")), ids=lambda path: path.stem)
def test_our_own_designs_are_usual(path):
    assert [text for text in simkit.load(path).cautions if "not usual" in text] == []


def test_a_problem_from_a_textbook_is_not_asked_about():
    text = 'clay.wall_mm = 0\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 500\n'
    text += '[[chamber.hole]]\nname = "1"\nalong_mm = 250\naround_deg = 0\ndiameter_mm = 90\n'
    assert simkit.loads(text).cautions == ()
