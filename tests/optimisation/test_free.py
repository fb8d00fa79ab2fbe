"""What may move: groups, bounds, ties, and what is told of a start outside."""

import numpy as np
import pytest

from simkit.optimisation.problem.free import freedom
from simkit.vessel import DesignError, loads


def names(found):
    return [number.name for number in found.numbers]


def test_groups_free_what_their_names_say(whistle):
    assert names(freedom(whistle, "diameters")) == [f"body.hole.{n}.diameter_mm" for n in "1234"]
    assert len(freedom(whistle, "places").numbers) == 8
    assert len(freedom(whistle, "holes").numbers) == 12
    assert names(freedom(whistle, "voicing")) == ["body.voicing.window_width_mm", "body.voicing.cut_up_mm"]
    assert names(freedom(whistle, "windway")) == ["body.voicing.windway_height_mm"]
    assert names(freedom(whistle, "shape")) == [
        f"body.{k}" for k in ("length_mm", "width_mm", "height_mm", "widest_at")
    ]
    assert names(freedom(whistle, ["body.diameters", "clay.wall_mm"]))[-1] == "clay.wall_mm"


def test_starts_and_bounds_are_the_designs(whistle):
    may = freedom(whistle, ["holes", "shape"])
    assert may.at(may.start) == whistle
    assert np.all(may.low <= may.start) and np.all(may.start <= may.high)


def test_size_scales_the_figure_and_carries_holes_and_window_along(whistle):
    may = freedom(whistle, "size")
    larger = may.at([1.1])
    for key in ("body.length_mm", "body.height_mm", "body.hole.1.along_mm", "body.voicing.along_mm"):
        assert larger.value(key) == pytest.approx(1.1 * whistle.value(key))
    assert larger.value("body.widest_at") == whistle.value("body.widest_at")
    assert larger.value("body.hole.1.diameter_mm") == whistle.value("body.hole.1.diameter_mm")


def test_size_leaves_alone_what_is_free_by_itself(whistle):
    may = freedom(whistle, ["size", "body.hole.1.along_mm"])
    size = next(number for number in may.numbers if number.is_factor)
    assert "body.hole.1.along_mm" not in size.keys and "body.hole.2.along_mm" in size.keys


def test_a_hole_is_no_wider_than_the_fingertip_seals(whistle_text, whistle):
    """0.65 of the fingertip's breadth: common practice, no source; men's index fingers 18.4 mm (Nanhua students)."""
    import simkit

    child = simkit.loads(whistle_text + "\n[hand]\nfingertip_mm = 14", "child.toml")
    assert freedom(child, "diameters").high[0] == pytest.approx(9.1)
    assert freedom(whistle, "diameters").high[0] == pytest.approx(11.96)


def test_the_file_says_what_is_free_and_within_what(with_free):
    vessel = with_free('"body.length_mm" = [60, 75]\n"body.hole.1.diameter_mm" = [4, 6]')
    may = freedom(vessel)
    assert names(may) == ["body.length_mm", "body.hole.1.diameter_mm"]
    assert may.low.tolist() == [60, 4]
    assert may.start.tolist() == [68, 6]  # moved into its bounds, and told
    assert "hole 1, diameter = 6.5 starts outside its bounds 4 to 6" in may.outside_bounds
    assert freedom(vessel, "diameters").high.tolist()[:2] == [6, pytest.approx(11.96)]


def test_what_is_tied_follows_and_is_not_free(with_free):
    vessel = with_free('"body.hole.2.diameter_mm" = "= body.hole.1.diameter_mm"')
    may = freedom(vessel, "diameters")
    assert "body.hole.2.diameter_mm" not in names(may)
    moved = may.at(may.start - 1)
    assert moved.value("body.hole.2.diameter_mm") == moved.value("body.hole.1.diameter_mm") == 5.5
    assert may.beside(moved, 0, -0.25).value("body.hole.2.diameter_mm") == 5.25


def test_a_design_beside_is_what_checking_anew_would_give(whistle):
    may = freedom(whistle, ["holes", "voicing", "shape", "body.turn_deg"])
    for n in range(len(may.numbers)):
        x = may.start.copy()
        x[n] += 2.0**-10
        assert may.beside(whistle, n, 2.0**-10) == may.at(x)


@pytest.mark.parametrize(
    ("asked", "said"),
    [(None, "a table [free] with bounds"), ("holed", "did you mean holes?"), ("body.lenght_mm", "body.length_mm")],
)
def test_nothing_free_or_no_such_thing_is_said(whistle, asked, said):
    with pytest.raises(DesignError, match="free") as raised:
        freedom(whistle, asked)
    assert said in str(raised.value)


def test_offsets_are_those_of_the_chambers_beside_the_first():
    vessel = loads(TWO)
    assert names(freedom(vessel, "offsets")) == ["two.offset_mm.across_mm"]
    assert names(freedom(vessel.with_value("two.offset_mm.up_mm", -9.0), "offsets"))[1:] == ["two.offset_mm.up_mm"]
    with pytest.raises(DesignError, match="offsets want a second chamber"):
        freedom(loads(TWO.partition('[[chamber]]\nname = "two"')[0]), "offsets")


TWO = """
clay.wall_mm = 4
[[chamber]]
name = "one"
shape = "sphere"
diameter_mm = 40
[[chamber]]
name = "two"
shape = "sphere"
diameter_mm = 40
offset_mm = [2, 45, 0]
"""


def test_what_is_kept_is_not_free(whistle):
    held = names(freedom(whistle, "holes", keep=["3", "body.hole.1.along_mm"]))
    assert not any(key.startswith("body.hole.3.") for key in held)
    assert "body.hole.1.along_mm" not in held and "body.hole.1.around_deg" in held
    (size,) = freedom(whistle, "size", keep="2").numbers
    assert "body.hole.2.along_mm" not in size.keys and "body.hole.1.along_mm" in size.keys
    assert names(freedom(whistle, ["holes", "size"], keep=["size", "places"])) == names(freedom(whistle, "diameters"))


def test_pairs_stay_mirror_images(whistle):
    vessel = whistle.with_values({"body.hole.1.around_deg": -40.0, "body.hole.3.around_deg": 394.0})
    may = freedom(vessel, "holes", pairs=[("1", "3"), ("2", "4")])
    assert len(may.numbers) == 4 + 2 * 2
    for x in (may.start, may.start + 0.7):
        there = may.at(x)
        for one, other in (("1", "3"), ("2", "4")):
            assert there.value(f"body.hole.{one}.along_mm") == there.value(f"body.hole.{other}.along_mm")
            turned = there.value(f"body.hole.{one}.around_deg") + there.value(f"body.hole.{other}.around_deg")
            assert turned == pytest.approx(0 if one == "2" else 360)
    assert may.at(may.start).value("body.hole.1.around_deg") == pytest.approx(-37)
    point = [vessel.value(number.keys[0]) / number.shares[0] for number in may.numbers]
    beside = may.beside(vessel, point.index(-40.0), 0.5)
    assert beside.value("body.hole.1.around_deg") == -39.5 and beside.value("body.hole.3.around_deg") == 393.5


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"keep": "9"}, "a hole's name (1, 2, 3, 4)"),
        ({"keep": "diametrs"}, "did you mean diameters?"),
        ({"keep": "holes"}, "free"),
        ({"pairs": [("1", "9")]}, "two holes, each once, of 1, 2, 3, 4"),
        ({"pairs": [("1", "3"), ("3", "2")]}, "each once"),
        ({"pairs": ["12"]}, "one left and one right of the top"),
        ({"pairs": [["1", "3"]], "keep": "3"}, "holes whose places are free"),
    ],
)
def test_holes_that_cannot_be_kept_or_paired_are_said(whistle, asked, said):
    with pytest.raises(DesignError) as raised:
        freedom(whistle, "holes", **asked)
    assert said in str(raised.value)
