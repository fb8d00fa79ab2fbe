"""Several solids joined to one: the outer surface of a figure. Where they meet there is a seam, its normal turns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from simkit.body.walls.lattice import Lattice
from simkit.body.walls.primitives import Sheet, Solid, Union
from simkit.body.walls.taylor import Taylor
from simkit.body.walls.wall import Wall, box_around, feet, newton_foot, project, roomy_box

_BURIED = 1e-7  # of the largest side: a foot so deep in another solid is not on the surface
_CELLS = 120_000  # about so many cells fill the box when the volume is counted
_TO_SEAM, _ONTO, _GRAZING, _STEP_M = 10, 3, 0.05, 5e-3  # steps to a seam, the last straight; none where solids graze
# A seam nearer to a point than the start is within two such distances of the start: looked for within twice as many,
# as distances from solids are approximate.
_ROOMY = 4.0


@dataclass(frozen=True)
class UnionWall(Wall):
    """The surface of what `solids` fill together. A level is that of the solid a point is deepest in, or nearest to."""

    solids: tuple[Wall, ...]

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        raise NotImplementedError("solids of any kind have no formula together: ask `level` or `taylor`")

    def levels(self, points: np.ndarray) -> np.ndarray:
        """Each solid's own level (s, n) at points (n, 3); outside its box the distance from that, m."""
        points = np.atleast_2d(np.asarray(points, float))
        levels = self.to_boxes(points)
        for solid, row in zip(self.solids, levels, strict=True):
            near = np.flatnonzero(row == 0)  # within the box alone: outside of it the box's own distance does
            if len(near):
                row[near] = solid.level(points[near])
        return levels

    def to_boxes(self, points: np.ndarray) -> np.ndarray:
        """Distance (s, n) of points to each solid's box, a little enlarged, m."""
        low, high = self._boxes
        square = np.zeros((len(self.solids), len(points)))
        for axis, at in enumerate(points.T):  # three times as quick as the norm of all three at once
            beyond = np.maximum(np.maximum(low[:, :, axis] - at, at - high[:, :, axis]), 0.0)
            square += beyond * beyond
        return np.sqrt(square)

    @cached_property
    def _boxes(self) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper corners (s, 1, 3) of the solids' boxes, a little enlarged, m."""
        boxes = np.array([roomy_box(solid) for solid in self.solids])[:, :, None]
        return boxes[:, 0], boxes[:, 1]

    def level(self, points: np.ndarray) -> np.ndarray:
        return np.asarray(self.levels(points).min(axis=0))

    def owner(self, points: np.ndarray) -> np.ndarray:
        """Number of the solid that points on the surface, or near it, belong to: (n,)."""
        return np.asarray(self.levels(points).argmin(axis=0))

    def taylor(self, points: np.ndarray) -> Taylor:
        points = np.atleast_2d(np.asarray(points, float))
        return Taylor.of(*derivatives(self.solids, self.owner(points), points))

    def about_distance(self, points: np.ndarray, reach: float) -> np.ndarray:
        """The least of the solids' own: their levels may be of different units, and cannot be compared before."""
        away = np.full(len(points), reach)
        for solid, off_box in zip(self.solids, self.to_boxes(points), strict=True):
            near = np.flatnonzero(off_box < reach)
            away[near] = np.minimum(away[near], solid.about_distance(points[near], reach))
        return away

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Nearest points (n, 3), m: the foot on a solid, or where nearer feet are buried on a seam or a corner."""
        foot, buried = self.feet_of_solids(points)
        lost = np.flatnonzero(buried)
        if len(lost):
            foot[lost] = self._free_foot(points[lost])
        return foot

    def feet_of_solids(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Nearest points (n, 3) of any solid, m, and which of them (n,) lie inside another one."""
        foot, _ = feet(self.solids, points, self.to_boxes(points))
        return foot, self._buried(foot)

    def _buried(self, points: np.ndarray) -> np.ndarray:
        return np.asarray(self.level(points) < -_BURIED * np.ptp(self.box, axis=0).max())

    @cached_property
    def _tree(self) -> cKDTree:
        """Points all over the surface, flat ends among them."""
        points = np.concatenate([sheet.points.reshape(-1, 3) for sheet in self.sheets(2)])
        return cKDTree(points[~self._buried(points)])

    def _free_foot(self, points: np.ndarray) -> np.ndarray:
        """Nearest point that lies inside no other solid (n, 3), m, for points whose nearest foot lies inside one.

        That is looked for from the nearest of points all over the surface, which is taken where nothing nearer is.
        """
        _, index = self._tree.query(points)
        start = self._tree.data[index]
        # The start lies on the solid it is nearest to: Newton from there gives that solid's foot near it.
        apart = self._apart(start)
        owner, local = apart.argmin(axis=0), start.copy()
        for n in set(owner.tolist()):
            mine = np.flatnonzero(owner == n)
            local[mine] = newton_foot(self.solids[n], points[mine], start[mine])
        near = np.linalg.norm(start - points, axis=1)  # nothing farther is wanted
        # Any solid whose box is nearer than the start may hold a nearer foot.
        within = self.to_boxes(points) < near
        found = [local, *(self._asked(n, points, within[n]) for n in range(len(self.solids)))]
        order = apart.argsort(axis=0)
        for count in (2, 3):  # a seam of two solids, a corner of three
            if count <= len(order):
                last = np.take_along_axis(apart, order[count - 1 : count], axis=0)[0]
                found.append(self._meeting(points, start, order[:count], within & (last < _ROOMY * near)))
        # What lies inside another solid is no place of the surface, however near.
        gaps = [np.where(self._buried(each), np.inf, np.linalg.norm(each - points, axis=1)) for each in found]
        every = np.stack([start, *found])
        best = np.argmin([near, *gaps], axis=0)
        return np.asarray(every[best, np.arange(len(points))])

    def _asked(self, n: int, points: np.ndarray, which: np.ndarray) -> np.ndarray:
        """The feet (n, 3) on one solid of the points that are asked about; infinite for the others."""
        foot = np.full_like(points, np.inf)
        if which.any():
            foot[which] = project(self.solids[n], points[which])
        return foot

    def _apart(self, points: np.ndarray) -> np.ndarray:
        """Distance (s, n) of points from each solid's surface, m, approximately."""
        return np.abs([_reduced(solid, points)[0] for solid in self.solids])

    def _meeting(self, points: np.ndarray, start: np.ndarray, which: np.ndarray, within: np.ndarray) -> np.ndarray:
        """The nearest (n, 3) to points where solids `which` (2 or 3, n) meet, from `start` near it; or infinite.

        within (s, n): which solids are near enough to each point to count.

        Each step goes to the nearest of the seam's tangent, or to the corner of the tangent planes; the last ones
        straight onto it (Newton's), since along a seam the first do not converge to rounding.
        """
        q = np.full_like(points, np.inf)
        for solids in {*map(tuple, which.T.tolist())}:
            mine = np.flatnonzero((np.array(solids) == which.T).all(axis=1) & within[list(solids)].all(axis=0))
            if not len(mine):
                continue
            at = start[mine]
            for k in range(_TO_SEAM):
                # The last steps go straight down, aiming at the place itself.
                aim = points[mine] if k < _TO_SEAM - _ONTO else at
                off, out = (
                    np.stack(each, axis=1) for each in zip(*(_reduced(self.solids[n], at) for n in solids), strict=True)
                )
                left = off + np.einsum("nij,nj->ni", out, aim - at)
                # The least step onto all tangent planes from the aim: what is left of levels there, by the
                # pseudo-inverse.
                step = aim - at - (np.linalg.pinv(out, rcond=_GRAZING) @ left[..., None])[..., 0]
                far = np.linalg.norm(step, axis=1, keepdims=True)
                # No farther than the planes are believed.
                at = at + step * np.minimum(1.0, _STEP_M / np.maximum(far, 1e-300))
            off = np.abs([_reduced(self.solids[n], at)[0] for n in solids])
            on = (off < _BURIED * np.ptp(self.box, axis=0).max()).all(axis=0)
            q[mine[on]] = at[on]
        return q

    @cached_property
    def box(self) -> np.ndarray:
        return box_around(self.solids)

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
        """By the cells of a lattice; right to 2e-4."""
        lattice = Lattice.over(self.box, _CELLS)
        return float(lattice.step**3 * lattice.within(self).sum())

    @cached_property
    def area(self) -> float:
        """Area of the parts of every solid that lie outside the others, m2, by fine facets; right to a per cent."""
        total = 0.0
        for n, solid in enumerate(self.solids):
            for sheet in solid.sheets(6):
                middles, facets = sheet.facets
                free = (np.delete(self.levels(middles), n, axis=0) > 0).all(axis=0)
                total += float(np.linalg.norm(facets[free], axis=1).sum())
        return total


def derivatives(
    walls: Sequence[Wall], owner: np.ndarray, points: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Level (n,), slope (n, 3) and Hessian (n, 3, 3) at `points`, each by the wall whose number is in `owner` (n,)."""
    value, slope, hessian = np.empty(len(points)), np.empty((len(points), 3)), np.empty((len(points), 3, 3))
    for n, wall in enumerate(walls):
        mine = np.flatnonzero(owner == n)
        if len(mine):
            t = wall.taylor(points[mine])
            value[mine], slope[mine], hessian[mine] = t.value, t.slope, t.hessian
    return value, slope, hessian


def _reduced(solid: Wall, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A solid's level over its slope (n,), m, about a distance, and the slope's direction (n, 3)."""
    t = solid.taylor(points)
    length = np.maximum(np.linalg.norm(t.slope, axis=1), 1e-300)
    return t.value / length, np.asarray(t.slope) / length[:, None]


@lru_cache(maxsize=32)
def union_of(solids: tuple[Wall, ...]) -> Wall:
    """One solid as it is, several as one; kept with what it has found out about itself: its tree, its box."""
    return solids[0] if len(solids) == 1 else UnionWall(solids)


def solids_of(wall: Wall) -> tuple[Wall, ...]:
    """The solids whose union a surface is; a single one is its own."""
    return wall.solids if isinstance(wall, UnionWall) else (wall,)
