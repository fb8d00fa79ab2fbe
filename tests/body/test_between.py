"""The clay between two chambers: against distances that elementary geometry gives."""

import numpy as np
import pytest

from simkit.body.between import between, boxes_apart
from simkit.body.inspection import inspect
from simkit.body.walls.formulas import BoxWall, EggWall, TubeWall
from simkit.body.walls.placed import PlacedWall
from simkit.vessel import loads

MM = 1e-3


def ball(diameter_mm, place_mm=(0, 0, 0)):
    """A ball whose mouth end is at `place_mm` (across, along, up)."""
    d = diameter_mm * MM
    return PlacedWall(EggWall(d, d, d), tuple(MM * v for v in place_mm), 0.0)


@pytest.mark.parametrize("away_mm", [(50, 0, 0), (30, 40, 10), (0, -55, 5)])
def test_two_balls_leave_the_distance_of_their_centres_less_both_radii(away_mm):
    # The middles lie half a diameter along from each zero.
    apart = np.linalg.norm(np.array(away_mm) + [0, 15 - 20, 0])
    found = between(ball(40), ball(30, away_mm))
    assert 1e3 * found.thickness == pytest.approx(apart - 20 - 15, abs=1e-4)


def test_a_ball_before_a_box_s_flat_side_and_a_tube_s_flat_end():
    box = BoxWall(40 * MM, 60 * MM, 30 * MM, 0.0)
    assert 1e3 * between(ball(20, (35, 20, 0)), box).thickness == pytest.approx(35 - 10 - 20, abs=1e-3)
    tube = TubeWall(50 * MM, 24 * MM, False)
    assert 1e3 * between(tube, ball(20, (2, 54, 1))).thickness == pytest.approx(4, abs=1e-3)


def test_chambers_that_overlap_say_by_how_much_and_where():
    found = between(ball(40), ball(40, (30, 0, 0)))
    assert 1e3 * found.thickness == pytest.approx(-10, abs=0.05)
    assert 1e3 * found.place == pytest.approx([10, 20, 0], abs=1) or 1e3 * found.place == pytest.approx(
        [20, 20, 0], abs=1
    )


def test_a_chamber_within_another_is_seen():
    assert between(ball(60), ball(20, (0, 20, 0))).thickness < -0.015


def test_boxes_are_no_farther_apart_than_what_is_in_them():
    """Two balls in line are as far apart as their boxes, askew farther; boxes that meet say nothing."""
    assert boxes_apart(ball(40), ball(30, (50, 5, 0))) == pytest.approx(
        between(ball(40), ball(30, (50, 5, 0))).thickness
    )
    askew = ball(40), ball(30, (40, 40, 30))
    assert 0 < boxes_apart(*askew) < between(*askew).thickness
    assert boxes_apart(ball(60), ball(20, (0, 20, 0))) == 0


def test_a_row_of_many_chambers_is_one_piece_and_only_neighbours_are_held_against_each_other():
    """Of twenty balls each has two neighbours at most: 19 pairs, of 190."""
    ball_at = '[[chamber]]\nname = "c{n}"\nshape = "sphere"\ndiameter_mm = 40\noffset_mm = [0, {across}, 0]\n'
    row = "clay.wall_mm = 4\n" + "".join(ball_at.format(n=n, across=45 * n) for n in range(20))
    between.cache_clear()
    assert inspect(loads(row)) == []
    assert between.cache_info().misses <= 19 + 19
    gap = inspect(loads(row.replace("offset_mm = [0, 855, 0]", "offset_mm = [0, 860, 0]")))
    assert [fault.key for fault in gap] == ["c19.offset_mm"] and "10.00 mm between them" in gap[0].allowed


TWO = """
[clay]
wall_mm = 4
{clay}
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 50
[chamber.voicing]
along_mm = 12
around_deg = 180
breath_toward_deg = {toward}
window_width_mm = 9
cut_up_mm = 4
windway_height_mm = 1.2
windway_length_mm = 40
[[chamber.hole]]
name = "1"
along_mm = 25
around_deg = {around}
diameter_mm = 6
[[chamber]]
name = "tail"
shape = "sphere"
diameter_mm = 30
offset_mm = [10, {across}, {up}]
"""


def faults(across=45, up=0, clay="", around=0, toward=0):
    text = TWO.format(across=across, up=up, clay=clay, around=around, toward=toward)
    return [str(fault) for fault in inspect(loads(text))]


def test_a_sound_pair_has_no_faults():
    assert faults() == []


def test_a_wall_between_that_is_too_thin_is_refused_with_place_and_amount():
    (said,) = faults(across=42.6)
    assert "tail.offset_mm" in said and "only 2.60 mm are left" in said and "clay.wall_mm" in said
    assert "along 25.0, across 26.3, up 0.0 mm" in said and "move it 1.40 mm away" in said
    assert faults(across=42.5, clay="between_mm = 2.5") == []
    (said,) = faults(across=45, clay="between_mm = 6")
    assert "at least 6 mm of clay (clay.between_mm)" in said


def test_chambers_whose_clay_does_not_join_are_refused():
    assert faults(across=47) == []
    (said,) = faults(across=52)
    assert "nearer to body: with 12.00 mm between them" in said and "move it 4.40 mm nearer" in said


def test_chambers_that_overlap_are_refused():
    (said,) = faults(across=30)
    assert "they overlap by 10.0" in said and "move it 14.0" in said


def test_a_hole_that_would_come_out_in_the_clay_of_another_chamber_is_refused():
    said = faults(across=45, around=75)
    assert len(said) == 1 and "body.hole.1.around_deg" in said[0] and "deep in the clay around tail" in said[0]
    assert faults(across=45, around=-75) == []


def test_a_windway_through_another_chamber_is_refused():
    assert faults(across=-43, up=-17) == []
    said = faults(across=-43, up=-17, toward=90)
    assert any("windway beside tail" in each for each in said)
