"""Curved second-order meshes of a chamber's air and of the air around a body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simkit.body import kernel
from simkit.body.meshes import drawn
from simkit.body.meshes.quadratic import jacobians, summed_volume
from simkit.body.walls.wall import Wall, feet, project, thinnest
from simkit.errors import MeshError

# Elements across the half of the least size; a closed sphere's first modes are then right to 0.1 cent.
DEFAULT_SHARE = 0.42


@dataclass(frozen=True, eq=False)
class AirMesh:
    """Ten-node tetrahedra whose wall nodes lie on the exact wall.

    points (n, 3) in metres; tets (m, 10): four corners, then the edges 01, 12, 02, 03, 13, 23;
    facets (f, 6): wall triangles, three corners, then the edges 01, 12, 02; `outer` (g, 6) those of the far sphere
    of a mesh of the air around a body (else empty); volume as meshed, m^3; size, m; `straightened`: how far a wall
    node was moved off the wall at most so that no element folds, m.
    """

    points: np.ndarray
    tets: np.ndarray
    facets: np.ndarray
    outer: np.ndarray
    volume: float
    size: float
    straightened: float = 0.0

    @property
    def off_wall(self) -> float:
        """Distance of a node from the wall where it is more than is asked, a fortieth of the size, else 0: m."""
        return self.straightened if self.straightened > _STRAIGHT * self.size else 0.0

    def __repr__(self) -> str:
        return f"AirMesh({len(self.points)} nodes, {len(self.tets)} tetrahedra, {1e6 * self.volume:.4g} ml)"


def default_size(wall: Wall) -> float:
    """A size at which the lowest modes are right to a few tenths of a cent, m."""
    least = float(np.ptp(wall.box, axis=0).min()) / 2
    equivalent = (3 * wall.volume / (4 * np.pi)) ** (1 / 3)  # radius of the ball as large
    return min(DEFAULT_SHARE * min(1.3 * least, equivalent), thinnest(wall))


def air_mesh(wall: Wall, size: float | None = None, turns: float = 8) -> AirMesh:
    """Mesh the air inside a wall with elements of about `size` (m), finer where the wall curves tightly.

    turns: at least so many elements to a full turn of a bend.
    """
    size = default_size(wall) if size is None else size
    _worth_trying(wall, size)
    try:
        with kernel.session() as gmsh:
            drawn.build(gmsh, wall.solid())
            gmsh.model.occ.synchronize()
            gmsh.option.setNumber("Mesh.MeshSizeMax", 1e3 * size)
            gmsh.option.setNumber("Mesh.MeshSizeMin", 1e3 * size / 2.5)
            gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", turns)
            points, tets, facets = kernel.cells(gmsh, wall.creased)
    except kernel.UNMESHED as failure:
        raise MeshError("the chamber", 1e3 * size, f"{_remedy} ({failure})") from failure
    points = snapped(points, facets, wall)
    return gated(points, tets, facets, np.zeros((0, 6), int), size, "the chamber", expected=wall.volume)


def surrounding_mesh(
    walls: tuple[Wall, ...], offset: float, center: np.ndarray, radius: float, size: float, turns: float = 8
) -> AirMesh:
    """Mesh the air between the body that `walls` make with `offset` of clay and a sphere around it (m).

    Where an element lay too flat on a bend it is straightened off the wall; then it is meshed finer, at most twice,
    and the best of these is kept: `AirMesh.off_wall` is what is left.
    """
    mesh = _surrounding(walls, offset, center, radius, size, turns)
    for finer, share in _FINER:
        if not mesh.off_wall:
            break
        again = _surrounding(walls, offset, center, radius, share * size, finer * turns)
        mesh = min(mesh, again, key=lambda each: each.straightened)
    return mesh


# Times the turns, and the size: on a plain ball no bend asks for smaller elements, and one that lies flat on it is an
# accident of the mesh, gone with another.
_FINER = ((1.5, 0.95), (2.0, 0.9))
_STRAIGHT = 0.025  # of the size


def _surrounding(
    walls: tuple[Wall, ...], offset: float, center: np.ndarray, radius: float, size: float, turns: float
) -> AirMesh:
    try:
        with kernel.session() as gmsh:
            occ = gmsh.model.occ
            solids = [wall.solid(offset) for wall in walls]
            bodies = [(3, drawn.build(gmsh, each)) for each in solids]
            ball = occ.addSphere(*(1e3 * center), 1e3 * radius)
            if len(bodies) == 1 and drawn.is_skin(solids[0]):  # no boolean operation where nothing is to be cut
                drawn.hollow(gmsh, ball, bodies[0][1])
            else:
                occ.cut([(3, ball)], occ.fuse(bodies[:1], bodies[1:])[0] if len(bodies) > 1 else bodies)
            occ.synchronize()
            gmsh.option.setNumber("Mesh.MeshSizeMax", 1e3 * size)
            gmsh.option.setNumber("Mesh.MeshSizeMin", 1e3 * size / 5)
            gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", turns)
            points, tets, skin = kernel.cells(gmsh, any(w.creased_outside if offset else w.creased for w in walls))
    except kernel.UNMESHED as failure:
        raise MeshError("the air around the body", 1e3 * size, f"{_remedy} ({failure})") from failure
    # The skin's two parts told apart by where their corners lie.
    far = np.linalg.norm(points - center, axis=1) > radius * (1 - 1e-6)
    is_outer = far[skin[:, :3]].all(axis=1)
    on_sphere, on_body = np.unique(skin[is_outer]), np.unique(skin[~is_outer])
    points = points.copy()
    points[on_sphere] = center + radius * _unit(points[on_sphere] - center)
    points[on_body] = offset_points(walls, offset, points[on_body])
    if len(walls) > 1:
        _draw_to_seams(points, skin[~is_outer], walls, offset)
    return gated(points, tets, skin[~is_outer], skin[is_outer], size, "the air around the body", expected=None)


def offset_points(walls: tuple[Wall, ...], offset: float, points: np.ndarray) -> np.ndarray:
    """The nearest points at the distance `offset` from the nearest of `walls`, for points (n, 3) near it."""
    if offset == 0 and len(walls) == 1:
        return project(walls[0], points)
    foot, owner = feet(walls, points)
    # The outer surface is `offset` away from the foot, on the side where the point is.
    out = _unit(points - foot)
    for n, wall in enumerate(walls):
        mine = np.flatnonzero(owner == n)
        out[mine[wall.level(points[mine]) < 0]] *= -1  # a chord may cut through the clay into the air
    return foot + offset * out


def _draw_to_seams(points: np.ndarray, facets: np.ndarray, walls: tuple[Wall, ...], offset: float) -> None:
    """Move the middle nodes between facets (f, 6) of different walls to where both walls' clay meets, by Newton.

    One that does not arrive stays where it was: on one of them.
    """
    owner = feet(walls, points[facets[:, :3]].mean(axis=1))[1]
    nodes, whose = facets[:, 3:].ravel(), np.repeat(owner, 3)
    order = np.argsort(nodes, kind="stable").reshape(-1, 2)  # two facets meet at every edge
    pairs = np.column_stack([nodes[order[:, 0]], np.sort(whose[order], axis=1)])
    for a, b in np.unique(pairs[pairs[:, 1] != pairs[:, 2], 1:], axis=0):
        seam = pairs[(pairs[:, 1:] == (a, b)).all(axis=1), 0]
        at = points[seam]
        for _ in range(_STEPS_TO_SEAM):
            off, normals = _off((walls[a], walls[b]), at, offset)
            # Two equations for three coordinates: the shortest step is the one square to the seam.
            step = -(np.linalg.pinv(normals, rcond=_GRAZING) @ off[..., None])[..., 0]
            # Half the clay's thickness at most: planes are no walls.
            at = at + step * np.minimum(1.0, offset / 2 / np.maximum(np.linalg.norm(step, axis=1), 1e-300))[:, None]
        arrived = np.abs(_off((walls[a], walls[b]), at, offset)[0]).max(axis=1) < 1e-6 * offset
        points[seam[arrived]] = at[arrived]


_STEPS_TO_SEAM, _GRAZING = 8, 0.05  # where two walls touch all but smoothly there is no seam to go to


def _off(walls: Sequence[Wall], points: np.ndarray, offset: float) -> tuple[np.ndarray, np.ndarray]:
    """Distance of points (n, 3) out of each wall's clay, m (n, w), and the unit ways out (n, w, 3)."""
    away = np.stack([points - project(wall, points) for wall in walls], axis=1)
    far = np.linalg.norm(away, axis=2)
    side = np.stack([np.sign(wall.level(points)) for wall in walls], axis=1)
    return side * far - offset, (side / far)[..., None] * away


def _unit(v: np.ndarray) -> np.ndarray:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


MOST_TETRAHEDRA = 400_000


def _worth_trying(wall: Wall, size: float) -> None:
    """Refuse what gmsh would chew on without end: far too coarse for a thin place, or far too many elements."""
    thin = thinnest(wall)
    if thin < size / 6:
        raise MeshError(
            "the chamber", 1e3 * size, f"it is only {1e3 * thin:.2g} mm thick in one place; make it thicker there"
        )
    count = 9 * wall.volume / size**3  # tetrahedra of that edge fill so much, about
    if count > MOST_TETRAHEDRA:
        raise MeshError("the chamber", 1e3 * size, f"about {count:,.0f} elements would be needed; make it thicker")


# Place of the middle node on an edge that leaves a sharp rim: at 1/4 the elements contain the square root of the
# distance, as the pressure does at a crack (Henshell & Shaw 1975, Int. J. Numer. Meth. Eng. 9:495; Barsoum 1976, ibid.
# 10:25 [memory]); at (1/2)^(3/2) they come near its power 2/3 at a right-angled rim.
CRACK, CORNER = 0.25, 0.5**1.5


def draw_near(nodes: np.ndarray, tets: np.ndarray, rims: list[np.ndarray], share: float) -> None:
    """Move the middle nodes of edges that leave a sharp rim to that share of the way."""
    on = np.zeros(len(nodes), bool)
    for ids in rims:
        on[ids] = True
    for edge, (a, b) in enumerate(kernel.EDGES):
        for here, there in ((a, b), (b, a)):
            leaving = tets[on[tets[:, here]] & ~on[tets[:, there]]]  # one end on the rim, the other off it
            nodes[leaving[:, 4 + edge]] = (1 - share) * nodes[leaving[:, here]] + share * nodes[leaving[:, there]]


_remedy = "try a smaller size, or a larger rounding of its tightest corner"


def snapped(points: np.ndarray, facets: np.ndarray, wall: Wall) -> np.ndarray:
    """Points (n, 3), m, with the nodes of facets (f, 6) moved onto the exact wall."""
    moved = points.copy()
    on = np.unique(facets)
    moved[on] = project(wall, points[on])
    return moved


def gated(
    points: np.ndarray,
    tets: np.ndarray,
    facets: np.ndarray,
    outer: np.ndarray,
    size: float,
    what: str,
    expected: float | None,
) -> AirMesh:
    """Keep a mesh only if no element is inverted and its volume is that of the shape; straighten what folds."""
    points, corner = _used(points, tets, facets, outer)
    tets, facets, outer = (corner[e] for e in (tets, facets, outer))
    determinants, before = jacobians(points, tets), points
    # Half way thrice leaves an eighth of a bend, which mostly is enough; what folds still is made straight.
    for share in (0.5, 0.5, 0.5, 1.0, 1.0, 1.0, 1.0):
        # A map that shrinks to a fiftieth somewhere is as good as folded.
        bad = determinants.min(axis=1) <= 0.02 * determinants.max(axis=1)
        if not bad.any():
            break
        points = _straightened(points, tets, bad, share)
        determinants = jacobians(points, tets)
    if determinants.min() <= 0:
        raise MeshError(what, 1e3 * size, f"an element folds over; {_remedy}")
    volume = summed_volume(determinants)
    if expected is not None and abs(volume / expected - 1) > 2e-3:
        raise MeshError(what, 1e3 * size, f"its volume came out {100 * (volume / expected - 1):+.2f} % off; {_remedy}")
    on_wall = np.unique(facets)
    moved = float(np.linalg.norm(points[on_wall] - before[on_wall], axis=1).max(initial=0.0))
    return AirMesh(points, tets, facets, outer, volume, size, moved)


def _used(points: np.ndarray, *cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Drop nodes that no cell names; the kept points and the new number of every old one."""
    used = np.unique(np.concatenate([c.ravel() for c in cells]))
    number = np.full(len(points), -1)
    number[used] = np.arange(len(used))
    return points[used], number


def _straightened(points: np.ndarray, tets: np.ndarray, bad: np.ndarray, share: float) -> np.ndarray:
    """Move the edge nodes of folded elements by `share` of the way to the middle of their edges.

    Only a little of the wall's curvature is lost, and only there: a coarse tetrahedron with two faces on a tight
    bend cannot follow it.
    """
    moved = points.copy()
    for edge, (a, b) in enumerate(kernel.EDGES):
        cells = tets[bad]
        middle = 0.5 * (points[cells[:, a]] + points[cells[:, b]])
        node = cells[:, 4 + edge]
        moved[node] = points[node] + share * (middle - points[node])
    return moved
