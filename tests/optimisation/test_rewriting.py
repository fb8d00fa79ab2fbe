"""A new design in the old one's text: what moved is new, all else is as it was."""

import difflib

import pytest

import simkit
from simkit.optimisation.problem.rewriting import rewritten, source_text
from simkit.vessel.starter import STARTER_SHAPES, starter


def changed_lines(old, new):
    return [line for line in difflib.ndiff(old.splitlines(), new.splitlines()) if line[0] in "+-"]


def test_remarks_and_layout_stay(whistle, whistle_text):
    moved = whistle.with_values({"body.length_mm": 70.25, "body.hole.1.diameter_mm": 4.0})
    text = rewritten(whistle_text, whistle, moved)
    assert changed_lines(whistle_text, text) == [
        "- length_mm = 68               # along",
        "+ length_mm = 70.25            # along",
        "- diameter_mm = 6.5            # much too wide",
        "+ diameter_mm = 4              # much too wide",
    ]
    assert simkit.loads(text) == moved


def test_a_number_that_was_not_written_is_added_in_its_table(whistle, whistle_text):
    moved = whistle.with_values({"body.hole.2.wall_mm": 3.5, "air.temperature_c": 25.0})
    text = rewritten(whistle_text, whistle, moved)
    assert simkit.loads(text) == moved
    assert [line for line in changed_lines(whistle_text, text) if line[0] == "-"] == []


EGG = simkit.loads(starter("egg")).numbers


OF_A_KIND = ("ellipsoid", "box", "tube", "lens")  # their sizes are plain numbers, as the egg's


@pytest.mark.parametrize(
    "shape", [pytest.param(shape, marks=[pytest.mark.slow] * (shape in OF_A_KIND)) for shape in STARTER_SHAPES]
)
def test_every_number_of_every_shape_finds_its_place(shape):
    """Clay, openings and air stand in every file alike: with the egg they are all asked, with others what is theirs."""
    text = starter(shape)
    vessel = simkit.loads(text, "start.toml")
    asked = [key for key in vessel.numbers if shape == "egg" or key not in EGG or key.count(".") == 1]
    assert asked
    for key in asked:
        number = vessel.numbers[key]
        if number.value and number.allowed.holds(0.999 * number.value):
            moved = vessel.with_value(key, 0.999 * number.value)
            new = rewritten(text, vessel, moved)
            assert simkit.loads(new) == moved
            assert len(changed_lines(text, new)) <= 3


def test_dotted_keys_and_tables_in_line_are_found_too():
    text = 'clay.wall_mm = 4\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50\n' + (
        'hole = [{name = "1", along_mm = 25, around_deg = 0, diameter_mm = 5}]  # one\n'
    )
    vessel = simkit.loads(text)
    moved = vessel.with_values({"clay.wall_mm": 5.0, "a.hole.1.diameter_mm": 6.5})
    new = rewritten(text, vessel, moved)
    assert "clay.wall_mm = 5" in new and "diameter_mm = 6.5}]  # one" in new


def test_fingerings_are_written_too(whistle, whistle_text):
    note = whistle.chambers[0].notes[1].model_copy(update={"open": ("3", "4")})
    chamber = whistle.chambers[0]
    notes = (chamber.notes[0], note, *chamber.notes[2:])
    moved = whistle.with_chamber(chamber.model_copy(update={"notes": notes}))
    assert 'open = ["3", "4"]' in rewritten(whistle_text, whistle, moved)


def test_lines_end_as_they_did(whistle, whistle_text, tmp_path):
    file = tmp_path / "whistle.toml"
    file.write_bytes(whistle_text.replace("\n", "\r\n").encode())
    given = simkit.load(file)
    text = rewritten(source_text(given), given, given.with_values({"body.length_mm": 70.0, "air.temperature_c": 25.0}))
    assert text.count("\r\n") == text.count("\n") == whistle_text.count("\n") + 3  # a table more
    moved = whistle.with_values({"body.length_mm": 70.0, "air.temperature_c": 25.0})
    assert text.replace("\r\n", "\n") == rewritten(whistle_text, whistle, moved)
