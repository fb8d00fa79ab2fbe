"""The voicing on paper: sticks, window and slope at the size of the stage."""

import math
from dataclasses import replace

import numpy as np
import pytest

from simkit.body import body_of
from simkit.making.paper import Line, width_of
from simkit.making.sticks import outside_cuts, window_stick, windway_stick
from simkit.making.voicing import detail, plan_of, section
from simkit.vessel import Mouthpiece, loads

BOX = """
[clay]
wall_mm = 5
[[chamber]]
name = "body"
shape = "box"
length_mm = 80
width_mm = 60
height_mm = 40
[chamber.voicing]
along_mm = 30
around_deg = 180
window_width_mm = 12
cut_up_mm = 5.5
windway_height_mm = 1.4
windway_length_mm = 32
edge_deg = {edge}
edge_offset_mm = {offset}
"""
SIZE = 1 / 0.93


def sharp(edge, nose=0.3):
    """Where a wedge's tip is whose rounding by a circle, tangent to both sides, begins at the cut-up."""
    half = math.radians(edge) / 2
    center = nose / math.sin(half) * math.cos(half)  # along the inner face, from the tip
    return (5.5 - (center - nose)) * SIZE


def plan(edge=45, offset=0.0):
    vessel = loads(BOX.format(edge=edge, offset=offset))
    body = body_of(vessel)
    return plan_of(body, body.chambers[0], vessel.chambers[0].voicing, SIZE)


def test_the_section_leaves_the_clay_under_the_windway_that_the_design_counts_with():
    """A mouthpiece's floor, else 1.5 mm fired: common practice, no source."""
    vessel = loads(BOX.format(edge=45, offset=0.0))
    body = body_of(vessel)
    for piece, under in ((None, 1.5), (Mouthpiece(floor_mm=3), 3.0)):
        found = plan_of(body, body.chambers[0], vessel.chambers[0].voicing, SIZE, piece)
        assert np.ptp(line(section(found), "clay under the windway")[:, 1]) == pytest.approx(under * SIZE, abs=1e-3)


def line(drawing, name):
    return np.array(next(m for m in drawing.marks if isinstance(m, Line) and m.name == name).points)


def test_the_windways_stick_is_the_windway_at_the_stage_of_cutting():
    drawing = windway_stick(plan())
    assert np.ptp(line(drawing, "windway stick, end"), axis=0) == pytest.approx([12 * SIZE, 1.4 * SIZE], abs=1e-3)
    whole, thick = np.ptp(line(drawing, "windway stick, height"), axis=0)
    assert thick == pytest.approx(1.4 * SIZE, abs=1e-3) and whole > 32 * SIZE


@pytest.mark.parametrize("edge", [30, 45, 60, 90])
def test_the_windows_stick_has_the_cut_for_its_nose_and_the_edges_slope(edge):
    side = line(window_stick(plan(edge)), "window stick, side")
    nose = side[1, 0] - side[0, 0]
    assert nose == pytest.approx(sharp(edge), abs=1e-3)
    rise, run = side[3, 1] - side[2, 1], side[3, 0] - side[2, 0]
    assert run == pytest.approx(5 * SIZE / math.tan(math.radians(edge)), abs=0.05)
    if edge < 90:
        assert math.degrees(math.atan2(rise, run)) == pytest.approx(edge, abs=0.1)
    assert rise == pytest.approx(5 * SIZE, abs=0.05), "the slope's upper corner comes level with the outside"


@pytest.mark.parametrize("edge", [30, 45, 60])
def test_the_section_shows_the_edge_at_the_inner_face_and_its_slope(edge):
    found = plan(edge)
    slope = line(section(found), "slope")
    rise, run = slope[1, 1] - slope[0, 1], slope[1, 0] - slope[0, 0]
    assert math.degrees(math.atan2(rise, run)) == pytest.approx(edge, abs=0.1)
    assert rise == pytest.approx(5 * SIZE, abs=0.05)
    assert found.edge == pytest.approx((sharp(edge) - 5.5 * SIZE / 2, 0.0), abs=1e-6)
    assert found.sharp <= found.cut_up == pytest.approx(5.5 * SIZE)


def test_an_offset_edge_lies_below_the_middle_of_the_windway():
    assert plan(offset=0.0).middle == pytest.approx(0.0, abs=1e-6)
    assert plan(offset=0.3).middle == pytest.approx(0.3 * SIZE, abs=1e-6)


def test_the_window_from_outside_is_the_cut_and_the_slope_long():
    drawing = outside_cuts(plan())
    assert np.ptp(line(drawing, "window"), axis=0) == pytest.approx([12 * SIZE, sharp(45)], abs=1e-3)
    assert np.ptp(line(drawing, "window outside"), axis=0) == pytest.approx([12 * SIZE, sharp(45) + 5 * SIZE], abs=0.05)


def test_the_enlarged_detail_says_that_it_is_enlarged():
    words = [mark.words for mark in detail(plan()).marks if not isinstance(mark, Line)]
    assert any("4 : 1" in w and "not to measure" in w for w in words)


@pytest.mark.parametrize("draw", [section, detail])
def test_the_section_says_which_side_is_inside_and_which_way_the_breath_goes(draw):
    marks = draw(plan()).marks
    height = {mark.words: mark.at[1] for mark in marks if not isinstance(mark, Line)}
    assert "breath →" in height
    slope = [p[1] for mark in marks if isinstance(mark, Line) and mark.fill for p in mark.points]
    assert height["inside"] < height["outside"]
    assert height["inside"] < max(slope)


@pytest.mark.parametrize("slope", [12.0, -8.0])
def test_a_windway_that_slopes_is_drawn_so_and_its_stick_ends_upright_at_the_window(slope):
    vessel = loads(BOX.format(edge=45, offset=0.1) + f"windway_slope_deg = {slope}")
    body = body_of(vessel)
    found = plan_of(body, body.chambers[0], vessel.chambers[0].voicing, SIZE)
    steep = math.radians(slope)
    assert found.middle == pytest.approx((0.1 + 5.5 * math.tan(steep)) * SIZE, abs=1e-6)
    clay = line(section(found), "mouthpiece")
    run, rise = clay[1] - clay[0]
    assert math.hypot(run, rise) == pytest.approx(32 * SIZE, abs=1e-3)
    assert math.degrees(math.atan2(-rise, run)) == pytest.approx(slope, abs=0.01)
    drawing = windway_stick(found)
    x, y = line(drawing, "windway stick, height").T
    tip = np.argsort(x)[:2]
    assert abs(np.diff(x[tip])[0]) == pytest.approx(1.4 * SIZE * math.tan(abs(steep)), abs=1e-3)
    # The one that reaches farther is the lower where it comes down.
    assert np.sign(np.diff(y[tip])[0]) == np.sign(slope)
    words = [mark.words for mark in (*drawing.marks, *detail(found).marks) if not isinstance(mark, Line)]
    assert sum(f"{'down' if slope > 0 else 'up'} at {abs(slope):g}°" in said for said in words) == 2


def test_the_windways_stick_has_its_taper():
    """Its tip as the exit, from there evenly to the lips, whose size the grip keeps."""
    even = plan()
    drawing = windway_stick(replace(even, lips=(even.width + 4.0, even.height + 1.0)))
    for name, tip, more in (("width", even.width, 4.0), ("height", even.height, 1.0)):
        x, y = line(drawing, f"windway stick, {name}").T
        assert np.ptp(y[x == 0]) == pytest.approx(tip, abs=1e-3)
        assert np.ptp(y[x == x.max()]) == pytest.approx(tip + more, abs=1e-3)
        assert x.max() > even.length
    words = [mark for mark in drawing.marks if not isinstance(mark, Line)]
    assert max(mark.at[0] + width_of(mark.words, mark.size) for mark in words) < drawing.width
