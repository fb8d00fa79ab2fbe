"""The air around a figure, between its outer surface and a sphere; of an even wall `curved` has it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simkit.body import kernel
from simkit.body.chambers import Opening
from simkit.body.meshes.curved import AirMesh, gated
from simkit.body.meshes.nets import Finer, netted
from simkit.body.meshes.panels import MM, fill, sphere
from simkit.body.meshes.quadratic import upright
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.union import UnionWall, solids_of
from simkit.body.walls.wall import Wall, project
from simkit.errors import MeshError

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
