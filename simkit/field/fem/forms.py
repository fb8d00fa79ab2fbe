"""The one door to scikit-fem: stiffness and mass of curved second-order air."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from simkit.body.meshes.curved import AirMesh


def stiffness_and_mass(mesh: AirMesh) -> tuple[csr_matrix, csr_matrix]:
    """How stiff and how heavy the meshed air is: K and M, (n, n) each, numbered as the mesh's nodes.

    K = integral of grad p . grad q dV, m; M = integral of p q dV, m^3; quadratic tetrahedra with curved sides. The
    rule and the shape functions are scikit-fem's; small products for all tetrahedra at once are twice as quick as
    its forms.
    """
    weights, values, slopes = _rule()
    count, n = len(mesh.tets), len(mesh.points)
    # Jacobians (m, q, 3, 3), rows the local direction; slopes by place and not by local coordinates (m, q, 3, 10).
    local = np.moveaxis(slopes, 2, 1)
    bent = (local.reshape(-1, 10) @ mesh.points[mesh.tets]).reshape(count, len(weights), 3, 3)
    volumes = np.abs(np.linalg.det(bent)) * weights
    along = np.linalg.solve(bent, np.broadcast_to(local, (count, *local.shape))).reshape(count, -1, 10)
    stiff = (along * np.repeat(volumes, 3, axis=1)[:, :, None]).swapaxes(1, 2) @ along
    heavy = volumes @ (values[:, :, None] * values[:, None, :]).reshape(len(weights), -1)
    rows, columns = np.repeat(mesh.tets, 10, axis=1), np.tile(mesh.tets, (1, 10))
    # Both in one sparse matrix, as real and imaginary part: sorting the entries is what takes time.
    both = coo_matrix((stiff.ravel() + 1j * heavy.ravel(), (rows.ravel(), columns.ravel())), shape=(n, n)).tocsr()
    return both.real, both.imag


@lru_cache(maxsize=1)
def _rule() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights (q,), and at those points of the unit tetrahedron the ten shape functions (q, 10) and slopes (q, 10, 3).

    Exact to degree 4; corners first, then the edges 01, 12, 02, 03, 13, 23, as in the mesh.
    """
    from skfem import ElementTetP2
    from skfem.quadrature import get_quadrature
    from skfem.refdom import RefTet

    points, weights = get_quadrature(RefTet, 4)
    shapes = [ElementTetP2().lbasis(points, i) for i in range(10)]
    values, slopes = (np.stack(np.broadcast_arrays(*part), axis=-1) for part in zip(*shapes, strict=True))
    return weights, values, np.moveaxis(slopes, 0, 2)
