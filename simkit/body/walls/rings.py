"""Rings of points that cover a wall, closed exactly, with the wall's own normals."""

from __future__ import annotations

import numpy as np

from simkit.body.walls.primitives import Sheet
from simkit.body.walls.wall import Wall, normals

AROUND = 24  # columns of a ring before `fine` multiplies them


def around(fine: int, base: int = AROUND) -> np.ndarray:
    """Angles of a ring, rad, the last a whole turn after the first."""
    return np.linspace(0.0, 2.0 * np.pi, base * fine + 1)


def unit_rings(rings: int, columns: int) -> np.ndarray:
    """Unit vectors (rings + 1, columns + 1, 3) from the near pole to the far one, poles and seam closed exactly."""
    t, phi = np.linspace(0, np.pi, rings + 1)[:, None], np.linspace(0, 2 * np.pi, columns + 1)[None, :]
    unit = np.stack([np.sin(t) * np.sin(phi), -np.cos(t) + 0 * phi, np.sin(t) * np.cos(phi)], axis=-1)
    unit[:, -1], unit[0], unit[-1] = unit[:, 0], unit[0, 0], unit[-1, 0]
    return unit


def true_sheet(wall: Wall, points: np.ndarray) -> Sheet:
    """Close the seam and the poles exactly and take the wall's own normals."""
    points[:, -1] = points[:, 0]
    # sin(pi) is not quite 0: poles come out a ring of 1e-18 m, which has no normal.
    for ring in (0, -1):
        if np.ptp(points[ring], axis=0).max() < 1e-12:
            points[ring] = points[ring, 0]
    n = normals(wall, points.reshape(-1, 3)).reshape(points.shape)
    return Sheet(points, n)


def flat_end(ring: np.ndarray, center: np.ndarray, sign: float, fine: int) -> Sheet:
    """A plane end from its centre to a ring, facing along sign * y."""
    share = np.linspace(0, 1, 3 * fine + 1)[:, None, None]
    points = center + share * (ring - center)
    return Sheet(points, np.broadcast_to([0.0, sign, 0.0], points.shape), flat=True)
