"""The map of a quadratic triangle or tetrahedron, by whose determinant a mesh is judged.

Only here in this room; `field` computes with scikit-fem's elements, which count the nodes alike (corners, then edges).
"""

from __future__ import annotations

import numpy as np

from simkit.body.kernel import EDGES

# Five points, exact to degree 3 as the Jacobian's determinant is (Stroud 1971, T3: 3-1 [memory]); those beside the
# middle also look at the element's tightest places.
_INSIDE = np.array([[1 / 4] * 3, [1 / 2, 1 / 6, 1 / 6], [1 / 6, 1 / 2, 1 / 6], [1 / 6, 1 / 6, 1 / 2], [1 / 6] * 3])
_WEIGHTS = np.array([-4 / 5, 9 / 20, 9 / 20, 9 / 20, 9 / 20]) / 6
# Three points of a triangle, exact to degree 2, a third of its area each (Strang & Fix 1973 [memory]).
_ON_FACET = np.array([[1 / 6, 1 / 6], [2 / 3, 1 / 6], [1 / 6, 2 / 3]])


def shape_values(local: np.ndarray) -> np.ndarray:
    """Values of the quadratic shape functions at a local point (2,) or (3,): (6,) or (10,)."""
    bary, edges = _barycentric(local)
    return np.concatenate([bary * (2 * bary - 1), [4 * bary[a] * bary[b] for a, b in edges]])


def shape_gradients(local: np.ndarray) -> np.ndarray:
    """Their gradients by the local coordinates: (6, 2) or (10, 3)."""
    bary, edges = _barycentric(local)
    slope = np.vstack([-np.ones(len(local)), np.eye(len(local))])  # of the barycentric coordinates
    corners = (4 * bary - 1)[:, None] * slope  # of b (2 b - 1)
    return np.vstack([corners, [4 * (bary[a] * slope[b] + bary[b] * slope[a]) for a, b in edges]])


def _barycentric(local: np.ndarray) -> tuple[np.ndarray, tuple[list[int], ...]]:
    return np.array([1 - local.sum(), *local]), EDGES[: 3 if len(local) == 2 else 6]


def jacobians(points: np.ndarray, tets: np.ndarray, at: np.ndarray = _INSIDE) -> np.ndarray:
    """Determinants (m, q) of the maps of `tets` (m, 10) at local points `at` (q, 3), else at those of the rule."""
    gradients = np.array([shape_gradients(p) for p in at])
    nodes = points[tets].swapaxes(1, 2).reshape(-1, tets.shape[1])  # one product of matrices, of all elements at once
    maps = (nodes @ gradients.swapaxes(1, 2).reshape(-1, tets.shape[1]).T).reshape(len(tets), 3, len(at), 3)
    return determinants_of(maps.swapaxes(1, 2))


def determinants_of(J: np.ndarray) -> np.ndarray:
    """Determinants (...) of matrices (..., 3, 3), written out: a fifth of the time of the general way."""
    a, b, c = (J[..., row, :] for row in range(3))
    return np.asarray(
        a[..., 0] * (b[..., 1] * c[..., 2] - b[..., 2] * c[..., 1])
        + a[..., 1] * (b[..., 2] * c[..., 0] - b[..., 0] * c[..., 2])
        + a[..., 2] * (b[..., 0] * c[..., 1] - b[..., 1] * c[..., 0])
    )


def upright(points: np.ndarray, tets: np.ndarray) -> np.ndarray:
    """Tetrahedra (m, 4) turned so that their volumes are positive."""
    flipped = determinants_of(points[tets[:, 1:]] - points[tets[:, :1]]) < 0
    tets = tets.copy()
    tets[flipped] = tets[flipped][:, [0, 2, 1, 3]]  # two corners exchanged turn the sign
    return tets


def summed_volume(determinants: np.ndarray) -> float:
    """The volume of tetrahedra from their determinants (m, 5) at the rule's points, m^3."""
    return float((determinants @ _WEIGHTS).sum())


def facet_points(points: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points (3 f, 3), m, on curved facets (f, 6), and areas (3 f,), m2, as their weights: a rule of degree 2."""
    nodes = points[facets]
    places = [np.einsum("n,fni->fi", shape_values(at), nodes) for at in _ON_FACET]
    tangents = [np.einsum("nd,fni->dfi", shape_gradients(at), nodes) for at in _ON_FACET]
    return np.concatenate(places), np.concatenate([np.linalg.norm(np.cross(u, v), axis=1) / 6 for u, v in tangents])
