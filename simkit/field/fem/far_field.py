"""Waves that leave the far sphere around the body."""

from __future__ import annotations

import numpy as np
from scipy.special import assoc_legendre_p_all, gammaln

Reals = np.ndarray


def harmonics(directions: Reals, top: int) -> Reals:
    """Real orthonormal spherical harmonics to degree `top` at unit `directions` (q, 3): ((top + 1)^2, q)."""
    x, y, z = directions.T
    phi = np.arctan2(y, x)
    legendre = assoc_legendre_p_all(top, top, z)[0]  # SciPy 1.17's `norm` forgets the poles
    rows = []
    for degree in range(top + 1):
        for order in range(-degree, degree + 1):
            turn = np.sqrt(0.5) if order == 0 else np.cos(order * phi) if order > 0 else np.sin(-order * phi)
            m = abs(order)
            # Along z the square integrates to 2/(2 l + 1) (l + m)!/(l - m)!, around cos^2 to pi.
            square = np.exp(gammaln(degree + m + 1) - gammaln(degree - m + 1)) * 2 / (2 * degree + 1) * np.pi
            rows.append(legendre[degree, m] * turn / np.sqrt(square))
    return np.array(rows)


def degrees(top: int) -> Reals:
    """Degree l of each row of `harmonics`: ((top + 1)^2,)."""
    return np.repeat(np.arange(top + 1), 2 * np.arange(top + 1) + 1)


def leaving(k: complex | Reals, radius: float | Reals, top: int) -> np.ndarray:
    """Logarithmic derivative of an outgoing wave of each degree on the sphere, -p'/p = -k h_l'(k R)/h_l(k R), 1/m:
    (top + 1, ...) for k, 1/m, and R, m, (...).

    h_l of the second kind (time factor e^{+i omega t}). With D_l = -k R h_l'/h_l the recurrence of the spherical
    Bessel functions (DLMF 10.51.2) reads D_0 = 1 + i k R, D_{l+1} = l + 2 - (k R)^2/(l + D_l): no overflow, and
    l + 1 at k = 0. (The exact condition on a sphere: Keller & Givoli 1989 [Keller1989], from memory.)

    >>> leaving(0.0, 2.0, 2).real
    array([0.5, 1. , 1.5])
    """
    x = k * radius
    D = [1 + 1j * x]
    for degree in range(top):
        D.append(degree + 2 - x * x / (degree + D[-1]))
    return np.array(D) / radius
