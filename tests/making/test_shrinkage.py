"""Shrinkage by ASTM C326, a maker's own bar, and what it means in cents."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.errors import InputError
from simkit.making.shrinkage import CLAYS, Bar, Shrinkage, Stage, shrinkage_of
from simkit.vessel import loads

fractions = st.floats(0.0, 0.13)


def test_drying_and_firing_do_not_add_up():
    """ASTM C326: 1 - S_t = (1 - S_d)(1 - S_f); 6 % and 6.5 % make 12.11 %, not 12.5 %; by volume 32.11 %."""
    clay = Shrinkage.of(drying=0.06, firing=0.065)
    assert clay.total == pytest.approx(1 - 0.94 * 0.935, rel=1e-12)
    assert 1 - (1 - clay.total) ** 3 == pytest.approx(0.3211, abs=5e-5)


@given(fractions, fractions)
def test_the_three_shrinkages_are_those_of_a_bar(drying, firing):
    """ASTM C326: S_d = (L_p - L_d)/L_p, S_f = (L_d - L_f)/L_d, S_t = (L_p - L_f)/L_p."""
    plastic = 102.0
    dry = plastic * (1 - drying)
    fired = dry * (1 - firing)
    for clay in (Shrinkage.of(drying, firing), Bar(plastic, fired, dry).shrinkage()):
        assert clay.drying == pytest.approx((plastic - dry) / plastic, abs=1e-12)
        assert clay.firing == pytest.approx((dry - fired) / dry, abs=1e-12)
        assert clay.total == pytest.approx((plastic - fired) / plastic, abs=1e-12)


def test_a_wet_size_is_the_fired_one_over_one_less_the_shrinkage():
    clay = shrinkage_of(_vessel("shrinkage_percent = 11"))
    assert 62.0 * clay.size(Stage.WET) == pytest.approx(62.0 / 0.89, rel=1e-12)


def test_ten_percent_is_182_cents():
    """f ~ 1/size and 1200 cents an octave: 1200 log2(1/0.9) = 182.40."""
    clay = shrinkage_of(_vessel("shrinkage_percent = 10"))
    assert clay.to_come_cents(Stage.WET) == pytest.approx(182.40, abs=0.005)
    assert clay.to_come_cents(Stage.FIRED) == 0


def test_half_a_point_of_doubt_is_ten_cents():
    """At 10 %, half a point more is 1200 log2(0.9/0.895) = 9.645 cents; its slope at 10 % is 9.618."""
    clay = shrinkage_of(_vessel("shrinkage_percent = 10"))
    assert clay.doubt_cents(Stage.WET) == pytest.approx(1200 / math.log(2) * 0.005 / 0.9, rel=1e-9)
    assert clay.doubt_cents(Stage.WET) == pytest.approx(9.645, abs=0.03)


@pytest.mark.parametrize(("drying", "firing"), [(4, 4), (5, 5), (6, 6)])
def test_from_leather_hard_to_fired_is_what_a_marked_bar_loses(drying, firing):
    """A bar of 100 mm, four fifths of its drying done when it is leather-hard: 1200 log2 of that length over the fired.

    Common practice, no source: about a semitone for earthenware, in the middle of its range (5 and 5 %: 106.9 cents).
    """
    leather, fired = 100 - 0.8 * drying, (100 - drying) * (1 - firing / 100)
    found = Shrinkage.of(drying / 100, firing / 100)
    assert found.to_come_cents(Stage.LEATHER_HARD) == pytest.approx(1200 * math.log2(leather / fired), abs=1e-6)
    assert 80 < found.to_come_cents(Stage.LEATHER_HARD) < 130


def test_clay_only_shrinks_from_stage_to_stage():
    for (_, drying), (_, firing), _ in CLAYS.values():
        found = Shrinkage.of(drying / 100, firing / 100)
        sizes = [found.size(stage) for stage in Stage]
        assert sizes == sorted(sizes, reverse=True) and sizes[-1] == 1


def test_ranges_of_clays_hold_together():
    """The totals that the makers' tables print lie about their own drying and firing."""
    for drying, firing, total in CLAYS.values():
        ends = [Shrinkage.of(d / 100, f / 100).total * 100 for d, f in zip(drying, firing, strict=True)]
        assert ends == pytest.approx(list(total), abs=1.2)


@pytest.mark.parametrize("count", [1, 10])
def test_the_doubt_of_a_bar_is_that_of_its_readings(count):
    """Against many bars read with a random error."""
    random = np.random.default_rng(5)
    true = {"wet": 102.0, "leather": 98.2, "dry": 96.5, "fired": 90.6}
    read = {name: length + random.normal(0, 0.2, (20_000, count)).mean(axis=1) for name, length in true.items()}
    bar = Bar(true["wet"], true["fired"], true["dry"], true["leather"], read_mm=0.2, count=count).shrinkage()
    for stage, name in ((Stage.WET, "wet"), (Stage.LEATHER_HARD, "leather"), (Stage.BONE_DRY, "dry")):
        spread = np.std(1200 * np.log2(read[name] / read["fired"]))
        assert bar.doubt_cents(stage) == pytest.approx(spread, rel=0.03)


@pytest.mark.parametrize(
    ("written", "total"),
    [("shrinkage_percent = 12", 0.12), ("drying_percent = 6\nfiring_percent = 6.5", 0.1211)],
)
def test_a_design_without_a_bar_is_doubted_by_half_a_point(written, total):
    """Half the distance between clays that shrink by half a point more and less: 1200 log2 1/(1 - S_t) of each."""
    clay = shrinkage_of(_vessel(written))
    more, less = (1200 * math.log2(1 / (1 - total - half)) for half in (0.005, -0.005))
    assert clay.doubt_cents(Stage.WET) == pytest.approx((more - less) / 2, rel=1e-4)


def test_the_doubts_of_a_design_are_those_of_random_clays():
    """Clays drawn with the stated spreads of S_t, S_f and of the share gone at leather-hard."""
    random = np.random.default_rng(3)
    drying, firing, share, count = 0.055, 0.06, 0.8, 40_000
    s_f = firing + random.normal(0, 0.006, count)
    s_t = 1 - (1 - drying) * (1 - firing) + random.normal(0, 0.005, count)
    clay = Shrinkage.of(drying, firing, share, total_doubt=0.005, firing_doubt=0.006)
    assert clay.doubt_cents(Stage.WET) == pytest.approx(np.std(1200 * np.log2(1 / (1 - s_t))), rel=0.03)
    assert clay.doubt_cents(Stage.BONE_DRY) == pytest.approx(np.std(1200 * np.log2(1 / (1 - s_f))), rel=0.03)
    wet, dry = 1 / (1 - s_t), 1 / (1 - s_f)
    leather = wet - (share + random.normal(0, 0.15, count)) * (wet - dry)
    clay = Shrinkage.of(drying, firing, share, total_doubt=0.005, firing_doubt=0.006, leather_doubt=0.15)
    assert clay.doubt_cents(Stage.LEATHER_HARD) == pytest.approx(np.std(1200 * np.log2(leather)), rel=0.05)


@pytest.mark.parametrize(
    ("bar", "told"),
    [
        (Bar(100, 101), "fired = 101: allowed: at most the wet length, 100 mm: clay shrinks"),
        (Bar(100, 90, dry_mm=89), "fired = 90: allowed: at most the dry length, 89 mm"),
        (Bar(100, 90, dry_mm=101), "dry = 101: allowed: at most the wet length"),
        (Bar(100, 60), "fired = 60: allowed: at least 75 mm: no pottery clay shrinks by more than 25 %"),
        (Bar(0, 60), "wet = 0: allowed: a length in mm, more than 0"),
        (Bar(100, math.nan), "fired = nan: allowed: a length in mm"),
        (Bar(100, 90, read_mm=-1), "read_mm"),
    ],
)
def test_a_bar_that_is_no_clay_is_refused(bar, told):
    with pytest.raises(InputError) as error:
        bar.shrinkage()
    assert told in str(error.value) and error.value.exit_status == 2


def test_a_bar_is_read_from_its_lengths():
    assert Bar.read("102,91") == Bar(102, 91)
    assert Bar.read("102, 96.5, 91") == Bar(102, 91, dry_mm=96.5)
    assert Bar.read("102,97,96.5,91") == Bar(102, 91, dry_mm=96.5, leather_hard_mm=97)


@pytest.mark.parametrize("text", ["", "102", "102;91", "1,2,3,4,5"])
def test_what_is_no_bar_is_refused(text):
    with pytest.raises(InputError, match=r"bar = .*allowed: lengths in mm"):
        Bar.read(text)


def test_more_than_clay_does_is_refused_by_the_design_too():
    with pytest.raises(InputError, match=r"clay.shrinkage_percent = 30: allowed: a number from 0 to 25"):
        _vessel("shrinkage_percent = 30")


def test_a_design_that_does_not_say_is_asked():
    with pytest.raises(InputError, match=r"heron.toml: clay.shrinkage_percent: allowed: .*earthenware 8 to 12 %"):
        shrinkage_of(_vessel(""))


def _vessel(clay):
    return loads(
        f'[clay]\nwall_mm = 4\n{clay}\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50', "heron.toml"
    )
