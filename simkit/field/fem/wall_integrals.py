"""How much a mode presses on the wall and slides along it: the integrals from which wall losses follow."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix, diags

from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.quadrature import facet_rule, triangle_slopes

# Three points inside a triangle, exact to degree 2, each with a third of its area (Strang & Fix 1973 [memory]).
_AT = (np.array([1 / 6, 2 / 3, 1 / 6]), np.array([1 / 6, 1 / 6, 2 / 3]))


def wall_integrals(mesh: AirMesh, shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Integrals over the wall of p^2 and of |grad_T p|^2 for each mode: (m,) and (m,).

    shapes (n, m): pressure of m modes at the mesh's nodes. The gradient along the wall is that of the curved
    facet's own quadratic function: with tangents a, b, their Gram matrix G = [[a.a, a.b], [a.b, b.b]] and the
    slopes q = (p_s, p_t), |grad_T p|^2 = q G^-1 q, and the area element is sqrt(det G).
    """
    rule = facet_rule(mesh.points, mesh.facets)
    at_points = (rule.spread.T @ shapes) / rule.weights[:, None]
    pressed = np.einsum("q,qm->m", rule.weights, at_points**2)

    along = triangle_slopes(*_AT)
    a, b = (np.einsum("qi,fij->fqj", d, mesh.points[mesh.facets]) for d in along)
    p, q = (np.einsum("qi,fim->fqm", d, shapes[mesh.facets]) for d in along)
    aa, ab, bb = (np.einsum("fqj,fqj->fq", u, v)[..., None] for u, v in ((a, a), (a, b), (b, b)))
    area = np.sqrt(aa * bb - ab**2)
    slid = ((bb * p**2 - 2 * ab * p * q + aa * q**2) / area).sum(axis=(0, 1)) / 6
    return pressed, slid


def wall_matrices(mesh: AirMesh) -> tuple[csr_matrix, csr_matrix]:
    """The matrices (n, n) whose quadratic forms `wall_integrals` gives: of p q, and of grad_T p . grad_T q."""
    rule = facet_rule(mesh.points, mesh.facets)
    pressed = (rule.spread @ diags(1 / rule.weights) @ rule.spread.T).tocsr()
    along = triangle_slopes(*_AT)
    a, b = (np.einsum("qi,fij->fqj", d, mesh.points[mesh.facets]) for d in along)
    aa, ab, bb = (np.einsum("fqj,fqj->fq", u, v) for u, v in ((a, a), (a, b), (b, b)))
    metric = (
        np.stack([np.stack([bb, -ab], -1), np.stack([-ab, aa], -1)], -1)
        / (6 * np.sqrt(aa * bb - ab**2))[..., None, None]
    )
    slopes = np.stack(along)  # by which local coordinate, at which point, of which node
    each = np.einsum("aqi,fqab,bqj->fij", slopes, metric, slopes)
    rows, columns = np.repeat(mesh.facets, 6, axis=1).ravel(), np.tile(mesh.facets, (1, 6)).ravel()
    n = len(mesh.points)
    return pressed, coo_matrix((each.ravel(), (rows, columns)), shape=(n, n)).tocsr()
