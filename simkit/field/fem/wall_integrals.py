"""The two integrals over the wall from which a mode's losses follow: `forms.mass` and `forms.wall_stiffness`."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.quadrature import facet_rule
from simkit.field.fem.reference import shape_functions, triangle_rule

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
    metric = np.linalg.inv(G) * (np.sqrt(np.linalg.det(G)) * weights)[:, :, None, None]
    each = np.einsum("qai,fqab,qbj->fij", slopes, metric, slopes, optimize=True)
    rows, columns = np.repeat(mesh.facets, 6, axis=1).ravel(), np.tile(mesh.facets, (1, 6)).ravel()
    n = len(mesh.points)
    viscous = coo_matrix((each.ravel(), (rows, columns)), shape=(n, n)).tocsr()
    return facet_rule(mesh.points, mesh.facets).mass, viscous
