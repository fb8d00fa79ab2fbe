"""Designs that clay cannot follow are refused, every fault at once, in the words of the file."""

import numpy as np
import pytest

from simkit.body import body_of, inspect
from simkit.vessel import DesignError, loads

DESIGN = """
[clay]
wall_mm = 5
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 96
width_mm = 62
height_mm = 50
[chamber.voicing]
along_mm = 20
around_deg = 180
window_width_mm = 12
cut_up_mm = 5.5
windway_height_mm = 1.4
windway_length_mm = 30
[[chamber.hole]]
name = "1"
along_mm = 40
around_deg = -25
diameter_mm = 6
[[chamber.hole]]
name = "2"
along_mm = 56
around_deg = 25
diameter_mm = 8
wall_mm = 3
edge_radius_mm = 0.5
"""


def faults(**changes):
    vessel = loads(DESIGN, "dove.toml").with_values({key.replace("__", "."): value for key, value in changes.items()})
    return [str(f) for f in inspect(vessel)]


def test_a_sound_design_gives_its_body():
    body = body_of(loads(DESIGN, "dove.toml"))
    (chamber,) = body.chambers
    one, two = chamber.openings
    assert chamber.window.title == "the window" and chamber.window.center[2] < 0
    assert chamber.window.forward @ [0, 1, 0] > 0.8 and chamber.window.across @ chamber.window.axis == pytest.approx(0)
    assert (one.length, one.rim, two.length, two.rim, two.radius) == pytest.approx((5e-3, 3e-4, 3e-3, 5e-4, 4e-3))
    assert one.center[0] < 0 < two.center[0]  # negative angles to the left, positive to the right
    assert np.linalg.norm(two.axis) == pytest.approx(1)


def test_a_hole_may_look_out_of_the_tip():
    """The neck of a bottle: cut square to the wall, along the axis, just where the middle line ends."""
    vessel = loads(DESIGN, "dove.toml").with_value("body.hole.2.along_mm", 95.9999)
    tip = body_of(vessel).chambers[0].openings[1]
    assert tip.axis == pytest.approx([0, 1, 0], abs=0.01)
    assert tip.across @ tip.axis == pytest.approx(0, abs=1e-12)
    assert np.linalg.norm(tip.across) == pytest.approx(1)


def test_a_hole_beyond_the_end_is_named():
    (fault,) = faults(**{"body.hole.2.along_mm": 120})
    assert fault.startswith("dove.toml: body.hole.2.along_mm = 120") and "between 0 and 96" in fault


def test_holes_that_meet_say_by_how_much():
    (fault,) = faults(**{"body.hole.2.along_mm": 42, "body.hole.2.around_deg": -20})
    assert "body.hole.2.along_mm = 42" in fault and "body.hole.1: they meet" in fault


def test_a_hole_in_the_window_is_refused():
    (fault,) = faults(**{"body.hole.1.along_mm": 20, "body.hole.1.around_deg": 178})
    assert "body.voicing: they meet" in fault


def test_a_hole_as_wide_as_the_chamber_is_refused():
    small = {"body.hole.2.along_mm": 90, "body.hole.2.diameter_mm": 0.5, "body.voicing.along_mm": 5}
    (fault,) = faults(**small, **{"body.hole.1.diameter_mm": 70, "body.voicing.window_width_mm": 2})
    assert "body.hole.1.diameter_mm = 70" in fault


def test_every_fault_is_listed_at_once():
    with pytest.raises(DesignError) as raised:
        body_of(loads(DESIGN, "d.toml").with_values({"body.hole.1.along_mm": -3, "body.hole.2.along_mm": 99}))
    assert len(raised.value.faults) == 2


def test_a_wall_thicker_than_the_waist_is_tight_is_refused():
    text = """
    clay.wall_mm = 16
    [[chamber]]
    name = "waist"
    shape = "sections"
    sections = [[0, 40, 40, 0, 2], [20, 20, 20, 0, 2], [40, 40, 40, 0, 2]]
    """
    (fault,) = [str(f) for f in inspect(loads(text, "w.toml"))]
    assert "clay.wall_mm = 16" in fault and "outside meets itself" in fault


def test_lobes_that_do_not_hang_together_are_no_chamber():
    text = """
    clay.wall_mm = 4
    [[chamber]]
    name = "pair"
    shape = "lobes"
    lobes = [[20, 0, 0, 40, 40, 40], [70, 0, 0, 40, 40, 40]]
    """
    (fault,) = [str(f) for f in inspect(loads(text, "p.toml"))]
    assert fault == "p.toml: pair.lobes: allowed: rows that overlap into one body; these make 2"
