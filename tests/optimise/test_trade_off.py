"""Two aims against each other."""

import json

import pytest

from simkit.errors import InputError
from simkit.optimise import InTune, SmallHoles, Steady
from simkit.optimise.trade_off import trade_off


@pytest.fixture(scope="module")
def curve(whistle):
    """In tune against small holes: the holes of the start are too wide, so both ask for less, to a point."""
    return trade_off(whistle, "diameters", InTune(), SmallHoles(weight=20.0), always=(), count=4)


def test_the_more_of_one_the_less_of_the_other(curve):
    off = [point.one for point in curve.points]
    widest = [point.other for point in curve.points]
    assert off == sorted(off, reverse=True) and off[-1] < 0.6 * off[0]
    assert widest == sorted(widest) and widest[-1] > widest[0] + 0.2


def test_the_curve_is_data_with_units(curve):
    told = json.loads(json.dumps(curve.as_dict()))
    assert (told["one"], told["other"]) == ("worst note off, cents", "widest hole, mm")
    assert [row["balance"] for row in told["points"]] == pytest.approx([0.1, 0.4642, 2.154, 10], rel=1e-3)


def test_one_point_is_no_curve(whistle):
    with pytest.raises(InputError, match="2 or more"):
        trade_off(whistle, "diameters", Steady(), SmallHoles(), count=1)


@pytest.mark.slow
def test_small_holes_or_a_piece_that_forgives_the_hand(whistle):
    """A slip is a smaller share of a wide hole; all along the curve the notes stay in tune."""
    curve = trade_off(whistle, "diameters,size,voicing", Steady(), SmallHoles(), count=3)
    shaky, steady = curve.points[0], curve.points[-1]
    assert steady.one < 0.9 * shaky.one
    assert steady.other > 1.2 * shaky.other
    assert max(point.worst_cents for point in curve.points) < 1.5
