"""Boxes and weights that no piece can keep are refused by volumes alone; else chambers are drawn to fit them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.errors import InputError
from simkit.optimisation.designing.boxes import BETWEEN_MM, check_room, drawn_to_fit, fitted, least_air_ml
from simkit.optimisation.designing.dividing import divided, droned, window_conductivity
from simkit.optimisation.designing.joining import box_mm, mass_g
from simkit.pitch import Tuning, note
from simkit.vessel.wishes import WishedRange

WISH = WishedRange("G major", "G3", "D6", 3)
DESIGNS = Path(__file__).parents[2] / "studies" / "designs"


@pytest.fixture(scope="module")
def plans():
    return divided(WISH)


@pytest.fixture(scope="module")
def terns():
    """A piece that plays this wish in tune: what it measures can be had."""
    return simkit.load(DESIGNS / "three_terns.toml")


def test_what_can_be_had_is_not_refused(plans, terns):
    check_room(replace(WISH, box_mm=box_mm(terns), mass_g=mass_g(terns)), plans)
    for chamber, plan in zip(terns.chambers, plans, strict=True):
        shape = chamber.shape
        air = np.pi / 6 * shape.length_mm * shape.width_mm * shape.height_mm / 1000
        assert least_air_ml(WISH, plan) < air


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"box_mm": (70.0, 70.0, 70.0)}, "box_mm = '70,70,70': allowed: a larger box: G3 to D6 want at least"),
        ({"box_mm": (5.0, 500.0, 500.0)}, "has room for 0 ml"),
        ({"box_mm": (400.0, 400.0, 25.0)}, "a box less flat or narrow"),
        ({"mass_g": 90.0}, "mass_g = 90.0: allowed: "),
        ({"mass_g": 90.0, "drone": "D4"}, "that G3 to D6 and D4 want"),
    ],
)
def test_what_cannot_be_had_is_refused_at_once(plans, asked, said):
    with pytest.raises(InputError) as raised:
        check_room(replace(WISH, **asked), plans)
    assert said in str(raised.value)


def test_the_least_clay_is_that_around_a_ball(plans):
    """A ball has the least surface for its air, so also the least clay around it: 4/3 pi ((r + t)^3 - r^3)."""
    air = sum(least_air_ml(WISH, plan) for plan in plans)
    radius = (3 * air / (4 * np.pi)) ** (1 / 3)
    clay = 4 / 3 * np.pi * ((radius + 0.45) ** 3 - radius**3) * 1.9  # fired earthenware, g/ml
    check_room(replace(WISH, mass_g=1.01 * clay), plans)
    with pytest.raises(InputError):
        check_room(replace(WISH, mass_g=0.99 * clay), plans)


@pytest.mark.parametrize(
    "box", [(150.0, 200.0, 95.0), (150.0, 170.0, 95.0), (120.0, 200.0, 120.0), (400.0, 160.0, 82.0)]
)
def test_chambers_are_drawn_to_fit_with_all_their_air(plans, box):
    wish = replace(WISH, box_mm=box)
    before, after = (
        np.array([[p.length_mm, p.width_mm, p.height_mm] for p in each]) for each in (plans, fitted(wish, plans))
    )
    assert after.prod(axis=1) == pytest.approx(before.prod(axis=1))
    along, across, up = box
    assert after[:, 0].max() + 9 <= along and after[:, 2].max() + 9 <= up
    assert after[:, 1].sum() + 9 + 2 * (4.5 + BETWEEN_MM) <= across + 1e-9


def test_a_box_with_room_changes_nothing(plans):
    assert fitted(replace(WISH, box_mm=(300.0, 300.0, 300.0)), plans) == plans
    sizes = np.array([[90.0, 60.0, 50.0]])
    assert (drawn_to_fit(WISH, sizes) == sizes).all()


def test_a_drone_obeys_the_hand_rule_and_asks_the_melody_s_breath(plans):
    """f = (c/2 pi) sqrt(K/V); at one Strouhal number breath goes with (f W)^2: f W is that of the melody's middle."""
    from simkit.air import moist_air

    plan = droned(WISH, note("D4"), plans)
    volume = np.pi / 6 * np.prod([1e-3 * v for v in (plan.length_mm, plan.width_mm, plan.height_mm)])
    K = window_conductivity(WISH.wall_mm, plan.cut_up_mm, plan.window_width_mm)
    hz = Tuning().frequency(note("D4"))
    assert moist_air().sound_speed / (2 * np.pi) * np.sqrt(K / volume) == pytest.approx(hz, rel=2e-3)
    middle = np.sqrt(Tuning().frequency(note("G3")) * Tuning().frequency(note("D6")))
    assert plan.cut_up_mm * hz == pytest.approx(plans[0].cut_up_mm * middle)
    assert plan.diameters_mm == () and plan.steps == ()
