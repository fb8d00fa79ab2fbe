"""The clay under a windway's end: its cells against a conformal map, the law against fresh cells."""

from dataclasses import replace

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


@pytest.mark.slow
@pytest.mark.parametrize("bend", [(45.0, 0.0), (0.0, 45.0), (55.0, 25.0)])
def test_a_bent_wall_adds_its_share_to_the_floor(bend):
    """Of fresh cells, flat and bent, on like meshes: to 0.02 of the flat floor's 1/K, 0.04 of its friction."""
    cell = WindowCell(11.5e-3, 3.8e-3, 4e-3, 50.0, 0.25e-3, 0.25e-3, floor=2e-3, beside=1.5e-3)
    shares = np.divide(_burden(cell, bend), _burden(cell)) - 1
    law = bend_shares(cell.width, cell.cut_up, bend)
    assert shares[0] == pytest.approx(law.inertance, abs=0.02)
    assert shares[1] == pytest.approx(law.friction, abs=0.04)


def test_a_bend_across_the_breath_adds_more_than_one_along_it_takes():
    """And turned outwards each does as much the other way, as the first power of a bend must."""
    across, along = (bend_shares(12e-3, 4e-3, bend).inertance for bend in ((40.0, 0.0), (0.0, 40.0)))
    assert across > 0 > along > -across / 2
    assert bend_shares(12e-3, 4e-3, (-40.0, -40.0)).inertance == pytest.approx(-across - along)
