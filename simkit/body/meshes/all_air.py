"""All the air of a chamber with its openings: inside, in the ducts with their rounded rims, and around the clay.

Inside and outside are meshed apart and meet on covers, one across each duct near its outer end, whose triangles
and nodes are the same on both sides: joined the opening is open, left apart it is covered. A wall without thickness
is a crack: one surface with nodes on either side of it, joined in the open holes alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, product
from math import hypot, sqrt

import numpy as np

from simkit.body import kernel
from simkit.body.assembly import gap
from simkit.body.chambers import ChamberBody, Opening
from simkit.body.meshes.obstacles import Obstacle, around, obstacle_skins, require_clearance, widening
from simkit.body.meshes.outlines import DuctSurface, OutlineCut
from simkit.body.meshes.panels import MM, SizeAt, fill, sphere, wall_panels
from simkit.body.meshes.rims import SPOT, duct_of, outer_solid, own_wall, spot_of
from simkit.body.meshes.rolling import lift
from simkit.body.meshes.seamed import seamed_rim
from simkit.body.meshes.skins import Skins, WholeMesh
from simkit.body.meshes.soundness import REMEDY
from simkit.body.walls.primitives import Faced, FlatFace, Union
from simkit.body.walls.wall import clearance, normals, on_wall, thinnest
from simkit.errors import MeshError, OutOfReach
from simkit.frozen import frozen

SHELL = 1.35  # radius of the far sphere over that of the body
GROW = 0.45  # growth of elements with the distance from a rim, at grading 1
RIM_SHARE, RADIUS_SHARE = 1.5, 0.17  # size at a rim: of its rounding's radius, of half the opening's least size
SHARP_SHARE = 0.1  # size at a sharp rim: of half the opening's least size
WALL_SHARE = 0.35  # largest element inside over the half of the chamber's least size
MOST_UNKNOWNS = 500_000
KIB_PER_UNKNOWN = 5.0  # measured, both gradings kept


@frozen
class Grading:
    """Sizes of the cells, m: at each rim, inside, around the clay and on the far sphere; and their growth.

    Around the clay the largest chamber sets them: air outside is as smooth beside a small one.
    """

    rims: dict[str, float]
    grow: float
    inside: float
    around: float
    far: float

    @classmethod
    def of(cls, chamber: ChamberBody, radius: float, coarse: float = 1.0) -> Grading:
        """The standard sizes times `coarse`."""
        halves = [float(np.ptp(wall.box, axis=0).min()) / 2 for wall in (chamber.wall, *chamber.beside)]
        rims = {o.name: coarse * _rim_size(o) for o in chamber.all_openings}
        inside, around = (coarse * WALL_SHARE * half for half in (halves[0], max(halves)))
        return cls(rims, coarse * GROW, inside, around, coarse * radius / 4)


def _rim_size(o: Opening) -> float:
    half = o.radius if o.is_round else min(o.width, o.height) / 2
    sizes = [RIM_SHARE * f if f > 0 else SHARP_SHARE * half for f in (o.rim, o.inside_rim)]
    return min(*sizes, RADIUS_SHARE * half)  # the finer of both rims, all down the duct


Sized = tuple[float, WholeMesh]  # a mesh, and its sizes over the standard


def graded_meshes(
    chamber: ChamberBody, gradings: Sequence[Sequence[float]], obstacles: Sequence[Obstacle] = ()
) -> tuple[Sized, ...]:
    """A mesh of all the air of a chamber for each grading: of the first of its sizes that comes out.

    Raises what `whole_mesh` does of the last.
    """
    ducts = _ducts(chamber)
    return tuple(_first(chamber, sizes, obstacles, ducts) for sizes in gradings)


def _first(
    chamber: ChamberBody, sizes: Sequence[float], obstacles: Sequence[Obstacle], ducts: Sequence[DuctSurface]
) -> Sized:
    for size in sizes[:-1]:
        try:
            return size, whole_mesh(chamber, size, SHELL, obstacles, ducts)
        except MeshError:  # another size is another mesh
            continue
    return sizes[-1], whole_mesh(chamber, sizes[-1], SHELL, obstacles, ducts)


def _ducts(chamber: ChamberBody) -> list[DuctSurface]:
    return [duct_of(chamber.wall, chamber.thickness, o) for o in chamber.all_openings]


def whole_mesh(
    chamber: ChamberBody,
    coarse: float = 1.0,
    shell: float = SHELL,
    obstacles: Sequence[Obstacle] = (),
    ducts: Sequence[DuctSurface] | None = None,
) -> WholeMesh:
    """Mesh all the air of a chamber, its openings and the outside; every size is `coarse` times the standard.

    Of the chambers beside it only the clay is there: their openings are closed flush. `obstacles`: rigid bodies near
    the piece; the far sphere, `shell` of the body's radius without them, then lies around them all. `ducts`: those of
    its openings, if another mesh of the same chamber has them.

    Raises OutOfReach for what this mesh is not made for, MeshError where the shape could not be meshed.
    """
    grading, center, radius = checked(chamber, coarse, shell)
    size = min(grading.rims.values(), default=grading.inside)
    try:
        ducts = _ducts(chamber) if ducts is None else ducts
        return _meshed(chamber, ducts, grading, center, radius, obstacles)
    except kernel.UNMESHED as failure:
        raise MeshError("the air of the chamber, its openings and outside", MM * size, f"{REMEDY} ({failure})") from (
            failure
        )


def checked(chamber: ChamberBody, coarse: float = 1.0, shell: float = SHELL) -> tuple[Grading, np.ndarray, float]:
    """Sizes for a chamber, and centre (3,) and radius of its far sphere, m; OutOfReach for what will not be meshed."""
    _meshable(chamber)
    coat = chamber.coat
    skin = np.concatenate([on_wall(wall, 2) for wall in coat.walls])
    center = (skin.min(axis=0) + skin.max(axis=0)) / 2
    radius = shell * (float(np.linalg.norm(skin - center, axis=1).max()) + coat.offset)
    grading = Grading.of(chamber, radius, coarse)
    _not_too_large(chamber, grading)
    thin = thinnest(chamber.wall)
    if thin < grading.inside / 6:  # gmsh tries nearly without end to fill such a place
        where = f"it is only {MM * thin:.2g} mm thick in one place; make it thicker there, or ask the model ports"
        raise MeshError("the chamber", MM * grading.inside, where)
    return grading, center, radius


def _meshable(chamber: ChamberBody) -> None:
    """Refuse, in words, what is not meshed yet."""
    for o in chamber.all_openings:
        if o.figure is not None and not o.clay:
            try:
                if seamed_rim(o) is None:
                    outer_solid(o)
            except ValueError as seam:
                raise OutOfReach(f"resolved: {seam}, or ask the model ports") from seam
        if own_wall(o, chamber.thickness):
            _own_wall_meshable(chamber, o)
        if o.rim + o.inside_rim > 0.98 * o.length > 0:  # of a wall without thickness there are none
            raise OutOfReach(f"resolved: the rounded rims of {o.title} take up its whole wall; make them smaller")
    for a, b in combinations(chamber.all_openings, 2):
        if gap(a, b) <= a.inside_rim + b.inside_rim:
            raise OutOfReach(f"resolved: the rounded rims of {a.title} and {b.title} meet; move them apart")


def _own_wall_meshable(chamber: ChamberBody, o: Opening) -> None:
    """Refuse a wall of its own where its flat face cannot be drawn."""
    clay = o.through if o.figure is not None else chamber.thickness
    said = f"resolved: {o.title} has a wall_mm of its own ({MM * o.length:.3g} mm in clay of {MM * clay:.3g} mm), "
    if not o.is_round or min(clay, o.length) == 0:
        where = "round a hole in clay that has a thickness; leave it out, or ask the model ports"
        raise OutOfReach(f"{said}which is meshed as a flat face {where}")
    face = "collar" if o.length > clay else "flat spot"
    if o.radius + o.rim > 0.95 * SPOT * o.radius:
        raise OutOfReach(f"{said}but the rounded rim takes up its {face}, {SPOT:g} radii wide; make the rim smaller")
    if face == "flat spot":
        turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)[:, None]
        edge = o.center + 1.1 * (o.radius + o.rim) * (np.cos(turns) * o.across + np.sin(turns) * o.forward)
        outer = (outer_solid(o), 0.0) if o.figure is not None else (chamber.wall, chamber.thickness)
        free = float(lift(*outer, edge, o.axis, clay).min())
        if free < o.length + 2e-4:
            least = f"less than {MM * free - 0.2:.2f} mm is cut flat all round the hole here"
            raise OutOfReach(f"{said}but its flat spot does not reach beyond its rim; {least}, or leave it out")
    for other in chamber.all_openings:
        reach = (SPOT if own_wall(other, chamber.thickness) else 1.0) * other.reach + other.rim
        apart = np.linalg.norm(o.center + o.length * o.axis - other.center - other.length * other.axis)
        if other is not o and apart < SPOT * o.radius + reach:
            raise OutOfReach(f"{said}but its {face}, {SPOT:g} radii wide, meets {other.title}; move them apart")


def has_sharp_rims(chamber: ChamberBody) -> bool:
    """Whether a rim of any opening is not rounded, as none is in a wall without thickness."""
    return any(min(o.rim, o.inside_rim) == 0 for o in chamber.all_openings)


# Nodes for each element round a rim: rounded, sharp, and a crack's.
ROUNDED_NODES, SHARP_NODES, CRACK_NODES = 450.0, 260.0, 120.0


def unknowns(chamber: ChamberBody, grading: Grading) -> float:
    """Number of the mesh's nodes, approximately (fitted to meshes of 10,000 to 100,000; within a third)."""
    finer = GROW / grading.grow
    count = 10_000 * finer**2  # walls and far sphere of any body
    for o in chamber.all_openings:
        around = 2 * np.pi * o.radius if o.is_round else 2 * (o.width + o.height)
        nodes = (
            CRACK_NODES if chamber.thickness == 0 else SHARP_NODES if min(o.rim, o.inside_rim) == 0 else ROUNDED_NODES
        )
        count += nodes * around / grading.rims[o.name] * finer
    return count + _within(chamber, grading)


def _within(chamber: ChamberBody, grading: Grading) -> float:
    """Number of nodes that a flat chamber takes beyond what any takes, approximately."""
    return max(0.0, 12 * chamber.volume / grading.inside**3 - 10_000)


def _not_too_large(chamber: ChamberBody, grading: Grading) -> None:
    """Say how large it would be, and refuse, where it is too large."""
    count = unknowns(chamber, grading)
    gib = count * KIB_PER_UNKNOWN / 2**20
    if count > MOST_UNKNOWNS:
        sharpest = min(grading.rims, key=lambda name: grading.rims[name], default="")
        remedy = f"give the edges a larger radius ({sharpest!r} asks for the finest mesh)"
        remedy = "make the chamber thicker" if _within(chamber, grading) > count / 2 else remedy
        raise OutOfReach(
            f"resolved: about {count:,.0f} unknowns and {gib:.1f} GiB would be needed, at most {MOST_UNKNOWNS:,} are "
            f"tried; {remedy} or ask the model ports"
        )


def _meshed(
    chamber: ChamberBody,
    ducts: Sequence[DuctSurface],
    grading: Grading,
    center: np.ndarray,
    radius: float,
    obstacles: Sequence[Obstacle],
) -> WholeMesh:
    wall, thickness = chamber.wall, chamber.thickness
    sizes, spots = [_sizes(ducts, grading, most) for most in (grading.inside, grading.around)], _spots(chamber)
    far = grading.far
    if obstacles:
        # The far sphere moves out with them, its elements as fine for its size.
        outside = _outer_points(chamber)
        require_clearance(obstacles, outside)
        sizes[1] = widening(sizes[1], 1.5 * MM * grading.around, center, radius)
        far, (center, radius) = far / radius, around(obstacles, outside)
        far *= radius  # of the new sphere
    with kernel.session() as gmsh:
        cuts = [_cuts(chamber, duct, grading) for duct in ducts]
        # Inside, outside and far sphere as skins of triangles, joined by the ducts' strips; then both airs filled.
        inner = wall_panels(gmsh, wall.solid(), [c for c, _ in cuts], grading.inside, grading.grow)
        outer = None
        if thickness > 0:
            coat = chamber.coat
            solids = tuple(each.solid(coat.offset) for each in coat.walls)
            clay = Union(solids) if len(solids) > 1 else solids[0]
            clay = Faced(clay, spots) if spots else clay
            outer = wall_panels(gmsh, clay, [c for _, c in cuts], 1.2 * grading.around, grading.grow)
        skins = Skins(chamber, inner, outer, sphere(gmsh, center, radius, far), center, radius, spots)
        for i, duct in enumerate(ducts):
            if thickness > 0:
                skins.add_duct(gmsh, i, duct, grading.rims[duct.opening.name], grading.grow)
            else:
                skins.add_hole(gmsh, i, duct)
        if obstacles:
            for skin in obstacle_skins(gmsh, obstacles, outside, far / radius * 4):  # `coarse` again
                skins.add_near(skin)
        closed = zip(skins.closed(), sizes, strict=True)
        volumes = [fill(gmsh, skins.points, skin, size) for skin, size in closed]
    return skins.curved(volumes, min(grading.rims.values(), default=grading.inside))


def _outer_points(chamber: ChamberBody) -> np.ndarray:
    """Points (n, 3) all over the clay's outer surface, flat ends left out."""
    coat, found = chamber.coat, []
    for wall in coat.walls:
        points = on_wall(wall, 2)
        found.append(points + coat.offset * normals(wall, points))
    return np.concatenate(found)


def _spots(chamber: ChamberBody) -> tuple[FlatFace, ...]:
    """The flat faces of holes with walls of their own."""
    some = (o for o in chamber.all_openings if own_wall(o, chamber.thickness))
    return tuple(
        spot_of(o, chamber.thickness if o.figure is None else o.through, clearance(chamber.wall, o.center, o.normal))
        for o in some
    )


def _cuts(chamber: ChamberBody, duct: DuctSurface, grading: Grading) -> tuple[OutlineCut, OutlineCut]:
    """Cuts of a duct with the inside and the outside of the clay, near its own place only."""
    o, length = duct.opening, duct.opening.length
    clear, reach, size = clearance(chamber.wall, o.center, o.normal), 1.5 * o.reach, grading.rims[o.name]
    # Only this stretch of the axis: on the far side of the chamber the same outline meets clay once more.
    low, high = length - min(reach, length + 0.4 * clear), length + reach
    if duct.seamed:  # one side of it may lie far above or below its middle
        heights = duct.frame(duct.some[:, 5])[:, 2]
        low, high = min(low, float(heights.min()) - reach / 2), max(high, float(heights.max()) + reach / 2)
    return (
        OutlineCut(duct, duct.inside, -min(0.45 * clear, reach), max(length / 2, reach), size),
        OutlineCut(duct, duct.outside, low, high, size),
    )


def _sizes(ducts: Sequence[DuctSurface], grading: Grading, most: float) -> SizeAt:
    """Size (mm) at a point (mm): that of the nearest rim and `grow` of the distance to it, up to 1.5 of `most` (m).

    Plain numbers, not arrays: gmsh asks for one point at a time, some ten thousand times. An opening is looked at only
    where the ball around both its rims comes near enough to count.
    """
    rims = []
    for duct in ducts:
        o = duct.opening
        frame = [v.tolist() for v in (MM * o.center, o.across, o.forward, o.axis)]
        boxes = [[MM * edge for edge in foot.box] for foot in (duct.inside, duct.outside)]
        heights = (duct.heights * [[MM, 1, 1 / MM]]).tolist()  # a + b y + c x^2 in mm: c in 1/mm
        ball = max(hypot(*corner) for corner in _corners(boxes, heights))
        feet = [(*box, *height) for box, height in zip(boxes, heights, strict=True)]
        rims.append((*frame, MM * o.radius, feet, MM * grading.rims[o.name], ball))
    top, grow = 1.5 * MM * most, grading.grow

    def size(x: float, y: float, z: float) -> float:
        best = top
        for (cx, cy, cz), (ux, uy, uz), (vx, vy, vz), (nx, ny, nz), radius, feet, rim, ball in rims:
            X, Y, Z = x - cx, y - cy, z - cz
            if rim + grow * (sqrt(X * X + Y * Y + Z * Z) - ball) >= best:
                continue  # even its nearest point is too far to count
            a, b, h = X * ux + Y * uy + Z * uz, X * vx + Y * vy + Z * vz, X * nx + Y * ny + Z * nz
            for left, right, back, front, plain, by_y, by_x2 in feet:
                inside_x, inside_y = min(max(a, left), right), min(max(b, back), front)
                above = h - plain - by_y * inside_y - by_x2 * inside_x * inside_x
                if radius:
                    beside = hypot(a, b) - radius
                elif inside_x == a and inside_y == b:
                    beside = min(a - left, right - a, b - back, front - b)
                else:
                    beside = hypot(a - inside_x, b - inside_y)
                best = min(best, rim + grow * hypot(beside, above))
        return best

    return size


def _corners(boxes: list[list[float]], heights: list[list[float]]) -> Iterator[tuple[float, float, float]]:
    """Points (mm) of an opening's frame at least as far from its middle as any of either rim."""
    for (left, right, back, front), (plain, by_y, by_x2) in zip(boxes, heights, strict=True):
        for x, y in product((left, right), (back, front)):
            yield x, y, abs(plain) + abs(by_y * y) + abs(by_x2 * x * x)
