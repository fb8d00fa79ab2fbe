"""Wall losses against published closed forms."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import spherical_jn

from simkit.air import moist_air
from simkit.sound.elements.losses import friction_loss, heat_loss, mode_loss, shifted
from simkit.sound.elements.openings import round_hole
from simkit.sound.models.resonator import Resonance

AIR = moist_air()


def test_a_hole_in_a_ball(sharp_hole):
    """100 cm3, hole of 4 mm radius through 4 mm, first order in the layers.

    omega = c sqrt(K/V) and radiation K k/(4 pi) (Rayleigh, Theory of Sound, secs. 304, 311); friction delta_v K G/2
    and heat (gamma - 1) delta_t S/(2V); the hole's K and G as solved in conftest. About 377.5 Hz, Q 33, 362, 383.
    """
    volume, radius, depth = 1e-4, 4e-3, 4e-3
    hole, K, G = round_hole(radius, depth), sharp_hole.conductivity(radius, depth), sharp_hole.friction(radius, depth)
    area = 4 * np.pi * (3 * volume / (4 * np.pi)) ** (2 / 3)
    omega = AIR.sound_speed * np.sqrt(K / volume)
    assert hole.conductivity == pytest.approx(K, rel=5e-6)
    viscous = friction_loss(AIR, omega, hole.conductivity, hole.friction)
    thermal = heat_loss(AIR, omega, area, volume)
    layer_v, layer_t = (np.sqrt(2 * d / omega) for d in (AIR.kinematic_viscosity, AIR.thermal_diffusivity))
    assert viscous == pytest.approx(layer_v * K * G / 2, rel=1e-4)
    assert thermal == pytest.approx((AIR.gamma - 1) * layer_t * area / (2 * volume), rel=1e-9)
    lowered = shifted(omega, viscous + thermal)
    assert lowered.real / omega == pytest.approx(1 - (viscous + thermal) / 2, rel=1e-9)
    assert 2 * lowered.imag / omega == pytest.approx(viscous + thermal, rel=1e-9)
    assert Resonance(lowered).q == pytest.approx(1 / (viscous + thermal), rel=0.02)


@pytest.mark.parametrize(("degree", "root"), [(0, 4.5), (1, 2.1), (2, 3.3)])
def test_surface_integrals_give_the_spherical_resonator(degree, root, ball_mode):
    """Two published routes, one answer: Berggren's wall condition on the ball's own modes, and Moldover's formula."""
    radius = 0.03
    zero, expected = ball_mode(AIR, radius, degree, root)
    k = zero / radius
    p = spherical_jn(degree, zero) ** 2 * radius**2
    turn = degree * (degree + 1)
    squares, _ = quad(lambda r: (spherical_jn(degree, k * r) * r) ** 2, 0, radius)
    omega = k * AIR.sound_speed
    viscous, thermal = mode_loss(AIR, omega, p, p * turn / radius**2, squares, k**2 * squares)
    assert shifted(omega, viscous + thermal) == pytest.approx(expected, rel=1e-6)


def test_nothing_lost():
    assert Resonance(2500.0 + 0j).q == np.inf
    assert Resonance(100 + 2j).q == pytest.approx(25)
