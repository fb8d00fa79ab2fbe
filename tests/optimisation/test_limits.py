"""What clay and hands allow, in millimetres that can be measured on the piece."""

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.body.clay import FIRED_G_PER_ML
from simkit.optimisation import optimise
from simkit.optimisation.aims.intune import InTune
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.trial import Setting, drawn
from simkit.optimisation.reasons import would_meet
from simkit.optimisation.search.descent import Task
from simkit.vessel.hands import SEALED

# A ball of 60 mm with three holes of 6 mm on its equator, seen from above: at -20, 20 and 180 degrees.
BALL = """
clay.wall_mm = 4
[[chamber]]
name = "ball"
shape = "sphere"
diameter_mm = 60
[chamber.voicing]
along_mm = 30
around_deg = 90
window_width_mm = 10
cut_up_mm = 5
windway_height_mm = 1
windway_length_mm = 20
[[chamber.hole]]
name = "a"
along_mm = 30
around_deg = -20
diameter_mm = 6
finger = "left index"
[[chamber.hole]]
name = "b"
along_mm = 30
around_deg = 20
diameter_mm = 6
finger = "left middle"
[[chamber.hole]]
name = "t"
along_mm = 30
around_deg = 180
diameter_mm = 6
finger = "left thumb"
[hand]
"""


def rooms(text, limits=None):
    return rooms_of(simkit.loads(text, "ball.toml"), limits)


def rooms_of(vessel, limits=None):
    limits, body = limits or Limits(), drawn(vessel)
    left, rows = limits.left(vessel, body), limits.rows(vessel, body)
    assert len(left) == len(rows)
    return {row.what: room for row, room in zip(rows, left, strict=True)}


def test_clay_between_holes_is_the_chord_less_the_radii():
    found = rooms(BALL)
    assert found["clay between hole a and hole b"] == pytest.approx(60 * np.sin(np.deg2rad(20)) - 6 - 3)
    assert found["clay between hole a and hole b outside"] == pytest.approx(68 * np.sin(np.deg2rad(20)) - 6 - 3)


def test_clay_beside_the_window():
    found = rooms(BALL)
    # Hole b is 70 degrees from the window's middle; the window's cut-up runs along, its width towards the hole.
    assert found["clay between the window and hole b"] == pytest.approx(60 * np.sin(np.deg2rad(35)) - 5 - 3 - 5, abs=2)


def test_hand_limits_apply_only_where_written():
    assert not any("middle to middle" in what or "hand" in what for what in rooms(BALL))
    found = rooms(BALL + "spacing_mm = 20\nspan_mm = 50")
    assert found["hole a to hole b, middle to middle"] == pytest.approx(68 * np.sin(np.deg2rad(20)) - 20)
    assert found["hole a to hole t, left hand"] == pytest.approx(50 - 68 * np.sin(np.deg2rad(80)))


def test_one_finger_may_cover_two_holes_however_near():
    one = BALL.replace("left middle", "left index") + "spacing_mm = 20"
    assert "hole a to hole b, middle to middle" not in rooms(one)


def test_a_thumb_hole_is_underneath():
    assert rooms(BALL)["hole t"] == pytest.approx(5.0)
    assert rooms(BALL.replace("around_deg = 180", "around_deg = 150"))["hole t"] > 0
    assert rooms(BALL.replace("around_deg = 180", "around_deg = 100"))["hole t"] < 0


def test_a_finger_that_is_no_thumb_does_not_reach_underneath():
    assert rooms(BALL)["hole a"] == pytest.approx(10 * (0.5 + np.cos(np.deg2rad(20))))
    beneath = rooms(BALL.replace("around_deg = -20", "around_deg = -150"))
    assert beneath["hole a"] == pytest.approx(10 * (0.5 - np.cos(np.deg2rad(30))))


def test_a_hole_keeps_off_the_ends():
    found = rooms(BALL)
    assert found["hole a's distance to the mouth end"] == pytest.approx(27)
    assert found["hole a's distance to the far end"] == pytest.approx(27)


def test_a_hole_is_not_too_wide_for_the_bend_of_the_wall():
    assert rooms(BALL)["hole a's radius"] == pytest.approx(10 * (0.7 - 3 / 30))


@pytest.mark.parametrize(("breath_toward_deg", "radius"), [(0, 15.0), (90, 60.0**2 / (4 * 15.0))])
def test_a_window_is_not_too_wide_for_the_bend_across_it(breath_toward_deg, radius):
    """On top of an ellipsoid of 60 by 30 by 30 mm the wall is bent to b = 15 mm across and to a^2/b = 60 mm along (the
    ellipse's radius of curvature at its flat side)."""
    text = BALL[: BALL.index("[[chamber.hole]]")].replace("around_deg = 90", "around_deg = 0")
    text = text.replace('"sphere"\ndiameter_mm = 60', '"ellipsoid"\nlength_mm = 60\nwidth_mm = 30\nheight_mm = 30')
    text = text.replace("window_width_mm", f"breath_toward_deg = {breath_toward_deg}\nwindow_width_mm")
    room = rooms(text)["half the window's width"]
    assert room / 10 == pytest.approx(0.75 - 5 / radius, abs=1e-6)  # a plain ratio counts as 10 mm


def test_the_whole_piece_fits_its_box():
    found = rooms(BALL, Limits(box_mm=(70, 68, 66)))
    assert found["the piece's size along"] == pytest.approx(2, abs=0.01)
    assert found["the piece's size across"] == pytest.approx(0, abs=0.01)
    assert found["the piece's size up"] == pytest.approx(-2, abs=0.01)


def test_the_cut_up_is_no_more_than_the_width():
    assert rooms(BALL)["the window's cut-up"] == 5


TWO = """
[clay]
wall_mm = 4
[hand]
spacing_mm = 18
span_mm = 60
[[chamber]]
name = "one"
shape = "sphere"
diameter_mm = 50
[[chamber.hole]]
name = "1"
along_mm = 25
around_deg = {around}
diameter_mm = 6
finger = "left index"
[[chamber]]
name = "two"
shape = "sphere"
diameter_mm = 40
offset_mm = [5, {across}, 0]
[[chamber.hole]]
name = "1"
along_mm = 20
around_deg = 20
diameter_mm = 6
finger = "left middle"
"""


def rows_of_two(across=51, around=-20):
    vessel = simkit.loads(TWO.format(across=across, around=around))
    body = drawn(vessel)
    limits = Limits()
    rows, left = limits.rows(vessel, body), limits.left(vessel, body)
    return {str(row): room for row, room in zip(rows, left, strict=True)}


def test_chambers_keep_their_wall_between_and_openings_their_way_out():
    room = rows_of_two()
    # Spheres of 25 and 20 mm whose middles are 51 mm apart: 6 mm of clay, of which 4 are asked.
    assert room["clay between one and two, at least 4 mm"] == pytest.approx(2.0, abs=1e-3)
    # The mouth lies 29 mm from the first middle, its rim 3 mm round it; the clay around the second reaches 24 mm.
    angle = np.deg2rad(60)
    middle, down = 29 * np.array([np.sin(angle), np.cos(angle)]), 3 * np.array([np.cos(angle), -np.sin(angle)])
    free = np.linalg.norm(middle + down - [51, 0]) - 24
    told = rows_of_two(around=60)["the outer mouth of one 1, outside the clay around two"]
    assert told == pytest.approx(free, abs=1e-2)


def test_hands_go_from_chamber_to_chamber():
    """Spacing and span are asked within a chamber, not across: no finger is on two chambers at once."""
    assert not any("[hand]" in words for words in rows_of_two())


def test_the_fired_clay_weighs_what_the_shell_does():
    """Density times the volume between two balls; a room of 10 mm stands for all of what is asked."""
    shell = 4 / 3 * np.pi * (3.4**3 - 3.0**3) * FIRED_G_PER_ML
    found = rooms(BALL, Limits(mass_g=2 * shell))
    assert found["the fired clay"] == pytest.approx(10 * 0.5, rel=0.01)
    vessel = simkit.loads(BALL, "ball.toml")
    row = Limits(mass_g=0.9 * shell).rows(vessel, drawn(vessel))[-1]
    room = Limits(mass_g=0.9 * shell).left(vessel, drawn(vessel))[-1]
    assert float(row.lacks(room).removesuffix(" g")) == pytest.approx(0.1 * shell, rel=0.03)


def test_fingers_keep_off_the_players_face():
    """The windway's 20 mm end in the mouth, which takes in 12 of them (common practice, no source)."""
    found = rooms(BALL + "fingertip_mm = 16\n")
    assert found["hole a from the player's face"] == pytest.approx(2.5 + 20 - 12 - 16 / 2)


def test_holes_keep_off_the_windway():
    """A hole right behind the window lies on it; one on another side of the ball does not."""
    behind = BALL.replace('name = "b"\nalong_mm = 30\naround_deg = 20', 'name = "b"\nalong_mm = 20\naround_deg = 90')
    found = rooms(behind)
    assert found["hole b from the windway"] == pytest.approx(30 - np.sqrt(30**2 - 10**2) - 3)
    assert found["hole a from the windway"] == pytest.approx(30 + 30 * np.sin(np.deg2rad(20)) - 3)


DUMBBELL = """
clay.wall_mm = 4
[[chamber]]
name = "two"
shape = "lobes"
lobes = [[30, 0, 0, 60, 60, 60], [70, 0, 0, 40, 40, 40]]
[[chamber.hole]]
name = "a"
along_mm = {along}
around_deg = 0
diameter_mm = 6
"""


def test_openings_stand_clear_of_seams():
    """Balls of 30 and 20 mm, 40 mm apart: half a radius around the rim of a hole in one, to the other ball's coat."""
    found = rooms(DUMBBELL.format(along=40))
    up = np.arcsin(10 / 30)  # the hole's middle leans so far from straight up
    for lift, side in ((0, "inside"), (4, "outside")):
        middle = (30 + lift) * np.array([np.sin(up), np.cos(up)])
        nearest = middle + 1.5 * 3 * np.array([np.cos(up), -np.sin(up)])
        assert found[f"hole a's rim {side}"] == pytest.approx(np.linalg.norm(nearest - [40, 0]) - 20 - lift, abs=1e-6)
    assert found["hole a's rim outside"] > 0
    # The balls meet 26.25 mm from the middle of the first, by the triangle of radii and distance.
    assert all(rooms(DUMBBELL.format(along=30 + along))["hole a's rim outside"] < 0 for along in (25, 26.2, 26.3, 28))


def test_a_body_without_lobes_has_no_seams():
    assert not any("rim" in what for what in rooms(BALL))


def test_a_box_that_was_asked_for_and_cannot_be_kept_is_missed():
    """Diameters alone mend no size; a limit that nobody asked for only says that the start breaks it."""
    boxed = optimise(
        simkit.loads(BALL.replace("[hand]", f"{NOTE}[hand]"), "ball.toml"),
        "diameters",
        limits=Limits(box_mm=(50.0, 80.0, 80.0)),
    )
    assert not boxed.reached
    assert (
        "broken: the piece's size along, at most 50 mm, by 18.00 mm; nothing that is free can mend it" in boxed.verdict
    )


NOTE = """
[[chamber.note]]
pitch = "F5"
open = ["a"]
"""


@pytest.mark.slow
def test_a_limit_that_what_is_free_cannot_meet_does_not_cost_the_tune(tuned):
    """Holes 1 and 2 some 13 mm apart in a whistle in tune: no diameter and no size sets them 18 mm apart in tune."""
    near = tuned.vessel.with_value("hand.spacing_mm", 18.0)
    found = optimise(near, ["diameters", "size"])
    assert found.worst_cents < 0.5
    assert not found.reached
    (said,) = [text for text in found.broken if text.startswith("hole 1 to hole 2, middle to middle")]
    assert "cannot meet it and keep the notes in tune; holes would" in said
    was, is_ = (rooms_of(vessel)["hole 1 to hole 2, middle to middle"] for vessel in (near, found.vessel))
    assert is_ > was - 0.01


def test_where_nothing_free_moves_a_limit_it_is_said_what_would(tuned):
    found = optimise(tuned.vessel.with_value("hand.spacing_mm", 18.0), "diameters")
    assert found.worst_cents < 0.5
    assert any("nothing that is free can mend it; holes would, freed as well" in text for text in found.start_breaks)


def test_holes_wider_than_a_finger_seals_do_not_cost_the_tune(tuned):
    """Fingertips so narrow that what they seal is 0.8 of the widest hole, which its note wants as it is."""
    widest = max(hole.diameter_mm for hole in tuned.vessel.chambers[0].holes)
    narrow = tuned.vessel.with_value("hand.fingertip_mm", 0.8 * widest / SEALED)
    found = optimise(narrow, "diameters")
    assert found.worst_cents < 0.5
    assert not found.reached
    (said,) = found.broken
    assert f"at most {0.8 * widest:.4g}, what a fingertip of" in said and "cannot meet it" in said
    assert any("starts outside its bounds" in text for text in found.start_breaks)


def test_a_box_that_wants_holes_and_shape_to_move_is_said_to(tuned):
    """A body of 68 mm to be 50, with holes 54 mm along: no shape alone is, for these then lie beyond its end."""
    far = tuned.vessel.with_values({f"body.hole.{name}.along_mm": 54.0 for name in "13"})
    task = Task(freedom(far, ["diameters", "size"]), (InTune(),), Limits(box_mm=(58.0, 90.0, 90.0)), Setting())
    rows = task.limits.rows(far, body_of(far))
    (row,) = (n for n, each in enumerate(rows) if each.what == "the piece's size along")
    assert would_meet(task, row) == "; holes and shape would, freed as well"


def test_a_limit_that_is_left_broken_with_notes_far_off_says_so():
    """Holes 100 mm from the window of a ball of 60 mm whose note is far too low for it: neither can be had."""
    far = BALL.replace("[hand]", f"{NOTE.replace('F5', 'F3')}[hand]")
    found = optimise(simkit.loads(far, "ball.toml"), "size", limits=Limits(window_mm=100.0), near=False)
    said = [text for text in found.broken if text.startswith("clay between the window")]
    assert len(said) == 3 and all(text.endswith("; what is free has not met it") for text in said)


# A ball of 48 mm in one of 60 mm, both with their middles 24 and 25 mm along; its only note is far too low for it.
WITHIN = """
clay.wall_mm = 4
[outside]
shape = "sphere"
diameter_mm = 60
offset_mm = [-5, {across}, 0]
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = {diameter}
[chamber.voicing]
along_mm = 10
around_deg = 180
window_width_mm = 11
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 25
[[chamber.note]]
pitch = "D4"
open = []
"""


@pytest.mark.parametrize(("across", "diameter"), [(0, 48), (0, 50), (3, 44), (-2, 54)])
def test_the_clay_within_an_outside_is_least_where_balls_come_nearest(across, diameter):
    """R - r less the distance of their middles, over points that lie so near each other that 0.02 mm is the most."""
    found = rooms(WITHIN.format(across=across, diameter=diameter))
    (room,) = (room for what, room in found.items() if what.startswith("clay between body and the outside"))
    apart = np.hypot(25 - diameter / 2, across)
    assert room == pytest.approx(30 - diameter / 2 - apart - 4, abs=0.02)


def test_what_moves_inside_leaves_the_outside_as_it_is():
    may = freedom(simkit.loads(WITHIN.format(across=0, diameter=48), "within.toml"), "inside")
    assert {n.name for n in may.numbers} == {
        "body.diameter_mm", "body.voicing.window_width_mm", "body.voicing.cut_up_mm"
    }  # fmt: skip


@pytest.mark.slow
def test_a_chamber_grows_within_its_outside_until_the_clay_is_as_thin_as_asked():
    """30 - r - (r - 25) = 4 mm at the far end: 51 mm across, but for what the limit's points leave between them."""
    found = optimise(simkit.loads(WITHIN.format(across=0, diameter=48), "within.toml"), "inside")
    assert not found.reached
    assert found.vessel.value("body.diameter_mm") == pytest.approx(51, abs=0.1)
    assert any(active.what.startswith("clay between body and the outside") for active in found.active)
