"""Saturation of the labium's source: a jet that swings far is all in or all out, and can give no more.

The jet's share inside follows tanh((eta - y0)/b). With eta = x b sin(phi) and a = y0/b: what comes out at the same
frequency over what a small swing would give is the describing function; what a small swing at another, unrelated
frequency still gives is the mean slope.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline

from simkit.sound.elements.orifice import Reals

_LARGE = 100.0  # beyond this swing the jet is a switch


def describing(x: float, a: float = 0.0) -> float:
    """N = (1/pi x) int tanh(x sin p - a) sin p dp over a period: 1 at a small swing, 4/(pi x) at a large one.

    Gelb & Vander Velde 1968, Multiple-Input Describing Functions, ch. 2 (from memory).

    >>> round(describing(1.0), 5)
    0.81168
    """
    # By parts, so that nothing cancels at small x. The trapezoid rule errs by exp(-n asinh(pi/2x)).
    angle = _angles(x)
    return float(2 * np.mean(np.cos(angle) ** 2 * _slope(x * np.sin(angle) - a)))


def mean_slope(x: float, a: float = 0.0) -> float:
    """M = (1/2 pi) int sech^2(x sin p - a) dp: gain left for another frequency. N + x N'/2 if a = 0.

    >>> round(mean_slope(0.0, 0.5), 5)
    0.78645
    """
    return float(np.mean(_slope(x * np.sin(_angles(x)) - a)))


def _angles(x: float) -> np.ndarray:
    count = 64 + int(24 * x)  # the sharper tanh(x sin p) turns, the more
    return 2 * np.pi * np.arange(count) / count


def _slope(y: np.ndarray) -> np.ndarray:
    return 1 / np.cosh(np.minimum(np.abs(y), 300.0)) ** 2  # no overflow


class Saturation:
    """Both functions for one labium offset a = y0/b, tabulated once and quick: arrays of swings x in, N and M out.

    Right to 1e-6 up to x = 100, then by the switch's limits 4/(pi x) and 2/(pi x).
    """

    def __init__(self, offset: float = 0.0):
        self.offset = offset
        swings = np.geomspace(1e-3, _LARGE, 400)
        self._log = np.log(swings)
        self._same = CubicSpline(self._log, [describing(x, offset) for x in swings])
        self._other = CubicSpline(self._log, [mean_slope(x, offset) for x in swings])

    def same(self, x: Reals) -> Reals:
        """Describing function N(x), for the frequency that swings the jet."""
        return self._read(self._same, x)

    def other(self, x: Reals) -> Reals:
        """Mean slope M(x), for any other frequency."""
        return self._read(self._other, x)

    def _read(self, spline: CubicSpline, x: Reals) -> Reals:
        log = np.log(np.maximum(x, 1e-30))
        return spline(np.clip(log, self._log[0], self._log[-1])) * np.minimum(1.0, _LARGE / np.maximum(x, 1e-30))


@lru_cache(maxsize=64)
def saturation_of(offset: float) -> Saturation:
    """The tables of one labium offset: jets of many sizes have it in common."""
    return Saturation(offset)
