"""Intersections of a duct with a surface of the clay, and the surface of the duct itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline

from simkit.body.chambers import Opening
from simkit.frozen import frozen

Keys = Callable[[np.ndarray], np.ndarray]  # turns (n,) -> A, E, C, D, F, B and the arcs' weights (n, 7, 3)
LONG_SIDE = 0.6  # of a window's outer side, how much is taken for its length: it has as many edges as the inner
DRAWN = 12  # points of an outline from which it is drawn anew, for each side of a box and each quarter of a round one


@frozen
class Footprint:
    """A duct's rim on a surface, seen along its axis: a closed curve round the axis in smooth sides.

    turns (sides, n): 0 to 1 all round; plan (sides, n, 2): the points there, across and forward, m; the first of each
    side is the last of the side before.
    """

    turns: np.ndarray
    plan: np.ndarray

    @property
    def sides(self) -> int:
        """Smooth pieces of the outline."""
        return len(self.turns)

    @cached_property
    def box(self) -> tuple[float, float, float, float]:
        """Left, right, back and front end, m."""
        (left, back), (right, front) = self.plan.min(axis=(0, 1)).tolist(), self.plan.max(axis=(0, 1)).tolist()
        return left, right, back, front

    @cached_property
    def _angles(self) -> np.ndarray:
        """The directions of the points, rising all round: (sides, n)."""
        # Unwrapped, so that it rises from the first point to the last: 2 pi in all.
        flat = np.arctan2(self.plan[..., 1], self.plan[..., 0]).ravel()
        return np.unwrap(flat).reshape(self.turns.shape)

    @cached_property
    def _sides(self) -> list[CubicSpline]:
        """Distance from the axis and turn over the direction, for each side."""
        out = np.hypot(self.plan[..., 0], self.plan[..., 1])
        rows = zip(self._angles, np.stack([out, self.turns], axis=2), strict=True)
        return [CubicSpline(angles, values) for angles, values in rows]

    def _seen(self, at: np.ndarray) -> np.ndarray:
        """Distance of the outline from the axis and its turn, in the directions of points (n, 2 or 3): (n, 2)."""
        first = self._angles[0, 0]
        # Once round from the first point on, as the rising angles of the sides run.
        angle = first + np.mod(np.arctan2(at[:, 1], at[:, 0]) - first, 2 * np.pi)
        side = np.clip(np.searchsorted(self._angles[:, -1], angle), 0, self.sides - 1)
        seen = np.empty((len(at), 2))
        for k, spline in enumerate(self._sides):
            seen[side == k] = spline(angle[side == k])
        return seen

    def beyond(self, at: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 2 or 3) of the frame beyond the outline, from the axis, m; negative within."""
        return np.asarray(np.hypot(at[:, 0], at[:, 1]) - self._seen(at)[:, 0])

    def turn(self, at: np.ndarray) -> np.ndarray:
        """The turn 0 to 1 of points (n, 2 or 3) on the outline; on a box a quarter for each side, from the back's left
        end."""
        return np.mod(self._seen(at)[:, 1], 1.0)

    def rule(self) -> tuple[np.ndarray, np.ndarray]:
        """Places (n, 2) within the outline and the areas (n,), m^2, that they stand for in integrals over it."""
        # Gauss along the radius and, on four parts of each side, along the angle.
        x, w = np.polynomial.legendre.leggauss(8)
        share, part = (1 + x) / 2, w / 2
        places, areas = [], []
        for angles, spline in zip(self._angles, self._sides, strict=True):
            # So that parts are even along the side, not in its direction.
            stops = np.interp(np.linspace(0, 1, 5), np.linspace(0, 1, len(angles)), angles)
            angle = (stops[:-1, None] + share * np.diff(stops)[:, None]).ravel()
            out = spline(angle)[:, 0]
            way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
            # Polar coordinates with the radius as a share of the outline's: dA = out^2 share dshare dangle.
            places.append(((out[:, None] * share)[..., None] * way[:, None]).reshape(-1, 2))
            turned = (np.diff(stops)[:, None] * part).ravel()
            areas.append((turned[:, None] * out[:, None] ** 2 * share * part).ravel())
        return np.concatenate(places), np.concatenate(areas)

    def drawn(self) -> list[np.ndarray]:
        """Pieces of the outline in turn, each by its points (m, 2) from which it can be drawn, m."""
        pieces = []
        for angles, spline in zip(self._angles, self._sides, strict=True):
            parts = 1 if self.sides > 1 else 4
            stops = np.interp(np.linspace(0, 1, parts + 1), np.linspace(0, 1, len(angles)), angles)
            for low, high in pairwise(stops):
                angle = np.linspace(low, high, 2 * DRAWN + 1)
                if parts == 1:  # even along a straight side, not in its direction
                    angle = np.interp(np.linspace(0, 1, DRAWN + 1), np.linspace(0, 1, len(angles)), angles)
                pieces.append(spline(angle)[:, :1] * np.stack([np.cos(angle), np.sin(angle)], axis=1))
        return pieces


@dataclass(frozen=True)
class DuctSurface:
    """The duct of one opening; `inside` and `outside` are its footprints on the two surfaces of the clay.

    seamed: its rim turns up or down where it crosses a seam of the outside, and no spline goes round it.
    """

    opening: Opening
    inside: Footprint
    outside: Footprint
    exact: Keys
    seamed: bool = False

    @cached_property
    def keys(self) -> Keys:
        """The profiles' points as splines over the turn, one for each smooth side."""
        sides = self.inside.sides
        if self.seamed:
            return self.exact
        if sides == 1:
            turns = np.linspace(0, 1, 97)
            values = self.exact(turns)
            values[-1] = values[0]  # to the last digit, which a periodic spline asks for
            spline = CubicSpline(turns, values, bc_type="periodic")
            return lambda s: spline(np.mod(s, 1.0))
        # Closer towards both ends of a side, where the slope's blending begins.
        t = np.linspace(0, 0.75, 40)[:-1].tolist() + np.linspace(0.75, 1, 25).tolist()
        t = np.unique(np.round(np.concatenate([t, 1 - np.array(t)]), 12))
        inner = np.clip(t, 1e-12, 1 - 1e-12)  # at a corner exactly the turn would belong to the next side
        every = self.exact(((np.arange(sides)[:, None] + inner) / sides).ravel()).reshape(sides, len(t), 7, 3)
        splines = [CubicSpline(t, values) for values in every]

        def keys(s: np.ndarray) -> np.ndarray:
            s = np.mod(s, 1.0)
            side = np.minimum((sides * s).astype(int), sides - 1)
            out = np.empty((len(s), 7, 3))
            for k, spline in enumerate(splines):
                out[side == k] = spline(sides * s[side == k] - k)
            return out

        return keys

    @cached_property
    def some(self) -> np.ndarray:
        """The exact profiles' points at 24 turns: (24, 7, 3), m."""
        return self.exact(np.linspace(0, 1, 24, endpoint=False))

    @cached_property
    def heights(self) -> np.ndarray:
        """Heights of the inner and outer rim on the opening's axis, m: each as a + b y + c x^2 in its frame, (2, 3)."""
        corners = self.some[:, [1, 4]]  # E and F, the rims' sharp corners
        fits = []
        for n in range(2):
            x, y, z = self.frame(corners[:, n]).T
            fits.append(np.linalg.lstsq(np.stack([np.ones_like(x), y, x * x], axis=1), z, rcond=None)[0])
        return np.stack(fits)

    def points(self, turns: np.ndarray, depths: np.ndarray) -> np.ndarray:
        """Points (n, 3): depth 0 to 1 on the inner rim, 1 to 2 straight, 2 to 3 on the outer rim."""
        A, E, C, D, F, B, weights = np.moveaxis(self.keys(turns), 1, 0)  # see `rims`
        first, second, third = (np.clip(depths - d, 0, 1) for d in (0, 1, 2))
        d = depths[:, None]
        straight = C + second[:, None] * (D - C)
        rims = _arc(A, E, C, first, weights[:, 0]), _arc(D, F, B, third, weights[:, 1])
        return np.where(d <= 1, rims[0], np.where(d <= 2, straight, rims[1]))

    def frame(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) in the opening's frame."""
        o = self.opening
        return (points - o.center) @ np.stack([o.across, o.forward, o.axis], axis=1)


@dataclass(frozen=True)
class OutlineCut:
    """Cut of one duct with a surface: its footprint, the stretch of its axis looked at (m), the size at its rim (m)."""

    duct: DuctSurface
    foot: Footprint
    low: float
    high: float
    size: float

    @property
    def counts(self) -> list[int]:
        """Edges on each side of the outline: as many on the inside of the clay as on its outside."""
        o = self.duct.opening
        if o.is_round:
            # 16 at least: flat sides are 2.6 % short of a circle then
            return [max(16, int(np.ceil(2 * np.pi * o.radius / self.size)))]
        _, _, back, front = self.duct.outside.box
        # The far side's slope makes the outer outline longer than the inner.
        along = max(1.4 * o.height, LONG_SIDE * (front - back))
        wide, high = (max(3, int(np.ceil(length / self.size))) for length in (o.width, along))
        return [wide, high, wide, high]

    def on(self, points: np.ndarray, within: float) -> np.ndarray:
        """Mask (n,) of the points (n, 3) on the outline."""
        at = self.duct.frame(points)
        return (np.abs(self.foot.beyond(at)) < within) & (at[:, 2] > self.low) & (at[:, 2] < self.high)

    def within(self, points: np.ndarray) -> np.ndarray:
        """Mask (n,) of the points (n, 3) inside the outline."""
        at = self.duct.frame(points)
        return (self.foot.beyond(at) < 0) & (at[:, 2] > self.low) & (at[:, 2] < self.high)


def _arc(start: np.ndarray, corner: np.ndarray, stop: np.ndarray, t: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Points (n, 3) at t (n,) of a conic from start to stop with its tangents through the corner.

    With the cosine of half its arc for weight it is a circle's where both tangents are equally long, else one seen
    aslant.
    """
    t = t[:, None]
    b = (1 - t) ** 2, 2 * t * (1 - t) * weight[:, None], t**2
    return (b[0] * start + b[1] * corner + b[2] * stop) / (b[0] + b[1] + b[2])
