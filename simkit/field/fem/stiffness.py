"""Stiffness and mass of many tetrahedra, the straight ones by one reference element, the bent ones by quadrature."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from simkit.body.kernel import EDGES
from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.forms import stiffness_and_mass


def matrices(mesh: AirMesh) -> tuple[csr_matrix, csr_matrix]:
    """K and M as `stiffness_and_mass` gives them, several times quicker where most elements are straight."""
    bent = _bent(mesh)
    K, M = _straight(mesh.points, mesh.tets[~bent])
    if not bent.any():
        return K, M
    used, number = np.unique(mesh.tets[bent], return_inverse=True)
    part = replace(mesh, points=mesh.points[used], tets=number.reshape(-1, 10))
    place = csr_matrix((np.ones(len(used)), (used, np.arange(len(used)))), shape=(len(mesh.points), len(used)))
    k, m = stiffness_and_mass(part)
    return (K + place @ k @ place.T).tocsr(), (M + place @ m @ place.T).tocsr()


def _bent(mesh: AirMesh) -> np.ndarray:
    """Which tetrahedra have an edge whose node is not in its middle."""
    p, bent = mesh.points[mesh.tets], np.zeros(len(mesh.tets), bool)
    for edge, (a, b) in enumerate(EDGES):
        off = np.linalg.norm(p[:, 4 + edge] - (p[:, a] + p[:, b]) / 2, axis=1)
        bent |= off > 1e-9 * np.linalg.norm(p[:, a] - p[:, b], axis=1)
    return bent


def _straight(points: np.ndarray, tets: np.ndarray) -> tuple[csr_matrix, csr_matrix]:
    slopes, products = _reference()
    corners = points[tets[:, :4]]
    J = corners[:, 1:] - corners[:, :1]
    volume = np.abs(np.linalg.det(J)) / 6
    inverse = np.linalg.inv(J)
    g = np.concatenate([-inverse.sum(axis=2, keepdims=True), inverse], axis=2)  # gradients of lambda: (m, 3, 4)
    metric = np.swapaxes(g, 1, 2) @ g * volume[:, None, None]
    k = metric.reshape(-1, 16) @ slopes.reshape(16, 100)
    m = volume[:, None] * products.reshape(1, 100)
    rows, columns = np.repeat(tets, 10, axis=1).ravel(), np.tile(tets, (1, 10)).ravel()
    shape = len(points), len(points)
    K, M = (coo_matrix((v.ravel(), (rows, columns)), shape=shape).tocsr() for v in (k, m))
    return K, M


@cache
def _reference() -> tuple[np.ndarray, np.ndarray]:
    """On a tetrahedron of volume 1: integrals of dphi_i/dlambda_a dphi_j/dlambda_b (4, 4, 10, 10), phi_i phi_j.

    By Gauss's rule on the cube folded onto the tetrahedron (four points a way, exact to degree 5).
    """
    x, w = np.polynomial.legendre.leggauss(4)
    x, w = (x + 1) / 2, w / 2
    a, b, c = (v.ravel() for v in np.meshgrid(x, x, x, indexing="ij"))
    weights = 6 * np.einsum("i,j,k->ijk", w, w, w).ravel() * (1 - a) ** 2 * (1 - b)
    r, s, t = a, b * (1 - a), c * (1 - a) * (1 - b)
    lam = np.stack([1 - r - s - t, r, s, t])
    phi = np.concatenate([lam * (2 * lam - 1), [4 * lam[i] * lam[j] for i, j in EDGES]])
    slope = np.zeros((10, 4, len(weights)))
    for i in range(4):
        slope[i, i] = 4 * lam[i] - 1
    for n, (i, j) in enumerate(EDGES):
        slope[4 + n, i], slope[4 + n, j] = 4 * lam[j], 4 * lam[i]
    return np.einsum("iaq,jbq,q->abij", slope, slope, weights), np.einsum("iq,jq,q->ij", phi, phi, weights)
