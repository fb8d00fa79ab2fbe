"""A chamber of overlapping ellipsoids: a body with a head, a tail, hollow legs, a waist."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, reduce
from typing import Any

import numpy as np
from scipy.sparse.csgraph import connected_components

from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.primitives import Sheet, Solid, Union
from simkit.body.walls.rings import unit_rings
from simkit.body.walls.wall import Wall, box_around, newton_foot


@dataclass(frozen=True)
class _Lobe(Wall):
    """One ellipsoid about `center` with half sizes `half` across, along and up, m."""

    center: tuple[float, float, float]
    half: tuple[float, float, float]

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        (u, v, w), (a, b, c) = self.center, self.half
        x, y, z = (x - u) / a, (y - v) / b, (z - w) / c
        # Scaled so that the level's slope at the wall is near 1 for every lobe and the least of several is fair.
        return (x * x + y * y + z * z - 1.0) * (min(self.half) / 2)

    @property
    def box(self) -> np.ndarray:
        return np.array([np.subtract(self.center, self.half), np.add(self.center, self.half)])

    @property
    def volume(self) -> float:
        return 4 / 3 * np.pi * float(np.prod(self.half))

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        unit = unit_rings(12 * fine, 24 * fine)
        out = unit / self.half
        return (Sheet(self.center + unit * self.half, out / np.linalg.norm(out, axis=-1, keepdims=True)),)


@dataclass(frozen=True)
class LobesWall(Wall):
    """The union of ellipsoids, rows (along, across, up, length, width, height) by centre and sizes, m.

    Its true offset is the union of the lobes' own offsets, so the outside needs nothing special; where lobes meet
    there is a sharp edge towards the air.
    """

    rows: tuple[tuple[float, float, float, float, float, float], ...]

    @cached_property
    def lobes(self) -> tuple[_Lobe, ...]:
        return tuple(
            _Lobe((across, along, up), (width / 2, length / 2, height / 2))
            for along, across, up, length, width, height in self.rows
        )

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        return reduce(np.minimum, (lobe.formula(x, y, z) for lobe in self.lobes))

    @property
    def box(self) -> np.ndarray:
        return box_around(self.lobes)

    @property
    def creased(self) -> bool:
        return len(self.rows) > 1

    @property
    def creased_outside(self) -> bool:
        return len(self.rows) > 1

    def complaint(self) -> tuple[str, str] | None:
        """Lobes that do not hang together are no chamber."""
        return None if self.groups == 1 else ("lobes", f"rows that overlap into one body; these make {self.groups}")

    @property
    def groups(self) -> int:
        """Number of separate bodies of air that the lobes form; 1 for a chamber."""
        clouds = [lobe.sheets(2)[0].points.reshape(-1, 3) for lobe in self.lobes]
        # Lobes meet where the surface or the middle of one lies within the other.
        touch = [
            [bool((b.level(cloud) < 0).any() or (b.level(np.array([a.center])) < 0).any()) for b in self.lobes]
            for a, cloud in zip(self.lobes, clouds, strict=True)
        ]
        return int(connected_components(np.array(touch), directed=False)[0])

    @cached_property
    def volume(self) -> float:
        """Union of the lobes' chords over a grid of lines up, midpoint rule; right to about 1e-5."""
        (x0, y0, _), (x1, y1, _) = self.box
        # A grid over the box's plan; each line's chord through a lobe is known exactly, so only the plan is discrete.
        count = 800
        x = x0 + (x1 - x0) * (np.arange(count) + 0.5) / count
        y = y0 + (y1 - y0) * (np.arange(count) + 0.5) / count
        low, high = [], []
        for lobe in self.lobes:
            (u, v, w), (a, b, c) = lobe.center, lobe.half
            rest = 1 - ((x[:, None] - u) / a) ** 2 - ((y[None, :] - v) / b) ** 2
            half = c * np.sqrt(np.maximum(rest, 0.0))
            low.append(w - half)
            high.append(w + half)
        return float(_union_length(np.array(low), np.array(high)).sum() * (x1 - x0) * (y1 - y0) / count**2)

    @cached_property
    def area(self) -> float:
        """Area of the parts of every lobe that lie outside the others, m2, by fine facets; right to about 1e-3."""
        total = 0.0
        for lobe in self.lobes:
            middles, facets = lobe.sheets(10)[0].facets
            for other in self.lobes:
                if other is not lobe:
                    free = other.level(middles) > 0
                    middles, facets = middles[free], facets[free]
            total += float(np.linalg.norm(facets, axis=1).sum())
        return total

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        """All lobes whole; the parts inside other lobes are not wall (`on_wall` tells them apart)."""
        return tuple(sheet for lobe in self.lobes for sheet in lobe.sheets(fine))

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Nearest points (n, 3), m: a foot on a lobe that is not inside another, or on a nearer seam of two lobes."""
        feet = np.array([lobe.nearest(points) for lobe in self.lobes])
        gaps = np.linalg.norm(feet - points, axis=2)
        size = np.ptp(self.box, axis=0).max()
        # A foot inside another lobe is no wall: those rank behind all that are free.
        buried = np.array([self.level(f) < -1e-9 * size for f in feet])
        best = np.where(buried, gaps + size, gaps).argmin(axis=0)
        foot = feet[best, np.arange(len(points))]
        # Where the nearest foot is buried, the seam may be nearer than any foot that is free.
        lost = np.flatnonzero(buried[gaps.argmin(axis=0), np.arange(len(points))])
        if len(lost):
            seam = self._seam(points[lost], feet[:, lost], gaps[:, lost])
            nearer = np.linalg.norm(seam - points[lost], axis=1) < np.linalg.norm(foot[lost] - points[lost], axis=1)
            foot[lost[nearer]] = seam[nearer]
        return foot

    def _seam(self, points: np.ndarray, feet: np.ndarray, gaps: np.ndarray) -> np.ndarray:
        """Points (n, 3) where the two nearest lobes meet, by projecting on one after the other."""
        order = np.argsort(gaps, axis=0)
        q = feet[order[0], np.arange(len(points))]
        # Alternating projection; two ellipsoids cross steeply enough that forty turns are to rounding.
        for turn in range(40):
            for i, lobe in enumerate(self.lobes):
                mine = order[turn % 2] == i
                if mine.any():
                    q[mine] = newton_foot(lobe, q[mine], q[mine])  # here straight down onto the lobe
        return q

    def solid(self, offset: float = 0.0) -> Solid:
        return Union(tuple(lobe.solid(offset) for lobe in self.lobes))


def lobes_of(wall: Wall) -> tuple[Wall, ...]:
    """The ellipsoids whose union a wall is, where they lie; none for a wall of another kind."""
    if isinstance(wall, PlacedWall):
        return tuple(replace(wall, wall=lobe) for lobe in lobes_of(wall.wall))
    return wall.lobes if isinstance(wall, LobesWall) else ()


def _union_length(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Length of the union of intervals [low, high] along the first axis."""
    order = np.argsort(low, axis=0)
    low, high = np.take_along_axis(low, order, axis=0), np.take_along_axis(high, order, axis=0)
    # By rising start: only what lies beyond the furthest end so far is new.
    reach = low[0]
    total = np.zeros_like(reach)
    for a, b in zip(low, high, strict=True):
        total += np.maximum(b - np.maximum(a, reach), 0.0)
        reach = np.maximum(reach, b)
    return total
