"""Surfaces of the clay in triangles, cut open where ducts meet them, and volumes filled with tetrahedra.

Everything that speaks to gmsh here gets its session from the caller; gmsh works in millimetres, all else in metres.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import spsolve
from scipy.spatial import cKDTree

from simkit.body import kernel
from simkit.body.meshes import drawn
from simkit.body.meshes.outlines import DuctSurface, OutlineCut
from simkit.body.meshes.soundness import Bounded, closed, filled, open_nodes, uncrossed
from simkit.body.meshes.trimmed import trimmed_faces
from simkit.body.walls.primitives import Solid

log = logging.getLogger(__name__)

MM = 1e3
_TURNS = (0.0, 0.4, 0.8, 1.2, 0.2, 0.6, 1.0)  # rad; tried in this order
_SHORTEST = 1.5  # piece of a rim between two seams, in edges
SizeAt = Callable[[float, float, float], float]  # element size (mm) at a point (mm)


@dataclass(frozen=True, eq=False)
class Panels:
    """A surface in triangles with its holes left out: points (n, 3), m; triangles; the nodes round each hole."""

    points: np.ndarray
    triangles: np.ndarray
    loops: tuple[np.ndarray, ...]


def wall_panels(gmsh: Any, solid: Solid, cuts: Sequence[OutlineCut], size: float, grow: float) -> Panels:
    """Mesh a solid's skin without what lies inside the cuts; elements of `size` that are finer towards the rims.

    A smooth skin is drawn without its openings, but for those on its seams. Else all is cut along them, and where a rim
    comes out torn at a seam of smooth skins, the seams are turned and all is tried again.
    """
    try:
        left = trimmed_faces(gmsh, solid, cuts)
        if left is not None:
            _cut_along(gmsh, gmsh.model.occ.getEntities(2), left)
            return _panels(gmsh, cuts, [_contact_lines(gmsh, cut) for cut in cuts], size, grow)
    except Exception as odd:
        if type(odd) is not Exception and not isinstance(odd, kernel.UNMESHED):  # gmsh fails by a bare one
            raise
        log.info("drawing the surface another way: %s", odd)
    for turn, lines in _cut_well(gmsh, solid, cuts):
        try:
            return _panels(gmsh, cuts, lines, size, grow)
        except ValueError as torn:
            failure = ValueError(f"{torn}, the seams turned by {turn:g} rad")
    raise failure


def _panels(gmsh: Any, cuts: Sequence[OutlineCut], lines: list[list[int]], size: float, grow: float) -> Panels:
    for cut, curves in zip(cuts, lines, strict=True):
        _divide(gmsh, cut, curves)
    _grade(gmsh, cuts, lines, size, grow)
    gmsh.model.mesh.generate(2)
    kernel.whole_faces(gmsh)
    points, triangles = _triangles(gmsh)
    middles = points[triangles].mean(axis=1)
    loops = []
    outside = np.ones(len(triangles), bool)
    inner = [cut.within(middles) for cut in cuts]
    for mine in inner:
        outside &= ~mine
    # A rim's nodes: those between triangles within and without, or where nothing was drawn within, the open edge.
    edge = open_nodes(triangles[outside])
    for cut, mine in zip(cuts, inner, strict=True):
        drawn_out = edge[cut.on(points[edge], 2e-6)]
        loops.append(np.intersect1d(triangles[mine], triangles[outside]) if mine.any() else drawn_out)
        if len(loops[-1]) != sum(cut.counts):
            raise ValueError(f"the rim of {cut.duct.opening.title} came out with {len(loops[-1])} nodes")
    used, number = np.unique(triangles[outside], return_inverse=True)
    return Panels(points[used], number.reshape(-1, 3), tuple(np.searchsorted(used, loop) for loop in loops))


def _cut_well(gmsh: Any, solid: Solid, cuts: Sequence[OutlineCut]) -> Iterator[tuple[float, list[list[int]]]]:
    """Cut the faces with the seams of smooth skins turned so that no rim crosses one at a shallow angle.

    There a sliver of wall lies between rim and seam, and the rim comes in pieces shorter than an edge. Yields turns
    (rad) with the rims' curves, good ones as they are found, then the others, the best first.
    """
    shortest: dict[float, float] = {}
    for turn in _TURNS:
        _cut_faces(gmsh, solid, cuts, turn)
        lines = [_contact_lines(gmsh, cut) for cut in cuts]
        pieces = zip(cuts, lines, strict=True)
        ratios = [gmsh.model.occ.getMass(1, c) / (MM * cut.size) for cut, curves in pieces for c in curves]
        least = min(ratios, default=np.inf)  # in edges of the rim
        if least > _SHORTEST:
            yield turn, lines
        else:
            shortest[turn] = least
    for turn in sorted(shortest, key=lambda each: -shortest[each]):
        _cut_faces(gmsh, solid, cuts, turn)
        yield turn, [_contact_lines(gmsh, cut) for cut in cuts]


def _cut_faces(gmsh: Any, solid: Solid, cuts: Sequence[OutlineCut], turn: float) -> None:
    """Only the solid's faces, cut along the outlines by upright tool faces."""
    occ = gmsh.model.occ
    gmsh.clear()
    gmsh.model.add("panels")
    volume = drawn.build(gmsh, solid, patched=turn)
    occ.synchronize()
    faces = [(2, tag) for _, tag in gmsh.model.getBoundary([(3, volume)], oriented=False)]
    occ.remove([(3, volume)])  # its faces stay
    occ.remove([e for e in occ.getEntities(2) if e not in faces], recursive=True)
    occ.synchronize()
    _cut_along(gmsh, faces, cuts)


def _cut_along(gmsh: Any, faces: list[tuple[int, int]], cuts: Sequence[OutlineCut]) -> None:
    """Cut faces, which are all that is drawn, along the outlines."""
    occ = gmsh.model.occ
    tools = [face for cut in cuts for face in _tool(gmsh, cut)]
    if tools:
        _, pieces = occ.fragment(faces, tools)  # what became of each face put in
        keep = {e for piece in pieces[: len(faces)] for e in piece}
        occ.synchronize()
        occ.remove([e for e in gmsh.model.getEntities(2) if e not in keep], recursive=True)
    occ.synchronize()


def _tool(gmsh: Any, cut: OutlineCut) -> list[tuple[int, int]]:
    """The upright faces over an outline."""
    occ, o = gmsh.model.occ, cut.duct.opening
    base, rise = MM * (o.center + cut.low * o.axis), MM * (cut.high - cut.low) * o.axis
    frame = MM * np.stack([o.across, o.forward])
    pieces = [[occ.addPoint(*(base + at @ frame)) for at in piece[:-1]] for piece in cut.foot.drawn()]
    after = [*pieces[1:], pieces[0]]
    lines = [occ.addSpline([*piece, follows[0]]) for piece, follows in zip(pieces, after, strict=True)]
    return [entity for entity in occ.extrude([(1, line) for line in lines], *rise) if entity[0] == 2]


def _contact_lines(gmsh: Any, cut: OutlineCut) -> list[int]:
    """The curves of the cut surface that run along the outline."""
    found = []
    for _, curve in gmsh.model.getEntities(1):
        low, high = gmsh.model.getParametrizationBounds(1, curve)
        p = np.reshape(gmsh.model.getValue(1, curve, np.linspace(low[0], high[0], 7)), (-1, 3)) / MM
        if np.ptp(p, axis=0).max() > 1e-9 and cut.on(p, 2e-6).all():
            found.append(curve)
    if not found:
        raise ValueError(f"{cut.duct.opening.title} does not cut the clay's surface")
    return found


def _divide(gmsh: Any, cut: OutlineCut, curves: list[int]) -> None:
    """Give each side of the outline its number of edges, shared among its pieces by length."""
    middles, lengths = [], []
    for curve in curves:
        low, high = gmsh.model.getParametrizationBounds(1, curve)
        p = np.reshape(gmsh.model.getValue(1, curve, [(low[0] + high[0]) / 2]), (1, 3)) / MM
        middles.append(cut.foot.turn(cut.duct.frame(p))[0])
        lengths.append(gmsh.model.occ.getMass(1, curve))
    side = np.floor(np.array(middles) * cut.foot.sides).astype(int)
    for k, count in enumerate(cut.counts):
        mine = np.flatnonzero(side == k)
        if not 0 < len(mine) <= count:
            raise ValueError(f"a side of {cut.duct.opening.title} meets the clay's surface in {len(mine)} pieces")
        length = np.array(lengths)[mine]
        share = count * length / length.sum()
        edges = np.maximum(1, np.floor(share).astype(int))
        # What rounding leaves over goes where most is missing, or is taken where most is too many.
        while edges.sum() != count:
            step = 1 if edges.sum() < count else -1
            edges[np.argmax(np.where(edges + step > 0, step * (share - edges), -np.inf))] += step
        for piece, n in zip(mine, edges, strict=True):
            gmsh.model.mesh.setTransfiniteCurve(curves[piece], int(n) + 1)


def _grade(gmsh: Any, cuts: Sequence[OutlineCut], lines: list[list[int]], size: float, grow: float) -> None:
    """Sizes that grow with the distance from the rims, up to `size`."""
    # Linear from the rim's size to `size`, over the distance in which `grow` leads from one to the other.
    field, near = gmsh.model.mesh.field, []
    for cut, curves in zip(cuts, lines, strict=True):
        distance = field.add("Distance")
        field.setNumbers(distance, "CurvesList", curves)
        field.setNumber(distance, "Sampling", 100)
        near.append(field.add("Threshold"))
        reach = MM * max(size - cut.size, 0.0) / grow
        for name, value in (
            ("InField", distance),
            ("SizeMin", MM * cut.size),
            ("SizeMax", MM * max(size, cut.size)),
            ("DistMin", 0),
            ("DistMax", max(reach, 1e-3)),
        ):
            field.setNumber(near[-1], name, value)
    if near:
        least = field.add("Min")
        field.setNumbers(least, "FieldsList", near)
        field.setAsBackgroundMesh(least)
    _plain_sizes(gmsh, MM * size)
    gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", 10)


def _plain_sizes(gmsh: Any, size: float) -> None:
    """Sizes (mm) from the background and the given number alone."""
    for name, value in (("ExtendFromBoundary", 0), ("FromPoints", 0), ("FromCurvature", 0), ("Min", 0), ("Max", size)):
        gmsh.option.setNumber(f"Mesh.MeshSize{name}", value)


def _triangles(gmsh: Any) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3), m, and triangles (t, 3) of the model's surfaces, without nodes that no triangle has."""
    tags, coords, _ = gmsh.model.mesh.getNodes()
    order = np.argsort(tags)
    members = np.searchsorted(tags[order], gmsh.model.mesh.getElementsByType(kernel.TRIANGLE)[1])
    used, number = np.unique(members, return_inverse=True)
    return coords.reshape(-1, 3)[order][used] / MM, number.reshape(-1, 3)


def sphere(gmsh: Any, center: np.ndarray, radius: float, size: float) -> tuple[np.ndarray, np.ndarray]:
    """A sphere in triangles (t, 3): points (n, 3) exactly on it, m, and triangles."""
    points, triangles = surface_triangles(gmsh, lambda occ: occ.addSphere(0, 0, 0, MM * radius), None, MM * size)
    return center + radius * points / np.linalg.norm(points, axis=1)[:, None], triangles


def surface_triangles(
    gmsh: Any, drawn: Callable[[Any], object], size: SizeAt | None, most: float
) -> tuple[np.ndarray, np.ndarray]:
    """Skin of what `drawn` adds to a model: points (n, 3), m, triangles (t, 3), of `size` (mm) or up to `most`."""
    occ = gmsh.model.occ
    gmsh.clear()
    gmsh.model.add("skin")
    drawn(occ)
    occ.synchronize()
    occ.remove(occ.getEntities(3))  # the skin alone is meshed
    occ.synchronize()
    _plain_sizes(gmsh, most)
    if size is not None:
        gmsh.model.mesh.setSizeCallback(lambda dim, tag, x, y, z, lc: size(x, y, z))
    try:
        gmsh.model.mesh.generate(2)
    finally:
        if size is not None:
            gmsh.model.mesh.removeSizeCallback()
    return _triangles(gmsh)


def disc(gmsh: Any, duct: DuctSurface, loop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Span a loop of points (n, 3) across a duct: further points (m), and triangles that count the loop first."""
    o, around = duct.opening, MM * duct.frame(loop)
    n = len(around)
    geo = gmsh.model.geo
    gmsh.clear()
    gmsh.model.add("disc")
    corners = [geo.addPoint(x, y, 0) for x, y in around[:, :2]]
    lines = [geo.addLine(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    for line in lines:
        geo.mesh.setTransfiniteCurve(line, 2)  # two nodes: the loop's own edges stay as they are
    geo.addPlaneSurface([geo.addCurveLoop(lines)])
    geo.synchronize()
    step = float(np.linalg.norm(np.diff(around, axis=0), axis=1).mean())
    _plain_sizes(gmsh, max(step, 0.25 * MM * o.reach))
    gmsh.option.setNumber("Mesh.MeshSizeExtendFromBoundary", 1)
    gmsh.model.mesh.generate(2)
    points, triangles = _triangles(gmsh)
    flat = MM * points[:, :2]
    # gmsh numbers the loop anew: found again by place, all others are new.
    apart, nearest = cKDTree(around[:, :2]).query(flat)
    fresh = np.flatnonzero(apart > 1e-6)
    number = nearest.copy()
    number[fresh] = n + np.arange(len(fresh))
    triangles = number[triangles]
    plan = np.concatenate([around[:, :2], flat[fresh]])
    local = np.column_stack([flat[fresh], _stretched(plan, triangles, around[:, 2])]) / MM
    return o.center + local @ np.stack([o.across, o.forward, o.axis]), triangles


def _stretched(plan: np.ndarray, triangles: np.ndarray, rim: np.ndarray) -> np.ndarray:
    """Heights (n - m,) of a skin stretched over a rim of heights (m,): harmonic in the plane, by linear elements.

    Between its rim's heights everywhere, it stays clear of a flat slope that begins far below. plan (n, 2), the rim's
    points first.
    """
    n, m = len(plan), len(rim)
    corners = plan[triangles]
    ways = np.roll(corners, -1, axis=1) - np.roll(corners, 1, axis=1)  # the side opposite to each corner
    twice = np.abs(ways[:, 0, 0] * ways[:, 1, 1] - ways[:, 0, 1] * ways[:, 1, 0])
    # A corner's shape function has for gradient the opposite side turned, over twice the area: K_ij = s_i . s_j/(4 A).
    values = np.einsum("tix,tjx->tij", ways, ways) / (2 * twice[:, None, None])
    rows, columns = np.repeat(triangles, 3, axis=1), np.tile(triangles, 3)
    K = csr_matrix((values.ravel(), (rows.ravel(), columns.ravel())), shape=(n, n))
    return np.asarray(spsolve(K[m:, m:].tocsc(), -(K[m:, :m] @ rim))) if n > m else np.zeros(0)


def fill(
    gmsh: Any, points: np.ndarray, skins: Sequence[np.ndarray], size: SizeAt
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Tetrahedra inside the first closed skin of triangles and outside the others.

    Returns points (n, 3), m, tetrahedra (m, 4), and which of the given points the first ones are. Unsettled
    where gmsh would divide cells beside a skin's needles nearly without end.
    """
    for triangles in skins:
        closed(triangles)
        uncrossed(points, triangles)
    mesh, geo = gmsh.model.mesh, gmsh.model.geo
    gmsh.clear()
    gmsh.model.add("fill")
    loops = []
    for triangles in skins:
        face = gmsh.model.addDiscreteEntity(2)
        used = np.unique(triangles)
        mesh.addNodes(2, face, (used + 1).tolist(), (MM * points[used]).ravel())
        mesh.addElementsByType(face, kernel.TRIANGLE, [], (triangles + 1).ravel())
        loops.append(geo.addSurfaceLoop([face]))
    geo.addVolume(loops)
    geo.synchronize()
    _plain_sizes(gmsh, 1e22)
    for name, value in (
        ("MeshSizeExtendFromBoundary", 1),
        ("Algorithm3D", 1),  # Delaunay, which asks the callback; the other kernel left elements too coarse at rims
        ("Optimize", 1),
        ("OptimizeThreshold", 0.3),
        ("Renumber", 0),  # the given points keep their numbers
    ):
        gmsh.option.setNumber(f"Mesh.{name}", value)
    used = np.unique(np.concatenate([t.ravel() for t in skins]))
    bounded = Bounded(size, len(used))
    mesh.setSizeCallback(lambda dim, tag, x, y, z, lc: bounded(x, y, z))
    try:
        mesh.generate(3)
    finally:
        mesh.removeSizeCallback()
    bounded.check()
    tags, coords, _ = mesh.getNodes()
    tags = tags.astype(int) - 1
    # The given points first, in their order, then what gmsh has put between; `place` and `number` lead there and back.
    ids = np.concatenate([used, np.setdiff1d(tags, used)])
    place, number = np.full((2, ids.max() + 1), -1)
    place[tags], number[ids] = np.arange(len(tags)), np.arange(len(ids))
    tets = mesh.getElementsByType(kernel.TETRAHEDRON)[1].astype(int) - 1
    found, tets = coords.reshape(-1, 3)[place[ids]] / MM, number[tets].reshape(-1, 4)
    filled(found, tets, [np.searchsorted(used, triangles) for triangles in skins])
    return found, tets, used
