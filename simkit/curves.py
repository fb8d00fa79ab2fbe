"""Curves through points, polynomials piece by piece, and roots between two ends.

SciPy has all of it, in `interpolate` and `optimize`, which take a tenth of a second to load: as long as a chamber's
mesh. Step by step these are its own sums, to the last digit: meshes hang on that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import perm

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg.lapack import dgbsv, dgtsv

_LEAST = 2 * np.finfo(float).eps  # relative


@dataclass(frozen=True, eq=False)
class Pieces:
    """Polynomials between places x (p + 1,): c (degree + 1, p, ...), of x less the piece's start, highest power first.

    Beyond both ends the end pieces go on.
    """

    x: np.ndarray
    c: np.ndarray

    def __call__(self, at: float | np.ndarray, order: int = 0) -> np.ndarray:
        """Values at places, or derivatives of some order: the shape of `at`, then that of a value."""
        at = np.asarray(at, float)
        piece = self.x[1:-1].searchsorted(at, side="right")
        t = (at - self.x[piece]).reshape(at.shape + (1,) * (self.c.ndim - 2))
        value, power = np.zeros(at.shape + self.c.shape[2:]), np.ones_like(t)
        for n in range(order, len(self.c)):
            value = value + self.c[-1 - n, piece] * power * perm(n, order)
            power = power * t
        return value


def cubic(x: ArrayLike, y: ArrayLike, last_slope: float | None = None) -> Pieces:
    """The cubic spline through y (n, ...) at increasing x (n,), n > 2.

    Its third derivative is continuous next to the ends, or its slope at the last point is the one given (de Boor 1978,
    A Practical Guide to Splines, ch. IV [memory]).

    >>> cube = cubic(np.arange(5.0), np.arange(5.0) ** 3)
    >>> bool(abs(cube(np.array([0.5, 6.0])) - [0.125, 216.0]).max() < 1e-12)
    True
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    h, wide = np.diff(x), x[2:] - x[:-2]
    long = _like(h, y)
    r = np.diff(y, axis=0) / long
    # The second derivative is continuous at every inner point.
    below, at, above, b = np.zeros_like(h), np.zeros_like(x), np.zeros_like(h), np.zeros_like(y)
    below[:-1], at[1:-1], above[1:] = h[1:], 2 * (h[:-1] + h[1:]), h[:-1]
    b[1:-1] = 3 * (long[1:] * r[:-1] + long[:-1] * r[1:])
    if len(x) == 3 and last_slope is None:  # both ends' conditions would be one and the same: a parabola
        b[0], b[-1] = 2 * r[0], 2 * r[1]
        system = np.array([[1.0, 1.0, 0.0], [h[1], at[1], h[0]], [0.0, 1.0, 1.0]])
        return _by_slopes(x, y, np.linalg.solve(system, b.reshape(3, -1)).reshape(y.shape))
    at[0], above[0], at[-1], below[-1] = h[1], wide[0], h[-2], wide[-1]
    b[0] = ((h[0] + 2 * wide[0]) * h[1] * r[0] + h[0] ** 2 * r[1]) / wide[0]
    b[-1] = (h[-1] ** 2 * r[-2] + (2 * wide[-1] + h[-1]) * h[-2] * r[-1]) / wide[-1]
    if last_slope is not None:
        at[-1], below[-1], b[-1] = 1.0, 0.0, last_slope
    return _by_slopes(x, y, dgtsv(below, at, above, b.reshape(len(x), -1))[3].reshape(y.shape))


def monotone(x: ArrayLike, y: ArrayLike) -> Pieces:
    """Cubic pieces through y (n,) at increasing x (n,), n > 2, that rise and fall only where y does.

    Slopes by Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput. 5:300 [memory], three points' parabola at the ends.

    >>> bool(monotone(np.arange(4.0), np.array([0.0, 0.0, 1.0, 1.0]))(np.linspace(0, 3, 99)).max() <= 1)
    True
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    h = np.diff(x)
    r = np.diff(y) / h
    first, second = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
    turns = r[:-1] * r[1:] <= 0
    inner = (first + second) / (first / np.where(turns, 1.0, r[:-1]) + second / np.where(turns, 1.0, r[1:]))
    ends = _end_slope(*h[:2], *r[:2]), _end_slope(*h[:-3:-1], *r[:-3:-1])
    return _by_slopes(x, y, np.concatenate([ends[:1], np.where(turns, 0.0, inner), ends[1:]]))


def _end_slope(h: float, next_h: float, r: float, next_r: float) -> float:
    slope = ((2 * h + next_h) * r - h * next_r) / (h + next_h)
    if slope * r <= 0:
        return 0.0
    return 3 * r if r * next_r <= 0 and abs(slope) > 3 * abs(r) else slope


def _by_slopes(x: np.ndarray, y: np.ndarray, slopes: np.ndarray) -> Pieces:
    h = _like(np.diff(x), y)
    rise = np.diff(y, axis=0) / h
    bend = (slopes[:-1] + slopes[1:] - 2 * rise) / h
    return Pieces(x, np.stack([bend / h, (rise - slopes[:-1]) / h - bend, slopes[:-1], y[:-1]]))


def _like(h: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Numbers (m,) with as many axes more as values (n, ...) have."""
    return h.reshape(-1, *(1 for _ in y.shape[1:]))


def b_spline(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Knots (n + 4,) and coefficients (n, ...) of the same cubic spline, n > 3, as B-splines have it.

    >>> b_spline(np.arange(5.0), np.arange(5.0))[1].round(9)  # of a straight line, means of three knots each
    array([0.        , 0.66666667, 2.        , 3.33333333, 4.        ])
    """
    knots = np.concatenate([x[:1].repeat(4), x[2:-2], x[-1:].repeat(4)])
    span = np.minimum(knots[4:-4].searchsorted(x, side="right"), len(x) - 4) + 3
    basis = [np.ones(len(x))]  # that is not zero at x, degree after degree by Cox's and de Boor's recursion
    for degree in (1, 2, 3):
        lower, basis = basis, [np.zeros(len(x)) for _ in range(degree + 1)]
        for n, part in enumerate(lower):
            low, high = knots[span + n + 1 - degree], knots[span + n + 1]
            share = part / (high - low)
            basis[n] = basis[n] + share * (high - x)
            basis[n + 1] = share * (x - low)
    bands = np.zeros((10, len(x)), order="F")  # three on either side, and three that LAPACK fills
    for n, part in enumerate(basis):
        column = span - 3 + n
        bands[6 + np.arange(len(x)) - column, column] = part
    return knots, dgbsv(3, 3, bands, y.reshape(len(x), -1))[2].reshape(y.shape)


def root(f: Callable[[float], float], low: float, high: float, near: float = 0.0) -> float:
    """A place where f is zero between two ends at which its signs differ, to `near`, or to the last digits.

    Inverse quadratic interpolation where it is safe, else halving (Chandrupatla 1997, Adv. Eng. Software 28:145
    [memory]).

    >>> bool(abs(root(lambda x: x * x - 2, 0.0, 2.0) - np.sqrt(2)) < 1e-15)
    True
    """
    a, b, share = float(low), float(high), 0.5
    at_a, at_b = float(f(a)), float(f(b))
    if at_a * at_b > 0:
        raise ValueError("f must have different signs at both ends")
    while at_a and at_b:
        x = a + share * (b - a)
        at_x = float(f(x))
        # a, b are the new place and the end of other sign; c is the end that it takes the place of.
        c, at_c, b, at_b = (a, at_a, b, at_b) if (at_x > 0) == (at_a > 0) else (b, at_b, a, at_a)
        a, at_a = x, at_x
        least = (near + _LEAST * abs(a)) / abs(b - a) / 2
        if least > 0.5:
            break
        xi, phi = (a - b) / (c - b), (at_a - at_b) / (at_c - at_b)
        share = 0.5
        if phi * phi < xi and (1 - phi) ** 2 < 1 - xi:
            share = at_a / (at_b - at_a) * at_c / (at_b - at_c)
            share += (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
        share = min(1 - least, max(least, share))
    return a if abs(at_a) < abs(at_b) else b
