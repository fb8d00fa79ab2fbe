"""Rigid bodies near the instrument, as skins of triangles in the air around it: a face, hands, a table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from simkit.body.meshes.panels import MM, SizeAt, surface_triangles
from simkit.errors import OutOfReach
from simkit.frozen import frozen

SHELL = 1.2  # radius of the far sphere over that of all that is in it: the piece itself lies deep inside
LEAST, SHARE = 3.5e-3, 0.6  # size of a skin's elements: at least, m, and of its distance from the clay
GROW = 0.4  # growth of the air's elements with the distance from the piece
APART = 2e-3  # m of air between a body and the clay that can still be meshed


@frozen
class EllipsoidObstacle:
    """A rigid ellipsoid: its centre (3,) and its half axes (3,) along x, y and z, m."""

    center: np.ndarray
    axes: np.ndarray

    @property
    def box(self) -> np.ndarray:
        """Corners (2, 3) of the box around it, m."""
        return np.stack([self.center - self.axes, self.center + self.axes])

    def samples(self) -> np.ndarray:
        """Points (n, 3) all over its skin."""
        t, turn = np.meshgrid(np.linspace(0, np.pi, 31), np.linspace(0, 2 * np.pi, 60, endpoint=False))
        way = np.stack([np.sin(t) * np.cos(turn), np.sin(t) * np.sin(turn), np.cos(t)], axis=-1).reshape(-1, 3)
        return np.asarray(self.center + self.axes * way)

    def onto(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) near its skin moved onto it."""
        way = (points - self.center) / self.axes
        return np.asarray(self.center + self.axes * way / np.linalg.norm(way, axis=1)[:, None])

    def drawn(self, occ: Any) -> None:
        """Add it to a gmsh model, mm."""
        ball = occ.addSphere(0, 0, 0, 1)  # gmsh has no ellipsoid: a ball stretched
        occ.dilate([(3, ball)], 0, 0, 0, *(MM * self.axes))
        occ.translate([(3, ball)], *(MM * self.center))


@frozen
class SlabObstacle:
    """A rigid box with sharp edges, such as a table's top: its centre (3,) and half its sides (3,), m."""

    center: np.ndarray
    half: np.ndarray

    @property
    def box(self) -> np.ndarray:
        """Lower and upper corner (2, 3), m."""
        return np.stack([self.center - self.half, self.center + self.half])

    def samples(self) -> np.ndarray:
        """Points (n, 3) all over its skin."""
        grid = np.array(list(product(np.linspace(-1, 1, 41), repeat=2)))
        # Each face: the grid with -1 or 1 put in as the third coordinate.
        sides = [np.insert(grid, axis, side, axis=1) for axis in range(3) for side in (-1, 1)]
        return np.asarray(self.center + self.half * np.concatenate(sides))

    def onto(self, points: np.ndarray) -> np.ndarray:
        """Flat sides need no moving."""
        return points

    def drawn(self, occ: Any) -> None:
        """Add it to a gmsh model, mm."""
        low, high = MM * self.box
        occ.addBox(*low, *(high - low))


Obstacle = EllipsoidObstacle | SlabObstacle


@dataclass(frozen=True, eq=False)
class Skin:
    """One body's skin: points (n, 3), m, triangles (t, 3), and what moves points beside it onto it."""

    points: np.ndarray
    triangles: np.ndarray
    onto: Callable[[np.ndarray], np.ndarray]


def obstacle_skins(gmsh: Any, obstacles: Sequence[Obstacle], clay: np.ndarray, coarse: float) -> list[Skin]:
    """Skin of each body, finer towards the clay, whose points (n, 3), m, are given."""
    near, skins = cKDTree(clay), []
    for body in obstacles:
        most = float(np.ptp(body.box, axis=0).max()) / 6

        def size(x: float, y: float, z: float, most: float = most) -> float:  # bound now, not when gmsh asks
            away = float(near.query((x / MM, y / MM, z / MM))[0])
            return MM * coarse * min(most, max(LEAST, SHARE * away))

        points, triangles = surface_triangles(gmsh, body.drawn, size, MM * most)
        skins.append(Skin(body.onto(points), triangles, body.onto))
    return skins


def around(obstacles: Sequence[Obstacle], clay: np.ndarray) -> tuple[np.ndarray, float]:
    """Centre (3,) and radius, m, of a far sphere around the bodies and the clay, whose points are (n, 3)."""
    corners = np.concatenate([clay, *(body.box for body in obstacles)])
    center = (corners.min(axis=0) + corners.max(axis=0)) / 2
    # The centre by boxes, the radius by points: no looser than need be.
    every = np.concatenate([clay, *(body.samples() for body in obstacles)])
    return center, SHELL * float(np.linalg.norm(every - center, axis=1).max())


def require_clearance(obstacles: Sequence[Obstacle], clay: np.ndarray) -> None:
    """OutOfReach where a body comes into the clay, or so near that no element fits between, clay points (n, 3)."""
    near = cKDTree(clay)
    for body in obstacles:
        gap = float(near.query(body.samples())[0].min())
        low, high = body.box
        within = ((clay > low) & (clay < high)).all(axis=1)
        if isinstance(body, EllipsoidObstacle):
            within = (np.square((clay - body.center) / body.axes)).sum(axis=1) < 1
        if within.any() or gap < APART:
            raise OutOfReach(
                f"resolved: what stands near the piece comes within {MM * APART:.0f} mm of its clay; move it away"
            )


def widening(size: SizeAt, top: float, center: np.ndarray, reach: float) -> SizeAt:
    """Sizes (mm) that grow without end beyond `reach` (m) from `center`, where `size` stands at its `top` (mm)."""
    x0, y0, z0 = (MM * center).tolist()
    reach = MM * reach

    def wider(x: float, y: float, z: float) -> float:
        s = size(x, y, z)
        beyond = ((x - x0) ** 2 + (y - y0) ** 2 + (z - z0) ** 2) ** 0.5 - reach
        return s if s < 0.999 * top or beyond < 0 else s + GROW * beyond  # near a rim finer sizes still count

    return wider
