"""Strips round a piece and along it, against arcs on balls and tubes."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simkit.body import Body, body_of
from simkit.body.chambers import WINDOW
from simkit.making.paper import Line, Text
from simkit.making.slices import Frame, Outside
from simkit.making.strips import line_strips, place_table, wrap_strip
from simkit.making.wraps import LineStrip, Places, outer_point, places_of
from simkit.vessel import load, loads

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


# --- joined chambers ---

BALLS = """
[clay]
wall_mm = 4
shrinkage_percent = 10
[[chamber]]
name = "big"
shape = "sphere"
diameter_mm = 50
[[chamber.hole]]
name = "up"
along_mm = 25
around_deg = -30
diameter_mm = 6
[[chamber.hole]]
name = "low"
along_mm = 25
around_deg = 150
diameter_mm = 6
[[chamber]]
name = "small"
shape = "sphere"
diameter_mm = 40
offset_mm = [5, 49.5, 0]
"""
R1, R2, APART = 29.0, 24.0, 49.5  # outsides; both centres lie 25 mm along
TERNS = Path(__file__).parents[2] / "studies" / "designs" / "three_terns.toml"


def test_a_strip_ends_where_the_neighbours_clay_begins():
    """Two circles of radii R1, R2 whose centres are d apart meet at cos(phi) = (d^2 + R1^2 - R2^2)/(2 d R1)."""
    _, found = places(BALLS)
    (wrap,) = found.wraps
    phi = math.acos((APART**2 + R1**2 - R2**2) / (2 * APART * R1))
    assert wrap.stretch.neighbours == ("small", "small")
    assert 1e3 * wrap.stretch.start == pytest.approx(R1 * (math.pi / 2 + phi), abs=0.01)
    assert 1e3 * wrap.stretch.length == pytest.approx(R1 * (2 * math.pi - 2 * phi), abs=0.01)
    assert {name for name, _ in wrap.quarters} == {"top", "under", "left"}, "the right one is in the neighbour's clay"
    strip = wrap_strip(wrap, 1e3)
    assert strip.width == pytest.approx(R1 * (2 * math.pi - 2 * phi), abs=0.01), "and there is no end to glue"
    assert [mark.words for mark in strip.marks if isinstance(mark, Text)].count("at the small") == 2
    lines = {(line.line, line.neighbours): line.length for line in found.lines}
    # From the mouth tip to the neighbour: a quarter of the way round less phi.
    assert 1e3 * lines["right", ("", "small")] == pytest.approx(R1 * (math.pi / 2 - phi), abs=0.02)
    assert 1e3 * lines["top", ("", "")] == pytest.approx(R1 * math.pi, abs=0.02)


def test_places_are_told_left_and_right_of_the_nearest_line():
    _, found = places(BALLS)
    around = {reach.opening.name: 1e3 * reach.around for reach in found.reaches}
    assert around == pytest.approx({"up": -R1 * math.pi / 6, "low": R1 * math.pi * 5 / 6}, abs=0.01)
    words = [mark.words for mark in place_table(found, 1e3).marks if isinstance(mark, Text)]
    sixth = f"{R1 * math.pi / 6:.1f}"
    assert f"{sixth} left" in words and f"{sixth} right" in words and "under" in words


def test_a_tip_in_a_neighbours_clay_is_out_of_the_dividers_reach():
    body, found = places(BALLS.replace("[5, 49.5, 0]", "[54.5, 0, 0]"))
    assert body.chambers[1].name == "small"
    for reach in found.reaches:
        assert reach.from_far is None and 1e3 * reach.from_mouth == pytest.approx(R1 * math.sqrt(2), abs=0.01)
    assert {line.neighbours for line in found.lines} == {("", "small")}


@pytest.mark.parametrize("name", [*(pytest.param(n, marks=pytest.mark.slow) for n in ("body", "wing")), "tail"])
def test_joined_or_alone_a_chamber_of_the_terns_has_the_same_places_and_they_are_found_on_the_solid(name):
    """The way from the top line is walked anew, ray by ray, on the outside of all the clay."""
    joined = body_of(load(TERNS))
    chamber = next(each for each in joined.chambers if each.name == name)
    found = places_of(joined, chamber)
    alone = places_of(replace(joined, chambers=(chamber,)), chamber)
    for one, other in zip(found.reaches, alone.reaches, strict=True):
        gaps = [1e3 * (getattr(one, key) - getattr(other, key)) for key in ("around", "from_mouth", "from_far")]
        assert max(map(abs, gaps)) < 1e-6
    free = {wrap.letter for wrap in alone.wraps}
    assert free <= {wrap.letter for wrap in found.wraps}
    for reach in found.reaches:
        wrap, spot = found.where(reach.opening)
        walked, ended = _walk(joined, chamber, wrap.along, spot)
        assert 1e3 * walked == pytest.approx(1e3 * abs(spot.beside), abs=0.05)
        assert 1e3 * np.linalg.norm(ended - outer_point(joined, reach.opening)) < 0.3


def _walk(body: Body, chamber, along: float, spot) -> tuple[float, np.ndarray]:
    """How long the way is on the outside of the clay from a line to an opening, and where it ends, m."""
    frame = Frame.of(chamber.wall)
    _, across, up = frame.coordinates(outer_point(body, spot.opening))[0]
    toward = math.atan2(across, up)
    start = {"top": 0.0, "under": math.copysign(math.pi, toward)}[spot.line]
    turns = np.linspace(start, toward, 51)
    rays = np.sin(turns)[:, None] * frame.right + np.cos(turns)[:, None] * frame.up
    axis = frame.origin + along * frame.along
    outside = Outside(body)
    near = np.linspace(1e-3, 0.12, 80)
    level = outside.side((axis + near[:, None, None] * rays).reshape(-1, 3)).reshape(len(near), -1)
    first = np.argmax(level > 0, axis=0)  # from the axis on, where the clay first ends
    low, high = near[first - 1], near[first]
    for _ in range(20):
        middle = (low + high) / 2
        out = outside.side(axis + middle[:, None] * rays) > 0
        low, high = np.where(out, low, middle), np.where(out, middle, high)
    points = axis + high[:, None] * rays
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum()), points[-1]
