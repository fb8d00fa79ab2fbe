"""Solids to print or to mill: the inside as a form, the clay around it in two halves, as STL; the form also as STEP.

Each is one closed body whose triangles all face outwards; that is checked, as are the volumes, before anything is
handed out. The clay has no openings: they are cut by hand, when it is leather-hard. Of a figure it is the body alone:
parts and mouthpiece are joined to it.
"""

from __future__ import annotations

import logging
import re
import struct
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from simkit.body import kernel
from simkit.body.chambers import Body, ChamberBody
from simkit.body.coat import bare_solids
from simkit.body.meshes.halves import build_open
from simkit.body.walls.primitives import Block, Can, ClosedSheets, MovedSolid, Solid, Union
from simkit.body.walls.triangulated import enclosed
from simkit.errors import MeshError
from simkit.files import MARK

log = logging.getLogger(__name__)

# Each way to cut the piece in two: its coordinate, and the names of its halves, the lower coordinate first.
SEAMS = {"up": (2, ("lower", "upper")), "across": (0, ("left", "right")), "along": (1, ("near", "far"))}
CLOSE = 2e-3  # of a volume: tolerance of the triangles
_FINEST, _COARSEST = 0.025, 0.08  # sizes of triangles over the cube root of the volume


class SeamError(ValueError):
    """The piece cannot be cut in two where it was asked; the text says where it can."""


@dataclass(frozen=True)
class Seam:
    """A flat cut through the whole piece: square to `up`, `across` or `along`, at that coordinate, m.

    Without `at` it goes through the middle of the air.
    """

    square_to: str = "up"
    at: float | None = None


@dataclass(frozen=True, eq=False)
class PrintedPart:
    """A closed solid: points (n, 3), m; triangles (m, 3), facing out; its volume, m^3; a form's text as STEP."""

    name: str
    points: np.ndarray
    triangles: np.ndarray
    volume: float
    step: str

    def stl(self) -> bytes:
        """Binary STL file in millimetres: 80 bytes of title, the count, then normal and corners of each triangle."""
        corners = (1e3 * self.points[self.triangles]).astype("<f4")  # single precision is STL's own
        facets = np.zeros(len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("pad", "<u2")])
        facets["corners"] = corners
        facets["normal"] = _unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
        title = f"{MARK}: {self.name}, millimetres".encode("ascii")[:80].ljust(80)
        return title + struct.pack("<I", len(facets)) + facets.tobytes()


def pieces(body: Body, scale: float = 1.0, seam: Seam | None = None) -> tuple[PrintedPart, ...]:
    """The inside form of every chamber and the two halves of the clay, `scale` times as large as the body.

    Raises SeamError where the seam does not leave two halves, MeshError where a solid cannot be made.
    """
    seam = seam or Seam()
    cut_at = seam_place(body, seam)
    names = [*form_names(body), *(f"shell-{half}" for half in SEAMS[seam.square_to][1])]
    log.info("making the solids")
    with kernel.session() as gmsh:
        forms, block, halves, beyond = _solids(gmsh, body, scale, seam.square_to, cut_at)
        # The block is meshed with them only so that the halves' volume has something exact to be held against.
        exact = [scale**3 * chamber.volume for chamber in body.chambers]
        tags, size = (*forms, *halves, block), scale * _size(body)
        *skins, _ = _MESHER.skins(gmsh, "the solids", tags, size, lambda volumes: _untrue(volumes, exact, beyond))
    steps = [_step(chamber, scale, name) for chamber, name in zip(body.chambers, names, strict=False)]
    steps += ["", ""]
    return tuple(
        PrintedPart(name, *skin, enclosed(*skin), step) for name, skin, step in zip(names, skins, steps, strict=True)
    )


def form_names(body: Body) -> list[str]:
    """Names of the chambers' forms: `inside-body`."""
    return file_names("inside", [chamber.name for chamber in body.chambers])


def file_names(before: str, names: Iterable[str]) -> list[str]:
    """A name fit for a file for each: `before-name`, of letters, digits, - and _ only; no two alike."""
    found: list[str] = []
    for number, own in enumerate(names, 1):
        name = f"{before}-" + (re.sub(r"[^A-Za-z0-9_]+", "-", own).strip("-") or str(number))
        found.append(name if name not in found else f"{name}-{number}")
    return found


def seam_place(body: Body, seam: Seam) -> float:
    """Place of the seam, m; SeamError where it would miss the air of a chamber."""
    axis, _ = SEAMS[seam.square_to]
    spans = np.array([chamber.wall.box[:, axis] for chamber in body.chambers])
    low, high = float(spans[:, 0].max()), float(spans[:, 1].min())
    if low >= high:
        raise SeamError(f"another direction: no one cut square to {seam.square_to} meets the air of every chamber")
    at = (low + high) / 2 if seam.at is None else seam.at
    margin = 0.02 * (high - low)  # a cut that grazes a chamber's end leaves no half to hold
    if not low + margin <= at <= high - margin:
        raise SeamError(
            f"a cut through the air of every chamber, from {1e3 * (low + margin):.4g} to {1e3 * (high - margin):.4g}"
        )
    return at


# --- making them -------------------------------------------------------------------------------------


def _size(body: Body) -> float:
    return float(sum(chamber.volume for chamber in body.chambers) ** (1 / 3) * _COARSEST)


def _solids(gmsh: Any, body: Body, scale: float, square_to: str, at: float) -> tuple[list[int], int, list[int], float]:
    """Tags of the air of each chamber, of the piece as one block without air, and of the two halves of the clay; the
    volume of air beyond that block, in hollow parts, m^3.
    """
    occ = gmsh.model.occ
    try:
        forms = [build_open(gmsh, scaled(chamber.wall.solid(), scale)) for chamber in body.chambers]
        coat = body.coat
        solids = bare_solids(body.figure) if body.figure is not None else coat.walls
        coats = [scaled(wall.solid(coat.offset), scale) for wall in solids]
        blocks = [(3, build_open(gmsh, coat)) for coat in coats]
        block = occ.fuse(blocks[:1], blocks[1:])[0] if len(blocks) > 1 else blocks
        # Originals are kept: the forms and the block are wanted too.
        clay = occ.cut(block, [(3, tag) for tag in forms], removeObject=False, removeTool=False)[0]
        air = occ.cut(occ.copy([(3, tag) for tag in forms]), block, removeTool=False)[0] if body.figure else []
        beyond = sum(occ.getMass(*each) for each in air) / 1e9
        occ.remove(air, recursive=True)
        occ.synchronize()
        box = np.array(gmsh.model.getBoundingBox(3, block[0][1])).reshape(2, 3) + np.array([[-10.0], [10.0]])
        # The box that ends at the seam, then the one that begins there: lower coordinates first, as in `SEAMS`.
        first, second = (_half_space(occ, box, SEAMS[square_to][0], end, 1e3 * scale * at) for end in (1, 0))
        halves = [occ.intersect(occ.copy(clay), [first])[0], occ.intersect(clay, [second])[0]]
        occ.synchronize()
        # One solid, and one shell of faces: not two that touch, and no cavity left closed.
        whole = [len(half) == 1 and len(occ.getSurfaceLoops(half[0][1])[0]) == 1 for half in halves]
    except Exception as failure:  # gmsh raises bare Exception only
        raise MeshError("the solids", 1e3 * _size(body), f"make the shape simpler ({failure})") from failure
    if len(block) != 1:
        raise SeamError("a piece that hangs together: these chambers do not touch")
    for name, half, is_whole in zip(SEAMS[square_to][1], halves, whole, strict=True):
        if not is_whole:
            raise SeamError(f"a cut that leaves two halves; this one leaves the {name} side in {len(half)} parts")
    return forms, block[0][1], [half[0][1] for half in halves], beyond


def scaled(solid: Solid, factor: float) -> Solid:
    """A solid `factor` times as large about the origin; plane and round faces stay what they are."""
    match solid:
        case ClosedSheets(sheets):
            return ClosedSheets(tuple(replace(sheet, points=factor * sheet.points) for sheet in sheets))
        case Block(corners, rounding):
            return Block(factor * corners, factor * rounding)
        case Can(radius, start, stop, rounding):
            return Can(factor * radius, factor * start, factor * stop, factor * rounding)
        case MovedSolid(inner, turn, shift):
            return MovedSolid(scaled(inner, factor), turn, factor * shift)
        case Union(solids):
            return Union(tuple(scaled(part, factor) for part in solids))
    raise AssertionError(f"no such solid: {solid}")


def _half_space(occ: Any, box: np.ndarray, axis: int, end: int, at: float) -> tuple[int, int]:
    """The part of a box up to a plane (`end` 1) or from it on (0), mm."""
    corners = box.copy()
    corners[end, axis] = at
    return 3, occ.addBox(*corners[0], *(corners[1] - corners[0]))


@dataclass(frozen=True)
class SkinMesher:
    """Ways to mesh the faces of solids, tried in turn: gmsh's algorithm, and the size of triangles over the one asked.

    finest: the least size over the greatest; per_turn: triangles round a full turn.
    """

    attempts: tuple[tuple[int, float], ...]
    finest: float
    per_turn: int

    def skins(
        self, gmsh: Any, what: str, tags: Sequence[int], size: float, untrue: Callable[[list[float]], str]
    ) -> list[tuple[np.ndarray, np.ndarray]]:
        """Points and triangles of each volume, closed, facing out; MeshError if no attempt keeps the volumes.

        size: of the triangles, m. untrue: what is wrong with the volumes, m^3, in words; nothing if they are right.
        """
        why = ""
        for algorithm, share in self.attempts:
            for name, value in (
                ("Mesh.Algorithm", algorithm),
                ("Mesh.MeshSizeMax", 1e3 * size * share),
                ("Mesh.MeshSizeMin", 1e3 * size * share * self.finest),
                ("Mesh.MeshSizeFromCurvature", self.per_turn),
            ):
                gmsh.option.setNumber(name, value)
            gmsh.model.mesh.clear()
            try:
                gmsh.model.mesh.generate(2)
                skins = [facing_out(*kernel.skin(gmsh, tag)) for tag in tags]
            except Exception as failure:  # noqa: BLE001 - gmsh raises bare Exception only; the next attempt may do
                why = str(failure)
                continue
            why = untrue([enclosed(*skin) for skin in skins])
            if not why:
                return skins
        raise MeshError(what, 1e3 * size, f"make the shape simpler ({why})")


# The usual mesher first; now and then it leaves a face out, and another does not.
_MESHER = SkinMesher(((6, 1.0), (5, 0.9), (1, 0.8), (6, 0.6), (5, 0.5)), _FINEST / _COARSEST, 90)


def _untrue(volumes: list[float], exact: list[float], beyond: float) -> str:
    """Error of the volumes, in words: the forms' against their formulas, the halves' against block less forms in it."""
    forms, halves, block = volumes[: len(exact)], volumes[len(exact) : -1], volumes[-1]
    clay = sum(halves) / (block - sum(forms) + beyond) - 1
    errors = [form / true - 1 for form, true in zip(forms, exact, strict=True)]
    worst = max([clay, *errors], key=abs)
    return f"the volume came out {100 * worst:+.2f} % off" if abs(worst) > CLOSE else ""


def facing_out(points: np.ndarray, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same triangles all facing out; MeshError unless they hang together and every edge joins just two.

    Neighbours that run along their edge in the same direction face opposite ways: each triangle is turned or left
    so that none does, beginning with the first; then all of them, if they enclose less than nothing.
    """
    edges = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    # Whether each triangle runs along the edge from the lower node to the higher.
    ahead = (triangles[:, [0, 1, 2]] < triangles[:, [1, 2, 0]]).ravel()
    order = np.lexsort(edges.T)
    # Sorted, an edge of two triangles stands beside its other.
    pairs = order.reshape(-1, 2) if len(order) % 2 == 0 else np.zeros((0, 2), int)
    first, second = edges[pairs[:, 0]], edges[pairs[:, 1]]
    # One triangle alone at an edge, or more than two.
    if not len(pairs) or (first != second).any() or (first[1:] == first[:-1]).all(axis=1).any():
        raise MeshError("the solids", 0.0, "make the shape simpler: its triangles do not close")
    same_way = ahead[pairs[:, 0]] == ahead[pairs[:, 1]]
    faces, count = pairs // 3, len(triangles)
    # Two copies of every triangle, as it is and turned: an edge joins the copies that agree across it.
    joined = np.concatenate([faces + [0, 0], faces + count])
    crossed = np.concatenate([faces + [0, count], faces + [count, 0]])
    links = np.where(np.tile(same_way, 2)[:, None], crossed, joined)
    graph = coo_array((np.ones(len(links)), links.T), shape=(2 * count, 2 * count))
    parts, label = connected_components(graph, directed=False)
    if parts != 2:
        raise MeshError("the solids", 0.0, "make the shape simpler: its triangles are in several parts or one-sided")
    turned = label[:count] != label[0]  # two parts: all as they are, and all turned
    triangles = np.where(turned[:, None], triangles[:, ::-1], triangles)
    return points, triangles if enclosed(points, triangles) > 0 else triangles[:, ::-1]


# --- STEP --------------------------------------------------------------------------------------------


def _step(chamber: ChamberBody, scale: float, name: str) -> str:
    """A chamber's form as the text of a STEP file that is the same every time, read back and measured."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "form.step"
        with kernel.session() as gmsh:
            build_open(gmsh, scaled(chamber.wall.solid(), scale))
            gmsh.model.occ.synchronize()
            kernel.write_step(gmsh, path)
        text = path.read_text(encoding="ascii", errors="replace")
        with kernel.session() as gmsh:
            back = [part for part in gmsh.model.occ.importShapes(str(path)) if part[0] == 3]
            volume = 1e-9 * sum(gmsh.model.occ.getMass(*part) for part in back)
    off = volume / (scale**3 * chamber.volume) - 1
    if len(back) != 1 or abs(off) > CLOSE:
        why = f"as STEP it comes back as {len(back)} solids of {100 * off:+.2f} % more volume"
        raise MeshError("the form", 0.0, f"make the shape simpler ({why})")
    # The writer puts in the date, and counts what it has written in this process.
    text = re.sub(r"'\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d'", "'1970-01-01T00:00:00'", text, count=1)
    text = re.sub(r"'Open CASCADE [\d.]+'", f"'{MARK}'", text, count=1)
    return re.sub(r"'Open CASCADE (STEP translator [\d.]+ \d+|Shape Model)'", f"'{name}'", text)


def _unit(v: np.ndarray) -> np.ndarray:
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-30)
