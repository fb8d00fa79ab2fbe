"""Ducts through the clay as exact surfaces: rounded inside, straight, rounded outside.

At every turn round an opening a profile runs from its contact with the inside wall (A) round the inner rim to C,
straight to D, and round the outer rim to its contact with the outside (B); E and F are the corners that the rims
round off. The rims are those of a ball that rolls along them (`rolling`). A frame's coordinates are across, forward
and out of the air.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

from simkit.body.chambers import Opening
from simkit.body.meshes.outlines import DuctSurface, Footprint
from simkit.body.meshes.rolling import Face, Rolled, lift, meeting
from simkit.body.meshes.seamed import rays, seamed_rim
from simkit.body.meshes.soundness import place
from simkit.body.walls.primitives import FlatFace
from simkit.body.walls.union import UnionWall, solids_of
from simkit.body.walls.wall import Wall, distance, normals

SPOT = 1.6  # radius of the flat face round a hole with a wall of its own, over the hole's


def own_wall(opening: Opening, thickness: float) -> bool:
    """Whether a hole is longer or shorter than the clay is thick."""
    if opening.figure is not None:
        return opening.clay > 0
    return abs(opening.length - thickness) > 1e-9


def spot_of(opening: Opening, thickness: float, clear: float) -> FlatFace:
    """The flat face that ends such a hole outside: a spot filed flat, or the top of a collar.

    clear: depth of the air in from the hole, m: a collar's foot stands in there.
    """
    raised = opening.length > thickness
    radius = SPOT * opening.radius
    # A collar goes down through all the clay, a cutter up beyond it, however the wall bulges.
    depth = opening.length + min(0.4 * clear, radius) if raised else 2 * (thickness + radius)
    return FlatFace(opening.center + opening.length * opening.axis, opening.axis, radius, raised, depth)


def duct_of(wall: Wall, thickness: float, opening: Opening) -> DuctSurface:
    """The duct of a hole or a window through clay of that thickness; ValueError where its sides miss a surface."""
    return _hole(wall, thickness, opening) if opening.is_round else _Window(wall, thickness, opening).duct()


def _outer_face(wall: Wall, thickness: float, o: Opening) -> Face:
    """The face of the clay that a hole's outer rim lies on."""
    flat = (o.center + o.length * o.axis, o.axis) if own_wall(o, thickness) else None
    if o.figure is not None:
        return Face(outer_solid(o), 0.0, o.rim, flat, outer=True)
    return Face(wall, thickness, o.rim, flat)


def outer_solid(o: Opening) -> Wall:
    """The solid of a figure on whose surface an opening comes out; ValueError where its rim lies on more than one."""
    assert o.figure is not None
    solids = solids_of(o.figure)
    out = o.center + o.through * o.axis
    mine = solids[int(o.figure.owner(out[None])[0])] if isinstance(o.figure, UnionWall) else solids[0]
    # A little beyond the rim, lifted along the axis onto the solid that it comes out of.
    ring = o.center + 1.05 * (1 + o.rim / o.reach) * (o.rim_points(24) - o.center)
    ring = ring + lift(mine, 0.0, ring, o.axis, o.through)[:, None] * o.axis
    for other in solids:
        if other is not mine and (other.level(ring) < 0).any():
            away = distance(other, ring)
            least = f"{-1e3 * away.min():.1f} mm within what is joined there; move either away, make the hole smaller"
            least = least if o.is_round else least.replace("make the hole smaller", "narrow the window")
            where = place(ring[away.argmin()])
            raise ValueError(f"{o.title} comes out over a seam of the outside, {where}: its rim lies {least}")
    return mine


def sharp_rim(wall: Wall, thickness: float, o: Opening, turns: np.ndarray) -> np.ndarray:
    """Points (n, 3) where a hole's side would meet the clay's outer face if the rim were not rounded."""
    base = o.center + o.radius * rays(o, turns)
    return base + _outer_face(wall, thickness, o).lifted(base, o.axis, o.length)[:, None] * o.axis


def _hole(wall: Wall, thickness: float, o: Opening) -> DuctSurface:
    seamed = seamed_rim(o)
    inner, outer = Face(wall, 0.0, o.inside_rim), None if seamed else _outer_face(wall, thickness, o)

    def keys(turns: np.ndarray) -> np.ndarray:
        ray = rays(o, turns)
        way = np.tile(o.axis, (len(turns), 1))
        low = inner.rolled(o.center + o.radius * ray, way, ray)
        if outer is not None:
            return _profiles(low, outer.rolled(o.center + o.radius * ray + o.length * o.axis, way, ray))
        assert seamed is not None
        face, side, corner, weight = seamed.contacts(turns)
        return _profiles(low, Rolled(side, face, corner, weight, np.zeros(len(turns))))

    turns = np.linspace(0, 1, 97)
    exact = keys(turns)
    frame = np.stack([o.across, o.forward], axis=1)
    prints = [Footprint(turns[None], ((exact[:, n] - o.center) @ frame)[None]) for n in (0, 5)]
    return DuctSurface(o, prints[0], prints[1], keys, seamed is not None)


def _profiles(low: Rolled, high: Rolled) -> np.ndarray:
    """Both rims' contacts and corners, and the weights of their arcs: (n, 7, 3)."""
    weights = np.stack([low.weight, high.weight, np.zeros_like(low.weight)], axis=1)
    return np.stack([low.face, low.corner, low.side, high.side, high.corner, high.face, weights], axis=1)


BLEND = 0.95  # of a side, where its rim begins to widen into that of the next
_SPREAD = 49  # places along a side at which its contact line is taken


class _Rim(NamedTuple):
    """One rim of a window: its face, and the contact lines with it.

    sides: left and right, x over y; ends: back and front, y over x; corners (4, 2): where they meet, back left, back
    right, front right, front left, m. reach, weight (2, 2): at the left side and the right, of exit and edge.
    """

    face: Face
    sides: tuple[CubicSpline, CubicSpline]
    ends: tuple[CubicSpline, CubicSpline]
    corners: np.ndarray
    reach: np.ndarray
    weight: np.ndarray


class _Window:
    """A slot with upright exit and sides whose far side slopes away outward; its cut-up ends at the finished nose.

    Sides in turn: the exit (left to right), right, the edge (right to left), left.
    """

    def __init__(self, wall: Wall, thickness: float, o: Opening):
        self.wall, self.thickness, self.o = wall, thickness, o
        self.half, self.exit = o.width / 2, -o.height / 2
        angle = np.deg2rad(o.edge_deg)
        self.slope = np.cos(angle) * o.forward + np.sin(angle) * o.axis
        # First guess of how long the slope is.
        self.start = (thickness if o.figure is None else o.length) / np.sin(angle)
        self.inner, self.outer = Face(wall, 0.0, o.inside_rim), _outer_face(wall, thickness, o)
        self.edge = self._sharp_edge()

    def _sharp_edge(self) -> CubicSpline:
        """Line of the edge if it were sharp, forward over across, m: its finished nose is straight."""
        o = self.o
        reach = self.half + 3 * max(o.rim, o.inside_rim)
        x = np.linspace(-reach, reach, _SPREAD)
        edge = CubicSpline(x, np.full_like(x, o.height / 2))
        # Fixed point: the sharp line is moved by what the rolled nose misses the cut-up by.
        for _ in range(60 if o.inside_rim > 0 else 0):
            self.edge = edge
            # Middle of the nose's ball: its foremost point should be at the cut-up.
            center = self._at_edge(self.inner, x).side + o.inside_rim * self._under_slope(x)
            miss = o.height / 2 + o.inside_rim - (center - o.center) @ o.forward
            edge = CubicSpline(x, edge(x) + miss)
            if np.abs(miss).max() < 1e-9:
                break
        return edge

    def on(self, x: np.ndarray, y: np.ndarray, face: Face) -> np.ndarray:
        """Points (n, 3), m, of a surface of the clay at x across and y forward, m."""
        o = self.o
        base = o.center + x[:, None] * o.across + y[:, None] * o.forward
        start = o.length if face.outer else face.offset
        return base + face.lifted(base, o.axis, start)[:, None] * o.axis

    def sloping(self, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Both ends of the sharp slope at places across the window, m: (n, 3) each, m."""
        E = self.on(across, self.edge(across), self.inner)
        return E, E + self.outer.lifted(E, self.slope, self.start)[:, None] * self.slope

    def _under_slope(self, across: np.ndarray) -> np.ndarray:
        """Unit normals (n, 3) of the slope, into the clay, at places across the window."""
        o = self.o
        E = self.on(across, self.edge(across), self.inner)
        n = normals(self.wall, E)
        tangent = o.across + self.edge(across, 1)[:, None] * o.forward
        # Along the axis down into the wall's tangent plane: n . tangent = 0.
        tangent = tangent - ((np.einsum("ni,ni->n", n, tangent)) / (n @ o.axis))[:, None] * o.axis
        out = np.cross(tangent, self.slope)
        out *= np.sign(out @ o.forward)[:, None]  # towards the clay, which is in front of the edge
        return np.asarray(out / np.linalg.norm(out, axis=1)[:, None])

    def _at_edge(self, face: Face, across: np.ndarray) -> Rolled:
        """The rim between the slope and a face."""
        base = self.sloping(across)[1 if face is self.outer else 0]
        return face.rolled(base, np.tile(self.slope, (len(base), 1)), self._under_slope(across))

    def _upright(self, face: Face, x: np.ndarray, y: np.ndarray, into: np.ndarray) -> Rolled:
        """The rim between an upright side through places x, y and a face."""
        base = self.on(x, y, face)
        return face.rolled(base, np.tile(self.o.axis, (len(base), 1)), np.tile(into, (len(base), 1)))

    @cached_property
    def rims(self) -> tuple[_Rim, _Rim]:
        """The inner and the outer rim."""
        return self._rim(self.inner), self._rim(self.outer)

    def _rim(self, face: Face) -> _Rim:
        o, more = self.o, 2 * face.radius
        x = np.linspace(-self.half - more, self.half + more, _SPREAD)
        front = self._plan(self._at_edge(face, x).face)
        back = self._plan(self._upright(face, x, np.full_like(x, self.exit), -o.forward).face)
        y = np.linspace(self.exit - more, front[:, 1].max() + more, _SPREAD)
        left, right = (
            self._plan(self._upright(face, np.full_like(y, end * self.half), y, end * o.across).face) for end in (-1, 1)
        )
        sides = CubicSpline(left[:, 1], left[:, 0]), CubicSpline(right[:, 1], right[:, 0])
        ends = CubicSpline(back[:, 0], back[:, 1]), CubicSpline(front[:, 0], front[:, 1])
        corners = [_crossing(sides[i], ends[j]) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))]
        two = np.array([-self.half, self.half])
        far = self._upright(face, two, np.full(2, self.exit), -o.forward), self._at_edge(face, two)
        reach, weight = (np.stack(pair, axis=1) for pair in zip(*((r.reach, r.weight) for r in far), strict=True))
        return _Rim(face, sides, ends, np.array(corners), reach, weight)

    def _plan(self, points: np.ndarray) -> np.ndarray:
        return np.asarray((points - self.o.center) @ np.stack([self.o.across, self.o.forward], axis=1))

    def _contact(self, rim: _Rim, side: np.ndarray, t: np.ndarray) -> np.ndarray:
        """Places (n, 2) on a contact line."""
        at = rim.corners[side] + t[:, None] * (rim.corners[(side + 1) % 4] - rim.corners[side])
        for k, line in ((0, rim.ends[0]), (2, rim.ends[1])):
            # Straight between corners first, then one coordinate by the true contact line.
            at[side == k, 1] = line(at[side == k, 0])
        for k, line in ((1, rim.sides[1]), (3, rim.sides[0])):
            at[side == k, 0] = line(at[side == k, 1])
        return at

    def keys(self, turns: np.ndarray) -> np.ndarray:
        """Points of the profiles at `turns` (n,), 0 to 1: (n, 7, 3), m."""
        o = self.o
        turns = np.mod(turns, 1.0)
        side = np.minimum((4 * turns).astype(int), 3)  # exit, right, edge, left
        t = 4 * turns - side
        toward = np.choose(side, [0 * t, t, 0 * t + 1, 1 - t])  # 0 at the exit, 1 at the edge
        x = self.half * np.choose(side, [2 * t - 1, 0 * t + 1, 1 - 2 * t, 0 * t - 1])
        E, top = self.sloping(x)
        far = self._plan(top)[:, 1]
        at_edge = side == 2
        E = self.on(x, self.exit + toward * (self.edge(x) - self.exit), self.inner)
        F = np.where(at_edge[:, None], top, self.on(x, self.exit + toward * (far - self.exit), self.outer))
        way = F - E if self.thickness > 0 else np.tile(o.axis, (len(E), 1))  # without thickness E and F are one point
        way /= np.linalg.norm(way, axis=1)[:, None]
        upright = np.array([-o.forward, o.across, o.forward, -o.across])
        into = np.where(at_edge[:, None], self._under_slope(x), upright[side])
        found, weights, right = [], [], (x > 0).astype(int)
        for rim, base, up in zip(self.rims, (E, F), (1.0, -1.0), strict=True):
            rolled = rim.face.rolled(base, way, into)
            reach = _blended(side, toward, rolled.reach, rim.reach[right])
            weight = _blended(side, toward, rolled.weight, rim.weight[right])
            place = self._contact(rim, side, t)
            face = self.on(place[:, 0], place[:, 1], rim.face)
            touch = base + up * reach[:, None] * way if rim.face.radius > 0 else face
            corner = meeting(touch, way, face, rim.face.under(face)[1]) if rim.face.radius > 0 else face
            found.append((face, corner, touch))
            weights.append(weight)
        if np.any(np.einsum("ni,ni->n", found[1][2] - found[0][2], way) < 0):
            raise ValueError(f"the rounded rims of {o.name!r} take up its whole wall; make them smaller")
        (A, E, C), (B, F, D) = found
        return np.stack([A, E, C, D, F, B, np.stack([*weights, 0 * x], axis=1)], axis=1)

    def duct(self) -> DuctSurface:
        t = np.linspace(0, 1, 65)
        turns = (np.arange(4)[:, None] + t) / 4
        side = np.repeat(np.arange(4), len(t))
        prints = [Footprint(turns, self._contact(rim, side, np.tile(t, 4)).reshape(4, len(t), 2)) for rim in self.rims]
        return DuctSurface(self.o, prints[0], prints[1], self.keys)


def _crossing(side: Callable[[float], float], end: Callable[[float], float]) -> tuple[float, float]:
    """Intersection of a line x(y) with a line y(x)."""
    x = 0.0
    for _ in range(60):  # the lines are nearly square to each other: each round gains digits
        y = float(end(x))
        x = float(side(y))
    return x, y


def _blended(side: np.ndarray, toward: np.ndarray, own: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """A rim's number (n,), on the window's sides blending into those of exit and edge (n, 2) at their ends."""
    near = np.clip((np.stack([1 - toward, toward], axis=1) - BLEND) / (1 - BLEND), 0, 1)
    share = np.where((side % 2 == 1)[:, None], near, 0.0)
    return np.asarray(own + (share * (ends - own[:, None])).sum(axis=1))
