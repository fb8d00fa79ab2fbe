"""A smooth skin drawn as six patches with its openings left out, as many as lie clear of the seams between them.

Each outline is drawn in its patch's own parameters, so that nothing has to be intersected: a thirtieth of the time. The
cube that the patches come from is turned until few openings, and mostly none, lie on a seam.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.spatial.transform import Rotation

from simkit.body.meshes import patches
from simkit.body.meshes.drawn import patch_face
from simkit.body.meshes.outlines import OutlineCut
from simkit.body.walls.primitives import ClosedSheets, MovedSolid, Sheet, Solid

_WAYS = 1500  # in which the cube is tried to stand
_FEW = 12  # points of an outline by which they are compared
_CLEAR = 2.0  # edges of a rim that there must be between it and a seam, at least
_CLOSE = 1e-9  # m
_ASTRAY, _DENSE = 5e-7, 41  # m: tolerance of a drawn outline; points along a patch where it is farther
Outline = list[np.ndarray]  # directions (n, 3) on the ball of each piece of an outline
Map = Callable[[np.ndarray], np.ndarray]


def trimmed_faces(gmsh: Any, solid: Solid, cuts: Sequence[OutlineCut]) -> list[OutlineCut] | None:
    """Draw only the solid's faces without what lies inside the cuts; which of these remain to be cut.

    None, with nothing drawn, where the solid is no single smooth skin.
    """
    sheet = _sheet(solid)
    if sheet is None or not cuts:
        return None
    at = patches.on_ball(sheet)
    found = [(cut, _outline(sheet, at, cut)) for cut in cuts]
    outlines = [(cut, outline) for cut, outline in found if outline is not None]
    turned = _standing(at, outlines)
    # The others are cut afterwards.
    clear = [outline for cut, outline in outlines if _edges_clear(at, outline, turned[None])[0] / cut.size > _CLEAR]
    _draw(gmsh, _grids(sheet, at, turned, clear), turned, clear)
    return [cut for cut, outline in found if not any(outline is each for each in clear)]


def _sheet(solid: Solid) -> Sheet | None:
    """The one sheet of a solid that patches can be drawn on, where it stands."""
    if isinstance(solid, MovedSolid):
        inner = _sheet(solid.solid)
        return inner and Sheet(inner.points @ solid.turn.T + solid.shift, inner.normals @ solid.turn.T)
    return solid.sheets[0] if isinstance(solid, ClosedSheets) and patches.has_patches(solid.sheets) else None


def _outline(sheet: Sheet, at: Map, cut: OutlineCut) -> Outline | None:
    """Place on the ball of the cut's outline on the skin, as seen along its axis: by Newton from the sheet's nearest
    point, the slopes by differences. None where that does not come to rest between the cut's ends."""
    o, pieces = cut.duct.opening, cut.foot.drawn()
    plan = np.concatenate(pieces)
    frame = np.stack([o.across, o.forward], axis=1)
    height = o.length if cut.foot is cut.duct.outside else 0.0
    near = np.linalg.norm(sheet.points[:, :-1] - (o.center + height * o.axis), axis=-1)
    ring, column = divmod(int(near.argmin()), near.shape[1])
    way = np.tile(patches.direction(sheet, ring, column), (len(plan), 1))
    step = 1e-4
    for _ in range(20):
        miss = plan - (at(way) - o.center) @ frame
        if np.abs(miss).max() < _CLOSE:
            break
        along = np.linalg.svd(way[:, None])[2][:, 1:]  # two directions square to each
        ends = (at(_unit(way[:, None] + s * step * along)) for s in (1, -1))
        J = np.subtract(*ends) @ frame / (2 * step)  # rows: by each of the two
        move = np.linalg.solve(J.swapaxes(1, 2), miss[..., None])[..., 0]
        move *= np.minimum(1.0, 0.2 / np.maximum(np.linalg.norm(move, axis=1), 1e-12))[:, None]  # rad at most
        way = _unit(way + np.einsum("na,nai->ni", move, along))
    deep = (at(way) - o.center) @ o.axis
    if not (np.abs(miss).max() < _CLOSE and cut.low < deep.min() and deep.max() < cut.high):
        return None
    return np.split(way, np.cumsum([len(piece) for piece in pieces])[:-1])


def _unit(ways: np.ndarray) -> np.ndarray:
    return np.asarray(ways / np.linalg.norm(ways, axis=-1, keepdims=True))


def _standing(at: Map, outlines: Sequence[tuple[OutlineCut, Outline]]) -> np.ndarray:
    """Rotation of the cube (3, 3) with most rims clear of its seams, and of these the nearest as far as may be."""
    ways = np.concatenate([np.eye(3)[None], Rotation.random(_WAYS, random_state=0).as_matrix()])  # the same every time
    few = [
        ([np.concatenate(outline)[:: max(1, len(np.concatenate(outline)) // _FEW)]], cut.size)
        for cut, outline in outlines
    ]
    edges = np.array([_edges_clear(at, some, ways) / size for some, size in few]).reshape(-1, len(ways))
    clear = edges > _CLEAR
    count = clear.sum(axis=0)
    least = np.where(clear, edges, np.inf).min(axis=0, initial=np.inf)
    return np.asarray(ways[np.lexsort([least, count])[-1]])


def _edges_clear(at: Map, outline: Outline, turned: np.ndarray) -> np.ndarray:
    """Metres of the skin between an outline and the nearest seam, for each way that the cube stands (c, 3, 3): (c,).

    Negative where the outline lies on a seam.
    """
    ways = np.concatenate(outline)
    steps, walked = (np.linalg.norm(np.roll(each, -1, axis=0) - each, axis=1) for each in (ways, at(ways)))
    scale = walked[steps > 1e-6] / steps[steps > 1e-6]  # pieces share their ends
    face, place = patches.places(np.tile(ways, (len(turned), 1)), np.repeat(turned, len(ways), axis=0))
    face, place = face.reshape(len(turned), -1), place.reshape(len(turned), -1, 2)
    # A patch is a quarter turn wide; the least of metres to a radian along the outline is on the safe side.
    away = np.pi / 2 * np.minimum(place, 1 - place).min(axis=(1, 2)) * scale.min()
    return np.where((face == face[:, :1]).all(axis=1), away, -1.0)


def _grids(sheet: Sheet, at: Map, turned: np.ndarray, outlines: Sequence[Outline]) -> list[np.ndarray]:
    """Points of the patches, dense enough that the splines between them carry the outlines where they belong."""
    grids = patches.grids(sheet, turned)
    for outline in outlines:
        ways = np.concatenate(outline)
        face, place = patches.places(ways, turned)
        line = np.linspace(0, 1, len(grids[0]))
        splines = [RectBivariateSpline(line, line, part, s=0) for part in np.moveaxis(grids[face[0]], 2, 0)]
        drawn = np.stack([spline.ev(*place.T) for spline in splines], axis=1)
        if np.abs(drawn - at(ways)).max() > _ASTRAY:
            return patches.grids(sheet, turned, _DENSE)
    return grids


def _draw(gmsh: Any, grids: list[np.ndarray], turned: np.ndarray, outlines: Sequence[Outline]) -> None:
    occ = gmsh.model.occ
    gmsh.clear()
    gmsh.model.add("panels")
    faces = [patch_face(gmsh, grid) for grid in grids]
    holes: dict[int, list[list[np.ndarray]]] = {}
    for outline in outlines:
        placed = [patches.places(piece, turned) for piece in outline]
        holes.setdefault(int(placed[0][0][0]), []).append([place for _, place in placed])
    for n, pieces in holes.items():
        square = [np.array([a, b]) for a, b in zip(_CORNERS, _CORNERS[1:] + _CORNERS[:1], strict=True)]
        wires, lines = zip(*(_wire(gmsh, each) for each in (square, *pieces)), strict=True)
        # The square's own border first, then a hole for each outline, all in the patch's parameters.
        whole, faces[n] = faces[n], occ.addTrimmedSurface(faces[n], wires, wire3D=False)
        occ.remove([(2, whole), *((1, line) for some in lines for line in some)], recursive=True)
    volume = occ.addVolume([occ.addSurfaceLoop(faces, sewing=True)])
    occ.remove([(2, face) for face in faces], recursive=True)
    occ.synchronize()
    kept = {face for _, face in gmsh.model.getBoundary([(3, volume)], oriented=False)}
    # Sewn to a volume only so that neighbours share their edges.
    occ.remove([(3, volume)])
    occ.remove([e for e in occ.getEntities(2) if e[1] not in kept], recursive=True)
    occ.synchronize()


_CORNERS = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]


def _wire(gmsh: Any, pieces: Sequence[np.ndarray]) -> tuple[int, list[int]]:
    """A closed line in a patch's parameters, of splines through each piece's points (n, 2), and its curves."""
    occ = gmsh.model.occ
    points = [[occ.addPoint(*at, 0.0) for at in piece[:-1]] for piece in pieces]
    starts = [piece[0] for piece in points]
    ends = starts[1:] + starts[:1]
    lines = [occ.addSpline([*piece, end]) for piece, end in zip(points, ends, strict=True)]
    return occ.addWire(lines), lines
