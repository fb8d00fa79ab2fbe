"""Integrals over the curved triangles and tetrahedra of a mesh, from values at points to loads at nodes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix, diags

from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.reference import shape_functions, tetrahedron_rule, triangle_rule

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
