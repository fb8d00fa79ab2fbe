"""Derivatives of a lofted side, to second order: its curves along y, all at once, and its level.

The level's formula stands in `sections`; here are its derivatives by hand, because most of the time of a design goes
into them: a `Taylor` through some forty operations takes two milliseconds for a single point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from scipy.interpolate import PPoly

from simkit.body.walls.taylor import Taylor

Orders: TypeAlias = tuple[np.ndarray, np.ndarray, np.ndarray]  # a function of y: value, first, second derivative

TOO_SMALL = 1e-9  # of the scale: below it |x| is rounded off, so that its logarithm stays finite


@dataclass(frozen=True, eq=False)
class Curves:
    """Piecewise polynomials of y on the same pieces; beyond the ends the end pieces go on.

    x (p + 1,): where pieces meet; c (6, curves, p): coefficients, the highest power first.
    """

    x: np.ndarray
    c: np.ndarray

    @staticmethod
    def of(pieces: Sequence[PPoly]) -> Curves:
        """These, up to the fifth degree."""
        c = np.zeros((6, len(pieces), pieces[0].c.shape[1]))
        for n, each in enumerate(pieces):
            c[6 - len(each.c) :, n] = each.c
        return Curves(pieces[0].x, c)

    def values(self, y: np.ndarray) -> np.ndarray:
        """Values of all curves at y (n,): (curves, n)."""
        t, piece = self._local(y)
        value = self.c[0].take(piece, axis=1)
        for each in self.c[1:]:
            value *= t
            value += each.take(piece, axis=1)
        return value

    def orders(self, y: np.ndarray) -> Orders:
        """All curves at y (n,) with their first and second derivatives: (curves, n) each."""
        t, piece = self._local(y)
        value = self.c[0].take(piece, axis=1)
        first, half = np.zeros_like(value), np.zeros_like(value)
        for each in self.c[1:]:
            # Horner's rule for p''/2, p' and p, in this order: each takes up the next one as it was before the step.
            half *= t
            half += first
            first *= t
            first += value
            value *= t
            value += each.take(piece, axis=1)
        half *= 2
        return value, first, half

    def _local(self, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Place of y (n,) on its piece, m, and the piece's number, (n,) each."""
        piece = self.x[1:-1].searchsorted(y, side="right")  # inner breaks only, so the end pieces go on
        return y - self.x[piece], piece


def over(b: Orders, a: Orders) -> Orders:
    """The quotient of two functions; where both vanish, that of their first derivatives (l'Hospital), as constant."""
    nil = a[0] == 0
    if nil.any():
        a, b = ((np.where(nil, each[1], each[0]), np.where(nil, 0.0, each[1]), each[2] * ~nil) for each in (a, b))
    # From b = q a: b' = q' a + q a', b'' = q'' a + 2 q' a' + q a''.
    q = b[0] / a[0]
    dq = (b[1] - q * a[1]) / a[0]
    return q, dq, (b[2] - 2 * dq * a[1] - q * a[2]) / a[0]


def times(a: Orders, b: Orders) -> Orders:
    """The product of two functions."""
    return a[0] * b[0], a[1] * b[0] + a[0] * b[1], a[2] * b[0] + 2 * a[1] * b[1] + a[0] * b[2]


def root(a: Orders, least: float) -> Orders:
    """The root of a function, of `least` where it is below."""
    more = a[0] >= least
    value, first, second = a if more.all() else (np.where(more, each, 0.0) for each in a)
    r = np.sqrt(np.maximum(value, least))
    dr = first / (2 * r)  # from r^2 = a
    return r, dr, (second - 2 * dr * dr) / (2 * r)


def side_level(points: np.ndarray, section: tuple[Orders, Orders, Orders, Orders], scale: float) -> Taylor:
    """The level of a lofted side at points (n, 3), from its section at their y.

    The section: mean square half size a b, ratio b/a, rise, squareness n. With u^2 = x^2 (b/a)/scale^2 and
    v^2 = (z - rise)^2 (a/b)/scale^2 the level is ((u^n + v^n)^(2/n) - a b/scale^2) scale/2.
    """
    (square, dsquare, ddsquare), ratio, rise, (n, dn, ddn) = section
    across, upward = _squares(points, ratio, rise, (TOO_SMALL * scale) ** 2)
    half = n / 2, dn / 2, ddn / 2
    a, a_x, a_y, a_xx, a_xy, a_yy = _power(across, half, scale)
    b, b_z, b_y, b_zz, b_zy, b_yy = _power(upward, half, scale)
    # By logarithms u^n + v^n neither over- nor underflows far out or at n = 20; p and q are the shares of both.
    both = np.logaddexp(a, b)
    p = np.exp(a - both)
    q = np.exp(b - both)
    pq, d_y = p * q, a_y - b_y
    # The logarithm of their sum S, then t = (2/n) S, and e^t.
    s_y = p * a_y + q * b_y
    s_yy = p * a_yy + q * b_yy + pq * d_y * d_y
    m = 2 / n
    dm = -m * dn / n
    ddm = -(2 * dm * dn + m * ddn) / n
    t_x, t_z = m * p * a_x, m * q * b_z
    t_y = m * s_y + dm * both
    t_xx = m * (p * a_xx + pq * a_x * a_x)
    t_zz = m * (q * b_zz + pq * b_z * b_z)
    t_xz = -m * pq * a_x * b_z
    t_xy = m * (p * a_xy + pq * a_x * d_y) + dm * p * a_x
    t_zy = m * (q * b_zy - pq * b_z * d_y) + dm * q * b_z
    t_yy = m * s_yy + 2 * dm * s_y + ddm * both
    e = np.exp(m * both) * (scale / 2)
    out = 1 / (2 * scale)  # a b/scale^2 times scale/2
    return Taylor(
        e - square * out,
        [
            e * t_x,
            e * t_y - dsquare * out,
            e * t_z,
            e * (t_xx + t_x * t_x),
            e * (t_yy + t_y * t_y) - ddsquare * out,
            e * (t_zz + t_z * t_z),
            e * (t_xy + t_x * t_y),
            e * (t_xz + t_x * t_z),
            e * (t_zy + t_z * t_y),
        ],
    )


def _squares(
    points: np.ndarray, ratios: Orders, rises: Orders, least: float
) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    """x^2 b/a and (z - rise)^2 a/b, no less than `least`.

    Each as (value, along the own axis, along y, and the second derivatives own own, own y, y y).
    """
    (ratio, dratio, ddratio), (rise, drise, ddrise) = ratios, rises
    x, w = points[:, 0], points[:, 2] - rise
    inverse = 1 / ratio
    # a/b, and its derivatives, from those of b/a.
    dinverse = -dratio * inverse * inverse
    ddinverse = -(2 * dratio * dinverse + ddratio * inverse) * inverse
    across = (x * x * ratio + least, 2 * x * ratio, x * x * dratio, 2 * ratio, 2 * x * dratio, x * x * ddratio)
    ww, wdw = w * w, -w * drise
    upward = (
        ww * inverse + least,
        2 * w * inverse,
        2 * wdw * inverse + ww * dinverse,
        2 * inverse,
        2 * w * dinverse - 2 * drise * inverse,
        2 * (drise * drise - w * ddrise) * inverse + 4 * wdw * dinverse + ww * ddinverse,
    )
    return across, upward


def _power(squared: tuple[np.ndarray, ...], half: Orders, scale: float) -> tuple[np.ndarray, ...]:
    """half log(squared/scale^2) and its derivatives, in the order of `squared`; `half` is one of y."""
    X, X_o, X_y, X_oo, X_oy, X_yy = squared
    h, dh, ddh = half
    own, along = X_o / X, X_y / X
    log = np.log(X / scale**2)
    return (
        h * log,
        h * own,
        h * along + dh * log,
        h * (X_oo / X - own * own),
        h * (X_oy / X - own * along) + dh * own,
        h * (X_yy / X - along * along) + 2 * dh * along + ddh * log,
    )
