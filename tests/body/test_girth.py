"""How long, how narrow, how wide: against shapes whose sizes are known by construction."""

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.body.girth import elongation, waist, width_at
from simkit.body.walls.formulas import BoxWall, EggWall, TubeWall

TWO_BALLS = """
[clay]
wall_mm = 4
[[chamber]]
name = "body"
shape = "lobes"
lobes = [[15, 0, 0, 30, 30, 30], [40, 0, 0, 30, 30, 30]]
"""
TUBE = """
[clay]
wall_mm = 4
[[chamber]]
name = "body"
shape = "tube"
length_mm = 90
diameter_mm = 30
[[chamber.hole]]
name = "1"
along_mm = 45
around_deg = 30
diameter_mm = 8
"""


def chamber(text):
    return body_of(simkit.loads(text)).chambers[0]


@pytest.mark.parametrize("turned", [(0.03, 0.09, 0.03), (0.09, 0.03, 0.03)])
def test_a_long_chamber_is_long_whichever_way_it_lies(turned):
    assert elongation(EggWall(*turned)) == pytest.approx(3.0, rel=1e-6)


def test_two_balls_that_overlap_meet_in_their_common_circle():
    """Radius 15 mm, centres 25 mm apart: the circle where they cut has the radius sqrt(15^2 - 12.5^2)."""
    found = waist(chamber(TWO_BALLS).wall)
    assert found is not None
    assert found.diameter == pytest.approx(2e-3 * np.sqrt(15**2 - 12.5**2), rel=0.01)
    assert found.along == pytest.approx(0.0275, abs=3e-4)


@pytest.mark.parametrize("wall", [EggWall(0.09, 0.03, 0.04), TubeWall(0.09, 0.03), BoxWall(0.06, 0.04, 0.03, 0.0)])
def test_what_only_swells_has_no_waist(wall):
    assert waist(wall) is None


def test_a_tube_is_as_wide_as_its_bore_at_a_hole_in_its_side():
    tube = chamber(TUBE)
    assert width_at(tube.wall, tube.openings[0]) == pytest.approx(0.03, rel=1e-3)
