"""A body lofted through rows of sections, as an exact wall. Sizes are metres; y runs along from 0 at the mouth end."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.interpolate import PPoly
from scipy.spatial import cKDTree
from scipy.special import gammaln

from simkit.body.walls.fair import fair
from simkit.body.walls.lofted import TOO_SMALL, Curves, Orders, over, root, side_level, times
from simkit.body.walls.primitives import ClosedSheets, Sheet, Solid
from simkit.body.walls.rings import around, flat_end, true_sheet
from simkit.body.walls.taylor import Taylor
from simkit.body.walls.wall import Wall, newton_foot


def _divided(p: PPoly, round_start: bool, round_stop: bool) -> PPoly:
    """p/(y - first) on the first piece and p/(last - y) on the last where p falls to zero there."""
    c = p.c.copy()
    if round_start:
        # On its own piece p is a polynomial in y - first without a constant: divided, every power falls by one.
        c[:, 0] = [0.0, *c[:-1, 0]]
    if round_stop:
        step = p.x[-1] - p.x[-2]
        c[:, -1] = [0.0, *(-np.polydiv(c[:, -1], [1.0, -step])[0])]  # last - y = -(t - step) on the piece
    return PPoly(c, p.x)


_BEYOND = 0.05  # of the last piece's length
_LEAST_RATIO = 1e-12  # of b/a squared


@dataclass(frozen=True)
class SectionsWall(Wall):
    """A body lofted through rows [along, width, height, rise, squareness].

    The squares of the half sizes, the rise and the squareness n follow y by curves that do not ripple (`fair`), so
    a first or last row of width 0 closes round. Section: |x/a|^n + |(z - rise)/b|^n = 1.
    """

    rows: tuple[tuple[float, float, float, float, float], ...]
    _curves: Curves = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        t = np.array(self.rows, float)
        x = t[:, 0]
        A, B = fair(x, (t[:, 1] / 2) ** 2), fair(x, (t[:, 2] / 2) ** 2)
        # b/a is 0/0 at a round tip: the quotients of both by the distance from it are not.
        over_end = [_divided(p, *self.round_ends) for p in (A, B)]
        curves = Curves.of([A, B, *over_end, fair(x, t[:, 3]), fair(x, self._squareness(t))])
        object.__setattr__(self, "_curves", curves)

    def _squareness(self, t: np.ndarray) -> np.ndarray:
        """A tip has the squareness of its neighbour: its own row has no size to show it."""
        n = t[:, 4].copy()
        n[0] = n[1] if self.round_ends[0] else n[0]
        n[-1] = n[-2] if self.round_ends[1] else n[-1]
        return n

    @property
    def round_ends(self) -> tuple[bool, bool]:
        return self.rows[0][1] == 0, self.rows[-1][1] == 0

    def _section(self, y: Any) -> tuple[Any, Any, Any, Any]:
        """(mean square half size a b, its ratio b/a, rise, squareness) at y; a b turns negative beyond a tip.

        Well beyond a tip the curves would turn again: from there a b falls by the half size for each m, all else
        stays.
        """
        if isinstance(y, Taylor):
            square, ratio, rise, n = self._orders(y.value)
            return y.through(*square), y.through(*ratio), y.through(*rise), y.through(*n)
        y = np.asarray(y, float)
        known = self._believed(y)
        A, _, a, b, rise, n = self._curves.values(known)
        ratio = np.sqrt(np.maximum(b / a, _LEAST_RATIO))
        # a b = a^2 (b/a), so only A is wanted; b/a squared is that of the quotients.
        return A * ratio - self._scale * np.abs(y - known), ratio, rise, n

    def _orders(self, y: np.ndarray) -> tuple[Orders, Orders, Orders, Orders]:
        """Curves at y (n,) with first and second derivatives."""
        known = self._believed(y)
        A, _, a, b, rise, n = zip(*self._curves.orders(known), strict=True)
        ratio = root(over(b, a), _LEAST_RATIO)
        found = times(A, ratio), ratio, rise, n
        beyond = y - known
        # Where y is clipped the curves stand still: no derivatives but that of the fall.
        if beyond.any():
            within = beyond == 0
            square, ratio, rise, n = ((value, first * within, second * within) for value, first, second in found)
            fall, steep = self._scale * np.abs(beyond), self._scale * np.sign(beyond)
            found = (square[0] - fall, square[1] - steep, square[2]), ratio, rise, n
        return found

    def _believed(self, y: np.ndarray) -> np.ndarray:
        """The nearest y at which the curves are believed."""
        low, high = self._known
        return np.clip(y, low if self.round_ends[0] else -np.inf, high if self.round_ends[1] else np.inf)

    @cached_property
    def _known(self) -> tuple[float, float]:
        """Between which y, m, the curves are believed: a little beyond the tips, if they go on falling there.

        At a tip drawn out to a point they do not: a nanometre before it, for at the point itself b/a is 0/0.
        """
        ends = []
        for tip, before in ((self.rows[0][0], self.rows[1][0]), (self.rows[-1][0], self.rows[-2][0])):
            y = tip + np.linspace(0, _BEYOND, 6) * (tip - before)
            falls = (np.diff(self._curves.values(y)[:2]) < 0).all()
            # Believed as far as both squares go on falling through zero.
            ends.append(float(y[-1] if falls else tip - 1e-8 * (tip - before)))
        return ends[0], ends[1]

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        return self._ended(self._lateral(x, y, z), y)

    def taylor(self, points: np.ndarray) -> Taylor:
        points = np.atleast_2d(np.asarray(points, float))
        return self._ended(self._side_taylor(points), Taylor.coordinates(points)[1])

    def _side_taylor(self, points: np.ndarray) -> Taylor:
        return side_level(points, self._orders(points[:, 1]), self._scale)

    def _ended(self, level: Any, y: Any) -> Any:
        """The level of the side, cut off at the ends that are flat."""
        if not self.round_ends[0]:
            level = np.maximum(level, self.rows[0][0] - y)
        if not self.round_ends[1]:
            level = np.maximum(level, y - self.rows[-1][0])
        return level

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Nearest points (n, 3), m: on the loft where the foot is between flat ends, else on an end or its rim."""
        if all(self.round_ends):
            return super().nearest(points)
        # First on the endless side; a foot beyond a flat end counts as infinitely far.
        start = self._side_tree.data[self._side_tree.query(points)[1]]
        found = newton_foot(_Loft(self), points, start)
        gap = np.linalg.norm(found - points, axis=1)
        flat = [(self.rows[end][0], end, sign) for end, sign in ((0, -1), (-1, 1)) if not self.round_ends[end]]
        for y, _, sign in flat:
            gap[sign * (found[:, 1] - y) > 0] = np.inf
        for y, end, _ in flat:
            asked = np.flatnonzero(np.abs(points[:, 1] - y) < gap)  # no point of an end is nearer than its plane
            if not len(asked):
                continue
            foot = points[asked]
            foot[:, 1] = y
            out = np.flatnonzero(_Profile(self, y).level(foot) >= 0)  # beside the end: its rim is nearest
            if len(out):
                ring = self._rims[end]
                foot[out] = newton_foot(_Profile(self, y), foot[out], ring.data[ring.query(foot[out])[1]])
            away = np.linalg.norm(foot - points[asked], axis=1)
            nearer = away < gap[asked]
            found[asked[nearer]], gap[asked[nearer]] = foot[nearer], away[nearer]
        return found

    @cached_property
    def _side_tree(self) -> cKDTree:
        return cKDTree(self.sheets(2)[0].points.reshape(-1, 3))

    @cached_property
    def _rims(self) -> tuple[cKDTree, cKDTree]:
        """Points all round the first and the last section."""
        rings = self._rings(2)
        return cKDTree(rings[0]), cKDTree(rings[-1])

    def _lateral(self, x: Any, y: Any, z: Any) -> Any:
        """The level of the lofted side alone."""
        square, ratio, rise, n = self._section(y)
        scale = self._scale
        # As `side_level`, here of arrays and Taylor values alike.
        u = np.sqrt(x * x * ratio + (TOO_SMALL * scale) ** 2) / scale
        w = z - rise
        v = np.sqrt(w * w / ratio + (TOO_SMALL * scale) ** 2) / scale
        power = np.exp(n * np.log(u)) + np.exp(n * np.log(v))
        return (np.exp(np.log(power) * (2.0 / n)) - square / scale**2) * (scale / 2)

    @cached_property
    def _scale(self) -> float:
        return max(max(row[1], row[2]) for row in self.rows) / 2

    def middle(self, along: np.ndarray) -> np.ndarray:
        """Centres of the sections at `along` (n,), m: (n, 3); a nose that droops has holes as a straight one has."""
        along = np.asarray(along, float)
        return np.stack([np.zeros_like(along), along, self._curves.values(along)[4]], axis=1)

    @property
    def creased(self) -> bool:
        return not all(self.round_ends)

    @cached_property
    def box(self) -> np.ndarray:
        p = self._rings(2).reshape(-1, 3)
        return np.array([p.min(axis=0), p.max(axis=0)])

    @cached_property
    def volume(self) -> float:
        """Integral of the section's area 4 a b Gamma(1 + 1/n)^2/Gamma(1 + 2/n) (Dirichlet 1839), Gauss by pieces."""
        u, w = np.polynomial.legendre.leggauss(12)
        total = 0.0
        for low, high in pairwise(self.rows):
            y = low[0] + (high[0] - low[0]) * (u + 1) / 2
            square, _, _, n = self._section(y)
            total += (
                float(np.sum(w * 4 * square * np.exp(2 * gammaln(1 + 1 / n) - gammaln(1 + 2 / n))))
                * (high[0] - low[0])
                / 2
            )
        return total

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        rings = self._rings(fine)
        return (self._side(rings), *self._caps(rings, fine))

    def grids(self, fine: int = 1) -> tuple[np.ndarray, ...]:
        rings = self._rings(fine)
        return (rings, *(cap.points for cap in self._caps(rings, fine)))

    def _rings(self, fine: int) -> np.ndarray:
        """Rings of the lofted side: (rings, around, 3)."""
        phi = around(fine, 32)
        y = self._stations(6 * fine)
        square, ratio, rise, n = (np.asarray(q)[:, None] for q in self._section(y))
        half = np.sqrt(np.maximum(square, 0.0))
        cos, sin = np.cos(phi)[None, :], np.sin(phi)[None, :]
        # In polar form: (sin, cos)/d lies on the unit curve of squareness n, stretched then to a = half/sqrt(ratio).
        d = (np.abs(cos) ** n + np.abs(sin) ** n) ** (1 / n)
        return np.stack(
            [half / np.sqrt(ratio) * sin / d, y[:, None] + 0 * d, rise + half * np.sqrt(ratio) * cos / d], axis=-1
        )

    def _caps(self, rings: np.ndarray, fine: int) -> list[Sheet]:
        """The flat ends, if any."""
        caps = []
        for is_round, end, sign in zip(self.round_ends, (0, -1), (-1, 1), strict=True):
            if not is_round:
                center = (rings[end].min(axis=0) + rings[end].max(axis=0)) / 2
                caps.append(flat_end(rings[end], center, sign, fine))
        return caps

    def _side(self, points: np.ndarray) -> Sheet:
        """Normals of the lofted side alone, just inside flat ends, where the level turns over to the end planes."""
        low, high = self.rows[0][0], self.rows[-1][0]
        # Right at a flat end the level is the larger of two, and its slope that of the end.
        nudge = 1e-7 * (high - low)
        inner = points.copy()
        inner[..., 1] = np.clip(
            inner[..., 1], low + nudge * (not self.round_ends[0]), high - nudge * (not self.round_ends[1])
        )
        sheet = true_sheet(self, inner)
        points[:, -1] = points[:, 0]
        return Sheet(np.where(np.abs(points - sheet.points) < 2 * nudge, points, sheet.points), sheet.normals)

    def _stations(self, count: int) -> np.ndarray:
        """Places along y for the rings: `count` a piece, drawn towards a round tip as the square."""
        x = [row[0] for row in self.rows]
        t = np.linspace(0, 1, count + 1)[:-1]
        y = []
        for i, (low, high) in enumerate(pairwise(x)):
            if i == 0 and self.round_ends[0]:
                share = t**2  # radius goes as the root of the distance from a tip: even steps along the wall
            elif i == len(x) - 2 and self.round_ends[1]:
                share = 1 - (1 - t) ** 2
            else:
                share = t
            y.append(low + (high - low) * share)
        return np.concatenate([*y, [x[-1]]])

    def solid(self, offset: float = 0.0) -> Solid:
        if offset == 0 or all(self.round_ends):
            return super().solid(offset)
        return ClosedSheets((self._wrapped(offset),))

    def _wrapped(self, offset: float) -> Sheet:
        """Side, rounded rims and flat ends of the offset body as one run of rings from pole to pole."""
        side, *caps = self.sheets()
        rings, outs = list(side.points + offset * side.normals), list(side.normals)
        for cap in caps:
            axis = cap.normals[0, 0]
            rim, out = cap.points[-1], side.normals[0 if axis[1] < 0 else -1]
            angle = np.arccos(np.clip(out @ axis, -1, 1))[:, None]
            turn = np.linspace(0, 1, 6)[1:, None, None]
            # From the side's normal to the end's along a great circle: the rim's rounding, of radius `offset`.
            fan = (np.sin((1 - turn) * angle) * out + np.sin(turn * angle) * axis) / np.sin(angle)
            share = np.linspace(1, 0, 5)[1:, None, None]
            more = [*(rim + offset * fan), *(cap.points[0] + share * (rim - cap.points[0]) + offset * axis)]
            normal = [*fan, *np.broadcast_to(axis, (4, *rim.shape))]
            if axis[1] < 0:  # the start's cap comes first, from its middle outwards
                rings, outs = more[::-1] + rings, normal[::-1] + outs
            else:
                rings, outs = rings + more, outs + normal
        return Sheet(np.array(rings), np.array(outs))


@dataclass(frozen=True)
class _Loft(SectionsWall):
    """The lofted side without its flat ends, going on beyond them; only to find feet on it."""

    def __init__(self, whole: SectionsWall):
        self.__dict__.update(whole.__dict__, whole=whole)  # frozen, and nothing is to be fitted again

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        return self._lateral(x, y, z)

    def taylor(self, points: np.ndarray) -> Taylor:
        return self._side_taylor(points)


@dataclass(frozen=True)
class _Profile(SectionsWall):
    """The section at one `y` drawn out endlessly; only to find feet on its rim."""

    def __init__(self, whole: SectionsWall, y: float):
        self.__dict__.update(whole.__dict__, y=y)

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        return self._lateral(x, y * 0.0 + self.__dict__["y"], z)

    def taylor(self, points: np.ndarray) -> Taylor:
        return Wall.taylor(self, points)
