"""A wall moved out by an even thickness of clay, as a wall of its own: one solid among those of a figure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from simkit.body.walls.primitives import Sheet, Solid
from simkit.body.walls.taylor import Taylor
from simkit.body.walls.wall import Wall, curvatures, normals, on_wall, project

_NEAR = 0.2  # of the largest side: distance from the surface beyond which a level is read off points all over the wall


@dataclass(frozen=True)
class OffsetWall(Wall):
    """The true offset of `wall` by `by` > 0, m: what lies no farther from its air. Its level is a distance."""

    wall: Wall
    by: float

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        raise NotImplementedError("an offset has no formula: ask `level` or `taylor`")

    def level(self, points: np.ndarray) -> np.ndarray:
        """Distance from the surface, m (n,); far from it only about, from points all over the wall."""
        points = np.atleast_2d(np.asarray(points, float))
        inside = self.wall.level(points) < 0
        # First by points all over the wall; where that is near enough to matter, by the foot itself.
        apart, _ = self._cloud.query(points)
        level = np.where(inside, -apart, apart) - self.by
        near = np.flatnonzero(~inside & (np.abs(level) < _NEAR * np.ptp(self.wall.box, axis=0).max()))
        if len(near):
            level[near] = np.linalg.norm(points[near] - project(self.wall, points[near]), axis=1) - self.by
        return np.asarray(level)

    @cached_property
    def _cloud(self) -> cKDTree:
        return cKDTree(on_wall(self.wall, 2))

    def taylor(self, points: np.ndarray) -> Taylor:
        """The distance with its derivatives: a curvature k of the wall is k/(1 + k t) at t from it."""
        points = np.atleast_2d(np.asarray(points, float))
        foot = project(self.wall, points)
        n = normals(self.wall, foot)
        # Signed along the normal, so that it is smooth through the wall.
        away = np.einsum("ni,ni->n", points - foot, n)
        k1, k2, e1 = curvatures(self.wall, foot)
        e2 = np.cross(n, e1)
        # Past the centre of curvature (1 + k t < 0) the offset folds: its curvature is kept finite there.
        first, second = (k / np.maximum(1 + k * away, 1e-3) for k in (k1, k2))
        hessian = first[:, None, None] * e1[:, :, None] * e1[:, None, :]
        hessian = hessian + second[:, None, None] * e2[:, :, None] * e2[:, None, :]
        return Taylor.of(away - self.by, n, hessian)

    def nearest(self, points: np.ndarray) -> np.ndarray:
        foot = project(self.wall, points)
        return foot + self.by * normals(self.wall, foot)

    @cached_property
    def box(self) -> np.ndarray:
        return self.wall.box + self.by * np.array([[-1.0], [1.0]])

    @property
    def creased(self) -> bool:
        return self.wall.creased_outside

    @cached_property
    def volume(self) -> float:
        """Volume, m3: V + A t + M t^2 + 4 pi t^3/3, M the integral of the mean curvature (Steiner 1840 [memory])."""
        middles, areas = zip(*(sheet.facets for sheet in self.wall.sheets(6) if not sheet.flat), strict=True)
        k1, k2, _ = curvatures(self.wall, project(self.wall, np.concatenate(middles)))
        # 4 pi R for a ball, whose area grows by 8 pi R t.
        mean = float(np.linalg.norm(np.concatenate(areas), axis=1) @ (k1 + k2) / 2)
        return self.wall.volume + self.wall.area * self.by + mean * self.by**2 + 4 / 3 * np.pi * self.by**3

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        return tuple(sheet.moved_out(self.by) for sheet in self.wall.sheets(fine))

    def solid(self, offset: float = 0.0) -> Solid:
        return self.wall.solid(self.by + offset)
