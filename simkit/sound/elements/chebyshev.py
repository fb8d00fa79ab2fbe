"""Smooth functions by values at Chebyshev's points: barycentric weights (Berrut & Trefethen 2004) and coefficients."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.polynomial.chebyshev import chebinterpolate, chebpts1

from simkit.sound.elements.orifice import Reals


def points(low: Reals, high: Reals, count: int) -> np.ndarray:
    """Chebyshev's points (count,) of the first kind between two ends, rising; (..., count) of ends (..., 1)."""
    return np.asarray((low + high) / 2 + (high - low) / 2 * chebpts1(count))


def shares(nodes: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Weights (..., p) for interpolation at real or complex places (...), of the values at such points.

    nodes: (p,), or (..., p) where each place has its own.

    >>> nodes = points(1.0, 2.0, 8)
    >>> bool(abs(shares(nodes, np.array(1.3 + 0.1j)) @ nodes**5 - (1.3 + 0.1j) ** 5) < 1e-12)
    True
    >>> bool(abs(shares(nodes, nodes[2]) @ nodes - nodes[2]) < 1e-12)
    True
    """
    count = nodes.shape[-1]
    signs = np.sin(np.pi * (np.arange(count) + 0.5) / count) * (-1.0) ** np.arange(count)
    away = at[..., None] - nodes
    if not away.all():  # at a point itself its own weight must outdo all others, not be infinite
        away = np.where(away == 0, 1e-13 * nodes[..., -1:], away)
    parts = signs / away
    parts *= 1 / parts.sum(axis=-1, keepdims=True)  # a complex quotient takes four times a product
    return np.asarray(parts)


def coefficients(values: np.ndarray) -> np.ndarray:
    """Coefficients (p, ...) of Chebyshev's polynomials over the range, from values (p, ...) at its `points`."""
    flat: Any = values.reshape(len(values), -1)  # columns, which numpy interpolates one as well as many
    return np.asarray(chebinterpolate(lambda _: flat, len(values) - 1)).reshape(values.shape)
