"""Several chambers in one body of clay: the wall between two of them, and what stands before an opening."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.spatial import cKDTree

from simkit.body.chambers import Opening
from simkit.body.mouthpiece import WindwayCut
from simkit.body.walls.wall import Wall, box_distance, distance, project
from simkit.frozen import frozen

NEAREST = 60  # points of each wall that are held against the other exactly
CLOSED_IN_M = 1e-9


@frozen
class ClayBetween:
    """The clay between two chambers: its least thickness in m, negative where they overlap, and where (3,), m."""

    thickness: float
    place: np.ndarray


def boxes_apart(a: Wall, b: Wall) -> float:
    """Distance between the boxes of two walls, m: the walls are no nearer. 0 where the boxes meet."""
    (low, high), (other_low, other_high) = a.box, b.box
    # Beside each other along an axis: only that gap counts; where they overlap on it, none.
    return float(np.linalg.norm(np.maximum(np.maximum(low - other_high, other_low - high), 0.0)))


@lru_cache(maxsize=256)
def between(a: Wall, b: Wall) -> ClayBetween:
    """The least clay between the air of two chambers, by points of each wall held against the other.

    The thinnest place of those found is followed to where the shortest line stands square on both walls; where the
    chambers overlap, it is how deep the deepest of the points lies within the other chamber.
    """
    thin = min(_least(a, b), _least(b, a), key=lambda found: found.thickness)
    return thin if thin.thickness <= 0 else _followed(a, b, thin)


@lru_cache(maxsize=256)
def overlapping(a: Wall, b: Wall) -> bool:
    """Whether points of one wall lie within the other: whether `between` is negative, which takes far longer."""
    if boxes_apart(a, b) > 0:
        return False
    return bool((b.level(_points(a)) < 0).any() or (a.level(_points(b)) < 0).any())


def _least(a: Wall, b: Wall) -> ClayBetween:
    """The point of `a` that lies deepest in `b`, or nearest to it."""
    mine, theirs = _points(a), _points(b)
    apart, _ = cKDTree(theirs).query(mine)
    within = b.level(mine) < 0
    # By points alone, quickly; the few that come nearest, or lie deepest, are then measured exactly.
    order = np.argsort(np.where(within, -apart, apart))[:NEAREST]
    off = distance(b, mine[order])
    n = int(off.argmin())
    return ClayBetween(float(off[n]), mine[order[n]])


@lru_cache(maxsize=64)
def _points(wall: Wall) -> np.ndarray:
    """Points (n, 3), m, all over a wall, flat ends too."""
    # Grids come without normals, which would take longer than the points.
    points = np.concatenate([grid.reshape(-1, 3) for grid in wall.grids()])
    return points[wall.level(points) > -1e-6 * np.ptp(wall.box, axis=0).max()]  # of lobes, only what shows


def _followed(a: Wall, b: Wall, start: ClayBetween) -> ClayBetween:
    """Thinnest place near a thin one: to and fro between the two walls' nearest points.

    Every second step leaps to where the steps, which shrink alike, would lead (Aitken).
    """

    def there_and_back(on_a: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        on_b = project(b, on_a)
        return project(a, on_b), on_b

    on_a = project(a, start.place)
    for _ in range(60):
        first, _ = there_and_back(on_a)
        second, on_b = there_and_back(first)
        # Steps d, r d, r^2 d, ...: their sum d/(1 - r) is -(d.c)/(c.c) d with the change c = (r - 1) d.
        step, change = first - on_a, second - 2 * first + on_a
        if np.abs(second - first).max() < CLOSED_IN_M:
            break
        shrinks = (step * change).sum() < 0  # else the leap would lead away
        on_a = project(a, on_a - (step * change).sum() / (change * change).sum() * step) if shrinks else second
    gap = float(np.linalg.norm(second - on_b))
    return ClayBetween(gap, ((second + on_b) / 2)[0])


def buried(opening: Opening, thickness: float, other: Wall) -> float:
    """Depth of an opening's outer mouth within the clay around another chamber, m; 0 where it is free."""
    # Of an even wall the outer surface is a thickness away along the axis, of a figure where the duct ends.
    rim = opening.rim_points(24, out=thickness if opening.figure is None else opening.through)
    if box_distance(other, rim).min() > thickness:
        return 0.0
    return max(0.0, thickness - float(distance(other, rim).min()))


def windway_room(cut: WindwayCut, other: Wall) -> float:
    """Signed distance of a windway from another chamber's air, m; below 0 within.

    At least so far where it stays clear of that chamber's box.
    """
    back = np.linspace(0.0, cut.length, 24)[:, None] * cut.back
    # Along its middle line and both sides, at half its height.
    sides = np.concatenate([cut.exit + back + side * cut.at_exit[0] / 2 * cut.across for side in (-1, 0, 1)])
    least = box_distance(other, sides).min()
    return float(least if least > 0 else distance(other, sides).min())
