"""The one door to scikit-fem: stiffness and mass of curved second-order air."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.sparse import csr_matrix

from simkit.body.mesh import AirMesh


def stiffness_and_mass(mesh: AirMesh) -> tuple[csr_matrix, csr_matrix]:
    """How stiff and how heavy the meshed air is: K and M, (n, n) each, numbered as the mesh's nodes.

    K = integral of grad p . grad q dV, m; M = integral of p q dV, m^3; quadratic tetrahedra with curved sides.
    """
    from skfem import Basis, BilinearForm, ElementTetP2, MeshTet2
    from skfem.helpers import dot, grad

    @BilinearForm
    def stiffness(p: Any, q: Any, _: Any) -> Any:
        return dot(grad(p), grad(q))

    @BilinearForm
    def mass(p: Any, q: Any, _: Any) -> Any:
        return p * q

    basis = Basis(MeshTet2(mesh.points.T, mesh.tets.T), ElementTetP2(), intorder=4)
    # scikit-fem numbers corners first; the mesh keeps its own order.
    number = np.empty(len(mesh.points), dtype=np.int64)
    number[mesh.tets.T] = basis.element_dofs
    K, M = stiffness.assemble(basis).tocsr(), mass.assemble(basis).tocsr()
    return K[number][:, number], M[number][:, number]
