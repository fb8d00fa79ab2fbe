"""Ducts through the clay as exact surfaces: rounded inside, straight, rounded outside.

At every turn round an opening a profile runs from its contact with the inside wall (A) round the inner rim to C,
straight to D, and round the outer rim to its contact with the outside (B); E and F are the corners that the rims
round off. A frame's coordinates are across, forward and out of the air.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicSpline

from simkit.body.body import Opening
from simkit.body.wall import Spot, Wall, normals, project

Keys = Callable[[np.ndarray], np.ndarray]  # turns (n,) -> A, E, C, D, F, B (n, 6, 3)


@dataclass(frozen=True)
class Footprint:
    """Where a duct's rim meets a surface, seen along its axis: a circle, or a box (left, right, back, front), m."""

    radius: float = 0.0
    box: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)

    @property
    def sides(self) -> int:
        """Smooth pieces of the outline."""
        return 1 if self.radius else 4

    def beyond(self, at: np.ndarray) -> np.ndarray:
        """How far points (n, 2 or 3) of the frame lie beyond the outline, m; negative within."""
        x, y = at[:, 0], at[:, 1]
        if self.radius:
            return np.hypot(x, y) - self.radius
        left, right, back, front = self.box
        return np.max([left - x, x - right, back - y, y - front], axis=0)

    def turn(self, at: np.ndarray) -> np.ndarray:
        """The turn 0 to 1 of points on the outline; on a box a quarter for each side, from the back's left end."""
        x, y = at[:, 0], at[:, 1]
        if self.radius:
            return np.mod(np.arctan2(y, x) / (2 * np.pi), 1.0)
        left, right, back, front = self.box
        away = np.abs([y - back, right - x, front - y, x - left])
        side = away.argmin(axis=0)
        f, g = (x - left) / (right - left), (y - back) / (front - back)
        share = np.stack([f, g, 1 - f, 1 - g])[side, np.arange(len(at))]
        return np.mod((side + np.clip(share, 0, 1)) / 4, 1.0)


@dataclass(frozen=True)
class Duct:
    """The duct of one opening; `inside` and `outside` are its footprints on the two surfaces of the clay."""

    opening: Opening
    inside: Footprint
    outside: Footprint
    exact: Keys

    @cached_property
    def keys(self) -> Keys:
        """The profiles' points as splines over the turn, one for each smooth side."""
        sides = self.inside.sides
        if sides == 1:
            turns = np.linspace(0, 1, 97)
            values = self.exact(turns)
            values[-1] = values[0]
            spline = CubicSpline(turns, values, bc_type="periodic")
            return lambda s: spline(np.mod(s, 1.0))
        # Closer towards both ends of a side, where the slope's blending begins.
        t = np.linspace(0, 0.75, 40)[:-1].tolist() + np.linspace(0.75, 1, 25).tolist()
        t = np.unique(np.round(np.concatenate([t, 1 - np.array(t)]), 12))
        inner = np.clip(t, 1e-12, 1 - 1e-12)
        splines = [CubicSpline(t, self.exact((k + inner) / sides)) for k in range(sides)]

        def keys(s: np.ndarray) -> np.ndarray:
            s = np.mod(s, 1.0)
            side = np.minimum((sides * s).astype(int), sides - 1)
            out = np.empty((len(s), 6, 3))
            for k, spline in enumerate(splines):
                out[side == k] = spline(sides * s[side == k] - k)
            return out

        return keys

    @cached_property
    def heights(self) -> tuple[float, float]:
        """How high the inner and the outer rim lie on the opening's axis, on the mean, m."""
        corners = self.exact(np.linspace(0, 1, 24, endpoint=False))[:, [1, 4]]
        low, high = ((corners - self.opening.center) @ self.opening.axis).mean(axis=0)
        return float(low), float(high)

    def points(self, turns: np.ndarray, depths: np.ndarray) -> np.ndarray:
        """Points (n, 3): depth 0 to 1 on the inner rim, 1 to 2 straight, 2 to 3 on the outer rim."""
        A, E, C, D, F, B = np.moveaxis(self.keys(turns), 1, 0)
        first, second, third = (np.clip(depths - d, 0, 1) for d in (0, 1, 2))
        d = depths[:, None]
        straight = C + second[:, None] * (D - C)
        return np.where(d <= 1, _arc(A, E, C, first), np.where(d <= 2, straight, _arc(D, F, B, third)))

    def frame(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) in the opening's frame."""
        o = self.opening
        return (points - o.center) @ np.stack([o.across, o.forward, o.axis], axis=1)


def _arc(start: np.ndarray, corner: np.ndarray, stop: np.ndarray, t: np.ndarray) -> np.ndarray:
    """A conic from start to stop with its tangents through the corner; a circle where both are equally long."""
    a, c = start - corner, stop - corner
    long = np.linalg.norm(a, axis=1) * np.linalg.norm(c, axis=1)
    cosine = np.einsum("ni,ni->n", a, c) / np.where(long > 1e-24, long, 1.0)
    weight = np.sqrt(np.clip((1 - np.where(long > 1e-24, cosine, 0.0)) / 2, 0, 1))[:, None]
    t = t[:, None]
    b = (1 - t) ** 2, 2 * t * (1 - t) * weight, t**2
    return (b[0] * start + b[1] * corner + b[2] * stop) / (b[0] + b[1] + b[2])


def lift(wall: Wall, offset: float, base: np.ndarray, way: np.ndarray, start: float) -> np.ndarray:
    """Heights h (n,) at which base (n, 3) + h way meets the surface `offset` from the wall, from `start` by Newton."""
    h = np.full(len(base), start)
    for _ in range(40):
        p = base + h[:, None] * way
        if offset == 0:
            t = wall.taylor(p)
            miss, slope = t.value, t.slope @ way
        else:
            away = p - project(wall, p)
            gap = np.sign(wall.level(p)) * np.linalg.norm(away, axis=1)
            miss, slope = gap - offset, (away / np.where(np.abs(gap) > 1e-15, gap, 1e-15)[:, None]) @ way
        step = np.clip(miss / slope, -2e-3, 2e-3)
        h = h - step
        if np.abs(step).max() < 1e-13:
            return h
    raise ValueError("its sides do not meet the clay's surface")


SPOT = 1.6  # radius of the flat face round a hole with a wall of its own, over the hole's


def own_wall(opening: Opening, thickness: float) -> bool:
    """Whether a hole is longer or shorter than the clay is thick."""
    return abs(opening.length - thickness) > 1e-9


def spot_of(opening: Opening, thickness: float, clear: float) -> Spot:
    """The flat face that ends such a hole outside: a spot filed flat, or the top of a collar.

    clear: how far the air reaches in from the hole, m: a collar's foot stands in there.
    """
    raised = opening.length > thickness
    radius = SPOT * opening.radius
    depth = opening.length + min(0.4 * clear, radius) if raised else 2 * (thickness + radius)
    return Spot(opening.center + opening.length * opening.axis, opening.axis, radius, raised, depth)


def duct_of(wall: Wall, thickness: float, opening: Opening) -> Duct:
    """The duct of a hole or a window through clay of that thickness; ValueError where its sides miss a surface."""
    return _hole(wall, thickness, opening) if opening.is_round else _Window(wall, thickness, opening).duct()


def _hole(wall: Wall, thickness: float, o: Opening) -> Duct:
    inner, outer = o.radius + o.inside_rim, o.radius + o.rim

    def keys(turns: np.ndarray) -> np.ndarray:
        phi = 2 * np.pi * turns[:, None]
        ray = np.cos(phi) * o.across + np.sin(phi) * o.forward

        def inside(radius: float) -> np.ndarray:
            base = o.center + radius * ray
            return base + lift(wall, 0.0, base, o.axis, 0.0)[:, None] * o.axis

        def outside(radius: float) -> np.ndarray:
            base = o.center + radius * ray
            high = lift(wall, thickness, base, o.axis, thickness)[:, None] if not own_wall(o, thickness) else o.length
            return base + high * o.axis

        E, F = inside(o.radius), outside(o.radius)
        A, B = inside(inner), outside(outer)
        low, high = (np.linalg.norm(v, axis=1)[:, None] * o.axis for v in (A - E, B - F))
        return np.stack([A, E, E + low, F - high, F, B], axis=1)

    return Duct(o, Footprint(inner), Footprint(outer), keys)


BLEND = 0.95  # of a side, where its rim begins to widen into that of the slope


class _Window:
    """A slot with upright exit and sides whose far side slopes away outward; its cut-up ends at the finished nose.

    Sides in turn: the exit (left to right), right, the edge (right to left), left.
    """

    def __init__(self, wall: Wall, thickness: float, o: Opening):
        self.wall, self.thickness, self.o = wall, thickness, o
        self.half, self.exit = o.width / 2, -o.height / 2
        angle = np.deg2rad(o.edge_deg)
        self.slope = np.cos(angle) * o.forward + np.sin(angle) * o.axis
        self.start = thickness / np.sin(angle)
        base = (o.center + o.height / 2 * o.forward)[None]
        foot = base + lift(wall, 0.0, base, o.axis, 0.0)[:, None] * o.axis
        way = _along(o.forward, normals(wall, foot)[0])
        # The wedge of clay between wall and slope; the rim's ball touches both this far from its sharp edge.
        self.inner_touch = o.inside_rim / np.tan(np.arccos(np.clip(way @ self.slope, -1, 1)) / 2)
        center = self.inner_touch * way + o.inside_rim * normals(wall, foot)[0]
        self.edge = o.height / 2 - (center @ o.forward - o.inside_rim)
        self.front_inside = self.edge + max(self.inner_touch * (way @ o.forward), 0.0)
        _, tops = self.sloping(np.linspace(-self.half, self.half, 33))
        out = tops[16] - project(wall, tops[16:17])[0]
        way = _along(o.forward, out / np.linalg.norm(out))
        self.outer_touch = o.rim / np.tan((np.pi - np.arccos(np.clip(way @ self.slope, -1, 1))) / 2)
        # The outer contact line is straight seen along the axis; a sharp rim is that line itself.
        reach = (tops - o.center) @ o.forward
        self.front_outside = float(reach.max() + max(self.outer_touch, 5e-5) if o.rim > 0 else reach.mean())

    def sloping(self, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Both ends of the slope at places across the window: (n, 3) each."""
        E = self.on(across, np.full_like(across, self.edge), 0.0)
        rise = lift(self.wall, self.thickness, E, self.slope, self.start)
        return E, E + rise[:, None] * self.slope

    def on(self, x: np.ndarray, y: np.ndarray, offset: float) -> np.ndarray:
        """Points of a surface of the clay at x across and y forward."""
        o = self.o
        base = o.center + x[:, None] * o.across + y[:, None] * o.forward
        return base + lift(self.wall, offset, base, o.axis, offset)[:, None] * o.axis

    def keys(self, turns: np.ndarray) -> np.ndarray:
        """The points of the profiles at `turns`."""
        o, back = self.o, self.exit
        turns = np.mod(turns, 1.0)
        side = np.minimum((4 * turns).astype(int), 3)
        t = 4 * turns - side
        toward = np.choose(side, [0 * t, t, 0 * t + 1, 1 - t])  # 0 at the exit, 1 at the edge
        x = np.choose(side, [2 * t - 1, 0 * t + 1, 1 - 2 * t, 0 * t - 1])

        def line(rim: float, near: float, far: np.ndarray | float, offset: float) -> np.ndarray:
            return self.on(x * (self.half + rim), near + toward * (far - near), offset)

        E, A = line(0.0, back, self.edge, 0.0), line(o.inside_rim, back - o.inside_rim, self.front_inside, 0.0)
        _, top = self.sloping(x * self.half)
        F = line(0.0, back, (top - o.center) @ o.forward, self.thickness)
        at_edge = side == 2
        F[at_edge] = top[at_edge]
        B = line(o.rim, back - o.rim, self.front_outside, self.thickness)
        if o.rim == 0:
            F = B
        way = F - E if self.thickness > 0 else np.tile(o.axis, (len(E), 1))
        way /= np.linalg.norm(way, axis=1)[:, None]
        low = self._touch(side, toward, way @ o.axis, o.inside_rim, self.inner_touch)
        high = self._touch(side, toward, way @ o.axis, o.rim, self.outer_touch)
        return np.stack([A, E, E + low * way, F - high * way, F, B], axis=1)

    @staticmethod
    def _touch(side: np.ndarray, toward: np.ndarray, steep: np.ndarray, rim: float, at_edge: float) -> np.ndarray:
        """How far along the duct a rim reaches: its radius at the exit, blending into the slope's near the edge."""
        blend = np.clip((toward - BLEND) / (1 - BLEND), 0, 1)
        plain = np.where(side == 0, rim, rim / np.maximum(steep, 0.1))
        return np.where(side == 2, at_edge, plain + blend * (at_edge - plain))[:, None]

    def duct(self) -> Duct:
        o, half, back = self.o, self.half, self.exit
        inside = (-half - o.inside_rim, half + o.inside_rim, back - o.inside_rim, self.front_inside)
        outside = (-half - o.rim, half + o.rim, back - o.rim, self.front_outside)
        return Duct(o, Footprint(box=inside), Footprint(box=outside), self.keys)


def _along(v: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """The unit part of v along a surface."""
    flat = v - (v @ normal) * normal
    return flat / np.linalg.norm(flat)
