"""A closed skin with two poles drawn anew as six patches without poles, as a cube is drawn on a ball.

gmsh cuts and meshes a surface badly where its lines run together in a pole.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.interpolate import RectBivariateSpline

from simkit.body.walls.primitives import Sheet

_OVERLAP = 6  # rings and columns repeated beyond poles and seam, so that the splines run smoothly through
_X, _Y, _Z = np.eye(3)
# The middle of each face of the cube and the two directions along it, right-handed as seen from outside.
_FACES = ((_Y, _X, _Z), (-_Y, _Z, _X), (_X, _Z, _Y), (-_X, _Y, _Z), (_Z, _Y, _X), (-_Z, _X, _Y))


def has_patches(sheets: tuple[Sheet, ...]) -> bool:
    """Whether a skin can be drawn as six patches: one sheet that closes in two poles, evenly divided around."""
    return len(sheets) == 1 and not sheets[0].flat and sheets[0].points.shape[1] % 2 == 1


def grids(sheet: Sheet, turn: float = 0.0, count: int = 21) -> list[np.ndarray]:
    """Six grids of points (count, count, 3) on the sheet, m; neighbours share the points of their common edge.

    turn: of the cube about the line through the poles, rad.
    """
    at = _map(sheet.points)
    line = np.tan(np.linspace(-np.pi / 4, np.pi / 4, count))
    line[0], line[-1] = -1.0, 1.0
    found = []
    for middle, u, v in _FACES:
        way = middle + line[:, None, None] * u + line[None, :, None] * v
        way = np.round(way / np.linalg.norm(way, axis=-1, keepdims=True), 12)  # equal to the bit on shared edges
        theta = np.arccos(np.clip(-way[..., 1], -1, 1))
        phi = np.mod(np.arctan2(way[..., 0], way[..., 2]) + turn, 2 * np.pi)
        found.append(at(theta, np.where(phi > 2 * np.pi - 1e-9, 0.0, phi)))
    return found


def _map(points: np.ndarray) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """A smooth map from (theta from the first pole, phi around) to the sheet, mirrored over its poles."""
    rings = points[:, :-1]
    rows, columns, _ = rings.shape
    theta, phi = np.linspace(0, np.pi, rows), 2 * np.pi * np.arange(columns) / columns
    m, w = min(_OVERLAP, rows - 1), _OVERLAP
    across = np.roll(rings, columns // 2, axis=1)
    rings = np.concatenate([across[1 : m + 1][::-1], rings, across[-m - 1 : -1][::-1]])
    theta = np.concatenate([-theta[1 : m + 1][::-1], theta, 2 * np.pi - theta[-m - 1 : -1][::-1]])
    rings = np.concatenate([rings[:, -w:], rings, rings[:, : w + 1]], axis=1)
    phi = np.concatenate([phi[-w:] - 2 * np.pi, phi, phi[: w + 1] + 2 * np.pi])
    splines = [RectBivariateSpline(theta, phi, rings[..., i], s=0) for i in range(3)]
    return lambda a, b: np.stack([spline.ev(a, b) for spline in splines], axis=-1)
