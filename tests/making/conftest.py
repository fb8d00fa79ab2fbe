"""Designs of our own invention for the sheets."""

import pytest

from simkit.body import body_of
from simkit.vessel import loads

LOPSIDED = """
title = "Lopsided heron"
[clay]
wall_mm = 4
drying_percent = 5
firing_percent = 6
[[chamber]]
name = "body"
shape = "lobes"
lobes = [[30, 0, 0, 60, 44, 36], [34, 16, 4, 26, 24, 20]]
[chamber.voicing]
along_mm = 12
around_deg = 180
window_width_mm = 10
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 22
[[chamber.hole]]
name = "1"
along_mm = 22
around_deg = -40
diameter_mm = 6
[[chamber.hole]]
name = "2"
along_mm = 40
around_deg = -60
diameter_mm = 4.5
[[chamber.note]]
pitch = "A5"
open = []
[[chamber.note]]
pitch = "B5"
open = ["1"]
"""

BALL = """
title = "Ball"
[clay]
wall_mm = 5
shrinkage_percent = {shrinkage}
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 60
[[chamber.hole]]
name = "right"
along_mm = 30
around_deg = 90
diameter_mm = 6
[[chamber.hole]]
name = "slightly left"
along_mm = 30
around_deg = -30
diameter_mm = 8
"""


def ball(shrinkage=10):
    return loads(BALL.format(shrinkage=shrinkage), "ball.toml")


@pytest.fixture(scope="session")
def lopsided():
    vessel = loads(LOPSIDED, "heron.toml")
    return vessel, body_of(vessel)


@pytest.fixture(scope="session")
def round_one():
    vessel = ball()
    return vessel, body_of(vessel)
