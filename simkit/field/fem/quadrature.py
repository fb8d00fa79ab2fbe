"""Integrals over the curved triangles and tetrahedra of a mesh, and the shape functions and rules that they take.

Written out as arrays, for loading scikit-fem takes as long as all answers of a design that is asked again;
`tests/field/test_forms.py` holds them to scikit-fem's own, by way of `forms`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from itertools import permutations
from math import sqrt

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix, diags

from simkit.body.kernel import EDGES
from simkit.body.meshes.curved import AirMesh

Arrays = tuple[np.ndarray, np.ndarray]


def shape_functions(at: np.ndarray) -> Arrays:
    """Shape functions at local points of the triangle (q, 2) or tetrahedron (q, 3): values and slopes.

    L (2 L - 1) at corners, then 4 L L' on edges 01, 12, 02 (and 03, 13, 23), L the barycentric coordinates: values
    (q, 6) or (q, 10), slopes (q, 2, 6) or (q, 3, 10).
    """
    dim = at.shape[1]
    L = _barycentric(at)
    steep = np.concatenate([-np.ones((dim, 1)), np.eye(dim)], axis=1)  # dL by the local coordinates
    i, j = np.transpose(EDGES[:3] if dim == 2 else EDGES)  # those of the face 012 come first
    corners = (4 * L - 1)[:, None] * steep
    edges = 4 * (L[:, None, i] * steep[:, j] + L[:, None, j] * steep[:, i])
    return shape_values(at), np.concatenate([corners, edges], axis=2)


def shape_values(at: np.ndarray) -> np.ndarray:
    """The values of `shape_functions` alone."""
    L = _barycentric(at)
    i, j = np.transpose(EDGES[:3] if at.shape[1] == 2 else EDGES)
    return np.concatenate([L * (2 * L - 1), 4 * L[:, i] * L[:, j]], axis=1)


def _barycentric(at: np.ndarray) -> np.ndarray:
    return np.concatenate([1 - at.sum(axis=1, keepdims=True), at], axis=1)


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


ON_FACETS, IN_AIR = 4, 3  # degrees to which the rules are exact: six points a facet, five a tetrahedron


@dataclass(frozen=True, eq=False)
class Rule:
    """Points (q, 3), m, with weights (q,), m^2 or m^3, and `spread` (n, q) to the mesh's nodes.

    `spread @ values` is `forms.load` of the values: their integral times each node's shape function.
    """

    points: np.ndarray
    weights: np.ndarray
    spread: csr_matrix

    @cached_property
    def mass(self) -> csr_matrix:
        """The integral of p q, `forms.mass`: (n, n)."""
        # spread has each weight in it once, and a product of two shape functions wants it once too.
        return (self.spread @ diags(1 / self.weights) @ self.spread.T).tocsr()

    @cached_property
    def nodal(self) -> np.ndarray:
        """The integral of each node's shape function: (n,)."""
        return np.asarray(self.spread.sum(axis=1)).ravel()


def facet_rule(points: np.ndarray, facets: np.ndarray) -> Rule:
    """A rule over curved facets (f, 6) of a mesh with nodes `points` (n, 3)."""
    at, weights = triangle_rule(ON_FACETS)
    shapes, _ = shape_functions(at)
    areas = np.linalg.norm(_across(points, facets), axis=2)
    return _rule(np.einsum("qi,fij->fqj", shapes, points[facets]), areas * weights, shapes, facets, len(points))


def facet_normals(points: np.ndarray, facets: np.ndarray) -> np.ndarray:
    """Unit normals (facets, q, 3) of curved facets at the points of `facet_rule`, on the side they are numbered for."""
    across = _across(points, facets)
    return np.asarray(across / np.linalg.norm(across, axis=2, keepdims=True))


def _across(points: np.ndarray, facets: np.ndarray) -> np.ndarray:
    """Products (facets, q, 3) of the two tangents of curved facets at the rule's points: normals as long as areas."""
    _, slopes = shape_functions(triangle_rule(ON_FACETS)[0])
    return np.cross(*np.einsum("qai,fij->afqj", slopes, points[facets]))


def volume_rule(mesh: AirMesh) -> Rule:
    """A rule over a mesh's curved tetrahedra."""
    at, weights = tetrahedron_rule(IN_AIR)
    shapes, slopes = shape_functions(at)
    nodes = mesh.points[mesh.tets]
    volumes = np.linalg.det(np.einsum("qai,mij->mqaj", slopes, nodes))
    return _rule(np.einsum("qi,mij->mqj", shapes, nodes), volumes * weights, shapes, mesh.tets, len(mesh.points))


def _rule(at: np.ndarray, weights: np.ndarray, shapes: np.ndarray, cells: np.ndarray, nodes: int) -> Rule:
    """Flatten points (cells, q, 3) and weights (cells, q); `shapes` (q, nodes of a cell)."""
    q, width = shapes.shape
    entries = shapes[None] * weights[:, :, None]
    rows = np.repeat(cells[:, None, :], q, axis=1)
    columns = np.repeat(np.arange(weights.size), width)
    spread = csr_matrix((entries.ravel(), (rows.ravel(), columns)), shape=(nodes, weights.size))
    return Rule(at.reshape(-1, 3), weights.ravel(), spread)


ALONG = 2  # degree to which the rule for slopes is exact: those of a quadratic, squared, on a flat facet


def wall_integrals(mesh: AirMesh, shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Integrals over the wall of p^2, which heat goes by, and of |grad_T p|^2, which friction goes by: (m,) and (m,).

    shapes (n, m): pressure of m modes at the mesh's nodes, real or complex (then squared, not conjugated).
    """
    thermal, viscous = (np.einsum("nm,nm->m", shapes, A @ shapes) for A in wall_matrices(mesh))
    return thermal, viscous


def wall_matrices(mesh: AirMesh) -> tuple[csr_matrix, csr_matrix]:
    """The matrices (n, n) of these forms: of p q, m^2, and of grad_T p . grad_T q.

    With the facet's tangents t_a by its local coordinates and G_ab = t_a . t_b, grad_T p . grad_T q is
    p_a (G^-1)_ab q_b and the area element sqrt(det G): what the tetrahedron behind it has, for its trace is the facet's
    own quadratic function.
    """
    at, weights = triangle_rule(ALONG)
    _, slopes = shape_functions(at)
    tangents = np.einsum("qai,fij->fqaj", slopes, mesh.points[mesh.facets])
    G = tangents @ tangents.swapaxes(2, 3)
    # Of slopes along the facet, times the element of area.
    metric = np.linalg.inv(G) * (np.sqrt(np.linalg.det(G)) * weights)[:, :, None, None]
    each = np.einsum("qai,fqab,qbj->fij", slopes, metric, slopes, optimize=True)
    rows, columns = np.repeat(mesh.facets, 6, axis=1).ravel(), np.tile(mesh.facets, (1, 6)).ravel()
    n = len(mesh.points)
    viscous = coo_matrix((each.ravel(), (rows, columns)), shape=(n, n)).tocsr()
    return facet_rule(mesh.points, mesh.facets).mass, viscous
