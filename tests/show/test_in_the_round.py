"""The piece in the round and cut open: what shows where, by places that are known."""

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from simkit.body import body_of
from simkit.show import look
from simkit.show.in_the_round import cut_open, shaded
from simkit.show.shading import Eye
from simkit.vessel import loads

BALL = """
clay.wall_mm = 5
[outside]
shape = "sphere"
diameter_mm = 64
offset_mm = [-7, 0, 0]
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 50
[chamber.voicing]
along_mm = 25
around_deg = 0
window_width_mm = 12
cut_up_mm = 6
windway_height_mm = 2
windway_length_mm = 45
[chamber.mouthpiece]
floor_mm = 3
[[chamber.hole]]
name = "1"
along_mm = 25
around_deg = 90
diameter_mm = 14
"""


@pytest.fixture(scope="module")
def piece():
    vessel = loads(BALL)
    return vessel, body_of(vessel)


def share(picture, color):
    """How many pixels of a picture are of one colour."""
    return float((np.abs(picture - to_rgb(color)).max(axis=2) < 0.02).mean())


def test_what_is_nearest_shows(piece):
    """From the right the hole, as a disc of its share of the ball's; from the left nothing of it."""
    right, left = (shaded(*piece, Eye("", (x, 0.0, 1e-6)), 300) for x in (1.0, -1.0))
    dark = [(picture.max(axis=2) < 0.35) & (picture.max(axis=2) > 0.2) for picture in (right, left)]
    assert dark[0].sum() > 4 * dark[1].sum()
    height = right.shape[0] - 20
    about = np.pi / 4 * (14 / 64 * height) ** 2
    assert dark[0].sum() - dark[1].sum() == pytest.approx(about, rel=0.25)


def test_the_cut_has_the_air_and_the_clay_in_their_shares(piece):
    """Discs of 50 and 64 mm: the air's area to the clay's as theirs, but for mouthpiece, window and windway."""
    picture = cut_open(*piece, piece[1].chambers[0], 300)
    air, clay = share(picture, look.AIR), share(picture, look.CLAY_CUT)
    assert 0.75 < (clay / air) / (64**2 / 50**2 - 1) < 1.15
