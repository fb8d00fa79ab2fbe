"""The clay under a windway's end: its cells against a conformal map, the law against fresh cells."""

import runpy
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from simkit.body.meshes.window_block import WindowCell
from simkit.field.window.cell import passage
from simkit.field.window.ledge import bend_shares, floor_burden, step_in_slit


def _burden(cell: WindowCell, bend: tuple[float, float] = (0.0, 0.0)) -> tuple[float, float]:
    """What it adds to 1/K and to the friction."""
    with_it, without = (passage(each, bend) for each in (cell, replace(cell, floor=0.0, room=cell.far)))
    return 1 / with_it.conductivity - 1 / without.conductivity, with_it.friction - without.friction


def test_a_small_step_counts_half_its_depth():
    """Even flow in a slit that ends a little askew goes on for the mean of both sides' lengths: 1/K grows by half of d
    over the height. A larger step is less than that, for the flow leaves it aside."""
    assert step_in_slit(1e-3) / 1e-3 == pytest.approx(0.5, rel=2e-3)
    assert 0.05 * 0.9 < step_in_slit(0.1) < 0.05


def test_a_deep_step_turns_the_flow_into_a_corner():
    """Beyond a deep step the flow fills a right angle instead of half a plane: 1/K grows as (2/pi - 1/pi) ln(step) (a
    source in a corner, from memory)."""
    steps = np.array([50.0, 100.0, 200.0])
    growth = np.diff([step_in_slit(float(s)) for s in steps]) / np.log(2)
    assert growth == pytest.approx(1 / np.pi, rel=0.03)


@pytest.mark.slow
def test_the_wider_a_window_the_nearer_its_cell_is_the_slits():
    """Against the endless slit; at its sides air comes in from beside the floor."""
    H = 5e-3
    shares = [
        _burden(WindowCell(w * H, H, H, 90.0, 0.09e-3, 0.09e-3, floor=0.4 * H, beside=0.3 * H))[0]
        * w
        * H
        / step_in_slit(0.4)
        for w in (2, 4, 8)
    ]
    assert 0.45 < shares[0] < shares[1] - 0.05 < shares[2] - 0.1 < 0.9


@pytest.mark.slow
@pytest.mark.parametrize("sizes", [(11e-3, 3.5e-3, 4e-3, 2.05e-3), (14e-3, 5e-3, 5e-3, 2.3e-3)])
def test_the_law_is_that_of_a_fresh_cell(sizes):
    """To two standard deviations of the fit, 3 and 6 %; none of these was in it."""
    width, cut_up, wall, depth = sizes
    cell = WindowCell(width, cut_up, wall, 45.0, 0.2e-3, 0.2e-3, floor=depth, beside=1.5e-3)
    law = floor_burden(width, cut_up, 45.0, depth, 1.5e-3)
    inertance, friction = _burden(cell)
    assert law.inertance == pytest.approx(inertance, rel=0.07)
    assert law.friction == pytest.approx(friction, rel=0.12)


@pytest.fixture
def bends(monkeypatch):
    """Windows with a straight floor on top of ellipsoids, by elements; the benchmark that the law was fitted with."""
    path = Path(__file__).parents[2] / "benchmarks" / "bends.py"
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.setenv(variable, "1")
    return SimpleNamespace(**runpy.run_path(str(path), run_name="imported"))


@pytest.mark.slow
@pytest.mark.parametrize("scale", [1.0, 1.6])
@pytest.mark.parametrize("bend", [(20.0, 10.0), (45.0, 2.0), (2.0, 45.0), (54.0, 24.0)])
def test_a_bent_wall_adds_its_share_to_a_straight_floor(bends, bend, scale):
    """Of a window that was not fitted to, in two sizes, wide and tight bends: to two standard deviations of the fit."""
    sizes = np.multiply(scale, (11.87e-3, 3.52e-3, 4e-3))
    flat = bends.StraightFloor(*sizes, 45.0, 2.05e-3 * scale, 1.5e-3 * scale, 2.0 / scale, 2.0 / scale, 0.02 * scale)
    bent = replace(flat, across=bend[0] / scale, along=bend[1] / scale)
    shares = bends.burden(bent) / bends.burden(flat) - 1
    law = _share(flat.width, flat.cut_up, flat.depth, flat.beside, np.subtract(bend, 2.0) / scale)
    assert shares[0] == pytest.approx(law.inertance, abs=0.05)
    assert shares[1] == pytest.approx(law.friction, abs=0.08)


@pytest.mark.slow
def test_a_straight_floor_in_a_wide_chamber_is_the_cell_s(bends):
    """Two meshes, sources and outsides. Upright: a sloping edge with a rounded nose stands back from a sharp one."""
    near = bends.StraightFloor(11e-3, 3.5e-3, 4e-3, 90.0, 2.05e-3, 1.5e-3)
    cell = WindowCell(near.width, near.cut_up, near.wall, 90.0, 0.09e-3, 0.09e-3, floor=near.depth, beside=near.beside)
    assert bends.burden(near, 0.12)[0] == pytest.approx(_burden(cell)[0], rel=0.05)


def _share(width, cut_up, depth, beside, bend):
    return bend_shares(width, cut_up, depth, beside, (float(bend[0]), float(bend[1])))


def test_a_floor_in_the_wall_adds_nothing_more_than_it_has():
    """However tight the bend, a floor never draws the air on; and a deep one is hardly the less for it."""
    buried = _share(16e-3, 3.5e-3, 0.9e-3, 1.5e-3, (90.0, 60.0))
    assert -1 <= buried.inertance < -0.25
    assert -1 <= buried.friction < 0
    assert _share(16e-3, 3.5e-3, 4e-3, 1.5e-3, (90.0, 0.0)).inertance > 0


def test_bends_add_up_and_turn_round_as_their_first_power_must():
    """So far as the floor's corners are not buried; and it is a share: the same in every size."""
    across, along, both = (_share(12e-3, 4e-3, 2e-3, 1.5e-3, bend) for bend in ((20, 0), (0, 20), (20, 20)))
    assert both.inertance == pytest.approx(across.inertance + along.inertance)
    assert _share(12e-3, 4e-3, 2e-3, 1.5e-3, (-20, -20)).inertance == pytest.approx(-both.inertance)
    assert _share(36e-3, 12e-3, 6e-3, 4.5e-3, (20 / 3, 20 / 3)).inertance == pytest.approx(both.inertance)
    assert across.inertance > 0 > along.inertance
