"""Integrals over the curved triangles and tetrahedra of a mesh, from values at points to loads at nodes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from simkit.body.meshes.curved import AirMesh, jacobians

# Six points, exact to degree 4: barycentric (1 - 2 g, g, g) and its turns, with weight w (Strang & Fix 1973, in
# Dunavant 1985 [Dunavant1985], Int. J. Numer. Meth. Eng. 21:1129, table for p = 4 [memory]).
_TRIANGLE = ((0.445948490915965, 0.223381589678011), (0.091576213509771, 0.109951743655322))
# Five points, exact to degree 3: the middle with weight -4/5, and (1/2, 1/6, 1/6, 1/6) and its turns with 9/20
# (Stroud 1971, T3: 3-1 [memory]); the points at which the body room gives the Jacobian.
_TETRAHEDRON = np.array([[1 / 4] * 4, *(np.full((4, 4), 1 / 6) + np.eye(4) / 3)])
_TETRAHEDRON_WEIGHTS = np.array([-4 / 5, 9 / 20, 9 / 20, 9 / 20, 9 / 20]) / 6
_EDGES = ((0, 1), (1, 2), (0, 2), (0, 3), (1, 3), (2, 3))


@dataclass(frozen=True, eq=False)
class Rule:
    """Points (q, 3), m, with weights (q,), m^2 or m^3, and `spread` (n, q) to the mesh's nodes.

    `spread @ values` is the load of the data: its integral times each node's shape function.
    """

    points: np.ndarray
    weights: np.ndarray
    spread: csr_matrix


def triangle_shapes(s: np.ndarray, t: np.ndarray) -> np.ndarray:
    """The six quadratic shape functions (corners, then edges 01, 12, 02) at local points: (..., 6)."""
    r = 1 - s - t
    return np.stack([r * (2 * r - 1), s * (2 * s - 1), t * (2 * t - 1), 4 * r * s, 4 * s * t, 4 * r * t], axis=-1)


def triangle_slopes(s: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Their derivatives by the two local coordinates: (..., 6) each."""
    r, o = 1 - s - t, 0 * s
    by_s = np.stack([1 - 4 * r, 4 * s - 1, o, 4 * (r - s), 4 * t, -4 * t], axis=-1)
    by_t = np.stack([1 - 4 * r, o, 4 * t - 1, -4 * s, 4 * s, 4 * (r - t)], axis=-1)
    return by_s, by_t


def facet_rule(points: np.ndarray, facets: np.ndarray) -> Rule:
    """Six points on each curved facet (f, 6) of a mesh with nodes `points` (n, 3)."""
    g = np.repeat([g for g, _ in _TRIANGLE], 3)
    s, t = g.copy(), g.copy()
    s[[1, 4]], t[[2, 5]] = 1 - 2 * g[[1, 4]], 1 - 2 * g[[2, 5]]
    shapes = triangle_shapes(s, t)
    nodes = points[facets]
    along = [np.einsum("qi,fij->fqj", d, nodes) for d in triangle_slopes(s, t)]
    area = np.linalg.norm(np.cross(*along), axis=2)
    weights = area * np.repeat([w / 2 for _, w in _TRIANGLE], 3)
    return _rule(np.einsum("qi,fij->fqj", shapes, nodes), weights, shapes, facets, len(points))


def volume_rule(mesh: AirMesh) -> Rule:
    """Five points in each curved tetrahedron."""
    b = _TETRAHEDRON
    shapes = np.concatenate([b * (2 * b - 1), np.stack([4 * b[:, i] * b[:, j] for i, j in _EDGES], axis=1)], axis=1)
    weights = jacobians(mesh.points, mesh.tets) * _TETRAHEDRON_WEIGHTS
    at = np.einsum("qi,mij->mqj", shapes, mesh.points[mesh.tets])
    return _rule(at, weights, shapes, mesh.tets, len(mesh.points))


def _rule(at: np.ndarray, weights: np.ndarray, shapes: np.ndarray, cells: np.ndarray, nodes: int) -> Rule:
    """Flatten points (cells, q, 3) and weights (cells, q); `shapes` (q, nodes of a cell)."""
    q, width = shapes.shape
    entries = shapes[None] * weights[:, :, None]
    rows = np.repeat(cells[:, None, :], q, axis=1)
    columns = np.repeat(np.arange(weights.size), width)
    spread = csr_matrix((entries.ravel(), (rows.ravel(), columns)), shape=(nodes, weights.size))
    return Rule(at.reshape(-1, 3), weights.ravel(), spread)
