"""Derivative of a resonance when every wall moves into the air: friction at sharp rims, where surface integrals fail.

By Hadamard d(k^2)/dn = -(integral of |grad_T p|^2 - k^2 p^2 over all walls) for walls that move into the air by n. At a
right-angled rim the surface integral converges like the cube root of the mesh size only; the same derivative from the
matrices of the moved mesh converges as k^2 does (Hiptmair, Paganini & Sargheini 2015 [Hiptmair2015], from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.sparse import block_diag, coo_matrix, csr_matrix, identity

from simkit.body.kernel import EDGES
from simkit.body.meshes.curved import AirMesh
from simkit.body.meshes.soundness import face_keys
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import factored

STEP = 1e-6  # m, by which the walls are moved to and fro
HOLD = 1e4  # penalty on another normal displacement of a wall than asked, over one on unevenness


def moving_walls(mesh: AirMesh, number: np.ndarray, pressure: np.ndarray, k: complex) -> complex:
    """d/dn of p^T (K - k^2 M) p, walls moved into the air by n; p (joined nodes,), number (nodes,) joins the nodes.

    mesh.facets are the walls, mesh.outer stays where it is.
    """
    K, M = moving_matrices(mesh, number)
    p = pressure[number]
    return complex(p @ (K @ p) - k**2 * (p @ (M @ p)))


def moving_matrices(mesh: AirMesh, number: np.ndarray) -> tuple[csr_matrix, csr_matrix]:
    """d/dn of K and of M, of nodes not joined."""
    way = displacement(mesh, number)[number]
    ahead, behind = (stiffness_and_mass(replace(mesh, points=mesh.points + step * way)) for step in (STEP, -STEP))
    K, M = ((a - b) / (2 * STEP) for a, b in zip(ahead, behind, strict=True))
    return K, M


def displacement(mesh: AirMesh, number: np.ndarray) -> np.ndarray:
    """Displacement of every joined node (nodes, 3), m for each metre by which the walls move into the air.

    Along the walls' normals by just so much, along the walls as evenly as may be (at a rim both its walls have their
    way), in the air as a harmonic function, and not at all on the far sphere.
    """
    points = np.zeros((int(number.max()) + 1, 3))
    points[number] = mesh.points
    tets, walls = number[mesh.tets], number[mesh.facets][:, :3]
    fixed, way = np.unique(walls), np.zeros_like(points)
    way[fixed] = _along_walls(points, tets, walls)
    fixed = np.union1d(fixed, number[mesh.outer][:, :3])  # the far sphere, whose way stays 0
    free = np.setdiff1d(tets[:, :4], fixed)  # corners in the air
    stiffness = _linear_stiffness(points, tets[:, :4])
    way[free] = factored(stiffness[free][:, free])(-(stiffness[free][:, fixed] @ way[fixed]))
    for edge, (a, b) in enumerate(EDGES):
        a, b, middle = tets[:, a], tets[:, b], tets[:, 4 + edge]
        along = points[b] - points[a]
        # Middles go along by their place between the ends: at drawn-near rims that is not a half.
        share = np.einsum("ij,ij->i", points[middle] - points[a], along) / np.einsum("ij,ij->i", along, along)
        way[middle] = way[a] + share[:, None] * (way[b] - way[a])
    return way


def _along_walls(points: np.ndarray, tets: np.ndarray, walls: np.ndarray) -> np.ndarray:
    """The displacement of the walls' corners (c, 3), in the order of their numbers."""
    on, local = np.unique(walls, return_inverse=True)
    local, count = local.reshape(walls.shape), len(on)
    normals, area = _out_of_the_air(points, tets, walls)
    sides = [points[walls[:, j]] - points[walls[:, i]] for i, j in ((1, 2), (2, 0), (0, 1))]
    pairs = [(i, j) for i in range(3) for j in range(3)]
    # Linear triangles: a slope is the opposite side turned by a right angle, over twice the area.
    values = [np.einsum("ij,ij->i", sides[i], sides[j]) / (4 * area) for i, j in pairs]
    rows, columns = ([local[:, pair[end]] for pair in pairs] for end in (0, 1))
    places = np.concatenate(rows), np.concatenate(columns)
    even = coo_matrix((np.concatenate(values), places), shape=(count, count))
    corners = local.T.ravel()  # each corner of each triangle
    each = np.tile(np.arange(len(corners)), 3)
    where = np.concatenate([corners + axis * count for axis in range(3)])
    hold = csr_matrix((np.tile(normals, (3, 1)).T.ravel(), (each, where)), shape=(len(corners), 3 * count))
    # The last term holds what nothing else does: a flat wall slides along itself.
    matrix = block_diag([even] * 3) + HOLD * (hold.T @ hold) + 1e-6 * identity(3 * count)
    found = factored(csr_matrix(matrix))(-HOLD * (hold.T @ np.ones(len(corners))))
    return np.asarray(found).reshape(3, count).T


def _out_of_the_air(points: np.ndarray, tets: np.ndarray, walls: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unit normals (f, 3) of wall triangles away from the tetrahedron that has them, and their areas (f,)."""
    normals = np.cross(points[walls[:, 1]] - points[walls[:, 0]], points[walls[:, 2]] - points[walls[:, 0]])
    double = np.linalg.norm(normals, axis=1)
    faces = np.concatenate([tets[:, [a, b, c]] for a, b, c in ((0, 1, 2), (0, 1, 3), (0, 2, 3), (1, 2, 3))])
    opposite = np.concatenate([tets[:, corner] for corner in (3, 2, 1, 0)])
    keys, wanted = (face_keys(triangles, len(points)) for triangles in (faces, walls))
    order = np.argsort(keys)
    inner = points[opposite[order[np.searchsorted(keys[order], wanted)]]]
    turned = np.sign(np.einsum("ij,ij->i", normals, points[walls[:, 0]] - inner))  # away from its fourth corner
    return normals * (turned / double)[:, None], double / 2


def _linear_stiffness(points: np.ndarray, corners: np.ndarray) -> csr_matrix:
    """Stiffness of linear elements on corners (m, 4), numbered as the points."""
    at = points[corners]
    J = at[:, 1:] - at[:, :1]
    inverse = np.linalg.inv(J)
    slopes = np.concatenate([-inverse.sum(axis=2, keepdims=True), inverse], axis=2)  # all four sum to nothing
    each = (np.swapaxes(slopes, 1, 2) @ slopes) * (np.abs(np.linalg.det(J)) / 6)[:, None, None]
    rows, columns = np.repeat(corners, 4, axis=1).ravel(), np.tile(corners, (1, 4)).ravel()
    return coo_matrix((each.ravel(), (rows, columns)), shape=(len(points), len(points))).tocsr()
