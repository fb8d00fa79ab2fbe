"""The air around a figure, between its outer surface and a sphere; of an even wall `curved` has it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
from scipy.sparse import csr_matrix, diags
from scipy.sparse.csgraph import connected_components

from simkit.body import kernel
from simkit.body.chambers import Opening
from simkit.body.meshes.curved import AirMesh, gated
from simkit.body.meshes.panels import MM, fill, sphere
from simkit.body.meshes.quadratic import upright
from simkit.body.meshes.soundness import closed, uncrossed
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.union import UnionWall, solids_of
from simkit.body.walls.wall import Wall, project
from simkit.errors import MeshError
from simkit.frozen import frozen

_STEP, _LEAST, _SLIM = 0.8, 0.25, 1.2  # of the size asked for: a net's step, and its least; of the slimmest part
_NEAR, _REACH = 0.3, 0.55  # of the size asked for: a net's step at a window; how far that reaches, in its widths
# A figure's arms and legs make the sphere wide for its clay; so much larger cells far out move no note by 0.1 cents.
_FAR = 1.15


def figure_mesh(
    figure: Wall, center: np.ndarray, radius: float, size: float, windows: Sequence[Opening] = ()
) -> AirMesh:
    """Mesh the air between a figure's outer surface and a sphere around it, elements of about `size` (m) far out.

    windows: about which the clay of mouthpieces stands; there the elements are smaller.
    """
    slimmest = min(_slim(solid) for solid in solids_of(figure))
    # A net has to pass between the two sides of the slimmest part, a leg or an ear.
    step = size * float(np.clip(_SLIM * slimmest / size, _LEAST, _STEP))
    finer = [Finer(w.center + w.through * w.axis, min(step, _NEAR * size), _REACH * w.width) for w in windows]
    points, triangles = netted(figure, step, finer)
    try:
        with kernel.session() as gmsh:
            far, cells = sphere(gmsh, center, radius, _FAR * size)
            every, skins = np.concatenate([far, points]), [cells, triangles + len(far)]
            # One size everywhere: the skin's own elements set what is near it.
            nodes, tets, used = fill(gmsh, every, skins, lambda x, y, z: MM * _FAR * size)
    except kernel.UNMESHED as failure:
        raise MeshError("the air around the body", MM * size, f"make the outside plainer ({failure})") from failure
    # From the skins' numbering to that of the filled volume.
    number = np.full(len(every), -1)
    number[used] = np.arange(len(used))
    nodes, tets, facets = kernel.with_middles(
        nodes, upright(nodes, tets), np.concatenate([number[cells], number[skins[1]]])
    )
    outer, skin = facets[: len(cells)], facets[len(cells) :]
    nodes = nodes.copy()
    on_sphere, middles = np.unique(outer), np.unique(skin[:, 3:])
    away = nodes[on_sphere] - center
    nodes[on_sphere] = center + radius * away / np.linalg.norm(away, axis=1)[:, None]
    nodes[middles] = _bent(figure, nodes, skin, middles)
    mesh = gated(nodes, tets, skin, outer, size, "the air around the body", expected=None)
    # A net cuts sharp rims and seams off on purpose, also far from any opening: `cut_off` measures where it counts.
    return replace(mesh, straightened=0.0)


def cut_off(mesh: AirMesh, figure: Wall, openings: Sequence[Opening]) -> float:
    """Largest distance of the mesh from a figure's surface within a radius of the openings' rims, m: at seams there."""
    corners, middles = mesh.points[mesh.facets[:, :3]], mesh.points[mesh.facets[:, 3:]]
    within = (4 * middles.sum(axis=1) - corners.sum(axis=1)) / 9  # of the six shape functions in the middle of a facet
    points = np.concatenate([middles.reshape(-1, 3), within])
    near = np.zeros(len(points), bool)
    for o in openings:
        near |= np.linalg.norm(points - (o.center + o.through * o.axis), axis=1) < 2 * o.reach
    return float(np.linalg.norm(points[near] - project(figure, points[near]), axis=1).max(initial=0.0))


def _bent(figure: Wall, nodes: np.ndarray, skin: np.ndarray, middles: np.ndarray) -> np.ndarray:
    """Nodes with the middle ones on the true surface; those of edges from one solid to another stay, on none."""
    if not isinstance(figure, UnionWall):
        return project(figure, nodes[middles])
    corners = np.unique(skin[:, :3])
    owner, same = np.zeros(len(nodes), int), np.ones(len(nodes), bool)
    owner[corners] = figure.owner(nodes[corners])
    for k, (a, b) in enumerate(((0, 1), (1, 2), (0, 2))):
        same[skin[:, 3 + k]] = owner[skin[:, a]] == owner[skin[:, b]]
    bent, own = nodes[middles], np.flatnonzero(same[middles])
    foot, buried = figure.feet_of_solids(bent[own])
    bent[own[~buried]] = foot[~buried]
    return bent


def _slim(solid: Wall) -> float:
    """The least side of a solid in its own frame, m; a mouthpiece's stands by the finer net about its window."""
    own = solid.wall if isinstance(solid, PlacedWall) else solid
    return float(np.ptp(own.box, axis=0).min())


# --- a surface of several solids in triangles without cutting one with the other: a net over a lattice -------------
#
# Cutting lofted solids along their seams takes the geometry kernel seconds; the air around a figure wants no seams,
# only a closed surface with its nodes on the true one.

_GROWS = 0.5  # growth of the lattice's steps beyond a place where they are finer
_SMOOTHED = 3  # times that every node moves to the middle of its neighbours and back onto the surface
_TRIES = (1.0, 0.87, 0.76, 0.66, 0.57)  # of the step asked for
_CORNERS = np.array(list(product((0, 1), repeat=3)))
_EDGES = [(a, b) for a in range(8) for b in range(a + 1, 8) if np.abs(_CORNERS[a] - _CORNERS[b]).sum() == 1]


def netted(wall: Wall, step: float, finer: Sequence[Finer] = ()) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) on a surface and triangles (t, 3), facing out, about `step` (m) long; MeshError where none close.

    finer: places about which they are shorter. The lattice's planes lie closer there, all the way across.
    A node for each cell of a lattice that the surface passes, a square of four around each edge of it that it cuts
    (surface nets: Gibson 1998, from memory).
    """
    why = ""
    for share in _TRIES:
        try:
            points, triangles = _net(wall, share * step, finer)
            points = _smoothed(wall, points, triangles)
            closed(triangles)
            uncrossed(points, triangles)
            _in_one_piece(triangles)
        except ValueError as failure:
            why = str(failure)
            continue
        return points, triangles
    raise MeshError("the outside", 1e3 * step, f"make the outside and its parts plainer or thicker ({why})")


def _in_one_piece(triangles: np.ndarray) -> None:
    """ValueError where what is thinner than a step has left the net in pieces."""
    ends = np.concatenate([triangles[:, :2], triangles[:, 1:]])  # two edges join all three nodes
    links = csr_matrix((np.ones(len(ends)), ends.T), shape=2 * [triangles.max() + 1])
    if connected_components(links, directed=False)[0] > 1:  # a lost piece would be clay that the air does not see
        raise ValueError("its net falls to pieces")


@frozen
class _Cells:
    """The lattice's cells that the surface passes: `first` (cells) the number of each one's first node, or -1; `piece`
    (cells, 8) which of its nodes stands for a corner inside: a cell has one for each group of such corners that its
    edges join, so that two sheets of surface that pass one cell stay apart.
    """

    first: np.ndarray
    piece: np.ndarray


def _groups(inside: tuple[bool, ...]) -> list[int]:
    """The group of each corner of a cell that is inside; 0 for the others."""
    group = list(range(8))
    for _ in range(8):  # rounds enough for the least number to come to every corner that edges join to it
        for a, b in _EDGES:
            if inside[a] and inside[b]:
                group[a] = group[b] = min(group[a], group[b])
    found = sorted({g for g, within in zip(group, inside, strict=True) if within})
    return [found.index(g) if within else 0 for g, within in zip(group, inside, strict=True)]


_GROUPS = np.array([_groups(tuple(bool(n >> c & 1) for c in range(8))) for n in range(256)])


@frozen
class Finer:
    """A place (3,), m, a step of a net there, and the distance to which it is kept, m."""

    place: np.ndarray
    step: float
    reach: float


def _planes(low: float, high: float, step: float, near: Sequence[tuple[float, float, float]]) -> np.ndarray:
    """Places of the lattice's planes, m: `step` apart, nearer about each place of `near` (place, step, reach)."""
    # Two steps beyond the box: the outermost cells must lie outside.
    at, planes = low - 2.2 * step, []
    while at < high + 2.2 * step:
        planes.append(at)
        steps = [own + _GROWS * max(abs(at + own - place) - reach, 0.0) for place, own, reach in near]
        at += min([step, *steps])
    return np.array([*planes, at])


def _net(wall: Wall, step: float, finer: Sequence[Finer] = ()) -> tuple[np.ndarray, np.ndarray]:
    low, high = wall.box
    near = [[(float(f.place[n]), min(f.step, step), f.reach) for f in finer] for n in range(3)]
    axes = [_planes(low[n], high[n], step, near[n]) for n in range(3)]
    counts = np.array([len(axis) for axis in axes])
    # The level at all lattice points; a cell's eight corners are eight shifted views of it.
    level = wall.level(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)).reshape(counts)
    corner = np.stack([level[_cells(c, counts)] for c in _CORNERS], axis=-1)
    inside = corner < 0
    kind = (inside << np.arange(8)).sum(axis=-1)  # one of 256: a bit for each corner, 0 all out, 255 all in
    mixed = (kind > 0) & (kind < 255)
    piece, nodes = _GROUPS[kind], np.where(mixed, _GROUPS[kind].max(axis=-1) + 1, 0)
    first = np.where(mixed, np.cumsum(nodes).reshape(nodes.shape) - nodes, -1)  # so many nodes came before this cell
    cells = np.nonzero(mixed)
    base = np.stack([axes[n][index] for n, index in enumerate(cells)], axis=1)
    sides = np.stack([np.diff(axes[n])[index] for n, index in enumerate(cells)], axis=1)
    points = _nodes(corner[mixed], base, sides, first[mixed], piece[mixed], int(nodes.sum()))
    return points, _squares(level < 0, _Cells(first, piece), points)


def _cells(corner: np.ndarray, counts: np.ndarray) -> tuple[slice, ...]:
    return tuple(slice(c, n - 1 + c) for c, n in zip(corner.tolist(), counts.tolist(), strict=True))


def _nodes(
    levels: np.ndarray, base: np.ndarray, sides: np.ndarray, first: np.ndarray, piece: np.ndarray, count: int
) -> np.ndarray:
    """For each node the middle (n, 3) of where the surface cuts the edges that leave its corners, m."""
    total, times = np.zeros((count, 3)), np.zeros(count)
    for a, b in [*_EDGES, *((b, a) for a, b in _EDGES)]:
        cut = np.flatnonzero((levels[:, a] < 0) & (levels[:, b] >= 0))
        share = levels[cut, a] / (levels[cut, a] - levels[cut, b])  # where a straight level passes zero
        place = base[cut] + sides[cut] * (_CORNERS[a] + share[:, None] * (_CORNERS[b] - _CORNERS[a]))
        node = first[cut] + piece[cut, a]
        np.add.at(total, node, place)
        np.add.at(times, node, 1)
    return np.asarray(total / times[:, None])


def _squares(inside: np.ndarray, cells: _Cells, points: np.ndarray) -> np.ndarray:
    """Triangles (t, 3), two for each lattice edge that is cut, around it, facing out."""
    found = []
    for axis in range(3):
        one, other = (axis + 1) % 3, (axis + 2) % 3
        within = np.moveaxis(inside, (axis, one, other), (0, 1, 2))
        first = np.moveaxis(cells.first, (axis, one, other), (0, 1, 2))
        piece = np.moveaxis(cells.piece, (axis, one, other), (0, 1, 2))
        here, there = within[:-1, 1:-1, 1:-1], within[1:, 1:-1, 1:-1]
        for cut, end, turned in ((here & ~there, 0, False), (~here & there, 1, True)):
            ring = []
            for u, v in ((0, 0), (1, 0), (1, 1), (0, 1)):  # of that cell the edge is at the corner 1 - u, 1 - v
                place = [0, 0, 0]
                place[axis], place[one], place[other] = end, 1 - u, 1 - v
                corner = 4 * place[0] + 2 * place[1] + place[2]
                part = np.s_[:, u : u + within.shape[1] - 2, v : v + within.shape[2] - 2]
                ring.append((first[part] + piece[(*part, corner)])[cut])
            found.append(np.stack(ring[::-1] if turned else ring, axis=1))
    # Around each cut edge the nodes of the four cells that share it.
    squares = np.concatenate(found)
    # Of the two diagonals of a square that is not flat the shorter folds it less.
    p = points[squares]
    short = np.linalg.norm(p[:, 0] - p[:, 2], axis=1) <= np.linalg.norm(p[:, 1] - p[:, 3], axis=1)
    halves = np.where(short[:, None, None], squares[:, [[0, 1, 2], [0, 2, 3]]], squares[:, [[0, 1, 3], [1, 2, 3]]])
    return np.asarray(halves.reshape(-1, 3))


def _smoothed(wall: Wall, points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """Points (n, 3), each nearer to the middle of its neighbours, along the surface only, and then on it."""
    n = len(points)
    ends = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    links = csr_matrix((np.ones(2 * len(ends)), np.concatenate([ends, ends[:, ::-1]]).T), shape=(n, n))
    links.data[:] = 1.0  # an edge in two triangles was added up twice
    means = diags(1 / np.asarray(links.sum(axis=1)).ravel()) @ links
    for _ in range(_SMOOTHED):
        a, b, c = (points[triangles[:, k]] for k in range(3))
        # Normals weighted by area; nodes move square to them, or a ball would shrink.
        out = np.zeros((n, 3))
        for k in range(3):
            np.add.at(out, triangles[:, k], np.cross(b - a, c - a))
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        way = (means @ points - points) / 2
        points = points + way - np.einsum("ni,ni->n", way, out)[:, None] * out
    return project(wall, points)  # once at the end: between, points are but a little off
