"""Impulse response of the jet's wave: the jet's swing now from the window's air at earlier times.

The wave's spectrum exp(-i k W) is known for real frequencies; in time it is a sum of delayed copies whose weights are
fitted to it. The fit is closest where the instrument rings.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simkit.frozen import frozen
from simkit.sound.elements.airjet import AirJet

_FIRST, LAST = 0.75, 8.0  # delays, in cut-ups over the jet's speed
_SHORTEST = 1.6  # omega b/U up to which the wave is followed; beyond it is damped, and kept quiet
_CLOSENESS = 0.1  # width, in log frequency, of the bands in which the fit is closest
_ANYWHERE, _QUIET, _SMALL = 0.01, 0.03, 3e-3


@frozen
class Kernel:
    """swing(t) = sum_j weights_j v(t - delays_j): x = eta/b from the window's air v (m/s); delays in s."""

    delays: np.ndarray
    weights: np.ndarray

    def spectrum(self, omega: np.ndarray) -> np.ndarray:
        """x for each m/s at angular frequencies (N,)."""
        return np.exp(-1j * np.outer(omega, self.delays)) @ self.weights


def kernel_of(jet: AirJet, speed: float, rings_at: Sequence[float]) -> Kernel:
    """The jet's kernel at a speed, closest at the angular frequencies `rings_at` and at overtones of the first.

    Least squares on the relative error over all frequencies that the jet amplifies. No kernel of delays alone has
    exactly the wave's spectrum; within 5 % of the given frequencies it is right to about 1 %, elsewhere to some
    ten per cent.
    """
    top = _SHORTEST * speed / jet.half_width
    unit = jet.cut_up / speed
    delays = np.arange(_FIRST * unit, LAST * unit, np.pi / (1.3 * top))  # Nyquist's for what lies below 1.3 top
    omega = np.geomspace(0.05 / unit, top, 500)
    wanted = np.exp(jet.wave_log(omega, speed))
    first = rings_at[0]
    bands = [(1.0, each) for each in rings_at] + [(0.1, 2 * first), (0.3, 3 * first), (0.1, 5 * first)]
    # Bells about each band, in log frequency; over |wanted|, so that errors are relative.
    near = sum(a * np.exp(-0.5 * (np.log(omega / c) / _CLOSENESS) ** 2) for a, c in bands)
    weight = (_ANYWHERE + near) / np.abs(wanted)
    above = np.linspace(1.1 * top, 1.3 * top, 60)
    rows = np.vstack([
        weight[:, None] * np.exp(-1j * np.outer(omega, delays)),
        _QUIET * np.exp(-1j * np.outer(above, delays)),
    ])  # fmt: skip
    goal = np.r_[weight * wanted, np.zeros(len(above))]
    # The last rows keep the weights small (Tikhonov): many kernels fit nearly as well.
    system = np.vstack([rows.real, rows.imag, _SMALL * np.eye(len(delays))])
    fitted = np.linalg.lstsq(system, np.r_[goal.real, goal.imag, np.zeros(len(delays))], rcond=None)[0]
    bent = jet.constants.receptivity * jet.height / (speed * jet.half_width)
    return Kernel(delays, bent * fitted)
