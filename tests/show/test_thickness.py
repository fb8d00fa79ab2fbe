"""The map of a figure's clay: thickness and extremes against balls in balls, and where they stand on paper."""

import numpy as np
import pytest
from matplotlib.text import Text

from simkit.body import body_of
from simkit.show.look import page
from simkit.show.thickness import thickness_map, thickness_of
from simkit.vessel import loads

BALLS = """
clay.wall_mm = 3
[outside]
shape = "sphere"
diameter_mm = 60
offset_mm = [-8, 2, 1]
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 40
"""
OFF = np.array([2.0, 2.0, 1.0])  # of the outer ball's middle, at along -8 + 30, from the inner one's, mm


def test_the_clay_between_two_balls_is_as_thick_as_their_radii_and_middles_say():
    """A place p of the inner ball is R - |p - C| from the outer one's surface, R - r - |C| at least, + |C| at most.

    The clay is thickest on the side to which the outer ball is shifted.
    """
    found = thickness_of(body_of(loads(BALLS)))
    away = 30 - np.linalg.norm(1e3 * found.places - ([0, 20, 0] + OFF), axis=1)
    # The outside's points lie 1.6 mm apart at most: the nearest 1.1 mm beside the foot, 1.1^2/(2 * 7) too far away.
    assert 1e3 * found.clay == pytest.approx(away, abs=0.1)
    far = np.linalg.norm(OFF)
    assert 1e3 * found.thinnest[0] == pytest.approx(10 - far, abs=0.02)
    assert 1e3 * found.thinnest[1] == pytest.approx([0, 20, 0] - 20 * OFF / far, abs=2.5)
    assert 1e3 * found.thickest[0] == pytest.approx(10 + far, abs=0.05)


def test_both_extremes_stand_on_the_map_with_their_amounts():
    panel = thickness_map(body_of(loads(BALLS)))
    figure = page(panel)
    words = [text.get_text() for text in figure.findobj(Text)]
    assert words.count("7.0 mm") == 2 and words.count("13.0") == 2
    assert any("Thinnest 7.0 mm" in each for each in words)
    even = BALLS[: BALLS.index("[outside]")] + BALLS[BALLS.index("[[chamber]]") :]
    assert thickness_map(body_of(loads(even))) is None
