"""The surfaces of all the air put together in one numbering, and the curved elements between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.body import kernel
from simkit.body.chambers import ChamberBody
from simkit.body.meshes.bands import Strip, strip_between, turned
from simkit.body.meshes.curved import CORNER, CRACK, AirMesh, draw_near, offset_points
from simkit.body.meshes.obstacles import Skin
from simkit.body.meshes.outlines import DuctSurface
from simkit.body.meshes.panels import Panels, disc
from simkit.body.meshes.quadratic import facet_points, jacobians, summed_volume, upright
from simkit.body.meshes.rolling import lift
from simkit.body.meshes.soundness import as_large, place, unfolded
from simkit.body.walls.primitives import FlatFace
from simkit.body.walls.wall import Wall, normals, project


@dataclass(frozen=True, eq=False)
class WholeMesh:
    """A mesh of it all: `mesh.facets` are the clay's surfaces and `mesh.outer` the far sphere's.

    covers: for each opening its triangles (f, 6) as the inside counts them, and the same as the outside does;
    around: which tetrahedra lie outside the covers; center and radius of the far sphere, m; sharp: whether a rim is a
    corner.
    """

    mesh: AirMesh
    covers: dict[str, tuple[np.ndarray, np.ndarray]]
    around: np.ndarray
    center: np.ndarray
    radius: float
    sharp: bool = False


@dataclass(frozen=True, eq=False)
class Edge:
    """The rim of an opening in a wall without thickness: its nodes `ids` (n,) at `turns` (n,) round the duct."""

    duct: DuctSurface
    turns: np.ndarray
    ids: np.ndarray

    def at(self, turns: np.ndarray) -> np.ndarray:
        """Points of the rim at `turns` (n,), 0 to 1: (n, 3), m."""
        return self.duct.keys(turns)[:, 1]

    def middles(self) -> np.ndarray:
        """Points halfway from each node to the next: (n, 3), m."""
        return self.at((self.turns + np.append(self.turns[1:], self.turns[0] + 1)) / 2)


class Skins:
    """Inner wall, outer surface, far sphere, and strips and covers of the ducts.

    A wall without thickness (outer None) is one surface with air on both sides: what fills them has nodes of its own
    on either side, and they meet in the holes' covers alone.
    """

    def __init__(
        self,
        chamber: ChamberBody,
        inner: Panels,
        outer: Panels | None,
        far: tuple[np.ndarray, np.ndarray],
        center: np.ndarray,
        radius: float,
        spots: Sequence[FlatFace] = (),
    ):
        self.chamber, self.center, self.radius, self.spots = chamber, center, radius, spots
        # Numbers: inner points, outer points, far sphere, then whatever is added.
        a = len(inner.points) if outer else 0
        outer = outer or inner
        b = a + len(outer.points)
        self._points = [self.on_inside(inner.points), *([self.on_outside(outer.points)] if a else []), far[0]]
        self.inner, self.outer, self.far = inner.triangles, outer.triangles + a, far[1] + b
        self.loops = [(i, o + a) for i, o in zip(inner.loops, outer.loops, strict=True)]
        self.strips: list[Strip] = []
        self.edges: list[Edge] = []
        self.covers: dict[str, np.ndarray] = {}
        self.near: list[Skin] = []

    @property
    def points(self) -> np.ndarray:
        return np.concatenate(self._points)

    def on_inside(self, points: np.ndarray) -> np.ndarray:
        return project(self.chamber.wall, points)

    def on_outside(self, points: np.ndarray) -> np.ndarray:
        if self.chamber.figure is not None:
            on = project(self.chamber.figure, points)
        else:
            on = offset_points((self.chamber.wall, *self.chamber.beside), self.chamber.thickness, points)
        for spot in self.spots:
            flat, held = on_flat_face(spot, points)
            on[held] = flat[held]
        return on

    def on_sphere(self, points: np.ndarray) -> np.ndarray:
        away = points - self.center
        return self.center + self.radius * away / np.linalg.norm(away, axis=1)[:, None]

    def add_duct(self, gmsh: Any, place: int, duct: DuctSurface, size: float, grow: float) -> None:
        """Join the two loops of an opening by rows of triangles and span a cover where its straight part ends."""
        points = self.points
        strip, loops = strip_between(duct, points, self.loops[place], size, grow)
        points[strip.ids[0]], points[strip.ids[-1]] = loops
        fresh = strip.inner_points()
        strip.ids[1:-1] = len(points) + np.arange(len(fresh)).reshape(strip.ids[1:-1].shape)
        self.strips.append(strip)
        self._cover(gmsh, duct, np.concatenate([points, fresh]), strip.ids[strip.cover])

    def add_hole(self, gmsh: Any, place: int, duct: DuctSurface) -> None:
        """Span a cover in the rim of an opening in a wall without thickness."""
        points = self.points
        turns, ids = turned(duct, duct.inside, points, self.loops[place][0])
        edge = Edge(duct, turns, ids)
        points[ids] = edge.at(turns)
        self.edges.append(edge)
        self._cover(gmsh, duct, points, ids)

    def add_near(self, skin: Skin) -> None:
        """Add the skin of a rigid body that stands in the air around the clay."""
        self.near.append(replace(skin, triangles=skin.triangles + len(self.points)))
        self._points.append(skin.points)

    def _cover(self, gmsh: Any, duct: DuctSurface, points: np.ndarray, loop: np.ndarray) -> None:
        extra, triangles = disc(gmsh, duct, points[loop])
        number = np.concatenate([loop, len(points) + np.arange(len(extra))])
        self._points = [points, extra]  # all as one again, for strips have moved points of their loops
        self.covers[duct.opening.name] = number[triangles]

    def closed(self) -> tuple[list[np.ndarray], list[np.ndarray]]:
        """The skins of the air inside, and of the air outside with the far sphere first."""
        covers = list(self.covers.values())
        inside, outside = [self.inner, *self._rows(True), *covers], [self.outer, *self._rows(False), *covers]
        return [np.concatenate(inside)], [self.far, np.concatenate(outside), *(skin.triangles for skin in self.near)]

    def curved(self, volumes: list[tuple[np.ndarray, np.ndarray, np.ndarray]], size: float) -> WholeMesh:
        """Both volumes as one list of ten-node tetrahedra whose wall nodes lie on the true surfaces."""
        shift = len(volumes[0][0])
        points = np.concatenate([p for p, _, _ in volumes])
        tets = upright(points, np.concatenate([volumes[0][1], volumes[1][1] + shift]))
        # From the skins' numbers to those of either volume: what lies on a cover has one in each.
        number = np.full((2, len(self.points)), -1)
        for side, (_, _, used) in enumerate(volumes):
            number[side, used] = side * shift + np.arange(len(used))
        covers = list(self.covers.values())
        inside, outside = [self.inner, *self._rows(True)], [self.outer, *self._rows(False)]
        groups = [number[0][t] for t in (*inside, *covers)] + [number[1][t] for t in (*outside, self.far, *covers)]
        groups += [number[1][skin.triangles] for skin in self.near]
        nodes, tets, facets = kernel.with_middles(points, tets, np.concatenate(groups))
        # Both sides of a crack have nodes of their own at its rim.
        rims = [(edge, ids[edge.ids]) for edge in self.edges for ids in number]
        draw_near(nodes, tets, [ids for _, ids in rims], CRACK)
        sharp = [
            number[side][ids] for s in self.strips for side, ids in enumerate((s.ids[0], s.ids[-1])) if s.sharp[side]
        ]
        # A sharp outer rim has the cover in it, so that its nodes are the inside's too.
        sharp += [number[0][s.ids[-1]] for s in self.strips if s.sharp[1]]
        draw_near(nodes, tets, sharp, CORNER)
        # Apart again in the order in which they were put together above.
        ends = np.cumsum([len(g) for g in groups])[:-1]
        split = np.split(facets, ends)
        n, m = len(inside), len(covers)
        in_faces, in_covers = split[:n], split[n : n + m]
        out_faces, far = split[n + m : 2 * n + m], split[2 * n + m]
        out_covers, near_faces = split[2 * n + m + 1 : 2 * n + 2 * m + 1], split[2 * n + 2 * m + 1 :]
        straight = nodes.copy()
        for faces, wall in ((in_faces, self.on_inside), (out_faces, self.on_outside)):
            _bend(nodes, faces[0], wall)
            if self.chamber.wall.creased and (faces is in_faces or self.chamber.thickness == 0):
                along_seams(nodes, faces[0], self.chamber.wall)
            for strip, rows, face in zip(self.strips, self._rows(faces is in_faces), faces[1:], strict=True):
                nodes[face[:, 3:]] = strip.middles(rows, CORNER)
        _bend(nodes, far, self.on_sphere)
        for skin, ids in zip(self.near, near_faces, strict=True):
            _bend(nodes, ids, skin.onto)
        for edge, ids in rims:
            nodes[_between(facets, ids, np.roll(ids, -1))] = edge.middles()
        nodes = _eased(nodes, straight, tets)
        determinants = jacobians(nodes, tets)
        unfolded(nodes, tets, determinants.min(axis=1))
        as_large(self._within_wall(nodes, in_faces[0]), self.chamber.wall.volume)
        volume = summed_volume(determinants)
        mesh = AirMesh(nodes, tets, np.concatenate([*in_faces, *out_faces, *near_faces]), far, volume, size)
        names = zip(self.covers, in_covers, out_covers, strict=True)
        around = tets[:, 0] >= shift
        cornered = any(any(strip.sharp) for strip in self.strips)
        return WholeMesh(mesh, {k: (a, b) for k, a, b in names}, around, self.center, self.radius, cornered)

    def _within_wall(self, nodes: np.ndarray, facets: np.ndarray) -> float:
        """Volume within the inside wall, m^3: by its curved facets and, at the openings, by its patches there."""
        wall, middle = self.chamber.wall, self.chamber.wall.box.mean(axis=0)
        points, areas = facet_points(nodes, facets)
        parts = [(points, areas)]
        for duct in [strip.duct for strip in self.strips] + [edge.duct for edge in self.edges]:
            o, (plan, weights) = duct.opening, duct.inside.rule()
            # Over an opening the wall is not meshed: the patch of it there by its own formula.
            base = o.center + plan @ np.stack([o.across, o.forward])
            on = base + lift(wall, 0.0, base, o.axis, 0.0)[:, None] * o.axis
            # Areas seen along the axis, as they are on the wall.
            parts.append((on, weights / (normals(wall, on) @ o.axis)))
        points, areas = (np.concatenate(group) for group in zip(*parts, strict=True))
        # The divergence theorem: a third of the flux of the distance from any point within, here the box's middle.
        return float(areas @ np.einsum("ni,ni->n", points - middle, normals(wall, points)) / 3)

    def _rows(self, inside: bool) -> list[np.ndarray]:
        """The strips' triangles on one side of their covers."""
        ends = ((0, s.cover) if inside else (s.cover, len(s.ids) - 1) for s in self.strips)
        return [s.triangles(*rows, self.points) for s, rows in zip(self.strips, ends, strict=True)]


_ON_FACE = 1e-6  # m


def on_flat_face(spot: FlatFace, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) near a flat face moved onto its side, where they are not on the face; and which are on either."""
    away = points - spot.center
    high = away @ spot.axis
    flat = away - high[:, None] * spot.axis
    out = np.linalg.norm(flat, axis=1)
    low, top = (-spot.depth, _ON_FACE) if spot.raised else (-_ON_FACE, spot.depth)
    held = (out < spot.radius + _ON_FACE) & (high > low) & (high < top)
    side = held & (np.abs(high) > _ON_FACE)
    moved = points.copy()
    moved[side] += ((spot.radius / out[side] - 1)[:, None]) * flat[side]
    return moved, held


def _bend(nodes: np.ndarray, facets: np.ndarray, onto: Any) -> None:
    """Move the facets' edge nodes onto a surface."""
    middles = np.unique(facets[:, 3:])
    nodes[middles] = onto(nodes[middles])


_SHARP = np.cos(np.radians(10))  # normals that part by more make a seam
_TOWARDS = 0.3, 8  # of the way from an end of an edge to where a facet is looked at, so many times: 7e-5 in all


def along_seams(nodes: np.ndarray, facets: np.ndarray, wall: Wall) -> None:
    """Move the middles of edges along sharp seams of the wall onto them: a rim of a flat end is no polygon.

    The chord's own middle lies on the flat side already. Tangents t at the ends are square to the normals of both
    sides there, and the cubic through both ends with them has its middle at (p + q)/2 + |q - p| (t_p - t_q)/8.
    """
    # Ends and middle node of each edge.
    pairs = np.concatenate([facets[:, [0, 1, 3]], facets[:, [1, 2, 4]], facets[:, [0, 2, 5]]])
    owner = np.tile(np.arange(len(facets)), 3)
    order = np.argsort(pairs[:, 2], kind="stable")
    pairs, owner = pairs[order], owner[order]
    first = np.flatnonzero(pairs[1:, 2] == pairs[:-1, 2])  # edges of two facets; a rim's belongs to one
    p, q, middle = nodes[pairs[first, 0]], nodes[pairs[first, 1]], pairs[first, 2]
    sides = [project(wall, nodes[facets[owner[k], :3]].mean(axis=1)) for k in (first, first + 1)]
    chord = np.linalg.norm(q - p, axis=1)
    tangents, sharp = [], np.ones(len(first), bool)
    for end in (p, q):
        a, b = (normals(wall, _beside(wall, end, side)) for side in sides)
        sharp &= np.einsum("ni,ni->n", a, b) < _SHARP  # at both ends, or it is no seam
        t = np.cross(a, b)
        t /= np.maximum(np.linalg.norm(t, axis=1), 1e-12)[:, None]
        tangents.append(t * np.sign(np.einsum("ni,ni->n", t, q - p))[:, None])
    bent = (p + q) / 2 + (chord / 8)[:, None] * (tangents[0] - tangents[1])
    nodes[middle[sharp]] = bent[sharp]


def _beside(wall: Wall, end: np.ndarray, side: np.ndarray) -> np.ndarray:
    """Points of the wall beside `end` (n, 3) on the face where `side` (n, 3) lies."""
    share, times = _TOWARDS
    for _ in range(times):
        side = project(wall, end + share * (side - end))  # ever nearer to the end, and never across the seam
    return side


def _between(facets: np.ndarray, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """The middle nodes (n,) of the edges from nodes `one` to `other` (n,), from triangles (f, 6) that have them."""
    count = int(facets.max()) + 1
    key = kernel.edge_keys(facets, count)
    order = np.argsort(key)
    place = np.searchsorted(key[order], np.minimum(one, other) * count + np.maximum(one, other))
    return facets[:, 3:].T.ravel()[order[place]]


# Corners, edges' and faces' middles and the centre of a tetrahedron, where its map may fold first.
_LOOKED_AT = np.array(
    [(i / 2, j / 2, k / 2) for i in range(3) for j in range(3 - i) for k in range(3 - i - j)]
    + [(1 / 4, 1 / 4, 1 / 4), (1 / 3, 1 / 3, 1 / 3), (0, 1 / 3, 1 / 3), (1 / 3, 0, 1 / 3), (1 / 3, 1 / 3, 0)]
)
LEAST_SHARE = 0.15  # of what its straight element's map has there that a curved one keeps everywhere


def _eased(nodes: np.ndarray, straight: np.ndarray, tets: np.ndarray) -> np.ndarray:
    """Nodes (n, 3) with the edges of elements that bend too far straightened, little by little."""
    nodes = nodes.copy()
    moved = np.linalg.norm(nodes - straight, axis=1) > 0  # only elements with a bent edge can fold
    near = np.flatnonzero(moved[tets[:, 4:]].any(axis=1))
    plain = LEAST_SHARE * jacobians(straight, tets[near], _LOOKED_AT)
    plain[plain < 1e-6 * plain.max(axis=1, keepdims=True)] = -np.inf  # at a crack's rim the map has no volume
    for share in (0.5, 0.5, 0.5, 1.0, 1.0, 1.0):
        bad = (jacobians(nodes, tets[near], _LOOKED_AT) < plain).any(axis=1)
        if not bad.any():
            return nodes
        edges = np.unique(tets[near[bad], 4:])
        nodes[edges] += share * (straight[edges] - nodes[edges])
        again = np.isin(tets[near, 4:], edges).any(axis=1)  # only those that share an edge with them have changed
        where = nodes[tets[near[bad], :4]].mean(axis=(0, 1))
        near, plain = near[again], plain[again]
    raise ValueError(f"an element folds over, {place(where)}")
