"""Strips round a piece and along it, against arcs on balls and tubes."""

import math

import numpy as np
import pytest

from simkit.body import body_of
from simkit.body.body import WINDOW
from simkit.making.page import Line
from simkit.making.strips import line_strips, wrap_strip
from simkit.making.wraps import LineStrip, Places, outer_point, places_of
from simkit.vessel import loads

TUBE = """
[clay]
wall_mm = 4
shrinkage_percent = 10
[[chamber]]
name = "body"
shape = "tube"
length_mm = 80
diameter_mm = 40
{voicing}
[[chamber.hole]]
name = "a"
along_mm = 30
around_deg = 30
diameter_mm = 6
[[chamber.hole]]
name = "b"
along_mm = 30
around_deg = -90
diameter_mm = 6
[[chamber.hole]]
name = "c"
along_mm = 50
around_deg = 181
diameter_mm = 6
"""
VOICING = """
[chamber.voicing]
along_mm = 12
around_deg = 180
breath_toward_deg = {way}
window_width_mm = 10
cut_up_mm = 4
windway_height_mm = 1.2
windway_length_mm = 20
"""


def places(text):
    body = body_of(loads(text))
    return body, places_of(body, body.chambers[0])


def spot(found, name):
    return next((wrap, spot) for wrap in found.wraps for spot in wrap.spots if spot.opening.name == name)


def test_a_tube_is_wrapped_in_circles_of_its_outside():
    """Outside radius 24 mm; to the right of the top is ahead, so 30 degrees is a twelfth of the way round."""
    _, found = places(TUBE.format(voicing=""))
    assert [wrap.letter for wrap in found.wraps] == ["A", "B"]
    girth = 2 * math.pi * 0.024
    for name, along, share in (("a", 0.030, 30 / 360), ("b", 0.030, 270 / 360), ("c", 0.050, 181 / 360)):
        wrap, mark = spot(found, name)
        assert wrap.along == pytest.approx(along, abs=1e-9)
        assert wrap.girth == pytest.approx(girth, rel=1e-4)
        assert mark.around == pytest.approx(share * girth, abs=2e-5)
        assert dict(wrap.quarters) == pytest.approx(
            {"top": 0, "right": girth / 4, "under": girth / 2, "left": 3 * girth / 4}, abs=2e-5
        )


def test_a_tube_is_lined_from_the_middle_of_one_end_to_the_other():
    """Outside: up the end 20 mm, round a quarter of 4 mm, along; then the same at the far end."""
    _, found = places(TUBE.format(voicing=""))
    for strip in found.lines:
        corner = 0.020 + math.pi / 2 * 0.004
        assert strip.length == pytest.approx(0.080 + 2 * corner, abs=3e-5)
        assert dict(strip.marks) == pytest.approx({"A": corner + 0.030, "B": corner + 0.050}, abs=3e-5)


def test_a_ball_is_wrapped_where_its_holes_come_out(round_one):
    """Holes of a ball point away from its centre: both come out in the plane through it, on a great circle."""
    _, body = round_one
    found = places_of(body, body.chambers[0])
    (wrap,) = found.wraps
    assert wrap.girth == pytest.approx(2 * math.pi * 0.035, rel=1e-4)
    around = {mark.opening.name: mark.around / 0.035 for mark in wrap.spots}
    assert around == pytest.approx({"right": math.pi / 2, "slightly left": 2 * math.pi - math.pi / 6}, abs=1e-3)
    for strip in found.lines:
        assert strip.length == pytest.approx(math.pi * 0.035, rel=1e-4)
        assert dict(strip.marks)["A"] == pytest.approx(math.pi / 2 * 0.035, rel=1e-4)


def test_dividers_are_set_to_straight_lines(round_one):
    """A point on the equator is sqrt(2) R from either pole."""
    _, body = round_one
    for reach in places_of(body, body.chambers[0]).reaches:
        assert (reach.from_mouth, reach.from_far) == pytest.approx((0.035 * math.sqrt(2),) * 2, abs=5e-6)


@pytest.mark.parametrize(("way", "turn"), [(0, 0), (90, -90), (180, 180), (30, -30)])
def test_a_window_is_turned_as_it_is_seen_from_outside(way, turn):
    """Underneath, the breath that runs to the right of the piece runs to the left of a strip's printed side."""
    _, found = places(TUBE.format(voicing=VOICING.format(way=way)))
    _, mark = spot(found, WINDOW)
    assert abs((math.degrees(mark.turn) - turn + 180) % 360 - 180) < 0.01


def test_every_opening_lies_on_its_strip(lopsided):
    _, body = lopsided
    (chamber,) = body.chambers
    found = places_of(body, chamber)
    assert {mark.opening.title for wrap in found.wraps for mark in wrap.spots} == {"the window", "hole 1", "hole 2"}
    for wrap in found.wraps:
        for mark in wrap.spots:
            assert outer_point(body, mark.opening)[1] == pytest.approx(wrap.along, abs=1e-4)
            assert 0 <= mark.around < wrap.girth


def test_a_lopsided_piece_is_not_mirrored_on_its_strips(lopsided):
    """The bump is on the right: the way from top to under is longer round the right, and so is that line."""
    _, body = lopsided
    found = places_of(body, body.chambers[0])
    wrap, mark = spot(found, "2")
    quarters = dict(wrap.quarters)
    assert quarters["under"] > wrap.girth - quarters["under"] + 0.002
    assert mark.around > quarters["left"], "hole 2 is on the left, between the left line and the top"
    lengths = {strip.line: strip.length for strip in found.lines}
    assert lengths["right"] > lengths["left"] + 0.001


def test_strips_are_drawn_to_the_size_of_the_clay():
    _, found = places(TUBE.format(voicing=""))
    size = 1 / 0.94
    strip = wrap_strip(found.wraps[0], 1e3 * size)
    (outline,) = (mark for mark in strip.marks if getattr(mark, "name", "") == "strip A")
    x = [point[0] for point in outline.points]
    assert max(x) - min(x) == pytest.approx(2 * math.pi * 24 * size, rel=1e-4)
    holes = {mark.name: mark for mark in strip.marks if getattr(mark, "name", "").startswith("hole")}
    width = np.ptp([point[0] for point in holes["hole a"].points])
    assert width == pytest.approx(6 * size, rel=2e-3)
    between = np.mean([p[0] for p in holes["hole a"].points]) - np.mean([p[0] for p in holes["hole b"].points])
    assert abs(between) == pytest.approx(120 / 360 * 2 * math.pi * 24 * size, rel=1e-3)


def test_lines_that_are_alike_share_a_strip(lopsided):
    _, found = places(TUBE.format(voicing=""))
    assert [d.name for d in line_strips(found, 1000)] == ["line top, right, under, left"]
    _, body = lopsided
    names = [d.name for d in line_strips(places_of(body, body.chambers[0]), 1000)]
    assert "line right" in names and "line left" in names


def test_a_plain_chamber_has_no_strips():
    _, found = places('[clay]\nwall_mm = 4\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50')
    assert not found.wraps and not found.lines


@pytest.mark.parametrize("runs", [(0.0300, 0.0311), (0.0300, 0.0306, 0.0312, 0.0330), (0.030, 0.050)])
def test_letters_and_figures_of_marks_close_together_stand_apart(runs):
    """A letter of 3 mm and its figure need some 3.5 mm; the marks themselves stay where they are."""
    marks = tuple(zip("ABCD", runs, strict=False))
    (strip,) = line_strips(Places((), (LineStrip("top", 0.1, marks),), ()), 1000)
    texts = [mark for mark in strip.marks if not isinstance(mark, Line)]
    for kind in (
        [text.at[0] for text in texts if text.words in dict(marks)],
        [text.at[0] for text in texts if text.turn_deg],
    ):
        assert len(kind) == len(runs) and min(np.diff(sorted(kind))) > 3.5
    for letter, run in marks:
        (line,) = (mark for mark in strip.marks if getattr(mark, "name", "") == f"mark {letter}")
        assert line.points[0] == pytest.approx((1000 * run, 0))
