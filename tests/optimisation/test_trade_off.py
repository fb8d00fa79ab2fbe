"""Two aims against each other."""

import json

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.optimisation import InTune, Range, SmallHoles, Steady, Stretched, freedom
from simkit.optimisation.aims.slopes import cents_slopes
from simkit.optimisation.asking import always_wanted, traded
from simkit.optimisation.compromises import trade_off
from simkit.optimisation.problem.trial import Trial


@pytest.fixture(scope="module")
def curve(whistle):
    """In tune against small holes: the holes of the start are too wide, so both ask for less, to a point."""
    return trade_off(whistle, "diameters", InTune(), SmallHoles(weight=20.0), always=(), count=3)


def test_the_more_of_one_the_less_of_the_other(curve):
    """By a quarter of a semitone at least for a fifth of a millimetre: how far off they end is this whistle's own."""
    off = [point.one for point in curve.points]
    widest = [point.other for point in curve.points]
    assert off == sorted(off, reverse=True) and off[-1] < off[0] - 25
    assert widest == sorted(widest) and widest[-1] > widest[0] + 0.2


def test_the_curve_is_data_with_units(curve):
    told = json.loads(json.dumps(curve.as_dict()))
    assert (told["one"], told["other"]) == ("worst note off, cents", "widest hole, mm")
    assert [row["balance"] for row in told["points"]] == pytest.approx([0.1, 1, 10])


def test_one_point_is_no_curve(whistle):
    with pytest.raises(InputError, match="2 or more"):
        trade_off(whistle, "diameters", Steady(), SmallHoles(), count=1)


@pytest.fixture
def stretched(whistle):
    """The whistle as if it were tuned to a scale that starts at its C and reaches one semitone too far."""
    may = freedom(whistle, ["body.hole.1.diameter_mm", "body.hole.4.diameter_mm"])
    trial = Trial.of(may, may.start)
    hz = trial.voices[0].targets
    trial.__dict__["cents"] = 100 * np.log(hz / hz[0]) / np.log(hz[-1] / hz[0])
    return trial


def test_a_scale_that_is_stretched_evenly_is_in_tune_with_itself(stretched):
    assert InTune().value(stretched) == pytest.approx(100)
    assert Stretched().value(stretched) == pytest.approx(0, abs=1e-9)
    stretched.__dict__["cents"] = stretched.cents + 7.0  # its lowest note is off its target
    assert Stretched().residuals(stretched)[0] == pytest.approx(7)


def test_the_range_runs_from_the_lowest_note_to_the_highest(stretched):
    assert Range().value(stretched) == pytest.approx(7 + 1)  # C5 to G5, and what it is stretched by
    slopes = Range(weight=1.0).slopes(stretched)[0]
    assert slopes == pytest.approx((cents_slopes(stretched)[0] - cents_slopes(stretched)[-1]) / 100, rel=0.01)


@pytest.mark.slow
def test_a_wider_range_costs_margin(whistle):
    """The highest note wants the most breath and jumps first; all along the curve the scale stays even."""
    one, other = traded(["range", "margin"])
    curve = trade_off(whistle, ["diameters", "voicing"], one, other, always=always_wanted(one, other), count=3)
    narrow, wide = curve.points[0], curve.points[-1]
    assert wide.one > narrow.one + 1
    assert wide.other < narrow.other
    assert max(point.worst_cents for point in curve.points) < 5


@pytest.mark.slow
def test_small_holes_or_a_piece_that_forgives_the_hand(whistle):
    """A slip is a smaller share of a wide hole; all along the curve the notes stay in tune."""
    curve = trade_off(whistle, ["diameters", "size", "voicing"], Steady(), SmallHoles(), count=3)
    shaky, steady = curve.points[0], curve.points[-1]
    assert steady.one < 0.9 * shaky.one
    assert steady.other > 1.2 * shaky.other
    assert max(point.worst_cents for point in curve.points) < 1.5
