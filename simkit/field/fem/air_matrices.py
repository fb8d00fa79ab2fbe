"""Stiffness and mass of the air, all elements at once: the integrals of `forms.stiffness` and `forms.mass`.

What parting straight from curved elements buys where most are straight, as in all the air of `resolved`: 1.5 GiB of 2.6
at 300,000 nodes.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from simkit.body.kernel import edge_ends
from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.quadrature import shape_functions, tetrahedron_rule

DEGREE = 4  # of the quadrature: exact for the mass of a straight element


def stiffness_and_mass(mesh: AirMesh) -> tuple[csr_matrix, csr_matrix]:
    """K, the integral of grad p . grad q, m, and M, that of p q, m^3: (n, n) each, numbered as the mesh's nodes."""
    return real_and_imaginary(stiffness_and_imaginary_mass(mesh))


_ROW, _COLUMN = np.triu_indices(10)  # of an element's matrix: what stands below mirrors it
_BLOCK = 2000  # elements at a time, whose arrays the processor's cache holds


def stiffness_and_imaginary_mass(mesh: AirMesh) -> csr_matrix:
    """K + iM: their entries stand in the same places, which are then sorted once."""
    each = np.empty((len(mesh.tets), len(_ROW)), complex)
    curved = _curved(mesh)
    for some, entries in ((np.flatnonzero(~curved), _straight), (np.flatnonzero(curved), _by_quadrature)):
        for block in (some[start : start + _BLOCK] for start in range(0, len(some), _BLOCK)):
            each.real[block], each.imag[block] = entries(mesh.points[mesh.tets[block]])
    each[:, _ROW == _COLUMN] /= 2  # the diagonal stands in both halves
    tets = mesh.tets.astype(np.int32)  # SciPy's own width of indices: half the memory
    a, b = tets[:, _ROW].ravel(), tets[:, _COLUMN].ravel()
    count = len(mesh.points)
    places = np.minimum(a, b), np.maximum(a, b)
    upper = coo_matrix((each.ravel(), places), (count, count)).tocsr()  # adds up what elements share
    return (upper + upper.T.tocsr()).tocsr()


def real_and_imaginary(both: csr_matrix) -> tuple[csr_matrix, csr_matrix]:
    """K and M from K + iM; they share the places of their entries."""
    return like(both, both.data.real), like(both, both.data.imag)


def like(A: csr_matrix, data: np.ndarray) -> csr_matrix:
    """A matrix with other entries (nnz,), copied, in the same places."""
    return csr_matrix((data.copy(), A.indices, A.indptr), A.shape)


def _curved(mesh: AirMesh) -> np.ndarray:
    """Mask (m,) of the tetrahedra with an edge whose node is not in its middle."""
    one, other = mesh.points[edge_ends(mesh.tets, len(mesh.points)).T]
    off = np.linalg.norm(mesh.points - (one + other) / 2, axis=1) > 1e-9 * np.linalg.norm(one - other, axis=1)
    return np.asarray(off[mesh.tets[:, 4:]].any(axis=1))


@cache
def _products() -> tuple[np.ndarray, np.ndarray]:
    """Products of slopes and of values of two shape functions, times the weights of the rule's points: (6, q, 55) for
    the pairs of local coordinates of `_PAIRS`, either way round, and (q, 55)."""
    at, weights = tetrahedron_rule(DEGREE)
    values, slopes = shape_functions(at)
    one, other = slopes[..., _ROW].swapaxes(0, 1), slopes[..., _COLUMN].swapaxes(0, 1)
    steep = np.array([(one[i] * other[j] + one[j] * other[i]) / (1 + (i == j)) for i, j in _PAIRS])
    return weights[:, None] * steep, weights[:, None] * values[:, _ROW] * values[:, _COLUMN]


_PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (1, 2), (2, 0))


def _straight(nodes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """K and M of straight elements with nodes (m, 10, 3): (m, 55) each, for the map is one throughout."""
    maps = (nodes[:, 1:4] - nodes[:, :1]).transpose(1, 2, 0)[..., None]
    return _entries(maps, *(each.sum(axis=-2, keepdims=True) for each in _products()))


def _by_quadrature(nodes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """K and M of curved elements with nodes (m, 10, 3), point by point."""
    _, slopes = shape_functions(tetrahedron_rule(DEGREE)[0])
    maps = nodes.transpose(2, 0, 1) @ slopes.transpose(1, 2, 0)[:, None]
    return _entries(maps, *_products())


def _entries(maps: np.ndarray, steep: np.ndarray, heavy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """K and M of elements, (m, 55) each, by the derivatives (3 local, 3, m, q) of their places at q points.

    With g_i the rows of the map's adjugate and J its determinant, grad p . grad q dV is the sum over i, j of
    (g_i . g_j)/|J| dp/dxi_i dq/dxi_j. steep (6, q, 55), heavy (q, 55): see `_products`.
    """
    a, b, c = maps
    adjugate = _cross(b, c), _cross(c, a), _cross(a, b)
    size = np.abs((a * adjugate[0]).sum(axis=0))
    metric = np.stack([(adjugate[i] * adjugate[j]).sum(axis=0) / size for i, j in _PAIRS], axis=1)
    return metric.reshape(len(size), -1) @ steep.reshape(-1, len(_ROW)), size @ heavy


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """a x b of vectors along the first axis: a third of the time of the general way."""
    return np.stack([a[i - 2] * b[i - 1] - a[i - 1] * b[i - 2] for i in range(3)])
