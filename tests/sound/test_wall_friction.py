"""What walls take from air that is pressed along them slower than it would ring by itself: a tube from end to end."""

from types import SimpleNamespace

import numpy as np
import pytest

from simkit.air import moist_air
from simkit.sound.models.circuit import Circuit, WallLoss

LENGTH, RADIUS, COUNT = 0.08, 0.004, 4000


@pytest.fixture(scope="module")
def tube():
    """The field of a tube with a port at either end, by its plane modes cos(n pi x/L), and its walls' losses."""
    air, volume = moist_air(), np.pi * RADIUS**2 * LENGTH
    n = np.arange(1, COUNT)
    k = n * np.pi / LENGTH
    modes = np.sqrt(2 / volume) * np.stack([np.ones(len(n)), (-1.0) ** n])
    at_rest, growth = modes / k**2 @ modes.T, modes / k**4 @ modes.T
    pairs = np.einsum("im,jm->mij", modes, modes)
    field = SimpleNamespace(k2=k**2, modes=modes, pairs=pairs, static=at_rest, quadratic=growth)
    omega = air.sound_speed * k
    friction, heat = air.delta_v(omega) / RADIUS, (air.gamma - 1) * air.delta_t(omega) / RADIUS
    circuit = Circuit(field, (), air, air, WallLoss(np.zeros(2), friction, heat), False)
    return SimpleNamespace(air=air, volume=volume, circuit=circuit)


@pytest.mark.parametrize("share", [0.05, 0.2, 0.4])
def test_a_tube_answers_as_kirchhoff_says_far_below_its_own_modes(tube, share):
    """Kirchhoff 1868, Ann. Phys. 134, 177, wide tube: Gamma = i k [1 + (1 - i)(delta_v + (gamma - 1) delta_t)/(2 a)].

    Friction alone makes the air heavier by 1 + (1 - i) delta_v/a; from end to end Z = -1/(S F kappa sin(kappa L)) with
    kappa = Gamma/i and F what friction leaves of the flow.
    """
    air = tube.air
    omega = share * np.pi * air.sound_speed / LENGTH
    k = omega / air.sound_speed
    layers = (1 - 1j) * (air.delta_v(omega) + (air.gamma - 1) * air.delta_t(omega)) / (2 * RADIUS)
    kappa, left = k * (1 + layers), 1 / (1 + (1 - 1j) * air.delta_v(omega) / RADIUS)
    area = np.pi * RADIUS**2
    exact = -1 / (area * left * kappa * np.sin(kappa * LENGTH))
    # The uniform pressure is not in it; the heat that it loses is the circuit's other part.
    warm = 1 + (1 - 1j) * (air.gamma - 1) * air.delta_t(omega) / RADIUS
    found = tube.circuit.regular(np.array([omega + 0j]))[0, 0, 1] - 1 / (tube.volume * warm * k**2)
    # Both are right to first order in the layers: what is left is of the second.
    assert abs(found - exact) < 1.5 * abs(layers) ** 2 * abs(exact)
