"""Viscothermal ducts against Kirchhoff's and Zwikker & Kosten's results."""

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.air import moist_air
from simkit.sound.elements.ducts import (
    TwoPort,
    bore_filling,
    duct,
    end_impedance,
    in_series,
    plain_filling,
    slit_filling,
    stopped,
)

AIR = moist_air()
OMEGA = 2 * np.pi * 500
RHO_C = AIR.density * AIR.sound_speed


def zwikker_kosten(radius):
    """(density, stiffness) of air in a bore: rho/F(nu), gamma p/(gamma - (gamma - 1) F(alpha)), by mpmath.

    F(d) = 1 - 2 J_1(z)/(z J_0(z)), z = a sqrt(-i omega/d): Zwikker & Kosten 1949, Sound Absorbing Materials, ch. II.
    """

    def share(diffusivity):
        z = radius * mpmath.sqrt(-1j * OMEGA / diffusivity)
        return 1 - 2 * mpmath.besselj(1, z) / (z * mpmath.besselj(0, z))

    heat = AIR.gamma - (AIR.gamma - 1) * share(AIR.thermal_diffusivity)
    return AIR.density / share(AIR.kinematic_viscosity), AIR.density * AIR.sound_speed**2 / heat


@pytest.mark.parametrize("radius", [5e-3, 3e-3, 0.3e-3])
def test_a_bore_is_zwikker_and_kostens(radius):
    density, stiffness = zwikker_kosten(radius)
    found = bore_filling(AIR, OMEGA, radius)
    assert found.wavenumber(OMEGA) == pytest.approx(complex(OMEGA * mpmath.sqrt(density / stiffness)), rel=1e-9)
    assert found.wave_impedance == pytest.approx(complex(mpmath.sqrt(density * stiffness)), rel=1e-9)


@pytest.mark.parametrize("radius", [3e-3, 5e-3, 10e-3])
def test_kirchhoffs_wide_tube(radius):
    """Kirchhoff 1868: i k [1 + (1 - i)(delta_v + (gamma - 1) delta_t) / (2a)], within 3 % of the attenuation."""
    k = OMEGA / AIR.sound_speed
    layers = AIR.delta_v(OMEGA) + (AIR.gamma - 1) * AIR.delta_t(OMEGA)
    wide = 1j * k * (1 + (1 - 1j) * layers / (2 * radius))
    found = 1j * bore_filling(AIR, OMEGA, radius).wavenumber(OMEGA)
    assert found.real == pytest.approx(wide.real, rel=0.03)
    assert found.imag == pytest.approx(wide.imag, rel=2e-5)


def test_poiseuille():
    """Slow flow: resistance 8 eta L / (pi a^4) in a bore, 12 eta L / (w h^3) in a slit (Poiseuille 1840)."""
    slow, radius, length = 2 * np.pi * 0.01, 0.5e-3, 0.01
    bore = duct(bore_filling(AIR, slow, radius), slow, np.pi * radius**2, length)
    assert bore.B.real == pytest.approx(8 * AIR.viscosity * length / (np.pi * radius**4), rel=1e-3)
    height, width = 0.5e-3, 10e-3
    slit = duct(slit_filling(AIR, slow, height), slow, width * height, length)
    assert slit.B.real == pytest.approx(12 * AIR.viscosity * length / (width * height**3), rel=1e-3)


def test_slow_changes_are_isothermal():
    slow = 2 * np.pi * 0.01
    filling = bore_filling(AIR, slow, 0.2e-3)
    assert filling.stiffness.real == pytest.approx(AIR.density * AIR.sound_speed**2 / AIR.gamma, rel=1e-3)


def test_a_closed_tube_rings_at_half_waves():
    filling, length, area = plain_filling(AIR), 0.1, 1e-4
    for n in (1, 2, 3):
        omega = n * np.pi * AIR.sound_speed / length
        tube = duct(filling, omega, area, length)
        assert abs(tube.C * RHO_C / area) < 1e-9  # no flow needed to hold the pressure
        assert pytest.approx((-1) ** n) == tube.A


@given(st.floats(50, 5000), st.floats(0.5e-3, 10e-3), st.floats(1e-3, 0.1), st.complex_numbers(max_magnitude=1e7))
def test_reciprocal_and_passive(hertz, radius, length, load):
    omega = 2 * np.pi * hertz
    tube = duct(bore_filling(AIR, omega, radius), omega, np.pi * radius**2, length)
    assert pytest.approx(1, abs=1e-9) == tube.A * tube.D - tube.B * tube.C
    passive = abs(load.real) + 1j * load.imag
    assert tube.input_impedance(passive).real > 0
    assert tube.closed.real > 0
    assert stopped(bore_filling(AIR, omega, radius), omega, np.pi * radius**2, length) == pytest.approx(tube.closed)


def test_two_halves_are_a_whole():
    filling = bore_filling(AIR, OMEGA, 2e-3)
    whole, half = (duct(filling, OMEGA, 1e-5, length) for length in (0.04, 0.02))
    twice = half.then(half)
    for name in "ABCD":
        assert getattr(twice, name) == pytest.approx(getattr(whole, name))


def test_end_impedance():
    """Z = i omega rho d/S and, for friction, resistance equal to reactance (both walls' layers are alike)."""
    plain = end_impedance(AIR, OMEGA, 5e-5, 2.5e-2, 3e-3, 3.3e-3, lossless=True)
    assert plain == pytest.approx(1j * OMEGA * AIR.density * 3e-3 / 5e-5)
    rubbed = end_impedance(AIR, OMEGA, 5e-5, 2.5e-2, 3e-3, 3.3e-3) - plain
    assert rubbed.real == pytest.approx(rubbed.imag)
    expected = 0.5 * AIR.density * OMEGA * AIR.delta_v(OMEGA) * 2.5e-2 * 3.3e-3 / 5e-5**2
    assert rubbed.real == pytest.approx(expected)


def test_in_series():
    assert in_series(3.0).then(in_series(4.0)) == TwoPort(1.0, 7.0, 0.0, 1.0)
    assert in_series(3.0).input_impedance(5.0) == 8.0
