"""The air around a piece and what stands near it by boundary elements: constant triangles, collocation.

p/2 = integral of p dG/dn - G dp/dn over all skins, n out of the solids, G = e^{-ikr}/(4 pi r) and for a table its
image beside it; at rest a triangle's integral of dG/dn is its solid angle (Van Oosterom & Strackee 1983, IEEE Trans.
Biomed. Eng. 30:125, from memory), and each skin's add up to -1/2. The change that a thing makes is the difference of
two solutions with the same triangles on the piece, so most of what they leave drops out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.sound.elements.nearby import RigidPlane

ROWS = 256  # at a time


@dataclass(frozen=True)
class Skin:
    """Flat triangles (t, 3, 3) of one closed skin with their normals (t, 3) out of the solid."""

    corners: np.ndarray
    normals: np.ndarray

    @staticmethod
    def about(corners: np.ndarray, middle: np.ndarray) -> Skin:
        """A skin that every ray from `middle` (3,) leaves once."""
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normals = normals / np.linalg.norm(normals, axis=1)[:, None]
        out = np.einsum("ti,ti->t", corners.mean(axis=1) - middle, normals)
        return Skin(corners, normals * np.sign(out)[:, None])


def quartered(corners: np.ndarray) -> np.ndarray:
    """Four flat triangles for each of (t, 3, 3)."""
    a, b, c = np.moveaxis(corners, 1, 0)
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    return np.concatenate([np.stack(three, axis=1) for three in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])


def round_skin(center: np.ndarray, axes: np.ndarray, near: np.ndarray, size: float) -> Skin:
    """An ellipsoid whose triangles are of `size` (m) near a point (3,) and grow away from it."""
    signs = np.array([(x, y, z) for x in (1, -1) for y in (1, -1) for z in (1, -1)])
    corners = signs[:, :, None] * np.eye(3)  # an octahedron
    for _ in range(3):
        corners = quartered(corners)
        corners = corners / np.linalg.norm(corners, axis=2, keepdims=True)
    while True:
        real = center + axes * corners
        longest = np.linalg.norm(real - np.roll(real, 1, axis=1), axis=2).max(axis=1)
        large = longest > size + 0.5 * np.linalg.norm(real.mean(axis=1) - near, axis=1)
        if not large.any():
            return Skin.about(real, center)
        corners = np.concatenate([corners[~large], quartered(corners[large])])
        corners = corners / np.linalg.norm(corners, axis=2, keepdims=True)


def box_skin(center: np.ndarray, half: np.ndarray, near: np.ndarray, size: float) -> Skin:
    """A box whose triangles are of `size` (m) near a point (3,) and grow away from it."""
    square = np.array([[[-1, -1], [1, -1], [1, 1]], [[-1, -1], [1, 1], [-1, 1]]], float)
    corners = np.concatenate([np.insert(square, axis, side, axis=2) for axis in range(3) for side in (-1, 1)])
    corners = center + half * corners
    while True:
        longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        large = longest > size + 0.6 * np.linalg.norm(corners.mean(axis=1) - near, axis=1)
        if not large.any():
            return Skin.about(corners, center)
        corners = np.concatenate([corners[~large], quartered(corners[large])])


@dataclass(frozen=True)
class Outside:
    """The air outside some skins, the piece's first, and a plane: middles, normals, areas, and dG/dn at rest."""

    skins: tuple[Skin, ...]
    plane: RigidPlane | None = None

    def port_matrix(self, ports: np.ndarray, wave_numbers: np.ndarray) -> np.ndarray:
        """Z (m, n, n), 1/m, among triangles `ports` (n,) of the piece, at real wave numbers (m,)."""
        corners, normals = (
            np.concatenate([getattr(skin, name) for skin in self.skins]) for name in ("corners", "normals")
        )
        images = [(corners, normals)]
        if self.plane is not None:
            images.append(
                (mirrored(self.plane, corners), normals - 2 * np.outer(normals @ self.plane.normal, self.plane.normal))
            )
        at = corners.mean(axis=1)
        still = at_rest(at, images, np.cumsum([len(skin.corners) for skin in self.skins])[:-1])
        found = []
        for k in wave_numbers:
            matrix = np.eye(len(at)) / 2 - still
            if k:
                matrix = matrix - sum(waving(k, at, *image) for image in images)
            sent = np.stack([self._sent(k, at, corners[port]) for port in ports], axis=1)
            found.append(np.linalg.solve(matrix, sent)[ports])
        return np.array(found)

    def _sent(self, k: float, at: np.ndarray, corners: np.ndarray) -> np.ndarray:
        """G from one triangle (3, 3), its strength 1, at points (n, 3)."""
        fine = corners[None]
        for _ in range(3):
            fine = quartered(fine)
        points = fine.mean(axis=1)
        points = [points] if self.plane is None else [points, mirrored(self.plane, points)]
        total = np.zeros(len(at), complex)
        for y in points:
            r = np.linalg.norm(at[:, None] - y[None], axis=2)
            total += np.where(r > 1e-9, np.exp(-1j * k * r) / (4 * np.pi * np.maximum(r, 1e-9)), 0.0).mean(axis=1)
        return total


def mirrored(plane: RigidPlane, points: np.ndarray) -> np.ndarray:
    """Points (..., 3) behind the plane."""
    return np.asarray(points - 2 * ((points - plane.point) @ plane.normal)[..., None] * plane.normal)


def at_rest(at: np.ndarray, images: list[tuple[np.ndarray, np.ndarray]], ends: np.ndarray) -> np.ndarray:
    """Integrals of dG/dn at k = 0 over all triangles and their images, read at points (n, 3): (n, n)."""
    count = len(at)
    own = np.concatenate([_seen(at[n : n + ROWS], *images[0]) for n in range(0, count, ROWS)])
    each = np.arange(count)
    own[each, each] = 0.0
    for rows in np.split(each, ends):
        own[rows, rows] = -0.5 - own[np.ix_(rows, rows)].sum(axis=1)
    for image in images[1:]:
        own += np.concatenate([_seen(at[n : n + ROWS], *image) for n in range(0, count, ROWS)])
    return own


def _seen(at: np.ndarray, corners: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """-1/(4 pi) of the solid angle of triangles as seen from points: (n, t)."""
    a, b, c = (corners[None, :, i] - at[:, None] for i in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=2) for v in (a, b, c))
    dot = lambda u, v: np.einsum("nti,nti->nt", u, v)  # noqa: E731 said three times in one line
    above = dot(a, np.cross(b, c))
    below = la * lb * lc + dot(a, b) * lc + dot(b, c) * la + dot(c, a) * lb
    way = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(-2 * np.arctan2(above, below) * np.sign(np.einsum("ti,ti->t", way, normals)) / (4 * np.pi))


def waving(k: float, at: np.ndarray, corners: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """What k adds to `at_rest`, by one point a triangle, for it is smooth: (n, t)."""
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    way = corners.mean(axis=1)[None] - at[:, None]
    r = np.maximum(np.linalg.norm(way, axis=2), 1e-9)
    more = ((1 + 1j * k * r) * np.exp(-1j * k * r) - 1) / (4 * np.pi * r**3)
    return np.asarray(-more * np.einsum("nti,ti->nt", way, normals) * areas)
