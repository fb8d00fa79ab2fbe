"""Several solids joined to one: the outer surface of a figure. Where they meet there is a seam, its normal turns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from simkit.body.walls.primitives import Sheet, Solid, Union
from simkit.body.walls.taylor import Taylor
from simkit.body.walls.wall import Wall, box_distance, feet, project

_BURIED = 1e-7  # of the largest side: a foot so deep in another solid is not on the surface
_CELLS = 120_000  # about so many cells fill the box when the volume is counted
_TO_SEAM, _GRAZING, _STEP_M = 6, 0.05, 5e-3  # Newton's steps to a seam; there is none where solids all but touch
_PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


@dataclass(frozen=True)
class UnionWall(Wall):
    """The surface of what `solids` fill together. A level is that of the solid a point is deepest in, or nearest to."""

    solids: tuple[Wall, ...]

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        raise NotImplementedError("solids of any kind have no formula together: ask `level` or `taylor`")

    def levels(self, points: np.ndarray) -> np.ndarray:
        """Each solid's own level (s, n) at points (n, 3); outside its box the distance from that, m."""
        points = np.atleast_2d(np.asarray(points, float))
        levels = np.stack([box_distance(solid, points) for solid in self.solids])
        for solid, row in zip(self.solids, levels, strict=True):
            near = np.flatnonzero(row == 0)
            if len(near):
                row[near] = solid.level(points[near])
        return levels

    def level(self, points: np.ndarray) -> np.ndarray:
        return np.asarray(self.levels(points).min(axis=0))

    def owner(self, points: np.ndarray) -> np.ndarray:
        """Which solid (n,) points on the surface, or near it, belong to."""
        return np.asarray(self.levels(points).argmin(axis=0))

    def taylor(self, points: np.ndarray) -> Taylor:
        points = np.atleast_2d(np.asarray(points, float))
        owner = self.owner(points)
        value, slope, hessian = np.empty(len(points)), np.empty((len(points), 3)), np.empty((len(points), 3, 3))
        for n, solid in enumerate(self.solids):
            mine = np.flatnonzero(owner == n)
            if len(mine):
                t = solid.taylor(points[mine])
                value[mine], slope[mine], hessian[mine] = t.value, t.slope, t.hessian
        return Taylor(value, list(slope.T), [hessian[:, i, j] for i, j in _PAIRS])

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """The nearest foot on a solid that is not inside another, or on a seam of two if that is nearer."""
        foot, owner = feet(self.solids, points)
        lost = np.flatnonzero(self._buried(foot))
        if len(lost):
            foot[lost] = self._free_foot(points[lost], owner[lost])
        return foot

    def _buried(self, points: np.ndarray) -> np.ndarray:
        return np.asarray(self.level(points) < -_BURIED * np.ptp(self.box, axis=0).max())

    def _free_foot(self, points: np.ndarray, owner: np.ndarray) -> np.ndarray:
        """For points whose nearest foot, on the solid `owner` (n,), lies inside another solid."""
        every = np.stack([project(solid, points) for solid in self.solids])
        gaps = np.linalg.norm(every - points, axis=2)
        gaps[np.stack([self._buried(each) for each in every])] = np.inf
        best = gaps.argmin(axis=0)
        foot, gap = every[best, np.arange(len(points))], gaps.min(axis=0)
        seam = self._seam(points, owner)
        off = np.linalg.norm(seam - points, axis=1)
        nearer = (off < gap) & ~self._buried(seam)
        foot[nearer] = seam[nearer]
        return foot

    def _seam(self, points: np.ndarray, owner: np.ndarray) -> np.ndarray:
        """Points where two solids meet near `points`: the least steps (Newton's) that bring both levels to zero."""
        q = points.copy()
        levels = self.levels(q)
        levels[owner, np.arange(len(q))] = np.inf
        other = levels.argmin(axis=0)
        for n, m in {*zip(owner.tolist(), other.tolist(), strict=True)}:
            mine = np.flatnonzero((owner == n) & (other == m))
            at = q[mine]
            for _ in range(_TO_SEAM):
                both = [self.solids[k].taylor(at) for k in (n, m)]
                slopes = np.stack([t.slope for t in both], axis=1)
                values = np.stack([t.value for t in both], axis=1)
                step = (np.linalg.pinv(slopes, rcond=_GRAZING) @ values[..., None])[..., 0]
                far = np.linalg.norm(step, axis=1, keepdims=True)
                at = at - step * np.minimum(1.0, _STEP_M / np.maximum(far, 1e-300))
            q[mine] = at
        return q

    @cached_property
    def box(self) -> np.ndarray:
        boxes = np.array([solid.box for solid in self.solids])
        return np.array([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)])

    @property
    def creased(self) -> bool:
        return True

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        """All solids whole; what lies inside another is no surface (`on_wall` tells them apart)."""
        return tuple(sheet for solid in self.solids for sheet in solid.sheets(fine))

    def solid(self, offset: float = 0.0) -> Solid:
        return Union(tuple(solid.solid(offset) for solid in self.solids))

    @cached_property
    def volume(self) -> float:
        """Cells of a lattice count by how far their middles lie from the surface; right to about 1e-3."""
        low, high = self.box
        step = (float(np.prod(high - low)) / _CELLS) ** (1 / 3)
        axes = [np.arange(a - step, b + 2 * step, step) for a, b in zip(low, high, strict=True)]
        cells = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        level = self.level(cells)
        near = np.flatnonzero(np.abs(level) < 4 * step)
        t = self.taylor(cells[near])
        level[near] = t.value / np.linalg.norm(t.slope, axis=1)
        s = np.clip(level / step, -1.0, 1.0)
        return float(step**3 * ((4 - 9 * s + 5 * s**3) / 8).sum())

    @cached_property
    def area(self) -> float:
        """Of the parts of every solid that lie outside the others, by fine facets; right to a per cent."""
        total = 0.0
        for n, solid in enumerate(self.solids):
            for sheet in solid.sheets(6):
                p = sheet.points
                a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
                facet = np.linalg.norm(np.cross(c - a, d - b), axis=-1).ravel() / 2
                total += float(facet[self._free(((a + b + c + d) / 4).reshape(-1, 3), n)].sum())
        return total

    def _free(self, points: np.ndarray, own: int) -> np.ndarray:
        levels = self.levels(points)
        levels[own] = np.inf
        return np.asarray(levels.min(axis=0) > 0)


def union_of(solids: Sequence[Wall]) -> Wall:
    """One solid as it is, several as one."""
    return solids[0] if len(solids) == 1 else UnionWall(tuple(solids))


def solids_of(wall: Wall) -> tuple[Wall, ...]:
    """The solids whose union a surface is; a single one is its own."""
    return wall.solids if isinstance(wall, UnionWall) else (wall,)
