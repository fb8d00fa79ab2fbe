"""Quadratic shape functions and quadrature on the unit triangle and the unit tetrahedron, as arrays.

Written out, for loading scikit-fem takes as long as all answers of a design that is asked again; `tests/field/
test_forms.py` holds them to scikit-fem's own, by way of `forms`.
"""

from __future__ import annotations

from functools import cache
from itertools import permutations
from math import sqrt

import numpy as np

from simkit.body.kernel import EDGES

Arrays = tuple[np.ndarray, np.ndarray]


def shape_functions(at: np.ndarray) -> Arrays:
    """Shape functions at local points of the triangle (q, 2) or tetrahedron (q, 3): values and slopes.

    L (2 L - 1) at corners, then 4 L L' on edges 01, 12, 02 (and 03, 13, 23), L the barycentric coordinates: values
    (q, 6) or (q, 10), slopes (q, 2, 6) or (q, 3, 10).
    """
    dim = at.shape[1]
    L = np.concatenate([1 - at.sum(axis=1, keepdims=True), at], axis=1)
    steep = np.concatenate([-np.ones((dim, 1)), np.eye(dim)], axis=1)  # dL by the local coordinates
    i, j = np.transpose(EDGES[:3] if dim == 2 else EDGES)  # those of the face 012 come first
    values = np.concatenate([L * (2 * L - 1), 4 * L[:, i] * L[:, j]], axis=1)
    corners = (4 * L - 1)[:, None] * steep
    edges = 4 * (L[:, None, i] * steep[:, j] + L[:, None, j] * steep[:, i])
    return values, np.concatenate([corners, edges], axis=2)


@cache
def triangle_rule(degree: int) -> Arrays:
    """Points (q, 2) and weights (q,), sum 1/2, exact to `degree`: 2 or 4 (Strang & Fix 1973, six points [memory])."""
    if degree == 2:
        return _orbits((((2 / 3, 1 / 6, 1 / 6), 1 / 6),))
    assert degree == 4
    spread, share = sqrt(38 - 44 * sqrt(2 / 5)), sqrt(213125 - 53320 * sqrt(10))
    a, b = ((8 - sqrt(10) + sign * spread) / 18 for sign in (1, -1))
    w, v = ((620 + sign * share) / 7440 for sign in (1, -1))
    return _orbits((((1 - 2 * a, a, a), w), ((1 - 2 * b, b, b), v)))


@cache
def tetrahedron_rule(degree: int) -> Arrays:
    """Points (q, 3) and weights (q,), sum 1/6, exact to `degree`: 3 or 4 (Keast 1986, 5 and 11 points [memory])."""
    middle = (1 / 4,) * 4
    if degree == 3:
        return _orbits(((middle, -2 / 15), ((1 / 2, 1 / 6, 1 / 6, 1 / 6), 3 / 40)))
    assert degree == 4
    a, b = (1 + sqrt(5 / 14)) / 4, (1 - sqrt(5 / 14)) / 4
    return _orbits(((middle, -74 / 5625), ((11 / 14, 1 / 14, 1 / 14, 1 / 14), 343 / 45000), ((a, a, b, b), 28 / 1125)))


def _orbits(rules: tuple[tuple[tuple[float, ...], float], ...]) -> Arrays:
    """Points of every different order of each point's barycentric coordinates, with the point's weight."""
    orders = [(sorted(set(permutations(place))), weight) for place, weight in rules]
    points = np.array([each[1:] for found, _ in orders for each in found])  # the first coordinate follows
    return points, np.concatenate([np.full(len(found), weight) for found, weight in orders])
