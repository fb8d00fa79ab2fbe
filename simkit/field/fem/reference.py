"""Quadratic shape functions and quadrature on the unit triangle and the unit tetrahedron, as arrays.

They are scikit-fem's, by way of `forms`, and asked for when something is first meshed: `lumped`, which meshes nothing,
need not wait until scikit-fem is loaded.
"""

from __future__ import annotations

from functools import cache

import numpy as np

Arrays = tuple[np.ndarray, np.ndarray]


def triangle(at: np.ndarray) -> Arrays:
    """Shape functions at local points (q, 2), corners, then edges 01, 12, 02: values (q, 6), slopes (q, 2, 6)."""
    from simkit.field.fem.forms import TRIANGLE, shapes

    return shapes(TRIANGLE, at)


def tetrahedron(at: np.ndarray) -> Arrays:
    """The same at (q, 3) of the tetrahedron, with edges 01, 12, 02, 03, 13, 23: (q, 10) and (q, 3, 10)."""
    from simkit.field.fem.forms import TETRAHEDRON, shapes

    return shapes(TETRAHEDRON, at)


@cache
def triangle_rule(degree: int) -> Arrays:
    """Points (q, 2) and weights (q,), sum 1/2, exact to `degree`."""
    from simkit.field.fem.forms import TRIANGLE, quadrature

    return quadrature(TRIANGLE, degree)


@cache
def tetrahedron_rule(degree: int) -> Arrays:
    """Points (q, 3) and weights (q,), sum 1/6, exact to `degree`."""
    from simkit.field.fem.forms import TETRAHEDRON, quadrature

    return quadrature(TETRAHEDRON, degree)
