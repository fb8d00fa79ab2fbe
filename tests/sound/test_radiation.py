"""Radiation of pistons and pipes against Rayleigh, and against Levine & Schwinger's integrals solved here."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import j1, y1

from simkit.air import moist_air
from simkit.sound.elements.radiation import baffled_piston, pipe_end, pipe_impedance, radiation_resistance

AIR = moist_air()


@pytest.mark.parametrize(
    ("ka", "resistance", "reactance"),
    [(0.1, 0.00499167, 0.0846565), (0.3, 0.0443300, 0.2485989), (0.5, 0.1198988, 0.3969147), (1, 0.4232752, 0.6467638)],
)
def test_baffled_piston(ka, resistance, reactance):
    """Rayleigh, sec. 302, with Struve's function; also any table of piston impedance (Beranek 1954)."""
    found = baffled_piston(ka)
    assert found.real == pytest.approx(resistance, abs=1e-7)
    assert found.imag == pytest.approx(reactance, abs=1e-7)


def test_slow_piston_is_a_small_source():
    """For small ka the piston has rho omega^2 / (2 pi c) and the end correction 8a/(3 pi)."""
    ka, radius = 0.01, 4e-3
    omega = ka * AIR.sound_speed / radius
    resistance = baffled_piston(ka).real * AIR.density * AIR.sound_speed / (np.pi * radius**2)
    assert radiation_resistance(AIR, omega, baffled=True) == pytest.approx(resistance, rel=1e-4)
    assert radiation_resistance(AIR, omega) == pytest.approx(resistance / 2, rel=1e-4)
    assert baffled_piston(ka).imag / ka == pytest.approx(8 / (3 * np.pi), rel=1e-4)


def levine_schwinger(ka):
    """|R| = exp[-(2 ka/pi) int_0^ka atan(-J1/N1) / (x sqrt(ka^2 - x^2)) dx]: Phys. Rev. 73, 383 (1948)."""
    # x = ka sin(t) takes the root away.
    integral, _ = quad(lambda t: np.arctan2(j1(ka * np.sin(t)), -y1(ka * np.sin(t))) / np.sin(t), 0, np.pi / 2)
    return np.exp(-2 / np.pi * integral)


@pytest.mark.parametrize(
    ("ka", "reflection", "length"),
    [
        (0.1, 0.99507, 0.61099),
        (0.2, 0.98086, 0.60638),
        (0.5, 0.89644, 0.58184),
        (1, 0.69510, 0.52743),
        (2, 0.34618, 0.41694),
    ],
)
def test_unflanged_pipe(ka, reflection, length):
    """Levine & Schwinger's integrals by quadrature, computed apart; Silva et al. fit them to 0.3 % and 1.2 %."""
    found = pipe_end(ka)
    assert found[0] == pytest.approx(reflection, rel=3e-3)
    assert found[1] == pytest.approx(length, rel=0.012)
    assert levine_schwinger(ka) == pytest.approx(reflection, rel=1e-4)


def test_low_frequency_limits():
    """Unflanged (ka)^2/4 and 0.6133 (Levine & Schwinger), flanged (ka)^2/2 and 0.8216 (Norris & Sheng 1989)."""
    ka = 0.02
    for flanged, resistance, length in ((False, 0.25, 0.6133), (True, 0.5, 0.8216)):
        found = pipe_impedance(ka, flanged)
        assert found.real / ka**2 == pytest.approx(resistance, rel=2e-3)
        assert found.imag / ka == pytest.approx(length, rel=2e-3)


def test_flanged_pipe_is_near_the_piston():
    """Within its range the flanged pipe radiates like the uniform piston to some per cent (Norris & Sheng 1989)."""
    for ka in (0.2, 0.5, 1.0):
        assert pipe_impedance(ka, flanged=True).real == pytest.approx(baffled_piston(ka).real, rel=0.06)
