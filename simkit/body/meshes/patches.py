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
    # An even number of columns, so that a line over a pole goes on in another.
    return len(sheets) == 1 and not sheets[0].flat and sheets[0].points.shape[1] % 2 == 1


def grids(sheet: Sheet, turned: np.ndarray, count: int = 21) -> list[np.ndarray]:
    """Six grids of points (count, count, 3) on the sheet, m; neighbours share the points of their common edge.

    turned (3, 3): rotation of the cube on the ball whose poles are the sheet's.
    """
    at = on_ball(sheet)
    # Equal angles from the middle of a face, not equal steps along it: the grid is then nearly as wide everywhere.
    line = np.tan(np.linspace(-np.pi / 4, np.pi / 4, count))
    line[0], line[-1] = -1.0, 1.0  # exactly, for neighbours share these points
    ways = (middle + line[:, None, None] * u + line[None, :, None] * v for middle, u, v in _FACES)
    return [at((way / np.linalg.norm(way, axis=-1, keepdims=True)) @ turned.T) for way in ways]


def about_poles(turn: float) -> np.ndarray:
    """The cube turned about the line through the poles, rad: (3, 3)."""
    c, s = np.cos(turn), np.sin(turn)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def places(ways: np.ndarray, turned: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Face (n,) of the cube for directions (n, 3) on the ball, and place on its patch, 0 to 1 each way (n, 2).

    turned (3, 3) for all, or one for each (n, 3, 3).
    """
    # Into the cube's frame; the face whose middle is nearest has it.
    own = (ways[:, None] @ turned)[:, 0]
    faces = np.array(_FACES)
    face = np.argmax(own @ faces[:, 0].T, axis=1)
    middle, u, v = (np.einsum("ni,ni->n", own, faces[face, part]) for part in range(3))
    return face, 0.5 + np.arctan2(np.stack([u, v], axis=1), middle[:, None]) / (np.pi / 2)


def on_ball(sheet: Sheet) -> Callable[[np.ndarray], np.ndarray]:
    """The sheet as a smooth map from directions (..., 3) on a ball with its poles: its points (..., 3), m."""
    at = _map(sheet.points)

    def points(ways: np.ndarray) -> np.ndarray:
        ways = np.round(ways, 12)  # equal to the bit on the edges that patches share
        theta = np.arccos(np.clip(-ways[..., 1], -1, 1))  # 0 at the near pole, as `rings.unit_rings`
        phi = np.mod(np.arctan2(ways[..., 0], ways[..., 2]), 2 * np.pi)
        return at(theta, np.where(phi > 2 * np.pi - 1e-9, 0.0, phi))

    return points


def direction(sheet: Sheet, ring: int, column: int) -> np.ndarray:
    """The direction (3,) of one of a sheet's own points on the ball."""
    rows, columns = sheet.points.shape[0], sheet.points.shape[1] - 1
    theta, phi = np.pi * ring / (rows - 1), 2 * np.pi * column / columns
    return np.array([np.sin(theta) * np.sin(phi), -np.cos(theta), np.sin(theta) * np.cos(phi)])


def _map(points: np.ndarray) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """A smooth map from (theta from the first pole, phi around) to the sheet, mirrored over its poles."""
    rings = points[:, :-1]
    rows, columns, _ = rings.shape
    theta, phi = np.linspace(0, np.pi, rows), 2 * np.pi * np.arange(columns) / columns
    m, w = min(_OVERLAP, rows - 1), _OVERLAP
    across = np.roll(rings, columns // 2, axis=1)  # beyond a pole a line goes on half a turn farther round
    rings = np.concatenate([across[1 : m + 1][::-1], rings, across[-m - 1 : -1][::-1]])
    theta = np.concatenate([-theta[1 : m + 1][::-1], theta, 2 * np.pi - theta[-m - 1 : -1][::-1]])
    rings = np.concatenate([rings[:, -w:], rings, rings[:, : w + 1]], axis=1)
    phi = np.concatenate([phi[-w:] - 2 * np.pi, phi, phi[: w + 1] + 2 * np.pi])
    # s=0: through the points, not near them
    splines = [RectBivariateSpline(theta, phi, rings[..., i], s=0) for i in range(3)]
    return lambda a, b: np.stack([spline.ev(a, b) for spline in splines], axis=-1)
