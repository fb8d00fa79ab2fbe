"""Stiffness and mass of the air, all elements at once: the integrals of `forms.stiffness` and `forms.mass`.

What parting straight from curved elements buys where most are straight, as in all the air of `resolved`: 1.5 GiB of 2.6
at 300,000 nodes.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from simkit.body.kernel import EDGES
from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.reference import shape_functions, tetrahedron_rule

DEGREE = 4  # of the quadrature: exact for the mass of a straight element


def stiffness_and_mass(mesh: AirMesh) -> tuple[csr_matrix, csr_matrix]:
    """K, the integral of grad p . grad q, m, and M, that of p q, m^3: (n, n) each, numbered as the mesh's nodes."""
    return real_and_imaginary(stiffness_and_imaginary_mass(mesh))


def stiffness_and_imaginary_mass(mesh: AirMesh) -> csr_matrix:
    """K + iM: their entries stand in the same places, which are then sorted once."""
    curved = _curved(mesh)
    straight, bent = mesh.tets[~curved], mesh.tets[curved]
    parts = _straight(mesh.points, straight), _by_quadrature(mesh.points, bent)
    each = np.empty((len(mesh.tets), 100), complex)
    each.real, each.imag = (np.concatenate(part) for part in zip(*parts, strict=True))
    tets = np.concatenate([straight, bent]).astype(np.int32)  # SciPy's own width of indices: half the memory
    rows, columns = np.repeat(tets, 10, axis=1).ravel(), np.tile(tets, (1, 10)).ravel()
    shape = len(mesh.points), len(mesh.points)
    return coo_matrix((each.ravel(), (rows, columns)), shape).tocsr()  # adds up what elements share


def real_and_imaginary(both: csr_matrix) -> tuple[csr_matrix, csr_matrix]:
    """K and M from K + iM; they share the places of their entries."""
    K, M = (
        csr_matrix((part.copy(), both.indices, both.indptr), both.shape) for part in (both.data.real, both.data.imag)
    )
    return K, M


def _curved(mesh: AirMesh) -> np.ndarray:
    """Mask (m,) of the tetrahedra with an edge whose node is not in its middle."""
    p, curved = mesh.points[mesh.tets], np.zeros(len(mesh.tets), bool)
    for edge, (a, b) in enumerate(EDGES):
        off = np.linalg.norm(p[:, 4 + edge] - (p[:, a] + p[:, b]) / 2, axis=1)
        curved |= off > 1e-9 * np.linalg.norm(p[:, a] - p[:, b], axis=1)
    return curved


def _straight(points: np.ndarray, tets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """K and M of each straight element, (m, 100): the unit element's integrals, for the Jacobian is one throughout."""
    at, weights = tetrahedron_rule(DEGREE)
    values, slopes = shape_functions(at)
    # Rows of J: dx by each local coordinate. |det J| is six times the volume, and the rule's weights sum to a sixth.
    inverse, volumes = inverse_and_size(points[tets[:, 1:4]] - points[tets[:, :1]])
    # grad p . grad q |det J| = slopes^T metric slopes: one metric an element, so the points are summed for all at once.
    metric = np.swapaxes(inverse, 1, 2) @ inverse * volumes[:, None, None]
    stiff = np.einsum("qai,qbj,q->abij", slopes, slopes, weights).reshape(9, 100)
    return metric.reshape(-1, 9) @ stiff, np.outer(volumes, np.einsum("qi,qj,q->ij", values, values, weights))


def _by_quadrature(points: np.ndarray, tets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Stiffness and mass of curved elements, point by point."""
    at, weights = tetrahedron_rule(DEGREE)
    values, slopes = shape_functions(at)
    count, q = len(tets), len(weights)
    inverse, size = inverse_and_size((slopes.reshape(-1, 10) @ points[tets]).reshape(count, q, 3, 3))
    volumes = size * weights
    gradients = (inverse @ slopes).reshape(count, 3 * q, 10)  # of all points, for one product an element
    K = (gradients * np.repeat(volumes, 3, axis=1)[:, :, None]).swapaxes(1, 2) @ gradients
    return K.reshape(count, 100), volumes @ (values[:, :, None] * values[:, None, :]).reshape(q, 100)


def inverse_and_size(J: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverses (..., 3, 3) of maps J (..., 3, 3) by Cramer's rule, and the sizes (...) of their volumes."""
    a, b, c = (J[..., row, :] for row in range(3))
    inverse = np.stack([np.cross(b, c), np.cross(c, a), np.cross(a, b)], axis=-1)
    volume = (a * inverse[..., 0]).sum(axis=-1)
    return inverse / volume[..., None, None], np.abs(volume)
