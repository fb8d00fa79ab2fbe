"""Wall losses against published closed forms."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import spherical_jn

from simkit.air import moist_air
from simkit.sound.elements.losses import friction_loss, heat_loss, mode_loss, quality, shifted, spherical_resonator
from simkit.sound.elements.openings import round_hole

AIR = moist_air()


def test_a_hole_in_a_ball():
    """100 cm3, hole of 4 mm radius through 4 mm: computed apart from this package, first order in the layers."""
    volume, hole = 1e-4, round_hole(4e-3, 4e-3)
    area = 4 * np.pi * (3 * volume / (4 * np.pi)) ** (2 / 3)
    omega = AIR.sound_speed * np.sqrt(hole.conductivity / volume)
    assert omega / (2 * np.pi) == pytest.approx(377.533, abs=1e-3)
    viscous = friction_loss(AIR, omega, hole.conductivity, hole.friction)
    thermal = heat_loss(AIR, omega, area, volume)
    radiated = hole.conductivity * omega / AIR.sound_speed / (4 * np.pi)
    assert 1 / viscous == pytest.approx(33.14, abs=0.01)
    assert 1 / thermal == pytest.approx(361.8, abs=0.1)
    assert 1 / radiated == pytest.approx(383.2, abs=0.1)
    assert 1 / (viscous + thermal + radiated) == pytest.approx(28.13, abs=0.01)
    lowered = shifted(omega, viscous + thermal)
    assert 1200 * np.log2(lowered.real / omega) == pytest.approx(-28.75, abs=0.01)
    assert lowered.real / (2 * np.pi) == pytest.approx(371.314, abs=2e-3)
    assert quality(lowered) == pytest.approx(1 / (viscous + thermal), rel=0.02)


@pytest.mark.parametrize(
    ("degree", "zero", "hertz", "breadth"),
    [(0, 4.493409, 8200.05, 1.89743e-4), (1, 2.081576, 3798.68, 1.026245e-3), (2, 3.342094, 6099.01, 1.018652e-3)],
)
def test_spherical_resonator(degree, zero, hertz, breadth):
    """Moldover, Mehl & Greenspan 1986, radius 30 mm; values computed apart from this package."""
    omega = spherical_resonator(AIR, 0.03, degree, zero)
    lossless = zero * AIR.sound_speed / 0.03
    assert lossless / (2 * np.pi) == pytest.approx(hertz, abs=0.01)
    assert omega.imag / lossless == pytest.approx(breadth, rel=1e-5)
    assert (omega.real - lossless) / lossless == pytest.approx(-breadth, rel=1e-5)


@pytest.mark.parametrize(("degree", "zero"), [(0, 4.493409), (1, 2.081576), (2, 3.342094)])
def test_surface_integrals_give_the_spherical_resonator(degree, zero):
    """Two published routes, one answer: Berggren's wall condition on the ball's own modes."""
    radius = 0.03
    k = zero / radius
    p = spherical_jn(degree, zero) ** 2 * radius**2
    turn = degree * (degree + 1)
    squares, _ = quad(lambda r: (spherical_jn(degree, k * r) * r) ** 2, 0, radius)
    omega = k * AIR.sound_speed
    viscous, thermal = mode_loss(AIR, omega, p, p * turn / radius**2, squares, k**2 * squares)
    assert shifted(omega, viscous + thermal) == pytest.approx(spherical_resonator(AIR, radius, degree, zero), rel=1e-6)


def test_nothing_lost():
    assert quality(2500.0 + 0j) == np.inf
    assert quality(np.array([100 + 1j, 100 + 2j])) == pytest.approx([50, 25])
