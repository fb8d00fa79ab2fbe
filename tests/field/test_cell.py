"""The window's cell: against closed bounds, against the rectangular duct, and in the directions that physics asks."""

import numpy as np
import pytest

from simkit.body.voicing import WindowCell, cell_mesh
from simkit.field.cell import _relief, passage, slope_relief
from simkit.sound.openings import rectangular_hole

WINDOW = (12e-3, 5.5e-3, 5e-3)


def test_an_upright_window_is_a_rectangular_duct():
    """Against the duct with published end corrections, whose own error is about a percent; the nose is rounded."""
    cell = WindowCell(*WINDOW, 90.0, 2e-4)
    assert passage(cell).conductivity == pytest.approx(rectangular_hole(*WINDOW).conductivity, rel=0.025)


def test_rayleighs_bounds_hold():
    """S/K lies between h + sum of thin ends and h + pistons' ends for a duct (Rayleigh, Theory of Sound, sec. 307);
    a slope lets more through than the duct that it widens, and less than the duct as wide as its outside."""
    upright = passage(WindowCell(*WINDOW, 90.0, 2e-4)).conductivity
    cell = WindowCell(*WINDOW, 45.0, 2e-4)
    wide = rectangular_hole(WINDOW[0], cell.top, WINDOW[2]).conductivity
    assert upright < passage(cell).conductivity < wide


def test_a_gentler_slope_lets_more_through():
    relief = [slope_relief(*WINDOW, angle, 3e-4).inertance for angle in (75.0, 60.0, 45.0, 30.0)]
    assert all(np.diff(relief) < 0)
    assert slope_relief(*WINDOW, 90.0, 3e-4).inertance == 0
    assert abs(slope_relief(*WINDOW, 89.0, 3e-4).inertance) < 0.08 * abs(relief[2])


def test_relief_goes_as_one_over_the_size():
    small = slope_relief(*WINDOW, 45.0, 3e-4)
    large = slope_relief(*(2 * x for x in WINDOW), 45.0, 6e-4)
    assert small.inertance == pytest.approx(2 * large.inertance)
    assert small.friction == pytest.approx(4 * large.friction)


def test_relief_hardly_depends_on_the_mesh(monkeypatch):
    coarse = slope_relief(*WINDOW, 45.0, 3e-4)
    monkeypatch.setattr("simkit.body.voicing.ROUND_SHARE", 0.7)
    monkeypatch.setattr("simkit.body.voicing.RIM_SHARE", 0.12)
    _relief.cache_clear()
    fine = slope_relief(*WINDOW, 45.0, 3e-4)
    _relief.cache_clear()
    assert coarse.inertance == pytest.approx(fine.inertance, rel=0.015)
    assert coarse.friction == pytest.approx(fine.friction, rel=0.04)


def test_the_cell_is_closed_by_clay_caps_and_mirror():
    part = cell_mesh(WindowCell(*WINDOW, 45.0, 3e-4))
    assert part.far_inside.any() and part.far_outside.any() and part.clay.any()
    assert not (part.far_inside & part.far_outside).any()
