"""Conductivities, friction, covered and half-covered holes."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.air import moist_air
from simkit.body.chambers import WINDOW, Opening
from simkit.sound.elements.losses import friction_loss
from simkit.sound.elements.openings import (
    aperture_of,
    partly_covered,
    rectangular_hole,
    round_hole,
)
from simkit.sound.elements.orifice import rectangle

AIR = moist_air()
MM = 1e-3


def test_worked_conductivities(sharp_hole):
    """Holes of 4 and 3 mm radius in 4 mm, as the flow solved in conftest has it: 4.755 and 3.166 mm."""
    for radius in (4 * MM, 3 * MM):
        assert round_hole(radius, 4 * MM).conductivity == pytest.approx(
            sharp_hole.conductivity(radius, 4 * MM), rel=3e-6
        )
    # A window of 8 x 5 mm through 2 mm with the ends of a thin wall (K0 = 1.1655 sqrt S) ...
    shape = rectangle(8 * MM, 5 * MM)
    assert shape.area / (2 * MM + 2 * shape.thin) / MM == pytest.approx(5.38614, rel=3e-4)
    # ... and with its own, which lie between those and the piston's: 3.5 % less.
    window = rectangular_hole(8 * MM, 5 * MM, 2 * MM)
    assert 5.1 < window.conductivity / MM < 5.386


@pytest.mark.parametrize("rim", [0.2, 0.4])
def test_rounded_rims_open_a_hole(rim):
    """dK/K = 0.35 (f/a)^(4/3) with h = a, 0.12722 of the corner's strength as test_orifice finds it by elements: 0.4 mm
    is +14 cents."""
    sharp, rounded = (round_hole(4.0, 4.0, f, f) for f in (0.0, rim))
    gain = rounded.conductivity / sharp.conductivity - 1
    assert gain == pytest.approx(0.35 * (rim / 4) ** (4 / 3), rel=0.02)
    if rim == 0.4:
        assert 600 * np.log2(1 + gain) == pytest.approx(14, abs=0.2)
    assert 0.85 < rounded.friction / sharp.friction < 0.93


@given(st.floats(1, 10), st.floats(0.5, 8), st.floats(0, 0.4), st.floats(0, 0.4), st.floats(0.1, 0.9))
def test_monotony(radius, length, rim, inside, share):
    hole = round_hole(radius, length, rim, inside)
    assert round_hole(1.05 * radius, length, rim, inside).conductivity > hole.conductivity
    assert round_hole(radius, 1.05 * length, rim, inside).conductivity < hole.conductivity
    assert partly_covered(hole, share).conductivity < hole.conductivity
    # Rayleigh's bounds hold for sharp rims.
    sharp = round_hole(radius, length)
    assert length + np.pi * radius / 2 <= sharp.area / sharp.conductivity <= length + 16 * radius / (3 * np.pi)


@given(st.floats(1, 30), st.floats(1, 10), st.floats(0, 8))
def test_a_rectangle_beats_the_disc_of_its_area_and_not_that_around_it(width, height, length):
    """Rayleigh, sec. 304: of all outlines of one area the circle conducts least; a part conducts less than a whole."""
    window = rectangular_hole(width, height, length)
    assert window.conductivity >= round_hole(np.sqrt(width * height / np.pi), length).conductivity * 0.999
    assert window.conductivity <= round_hole(np.hypot(width, height) / 2, length).conductivity
    assert rectangular_hole(height, width, length).conductivity == pytest.approx(window.conductivity)


@pytest.mark.parametrize("size", [(8, 5), (12, 5.5), (20, 4)])
def test_rounding_a_window(size):
    sharp, rounded = (rectangular_hole(size[0] * MM, size[1] * MM, 4 * MM, f * MM, f * MM) for f in (0, 0.3))
    assert 1.005 < rounded.conductivity / sharp.conductivity < 1.03
    assert 0.85 < rounded.friction / sharp.friction < 0.95


def test_impedance_is_inertia_and_friction():
    """To first order in the layer: Z = i omega rho / K + (1 + i)/2 rho omega delta_v G."""
    omega = 2 * np.pi * 400
    hole = round_hole(4 * MM, 4 * MM)
    first = 1j * omega * AIR.density / hole.conductivity
    assert hole.impedance(AIR, omega, lossless=True) == pytest.approx(first)
    rubbed = (1 + 1j) / 2 * AIR.density * omega * AIR.delta_v(omega) * hole.friction
    exact = hole.impedance(AIR, omega)
    # The duct's second order: about delta/a = 3 % of its own share.
    assert exact.real == pytest.approx(rubbed.real, rel=0.03)
    assert exact.imag == pytest.approx((first + rubbed).imag, rel=1e-3)
    assert exact.real / exact.imag == pytest.approx(
        friction_loss(AIR, omega, hole.conductivity, hole.friction), rel=0.05
    )


def test_covered_hole():
    """A 4 mm radius, 4 mm deep chimney holds 201 mm3; a pad 0.8 mm deep takes 20.4 (spherical cap)."""
    hole = round_hole(4 * MM, 4 * MM)
    assert hole.covered_volume() * 1e9 == pytest.approx(201.06 - 20.4, abs=0.1)
    assert hole.covered_wall() == pytest.approx(2 * np.pi * 16e-6)


def test_half_covered_limits():
    hole = round_hole(4 * MM, 4 * MM, 0.3 * MM, 0.3 * MM)
    assert partly_covered(hole, 1.0).conductivity == pytest.approx(hole.conductivity)
    assert partly_covered(hole, 1.0).friction == pytest.approx(hole.friction)
    # A pinhole left free: K = 2a of the pinhole (Rayleigh).
    assert partly_covered(hole, 1e-6).conductivity == pytest.approx(2 * 4e-6, rel=0.01)


def test_many_at_once():
    row = round_hole(np.array([3.0, 4.0]) * MM, 4 * MM, 0.1 * MM, np.array([0.0, 0.2]) * MM)
    assert row.friction[1] == pytest.approx(round_hole(4 * MM, 4 * MM, 0.1 * MM, 0.2 * MM).friction)


def test_openings_of_a_body():
    here = np.zeros(3), np.array([0, 0, 1.0]), np.array([1.0, 0, 0])
    hole = Opening("1", *here, length=4 * MM, radius=3 * MM, rim=0.3 * MM, inside_rim=0.1 * MM)
    assert aperture_of(hole) == round_hole(3 * MM, 4 * MM, 0.3 * MM, 0.1 * MM)
    window = Opening(WINDOW, *here, length=4 * MM, width=12 * MM, height=5 * MM)
    assert aperture_of(window) == rectangular_hole(12 * MM, 5 * MM, 4 * MM)


def tilted(edge_deg, wall, along, across=0.0):
    sizes = {"width": 11 * MM, "height": 4 * MM, "edge_deg": edge_deg, "rim": 0.3 * MM, "inside_rim": 0.3 * MM}
    window = Opening(
        WINDOW, np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([-1.0, 0.0, 0.0]), wall, tilt=(across, along), **sizes
    )
    return aperture_of(window)


def test_a_window_under_a_tilted_outside():
    """An upright one is its own mirror image, so that either tilt does the same; it leaves by its short side, and is
    freer. Behind a sloping edge in thick clay the flow leaves beyond the middle, where clay that falls is thinner."""
    even, falling, rising = (tilted(90.0, 7 * MM, g).conductivity for g in (0.0, -0.2, 0.2))
    assert falling == pytest.approx(rising, rel=1e-12)
    assert falling > even
    beside, other = (tilted(90.0, 7 * MM, 0.0, g).conductivity for g in (-0.2, 0.2))
    assert beside == pytest.approx(other, rel=1e-12)
    assert beside > falling  # the side along which it is tilted is the longer one
    assert tilted(45.0, 7 * MM, -0.1).conductivity > tilted(45.0, 7 * MM, 0.1).conductivity


@pytest.mark.parametrize("lean", [0.12, 0.3, 0.5])
def test_a_hole_under_a_tilted_outside_spares_half_of_what_one_aslant_does(lean):
    """Flat clay turned over is the same clay: of a hole aslant both ends spare alike, and here one of them is."""
    up, clay = np.array([0.0, 0.0, 1.0]), 5 * MM
    axis, across = np.array([0.0, np.sin(lean), np.cos(lean)]), np.array([1.0, 0.0, 0.0])
    aslant = Opening("1", np.zeros(3), axis, across, clay / np.cos(lean), radius=3 * MM, square=up)
    square = Opening("1", np.zeros(3), up, across, clay, radius=3 * MM)
    even, one, both = (aperture_of(o) for o in (square, replace(square, tilt=(0.0, -np.tan(lean))), aslant))
    spared = round_hole(3 * MM, clay / np.cos(lean)).outer - both.outer
    assert both.inner == pytest.approx(both.outer, rel=1e-12)
    assert spared > 0.3 * 3 * MM * np.sin(lean) ** 2
    assert even.outer - one.outer == pytest.approx(spared, rel=1e-9)
    assert one.inner == even.inner
