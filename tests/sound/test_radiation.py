"""Radiation of a compact body's openings against Rayleigh's piston."""

import numpy as np
import pytest
from scipy.special import j1

from simkit.air import moist_air
from simkit.sound.elements.losses import radiation_resistance

AIR = moist_air()


def test_slow_piston_is_a_small_source():
    """For small ka a piston in a wide wall has rho omega^2 / (2 pi c): R = rho c/S (1 - J1(2 ka)/ka).

    Rayleigh 1896, Theory of Sound, section 302.
    """
    ka, radius = 0.01, 4e-3
    omega = ka * AIR.sound_speed / radius
    resistance = (1 - j1(2 * ka) / ka) * AIR.density * AIR.sound_speed / (np.pi * radius**2)
    assert radiation_resistance(AIR, omega, baffled=True) == pytest.approx(resistance, rel=1e-4)
    assert radiation_resistance(AIR, omega) == pytest.approx(resistance / 2, rel=1e-4)
