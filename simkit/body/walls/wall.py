"""The inside surface of a chamber as an exact formula: level, derivatives, nearest points, curvatures, rays.

A wall is the zero set of a `level`: negative in the air, positive in the clay. Normals point out of the air;
curvatures are seen from the air (positive inside a ball). Lengths are metres.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.spatial import cKDTree

from simkit.body.walls.primitives import ClosedSheets, Sheet, Solid
from simkit.body.walls.taylor import Taylor


class Wall(ABC):
    """A closed inside surface: write `formula`, `box`, `sheets`, `volume` and `area`; the rest follows."""

    @abstractmethod
    def formula(self, x: Any, y: Any, z: Any) -> Any:
        """The level as a formula in x, y, z (arrays or Taylor values): < 0 in the air, 0 on the wall."""

    @property
    @abstractmethod
    def box(self) -> np.ndarray:
        """Corners of the least upright box around the air: (2, 3), m."""

    @property
    @abstractmethod
    def volume(self) -> float:
        """Volume of the air inside, m^3."""

    @abstractmethod
    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        """Rings that cover the wall; `fine` multiplies their number."""

    def solid(self, offset: float = 0.0) -> Solid:
        """The air as a solid, or with `offset` > 0 the body that it makes with its clay (a true offset), m."""
        return ClosedSheets(tuple(sheet.moved_out(offset) for sheet in self.sheets()))

    @cached_property
    def area(self) -> float:
        """Area of the wall, m^2: two finenesses of `sheets`, extrapolated (error falls as the square of the step)."""
        coarse, fine = (sum(_facet_area(points) for points in self.grids(n)) for n in (2, 4))
        return (4 * fine - coarse) / 3  # Richardson's extrapolation: within 5e-6, of plain shapes 1e-6

    def grids(self, fine: int = 1) -> tuple[np.ndarray, ...]:
        """Points of `sheets` alone, (rings, columns, 3) each, m, for walls that have them without their normals."""
        return tuple(sheet.points for sheet in self.sheets(fine))

    @property
    def axis(self) -> tuple[np.ndarray, np.ndarray]:
        """Origin of `along` (3,), m, and its unit direction (3,)."""
        return np.zeros(3), np.array([0.0, 1.0, 0.0])

    def middle(self, along: np.ndarray) -> np.ndarray:
        """The points (n, 3) at `along` (n,), m, of the line from which holes are aimed: the axis, if nothing else."""
        origin, direction = self.axis
        return np.asarray(origin + np.asarray(along)[:, None] * direction)

    def filled(self, offset: float) -> tuple[float, np.ndarray] | None:
        """Excess of clay of `offset` (m) over it where that fills a groove, at most, m, and the wall point (3,) there.

        The outside is what lies as far as `offset` from the nearest air, so clay fills a groove too tight for it. None
        where nothing is filled, or where such a wall is refused.
        """
        return None

    @property
    def caution(self) -> str:
        """Doubts about this wall, for the user; empty where there are none."""
        return ""

    @property
    def creased(self) -> bool:
        """Whether the wall has curved seams or rims where its normal turns at once."""
        return False

    @property
    def creased_outside(self) -> bool:
        """Whether the outer surface of its clay has; a true offset rounds every edge that stands out."""
        return False

    def complaint(self) -> tuple[str, str] | None:
        """A key of the shape and what it should be, where the shape is not one closed body of air."""
        return None

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Nearest wall points (n, 3) to `points` (n, 3), m; the default is for walls without sharp edges."""
        _, index = self._tree.query(points)
        return newton_foot(self, points, self._tree.data[index])

    @cached_property
    def _tree(self) -> cKDTree:
        """Points all over the wall, to start the search for the nearest."""
        return cKDTree(on_wall(self, 2))

    def level(self, points: np.ndarray) -> np.ndarray:
        """Level (n,) at `points` (n, 3), m: the formula's value."""
        points = np.atleast_2d(points)
        return np.asarray(self.formula(points[:, 0], points[:, 1], points[:, 2]))

    def taylor(self, points: np.ndarray) -> Taylor:
        """The formula with its first and second derivatives at `points` (n, 3)."""
        return self.formula(*Taylor.coordinates(np.atleast_2d(np.asarray(points, float))))

    def about_distance(self, points: np.ndarray, reach: float) -> np.ndarray:
        """Signed distance (n,), m, of points (n, 3) within `reach` of the wall, to first order: level over slope."""
        t = self.taylor(points)
        return np.asarray(t.value / np.maximum(np.linalg.norm(t.slope, axis=1), 1e-300))


def _facet_area(p: np.ndarray) -> float:
    """Area of the quadrilaterals of a ring grid, each as two triangles, averaged over both diagonals.

    The four triangles of both are half the products of either edge along with either edge around.
    """
    p = np.ascontiguousarray(np.moveaxis(p, -1, 0))
    along, across = p[:, 1:] - p[:, :-1], p[:, :, 1:] - p[:, :, :-1]
    total = 0.0
    for x, y, z in (along[:, :, :-1], along[:, :, 1:]):
        for u, v, w in (across[:, :-1], across[:, 1:]):
            total += float(np.sqrt((y * w - z * v) ** 2 + (z * u - x * w) ** 2 + (x * v - y * u) ** 2).sum())
    return total / 4


def box_around(walls: Iterable[Wall]) -> np.ndarray:
    """Corners (2, 3), m, of the least upright box around several walls."""
    low, high = zip(*(wall.box for wall in walls), strict=True)
    return np.array([np.min(low, axis=0), np.max(high, axis=0)])


def project(wall: Wall, points: np.ndarray) -> np.ndarray:
    """Nearest points (n, 3) of the wall to `points` (n, 3), m, exact to rounding."""
    return wall.nearest(np.atleast_2d(np.asarray(points, float)))


_BOX_SLACK = 0.02  # boxes of turned walls are taken from points all over them


def roomy_box(wall: Wall) -> np.ndarray:
    """Corners (2, 3) of a wall's box, a little enlarged, m."""
    more = _BOX_SLACK * np.ptp(wall.box, axis=0).max()
    return np.asarray(wall.box + np.array([[-more], [more]]))


def box_distance(wall: Wall, points: np.ndarray) -> np.ndarray:
    """Distance (n,), m, of points (n, 3) to a wall's box, a little enlarged: the wall is not nearer."""
    low, high = roomy_box(wall)
    return np.sqrt(_squared(np.maximum(np.maximum(low - points, points - high), 0.0)))


def feet(walls: Sequence[Wall], points: np.ndarray, least: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Nearest points (n, 3) of several walls to `points` (n, 3), m, and the number of the wall that each is on (n,).

    A wall is asked only about points to which its box, a little enlarged, is nearer than the foot found before. least
    (walls, n): the distances to these boxes, m, where they are known.
    """
    if least is None:
        least = np.stack([box_distance(wall, points) for wall in walls])
    # Nearest boxes first, so that most of the others need not be asked at all.
    order = least.argsort(axis=0)
    found, owner, gap = np.empty_like(points), np.zeros(len(points), int), np.full(len(points), np.inf)
    for asked in order:
        worth = least[asked, np.arange(len(points))] < gap
        for n, wall in enumerate(walls):
            mine = np.flatnonzero(worth & (asked == n))
            there = project(wall, points[mine]) if len(mine) else points[mine]
            off = np.linalg.norm(points[mine] - there, axis=1)
            # Ties go to the earlier wall, whatever the order of asking: the same answer on every machine.
            nearer = (off < gap[mine]) | ((off == gap[mine]) & (n < owner[mine]))
            mine, there, off = mine[nearer], there[nearer], off[nearer]
            found[mine], owner[mine], gap[mine] = there, n, off
    return found, owner


_ON_WALL = 1e-12  # m off it


def newton_foot(wall: Wall, points: np.ndarray, start: np.ndarray, steps: int = 25) -> np.ndarray:
    """Feet of perpendiculars from `points` (n, 3) to a smooth wall, by Newton from `start` (n, 3) near them.

    Solves q + lambda grad F(q) = p with F(q) = 0; a foot that did not converge or came out farther than the start
    moved straight to the wall is given up for that one.
    """
    size = np.ptp(wall.box, axis=0).max()
    q = best = start
    t = wall.taylor(q)
    if not (np.abs(t.value) < _ON_WALL * np.sqrt(_squared(t.slope))).all():
        q = best = _drop(wall, start)
        t = wall.taylor(q)
    lam = np.einsum("ni,ni->n", points - q, t.slope) / _squared(t.slope)  # from p - q = lambda grad F
    left, found, miss = np.arange(len(q)), q.copy(), np.empty(len(q))
    for step in range(steps + 1):
        # Levels have units of their own: over the slope's length the last row is in metres like the others.
        slope, hessian, scale = t.slope, t.hessian, np.sqrt(_squared(t.slope))
        # The residual of both conditions.
        right = np.concatenate([q + lam[:, None] * slope - points[left], (t.value / scale)[:, None]], axis=1)
        moving = (np.abs(right).max(axis=1) >= 1e-15) & (step < steps)
        found[left], miss[left] = q, np.abs(right[:, 3])
        if not moving.any():
            break
        if not moving.all():  # most are there after a few steps, the last few take all of them
            left, q, lam, scale = left[moving], q[moving], lam[moving], scale[moving]
            slope, hessian, right = slope[moving], hessian[moving], right[moving]
        # Their derivative by q and lambda (times scale): symmetric.
        system = np.zeros((len(q), 4, 4))
        system[:, :3, :3] = np.eye(3) + lam[:, None, None] * hessian
        system[:, :3, 3] = system[:, 3, :3] = slope / scale[:, None]
        by = _solve(system, right)
        length = np.maximum(np.linalg.norm(by[:, :3], axis=1), 1e-300)
        short = np.minimum(1.0, 0.1 * size / length)  # a step of a tenth of the wall at most
        q, lam = q - short[:, None] * by[:, :3], lam - short * by[:, 3] / scale
        t = wall.taylor(q)
    with np.errstate(invalid="ignore"):  # a foot at infinity minus another
        near = np.linalg.norm(found - points, axis=1) <= np.linalg.norm(best - points, axis=1) + 1e-12
    return np.where(((miss < _ON_WALL) & near & np.isfinite(found).all(axis=1))[:, None], found, best)


def _drop(wall: Wall, points: np.ndarray, steps: int = 30) -> np.ndarray:
    """Follow the gradient to the wall: a point of the wall near each of `points`."""
    q = points.copy()
    size = np.ptp(wall.box, axis=0).max()
    for _ in range(steps):
        t = wall.taylor(q)
        step = (t.value / np.maximum(_squared(t.slope), 1e-300))[:, None] * t.slope
        length = np.linalg.norm(step, axis=1)
        q = q - step * np.minimum(1.0, 0.1 * size / np.maximum(length, 1e-300))[:, None]
        if length.max(initial=0.0) < 1e-15 * size:
            break
    return q


def _squared(v: np.ndarray) -> np.ndarray:
    return np.einsum("ni,ni->n", v, v)


def _solve(system: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Batched solve; a singular row (a centre, equally near to many points) gets a zero step."""
    try:
        return np.linalg.solve(system, right[..., None])[..., 0]
    except np.linalg.LinAlgError:
        return np.einsum("nij,nj->ni", np.linalg.pinv(system), right)


def distance(wall: Wall, points: np.ndarray) -> np.ndarray:
    """Signed distance to the wall (n,), m: negative in the air."""
    points = np.atleast_2d(np.asarray(points, float))
    return np.sign(wall.level(points)) * np.linalg.norm(points - project(wall, points), axis=1)


def normals(wall: Wall, points: np.ndarray) -> np.ndarray:
    """Unit normals out of the air at wall points (n, 3)."""
    slope = wall.taylor(points).slope
    return slope / np.sqrt(_squared(slope))[:, None]


def curvatures(wall: Wall, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Principal curvatures k1 >= k2 (n,), 1/m, positive inside a ball, and the unit direction of k1 (n, 3)."""
    return bends(wall, points)[1:]


def bends(wall: Wall, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """`normals` (n, 3) and `curvatures` at wall points (n, 3).

    The shape operator is the tangential part of the Hessian of the level over its gradient's length
    (Goldman 2005 [Goldman2005], Comput. Aided Geom. Des. 22:632 [memory]).
    """
    t = wall.taylor(points)
    length = np.sqrt(_squared(t.slope))
    n = t.slope / length[:, None]
    tangent = np.eye(3) - n[:, :, None] * n[:, None, :]
    shape = tangent @ t.hessian @ tangent / length[:, None, None]
    values, vectors = np.linalg.eigh(shape + 1e9 * n[:, :, None] * n[:, None, :])  # the normal sorts last
    return n, values[:, 1], values[:, 0], vectors[:, :, 1]


def normal_curvatures(wall: Wall, point: np.ndarray, way: np.ndarray) -> tuple[float, float]:
    """The normal curvature, 1/m, of the wall at a point in the unit tangent direction `way`, and square to it.

    w . H w over the gradient's length, H the level's Hessian: the shape operator of `curvatures` seen along w.
    """
    t = wall.taylor(point[None])
    slope, length = t.slope[0], float(np.linalg.norm(t.slope))
    square = vector_product(slope / length, way)
    return float(way @ t.hessian[0] @ way) / length, float(square @ t.hessian[0] @ square) / length


def vector_product(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """a x b of two vectors (3,): np.cross takes ten times as long over a single pair."""
    (x, y, z), (u, v, w) = a.tolist(), b.tolist()
    return np.array([y * w - z * v, z * u - x * w, x * v - y * u])


def cast(wall: Wall, origin: np.ndarray, direction: np.ndarray, start: float = 0.0) -> np.ndarray | None:
    """First point (3,), m, where a ray from inside the air meets the wall, or None if it starts outside."""
    origin, direction = np.asarray(origin, float), np.asarray(direction, float)
    direction = direction / np.linalg.norm(direction)
    reach = 2.0 * np.linalg.norm(np.ptp(wall.box, axis=0))

    def at(s: np.ndarray | float) -> np.ndarray:
        return wall.level(origin + np.atleast_1d(s)[:, None] * direction)

    # Twice the box's diagonal in 800 steps: what is thinner than a quarter per cent of it may be passed over.
    steps = np.linspace(start, reach, 801)
    levels = at(steps)
    if not levels[0] < 0:
        return None
    beyond = np.flatnonzero(levels >= 0)
    if not len(beyond):
        return None
    low, high = steps[beyond[0] - 1], steps[beyond[0]]
    return origin + brentq(lambda s: at(s)[0], low, high, xtol=1e-16, rtol=1e-15) * direction


def clearance(wall: Wall, point: np.ndarray, normal: np.ndarray) -> float:
    """Depth of the air in from a wall point (3,) against its `normal` (3,), before the wall is met again, m."""
    size = float(np.ptp(wall.box, axis=0).max())
    hit = cast(wall, point, -normal, start=1e-6 * size)  # just off the wall: at the start itself the level is 0
    return 0.0 if hit is None else float(np.linalg.norm(hit - point))


def on_wall(wall: Wall, fine: int = 1) -> np.ndarray:
    """Points (n, 3) all over the curved wall, poles and flat ends and what lies inside the air left out."""
    points = np.concatenate([s.points[1:-1, :-1].reshape(-1, 3) for s in wall.sheets(fine) if not s.flat])
    return points[wall.level(points) > -1e-6 * np.ptp(wall.box, axis=0).max()]


def thinnest(wall: Wall) -> float:
    """The least depth of air straight in from the wall, over points all over it, m: its thinnest place."""
    points = on_wall(wall)[::5]  # a fifth of them: thin places are wider than their distance
    # Logarithmic steps from a thousandth of the size: thin places are resolved alike at any depth.
    inward = -normals(wall, points)
    reach = np.linalg.norm(np.ptp(wall.box, axis=0))
    steps = reach * np.geomspace(1e-3, 1.0, 120)
    ray = points[:, None, :] + steps[None, :, None] * inward[:, None, :]
    out = wall.level(ray.reshape(-1, 3)).reshape(len(points), -1) > 0
    return float(steps[out.argmax(axis=1)][out.any(axis=1)].min(initial=reach))
