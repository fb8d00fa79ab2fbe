"""A small whistle to be optimised. Its window's far side is upright, so that nothing in its pitch is meshed anew."""

import pytest

import simkit
from simkit.optimisation import hand_error, optimise

WHISTLE = """
title = "Whistle"            # a remark that must stay

[clay]
wall_mm = 4
shrinkage_percent = 10

[[chamber]]
name = "body"
shape = "egg"
length_mm = 68               # along
width_mm = 46
height_mm = 36.6
widest_at = 0.42

[chamber.voicing]
along_mm = 14
around_deg = 180
window_width_mm = 12
cut_up_mm = 5.6              # across the window
windway_height_mm = 1.2
windway_length_mm = 25
edge_deg = 90

[[chamber.hole]]
name = "1"
along_mm = 41
around_deg = -34
diameter_mm = 6.5            # much too wide
[[chamber.hole]]
name = "2"
along_mm = 29
around_deg = -34
diameter_mm = 6.5
[[chamber.hole]]
name = "3"
along_mm = 41
around_deg = 34
diameter_mm = 6.5
[[chamber.hole]]
name = "4"
along_mm = 29
around_deg = 34
diameter_mm = 6.5

[[chamber.note]]
pitch = "C5"
open = []
[[chamber.note]]
pitch = "D5"
open = ["1"]
[[chamber.note]]
pitch = "E5"
open = ["1", "2"]
[[chamber.note]]
pitch = "F5"
open = ["1", "2", "3"]
[[chamber.note]]
pitch = "G5"
open = ["1", "2", "3", "4"]
"""


@pytest.fixture(scope="session")
def whistle():
    return simkit.loads(WHISTLE, "whistle.toml")


@pytest.fixture(scope="session")
def whistle_text():
    return WHISTLE


@pytest.fixture(scope="session")
def small_text():
    """The whistle with two of its holes and the three notes that these play."""
    holes = WHISTLE.index('[[chamber.hole]]\nname = "3"'), WHISTLE.index("[[chamber.note]]")
    return WHISTLE[: holes[0]] + WHISTLE[holes[1] : WHISTLE.index('[[chamber.note]]\npitch = "F5"')]


@pytest.fixture(scope="session")
def tuned(whistle):
    """The whistle with its holes and its size free: from 180 cents off."""
    return optimise(whistle, ["diameters", "size"])


@pytest.fixture(scope="session")
def piece(tuned):
    """That whistle, in tune: what hands then make of it."""
    return tuned.vessel


@pytest.fixture(scope="session")
def error(piece):
    return hand_error(piece)


@pytest.fixture
def with_free(whistle_text):
    """The whistle with a table [free]."""
    return lambda table: simkit.loads(f"{whistle_text}\n[free]\n{table}", "whistle.toml")
