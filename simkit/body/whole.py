"""All the air of a chamber with its openings: inside, in the ducts with their rounded rims, and around the clay.

Inside and outside are meshed apart and meet on covers, one across each duct near its outer end, whose triangles
and nodes are the same on both sides: joined (`joints`) the opening is open, left apart it is covered.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import hypot
from typing import Any

import numpy as np

from simkit.body import kernel
from simkit.body.assembly import gap
from simkit.body.body import ChamberBody, Opening
from simkit.body.mesh import AirMesh, jacobians, offset_points
from simkit.body.panels import MM, Cut, Panels, SizeAt, disc, fill, sphere, wall_panels
from simkit.body.rims import Duct, duct_of
from simkit.body.strips import Strip, strip_between
from simkit.body.wall import clearance, on_wall, project
from simkit.errors import MeshError, OutOfReach

SHELL = 1.35  # radius of the far sphere over that of the body
GROW = 0.45  # how fast elements grow with the distance from a rim, at grading 1
RIM_SHARE, RADIUS_SHARE = 1.5, 0.17  # size at a rim: of its rounding's radius, of half the opening's least size
WALL_SHARE = 0.35  # largest element inside over the half of the chamber's least size
MOST_UNKNOWNS = 300_000
KIB_PER_UNKNOWN = 7.5  # measured, both gradings kept

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class WholeMesh:
    """A mesh of it all: `mesh.facets` are the clay's surfaces and `mesh.outer` the far sphere's.

    covers: for each opening its triangles (f, 6) as the inside counts them, and the same as the outside does;
    around: which tetrahedra lie outside the covers; center and radius of the far sphere, m.
    """

    mesh: AirMesh
    covers: dict[str, tuple[np.ndarray, np.ndarray]]
    around: np.ndarray
    center: np.ndarray
    radius: float


@dataclass(frozen=True)
class Grading:
    """How fine: sizes at each rim, growth, largest sizes inside, on the clay outside and on the far sphere, m."""

    rims: dict[str, float]
    grow: float
    inside: float
    far: float

    @classmethod
    def of(cls, chamber: ChamberBody, radius: float, coarse: float = 1.0) -> Grading:
        """The standard sizes times `coarse`."""
        least = float(np.ptp(chamber.wall.box, axis=0).min()) / 2
        rims = {o.name: coarse * _rim_size(o) for o in chamber.all_openings}
        return cls(rims, coarse * GROW, coarse * WALL_SHARE * least, coarse * radius / 4)


def _rim_size(o: Opening) -> float:
    rounding = min(o.rim, o.inside_rim)
    half = o.radius if o.is_round else min(o.width, o.height) / 2
    return min(RIM_SHARE * rounding, RADIUS_SHARE * half)


def whole_mesh(chamber: ChamberBody, coarse: float = 1.0, shell: float = SHELL) -> WholeMesh:
    """Mesh all the air of a chamber, its openings and the outside; every size is `coarse` times the standard.

    Raises OutOfReach for what this mesh is not made for, MeshError where the shape could not be meshed.
    """
    grading, center, radius = checked(chamber, coarse, shell)
    log.info("meshing all the air: about %s unknowns", f"{unknowns(chamber, grading):,.0f}")
    size = min(grading.rims.values(), default=grading.inside)
    try:
        return _meshed(chamber, grading, center, radius)
    except Exception as failure:  # gmsh raises bare Exception, geometry that does not meet ValueError or IndexError
        raise MeshError("the air of the chamber, its openings and outside", MM * size, f"{_REMEDY} ({failure})") from (
            failure
        )


def checked(chamber: ChamberBody, coarse: float = 1.0, shell: float = SHELL) -> tuple[Grading, np.ndarray, float]:
    """The sizes for a chamber, and centre and radius of its far sphere; OutOfReach for what will not be meshed."""
    _meshable(chamber)
    skin = on_wall(chamber.wall, 2)
    center = (skin.min(axis=0) + skin.max(axis=0)) / 2
    radius = shell * (float(np.linalg.norm(skin - center, axis=1).max()) + chamber.thickness)
    grading = Grading.of(chamber, radius, coarse)
    _not_too_large(chamber, grading)
    return grading, center, radius


_REMEDY = "move openings away from seams, tight corners and each other, or ask the model ports"


def _meshable(chamber: ChamberBody) -> None:
    """Refuse, in words, what is not meshed yet."""
    for o in chamber.all_openings:
        if chamber.thickness == 0 or o.length == 0:
            raise OutOfReach("resolved: a wall without thickness is not meshed yet; give wall_mm a thickness")
        if abs(o.length - chamber.thickness) > 1e-9:
            raise OutOfReach(
                f"resolved: {o.name!r} has a wall_mm of its own ({MM * o.length:.3g} mm in clay of "
                f"{MM * chamber.thickness:.3g} mm), which is not meshed yet; ask the model ports"
            )
        if min(o.rim, o.inside_rim) <= 0:
            raise OutOfReach(f"resolved: {o.name!r} has a sharp rim, which is not meshed yet; give its edges a radius")
        if o.rim + o.inside_rim > 0.98 * o.length:
            raise OutOfReach(f"resolved: the rounded rims of {o.name!r} take up its whole wall; make them smaller")
    for a, b in combinations(chamber.all_openings, 2):
        if gap(a, b) <= a.inside_rim + b.inside_rim:
            raise OutOfReach(f"resolved: the rounded rims of {a.name!r} and {b.name!r} meet; move them apart")


def unknowns(chamber: ChamberBody, grading: Grading) -> float:
    """About how many nodes the mesh will have (fitted to meshes of 50,000 to 100,000; within a third)."""
    count = 10_000 / (grading.grow / GROW) ** 2
    for o in chamber.all_openings:
        around = 2 * np.pi * o.radius if o.is_round else 2 * (o.width + o.height)
        count += 450.0 * around / grading.rims[o.name] / (grading.grow / GROW) ** 2
    return count


def _not_too_large(chamber: ChamberBody, grading: Grading) -> None:
    """Say how large it would be, and refuse, where it is too large."""
    count = unknowns(chamber, grading)
    gib = count * KIB_PER_UNKNOWN / 2**20
    if count > MOST_UNKNOWNS:
        sharpest = min(grading.rims, key=lambda name: grading.rims[name])
        raise OutOfReach(
            f"resolved: about {count:,.0f} unknowns and {gib:.1f} GiB would be needed, at most {MOST_UNKNOWNS:,} are "
            f"tried; give the edges a larger radius ({sharpest!r} asks for the finest mesh) or ask the model ports"
        )


def _meshed(chamber: ChamberBody, grading: Grading, center: np.ndarray, radius: float) -> WholeMesh:
    wall, thickness = chamber.wall, chamber.thickness
    ducts = [duct_of(wall, thickness, o) for o in chamber.all_openings]
    size = _sizes(ducts, thickness, grading)
    with kernel.session() as gmsh:
        cuts = [_cuts(chamber, duct, grading) for duct in ducts]
        inner = wall_panels(gmsh, wall.solid(), [c for c, _ in cuts], grading.inside, grading.grow)
        outer = wall_panels(gmsh, wall.solid(thickness), [c for _, c in cuts], 1.2 * grading.inside, grading.grow)
        far = sphere(gmsh, center, radius, grading.far)
        skin = _Skin(chamber, inner, outer, far, center, radius)
        for i, duct in enumerate(ducts):
            skin.add_duct(gmsh, i, duct, grading)
        volumes = [fill(gmsh, skin.points, skins, size) for skins in skin.closed()]
    return skin.curved(volumes, min(grading.rims.values(), default=grading.inside))


def _cuts(chamber: ChamberBody, duct: Duct, grading: Grading) -> tuple[Cut, Cut]:
    """Where a duct cuts the inside and the outside of the clay, near its own place only."""
    o, length = duct.opening, duct.opening.length
    clear, reach, size = clearance(chamber.wall, o.center), 1.5 * o.reach, grading.rims[o.name]
    return (
        Cut(duct, duct.inside, -min(0.45 * clear, reach), max(length / 2, reach), size),
        Cut(duct, duct.outside, length - min(reach, length + 0.4 * clear), length + reach, size),
    )


def _sizes(ducts: Sequence[Duct], thickness: float, grading: Grading) -> SizeAt:
    """Size (mm) at a point (mm): that of the nearest rim and `grow` of the distance to it.

    Plain numbers, not arrays: gmsh asks for one point at a time, some hundred thousand times.
    """
    rims = []
    for duct in ducts:
        o = duct.opening
        frame = [v.tolist() for v in (MM * o.center, o.across, o.forward, o.axis)]
        boxes = [[MM * edge for edge in foot.box] for foot in (duct.inside, duct.outside)]
        rims.append((*frame, MM * o.radius, boxes, MM * max(o.length, thickness), MM * grading.rims[o.name]))
    top, grow = 1.5 * MM * grading.inside, grading.grow

    def to_outline(x: float, y: float, box: list[float]) -> float:
        dx, dy = max(box[0] - x, x - box[1]), max(box[2] - y, y - box[3])
        return hypot(max(dx, 0.0), max(dy, 0.0)) if dx > 0 or dy > 0 else -max(dx, dy)

    def size(x: float, y: float, z: float) -> float:
        best = top
        for c, u, v, n, radius, boxes, length, rim in rims:
            X, Y, Z = x - c[0], y - c[1], z - c[2]
            a, b, h = (X * w[0] + Y * w[1] + Z * w[2] for w in (u, v, n))
            if radius:
                away = hypot(hypot(a, b) - radius, min(abs(h), abs(h - length)))
            else:
                away = min(hypot(to_outline(a, b, boxes[0]), h), hypot(to_outline(a, b, boxes[1]), h - length))
            best = min(best, rim + grow * away)
        return best

    return size


class _Skin:
    """The surfaces put together in one numbering: inner wall, outer surface, far sphere, strips and covers."""

    def __init__(
        self,
        chamber: ChamberBody,
        inner: Panels,
        outer: Panels,
        far: tuple[np.ndarray, np.ndarray],
        center: np.ndarray,
        radius: float,
    ):
        self.chamber, self.center, self.radius = chamber, center, radius
        a, b = len(inner.points), len(inner.points) + len(outer.points)
        self._points = [self.on_inside(inner.points), self.on_outside(outer.points), far[0]]
        self.inner, self.outer, self.far = inner.triangles, outer.triangles + a, far[1] + b
        self.loops = [(i, o + a) for i, o in zip(inner.loops, outer.loops, strict=True)]
        self.strips: list[Strip] = []
        self.covers: dict[str, np.ndarray] = {}

    @property
    def points(self) -> np.ndarray:
        return np.concatenate(self._points)

    def on_inside(self, points: np.ndarray) -> np.ndarray:
        return project(self.chamber.wall, points)

    def on_outside(self, points: np.ndarray) -> np.ndarray:
        return offset_points((self.chamber.wall,), self.chamber.thickness, points)

    def on_sphere(self, points: np.ndarray) -> np.ndarray:
        away = points - self.center
        return self.center + self.radius * away / np.linalg.norm(away, axis=1)[:, None]

    def add_duct(self, gmsh: Any, place: int, duct: Duct, grading: Grading) -> None:
        """Join the two loops of an opening by rows of triangles and span a cover where its straight part ends."""
        points = self.points
        strip, loops = strip_between(duct, points, self.loops[place], grading.rims[duct.opening.name], grading.grow)
        points[strip.ids[0]], points[strip.ids[-1]] = loops
        fresh = strip.inner_points()
        strip.ids[1:-1] = len(points) + np.arange(len(fresh)).reshape(strip.ids[1:-1].shape)
        points = np.concatenate([points, fresh])
        rim = strip.ids[strip.cover]
        extra, triangles = disc(gmsh, duct, points[rim])
        number = np.concatenate([rim, len(points) + np.arange(len(extra))])
        self._points = [points, extra]
        self.strips.append(strip)
        self.covers[duct.opening.name] = number[triangles]

    def closed(self) -> tuple[list[np.ndarray], list[np.ndarray]]:
        """The skins of the air inside, and of the air outside with the far sphere first."""
        covers = list(self.covers.values())
        inside = [self.inner, *(s.triangles(0, s.cover) for s in self.strips), *covers]
        outside = [self.outer, *(s.triangles(s.cover, len(s.ids) - 1) for s in self.strips), *covers]
        return [np.concatenate(inside)], [self.far, np.concatenate(outside)]

    def curved(self, volumes: list[tuple[np.ndarray, np.ndarray, np.ndarray]], size: float) -> WholeMesh:
        """Both volumes as one list of ten-node tetrahedra whose wall nodes lie on the true surfaces."""
        shift = len(volumes[0][0])
        points = np.concatenate([p for p, _, _ in volumes])
        tets = _upright(points, np.concatenate([volumes[0][1], volumes[1][1] + shift]))
        number = np.full((2, len(self.points)), -1)
        for side, (_, _, used) in enumerate(volumes):
            number[side, used] = side * shift + np.arange(len(used))
        covers = list(self.covers.values())
        inside = [self.inner, *(s.triangles(0, s.cover) for s in self.strips)]
        outside = [self.outer, *(s.triangles(s.cover, len(s.ids) - 1) for s in self.strips)]
        groups = [number[0][t] for t in (*inside, *covers)] + [number[1][t] for t in (*outside, self.far, *covers)]
        nodes, tets, facets = kernel.with_middles(points, tets, np.concatenate(groups))
        ends = np.cumsum([len(g) for g in groups])[:-1]
        split = np.split(facets, ends)
        n, m = len(inside), len(covers)
        in_faces, in_covers = split[:n], split[n : n + m]
        out_faces, far, out_covers = split[n + m : 2 * n + m], split[2 * n + m], split[2 * n + m + 1 :]
        straight = nodes.copy()
        for faces, wall in ((in_faces, self.on_inside), (out_faces, self.on_outside)):
            _bend(nodes, faces[0], wall)
            for strip, rows, face in zip(self.strips, self._rows(faces is in_faces), faces[1:], strict=True):
                nodes[face[:, 3:]] = strip.middles(rows)
        _bend(nodes, far, self.on_sphere)
        nodes = _eased(nodes, straight, tets)
        volume = float(_volume(nodes, tets))
        mesh = AirMesh(nodes, tets, np.concatenate([*in_faces, *out_faces]), far, volume, size)
        names = zip(self.covers, in_covers, out_covers, strict=True)
        around = tets[:, 0] >= shift
        return WholeMesh(mesh, {k: (a, b) for k, a, b in names}, around, self.center, self.radius)

    def _rows(self, inside: bool) -> list[np.ndarray]:
        """The strips' triangles on one side of their covers."""
        return [s.triangles(0, s.cover) if inside else s.triangles(s.cover, len(s.ids) - 1) for s in self.strips]


def _upright(points: np.ndarray, tets: np.ndarray) -> np.ndarray:
    """Tetrahedra with positive volume."""
    edges = points[tets[:, 1:]] - points[tets[:, :1]]
    flipped = np.linalg.det(edges) < 0
    tets = tets.copy()
    tets[flipped] = tets[flipped][:, [0, 2, 1, 3]]
    return tets


def _bend(nodes: np.ndarray, facets: np.ndarray, onto: Any) -> None:
    """Move the facets' edge nodes onto a surface."""
    middles = np.unique(facets[:, 3:])
    nodes[middles] = onto(nodes[middles])


def _volume(nodes: np.ndarray, tets: np.ndarray) -> float:
    return float((jacobians(nodes, tets) @ np.array([-4 / 5, 9 / 20, 9 / 20, 9 / 20, 9 / 20]) / 6).sum())


# Corners, edges' and faces' middles and the centre of a tetrahedron, where its map may fold first.
_LOOKED_AT = np.array(
    [(i / 2, j / 2, k / 2) for i in range(3) for j in range(3 - i) for k in range(3 - i - j)]
    + [(1 / 4, 1 / 4, 1 / 4), (1 / 3, 1 / 3, 1 / 3), (0, 1 / 3, 1 / 3), (1 / 3, 0, 1 / 3), (1 / 3, 1 / 3, 0)]
)
LEAST_SHARE = 0.15  # of its straight volume that a curved element keeps everywhere


def _eased(nodes: np.ndarray, straight: np.ndarray, tets: np.ndarray) -> np.ndarray:
    """Straighten, little by little, the edges of elements that bend too far."""
    nodes = nodes.copy()
    moved = np.linalg.norm(nodes - straight, axis=1) > 0
    near = np.flatnonzero(moved[tets[:, 4:]].any(axis=1))
    plain = jacobians(straight, tets[near])[:, 0]
    for share in (0.5, 0.5, 0.5, 1.0, 1.0, 1.0):
        bad = jacobians(nodes, tets[near], _LOOKED_AT).min(axis=1) < LEAST_SHARE * plain
        if not bad.any():
            return nodes
        edges = np.unique(tets[near[bad], 4:])
        nodes[edges] += share * (straight[edges] - nodes[edges])
    raise ValueError("an element folds over")
