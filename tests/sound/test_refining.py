"""Halving the mesh tells the order of what it adds, and what is left: against closed forms."""

import numpy as np
import pytest

import simkit
from simkit.errors import InputError
from simkit.sound import models
from simkit.sound.answers.refining import extrapolated, halved

BALL = """
[clay]
wall_mm = 4
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 60
"""
HOLE = """
[[chamber.hole]]
name = "1"
along_mm = 30
around_deg = 0
diameter_mm = 8
[[chamber.note]]
pitch = "D5"
open = ["1"]
"""


@pytest.mark.slow  # at once: a note that settles, below; the modes in field/test_modes
def test_a_balls_modes_settle_on_the_zeros_of_bessels_derivatives_with_the_fourth_power():
    """j_l'(kR) = 0 (Abramowitz & Stegun, sec. 10.1, from memory); quadratic elements: k^2 errs like the fourth power
    (Strang & Fix 1973, An Analysis of the Finite Element Method, sec. 6.3, from memory). Meshes of one ball differ a
    little in more than their size, so the middle of eight orders is asked."""
    told = halved(simkit.loads(BALL, "ball.toml"), "closed", mesh=2.0, count=8)
    speed = simkit.resonances(simkit.loads(BALL, "ball.toml"), 1, closed=True).air.sound_speed
    exact = speed * np.repeat([2.0815759778, 3.3420936578], [3, 5]) / 0.030 / (2 * np.pi)
    assert told.sizes == pytest.approx([2.0, 2**0.5, 1.0])
    assert np.median(told.order) == pytest.approx(4.0, abs=0.8)
    left = 1200 * np.log2(told.settled_hz / exact)
    rough = 1200 * np.log2(told.hz / exact)
    assert np.abs(left).max() < np.abs(rough[2]).max() / 2  # better than the finest of the three
    assert told.left_cents[0] == pytest.approx(rough[0], abs=0.3)


def test_steps_that_fit_no_power_are_told_apart():
    told = extrapolated(
        ["falls", "turns", "grows"], [1, 0.5, 0.25], [[104, 104, 104], [102, 102, 103], [101, 103, 101]]
    )
    assert told.order[0] == pytest.approx(1.0)
    assert told.settled_hz == pytest.approx([100.0, 103.0, 101.0])
    assert np.isnan(told.order[1:]).all()


def test_a_note_of_the_port_model_hardly_feels_its_mesh():
    """To a cent from twice the standard size on: its own word."""
    told = halved(simkit.loads(BALL + HOLE, "ball.toml"), mesh=2.0)
    assert told.names == ("body 1 D5",)
    assert np.abs(told.left_cents).max() < 1.0


@pytest.mark.slow
def test_the_judge_takes_the_size_too():
    """Both of its meshes a tenth larger: within what it says of itself."""
    vessel = simkit.loads(BALL + HOLE, "ball.toml")
    (one,), (other,) = (simkit.predict(vessel, "resolved", mesh=mesh).notes for mesh in (1.0, 1.1))
    one, other = one.by("resolved"), other.by("resolved")
    apart = abs(1200 * np.log2(one.frequency_hz / other.frequency_hz))
    assert 0 < apart < one.uncertainty_cents + other.uncertainty_cents


def test_sizes_out_of_reach_are_refused():
    vessel = simkit.loads(BALL, "ball.toml")
    with pytest.raises(InputError, match="lumped has no mesh"):
        halved(vessel, "lumped")
    for mesh in (0.5, float("nan")):
        with pytest.raises(InputError, match=r"mesh = .*: allowed: 0.3 to 3"):
            halved(vessel, mesh=mesh)
    with pytest.raises(InputError, match=r"mesh = 4"):
        models.cases(vessel, mesh=4)
