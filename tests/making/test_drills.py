"""Drills to start with, and how deep a tapered reamer goes."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import quad

from simkit.body import body_of
from simkit.errors import InputError
from simkit.making.drills import Reamer, in_inches, own_drills, start_drill
from simkit.making.holes import cuts, hole_table
from simkit.making.paper import Text
from simkit.making.shrinkage import Shrinkage, Stage

CLAY = Shrinkage.of(drying=0.05, firing=0.0526316)


@given(st.floats(1.5, 30))
def test_the_first_drill_leaves_something_to_cut(diameter):
    drill = start_drill(diameter).mm
    assert drill <= 0.8 * diameter + 1e-9 or drill == 1.0
    assert drill % 0.5 == 0


def test_inches_are_never_too_large():
    """25.4 mm to the inch by definition."""
    for size in (1.0, 3.5, 5.0, 12.7, 27.0):
        whole, _, part = in_inches(size).rpartition(" ")
        number = float(whole or 0) + (eval(part) if "/" in part else float(part))
        assert size - 25.4 / 64 < 25.4 * number <= size + 1e-9


@given(st.floats(3.0, 15), st.floats(1.0, 10), st.floats(0.0, 5), st.floats(0.02, 0.5))
def test_the_reamed_cone_leads_as_much_air_as_the_straight_hole(diameter, wall, tip, taper):
    """Integral of dx/(pi r^2) through the wall, done numerically, for cone and cylinder."""
    reamer = Reamer(tip, tip + 100 * taper, 100)
    depth = reamer.depth_mm(diameter, wall)
    assume(depth > wall)
    cone, _ = quad(lambda x: 1 / (math.pi * (reamer.at(depth - x) / 2) ** 2), 0, wall)
    assert cone == pytest.approx(wall / (math.pi * (diameter / 2) ** 2), rel=1e-9)


def test_a_reamer_of_no_wall_goes_to_its_diameter():
    """Similar triangles: 3 to 13 mm over 100 mm is 7 mm thick 40 mm from the tip."""
    assert Reamer(3, 13, 100).depth_mm(7, 0) == pytest.approx(40)


def test_a_tip_as_thick_as_the_hole_is_refused():
    reamer = Reamer(6, 16, 100)
    assert reamer.too_thick(5, 4) == "a tip of at most 4.80 mm"
    assert reamer.too_thick(7, 4) is None


def test_a_reamer_that_ends_too_soon_or_strikes_the_far_wall_says_so():
    reamer = Reamer(3, 8, 50)
    assert reamer.stops_short(10, 0) == "the reamer ends 20.0 mm before its mark"
    assert reamer.stops_short(7, 0, room_mm=30) == "the tip strikes the far wall 10.0 mm before its mark"
    assert reamer.stops_short(7, 0, room_mm=41) is None


def test_a_reamer_too_thick_for_a_hole_is_refused_with_the_holes_name(lopsided):
    _, body = lopsided
    with pytest.raises(InputError) as error:
        cuts(body.chambers[0], {}, CLAY, Stage.LEATHER_HARD, [Reamer(5.5, 15, 90)])
    assert "5.5,15,90" in str(error.value) and f"body.hole.2, {4.5 / 0.9 * 0.96:.2f} mm when cut" in str(error.value)
    assert "body.hole.1" not in str(error.value)


def test_the_first_reamer_that_can_is_taken(lopsided):
    _, body = lopsided
    made = cuts(body.chambers[0], {}, CLAY, Stage.LEATHER_HARD, [Reamer(5, 15, 90), Reamer(2, 12, 60)])
    assert [cut.reamer for cut in made] == [0, 1]
    for cut in made:
        reamer = (Reamer(5, 15, 90), Reamer(2, 12, 60))[cut.reamer]
        outer, inner = reamer.at(cut.depth_mm), reamer.at(cut.depth_mm - cut.wall_mm)
        assert outer * inner == pytest.approx(cut.cut_mm**2)


def test_sizes_when_cut_are_those_of_the_stage(lopsided):
    vessel, body = lopsided
    for stage in Stage:
        for cut, hole in zip(cuts(body.chambers[0], {}, CLAY, stage), vessel.chambers[0].holes, strict=True):
            assert cut.cut_mm == pytest.approx(hole.diameter_mm * CLAY.size(stage))
            assert cut.wall_mm == pytest.approx(4 * CLAY.size(stage))


def test_a_hole_that_the_reamer_cannot_finish_is_left_to_the_hand(lopsided):
    _, body = lopsided
    made = cuts(body.chambers[0], {}, CLAY, Stage.LEATHER_HARD, [Reamer(1, 5.5, 30)])
    assert made[0].depth_mm is None and "ends" in made[0].remark
    assert made[1].depth_mm is not None and not made[1].remark


@pytest.mark.parametrize("text", ["3,12", "3,12,eighty", "", "12,3,80", "3,3,80", "3,12,0", "-1,12,80", "nan,12,80"])
def test_what_is_no_reamer_is_refused(text):
    with pytest.raises(InputError, match=r"allowed: (three|a wide end)"):
        Reamer.read(text)


def test_a_reamer_is_read():
    assert Reamer.read("3, 12,80") == Reamer(3, 12, 80)


def test_the_ball_has_room_of_its_own_diameter(round_one):
    """A tip may run across the whole ball and no farther."""
    vessel, _ = round_one
    body = body_of(vessel)
    long = Reamer(0.5, 20.5, 200)
    made = cuts(body.chambers[0], {}, Shrinkage.of(0, 0), Stage.FIRED, [long])
    # Tip past the wall for an 8 mm hole: about (8 - 0.5)/0.1 - wall/2 = 72.5 mm, more than 60; for 6 mm: 52.5.
    assert made[0].depth_mm == pytest.approx(55 + 2.5, abs=0.1)
    assert made[1].depth_mm is None and "strikes the far wall" in made[1].remark


def test_own_drills_are_read_in_mm_and_inches():
    """An inch is 25.4 mm (ISO 31 and the inch's definition of 1959 [from memory])."""
    had = own_drills('4, 1/8, 3mm, 0.2in, 1 1/4, 9/64"')
    assert [round(drill.mm, 4) for drill in had] == [3.0, 3.175, 3.5719, 4.0, 5.08, 31.75]
    assert [drill.name for drill in had][1] == "1/8 in"
    assert start_drill(4.5, own=had).name == "9/64 in" and start_drill(3.5, own=had) is None


@pytest.mark.parametrize("text", ["3,thick", "", "3,,4", "1/0", "0.1", "80", "3/16mm", "-3", "nan", "1e9"])
def test_what_is_no_drill_is_refused(text):
    with pytest.raises(InputError, match=r"drills.*allowed: drills from 0.3 to 50 mm thick such as 3,3.5"):
        own_drills(text)


def test_the_sheet_names_the_makers_own_drills(lopsided):
    """The design's hole 2 is 4.5 mm fired, 4.7 at leather-hard; four fifths of it take 1/8 of an inch."""
    _, body = lopsided
    for had, named in (("3,1/8,9", {"1/8 in"}), ("9", {"by hand"})):
        made = cuts(body.chambers[0], {}, CLAY, Stage.LEATHER_HARD, drills=own_drills(had))
        drawn = hole_table(made, Stage.LEATHER_HARD, (), own=True)
        told = [mark.words for mark in drawn.marks if isinstance(mark, Text)]
        assert named <= set(told) and "inches" not in told
