"""The one door to gmsh: solids in, arrays of nodes and elements out.

gmsh keeps one state for the whole process, so one lock guards it and parallel work uses processes. One thread
makes its meshes reproducible to the bit.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import BSpline, make_interp_spline
from scipy.spatial.transform import Rotation

from simkit.body import patches
from simkit.body.wall import Block, Can, Faced, Moved, Sheet, Skin, Solid, Spot, Union
from simkit.errors import OutOfReach

_lock = threading.Lock()
_REMEDY = (
    "gmsh needs system libraries that are missing here; on Debian or Ubuntu: apt-get install -y "
    "--no-install-recommends libgl1 libglu1-mesa libxcursor1 libxft2 libxinerama1 libgomp1"
)
TRIANGLE, TETRAHEDRON, TRIANGLE6, TETRAHEDRON10 = 2, 4, 9, 11  # gmsh's element types
GROWTH = 0.5  # how fast elements grow with the distance from what they are fine at
EDGES = ([0, 1], [1, 2], [0, 2], [0, 3], [1, 3], [2, 3])


def _gmsh() -> Any:
    try:
        import gmsh
    except OSError as missing:  # a shared library of the wheel, not the module itself
        raise OutOfReach(f"{_REMEDY} ({missing})") from missing
    return gmsh


def _ignore_broken_pipes() -> None:
    """SIGPIPE ignored again, as Python has it: gmsh gives it back to the system, and then a reader who leaves
    (`| head`, a worker that was killed) would end this process without a word. Not by the module `signal`, which
    works in the main thread only."""
    if hasattr(signal, "SIGPIPE") and signal.getsignal(signal.SIGPIPE) is signal.SIG_IGN:
        ctypes.CDLL(None).signal(ctypes.c_int(signal.SIGPIPE), ctypes.c_void_p(int(signal.SIG_IGN)))


class GmshFailure(Exception):
    """What gmsh could not do, in its own words."""


# A mesh that did not come out: gmsh says so, or left something out and the arrays do not fit.
UNMESHED = (GmshFailure, ValueError, IndexError)


@contextmanager
def session() -> Iterator[Any]:
    """An empty gmsh model, quiet and single-threaded; everything in it is gone when the block ends.

    What gmsh fails at, which it says by a bare Exception, leaves the block as GmshFailure.
    """
    with _lock:
        gmsh = _gmsh()
        if not gmsh.isInitialized():
            # interruptible=True would leave Ctrl-C at the system's action for good, and needs the main thread.
            gmsh.initialize(readConfigFiles=False, interruptible=False)
            _ignore_broken_pipes()
        gmsh.option.restoreDefaults()
        gmsh.option.setNumber("General.Terminal", 0)  # restoreDefaults turned it on again
        gmsh.clear()
        for name, value in (
            ("General.NumThreads", 1),
            ("Mesh.Algorithm", 6),
            ("Mesh.MeshSizeExtendFromBoundary", 1),
            ("Geometry.Tolerance", 1e-6),
        ):
            gmsh.option.setNumber(name, value)
        gmsh.model.add("air")
        try:
            yield gmsh
        except Exception as failure:
            if type(failure) is not Exception:
                raise
            raise GmshFailure(str(failure)) from failure
        finally:
            gmsh.clear()


def build(gmsh: Any, solid: Solid, patched: float | None = None) -> int:
    """Make `solid` (metres) in the model, in millimetres, and return its volume's tag.

    patched: a turn (rad); smooth skins are drawn as six patches turned by it, to be cut and meshed near poles too.
    """
    occ = gmsh.model.occ
    match solid:
        case Skin(sheets):
            if patched is not None and patches.has_patches(sheets):
                return _patched_skin(gmsh, sheets[0], patched)
            return _skin(gmsh, sheets)
        case Block(corners, rounding):
            size = 1e3 * (corners[1] - corners[0])
            tag = occ.addBox(*(1e3 * corners[0]), *size)
            return _rounded(gmsh, tag, 1e3 * rounding)
        case Can(radius, start, stop, rounding):
            if rounding >= radius:
                return _capsule(gmsh, radius, start, stop)
            tag = occ.addCylinder(0, 1e3 * start, 0, 0, 1e3 * (stop - start), 0, 1e3 * radius)
            return _rounded(gmsh, tag, 1e3 * rounding)
        case Union(solids):
            return _fused(gmsh, solids, patched)
        case Faced(inner, spots):
            tag = build(gmsh, inner, patched)
            for spot in spots:
                tag = _faced(gmsh, tag, spot)
            return tag
        case Moved(inner, turn, shift):
            tag = build(gmsh, inner, patched)
            matrix = np.eye(4)
            matrix[:3, :3], matrix[:3, 3] = turn, 1e3 * shift
            occ.affineTransform([(3, tag)], matrix.ravel().tolist())
            return tag
    raise AssertionError(f"no such solid: {solid}")


def _faced(gmsh: Any, tag: int, spot: Spot) -> int:
    """A volume with a collar put on, or cut flat."""
    occ, rise = gmsh.model.occ, 1e3 * spot.depth * spot.axis
    low = 1e3 * spot.center - (rise if spot.raised else 0.0)
    post = [(3, occ.addCylinder(*low, *rise, 1e3 * spot.radius))]
    pieces = (occ.fuse if spot.raised else occ.cut)([(3, tag)], post)[0]
    if len(pieces) != 1:
        raise GmshFailure(f"a {'collar' if spot.raised else 'flat spot'} left the solid in {len(pieces)} pieces")
    return pieces[0][1]


_APART = 0.17  # rad between the seams of one solid and the next


def _fused(gmsh: Any, solids: tuple[Solid, ...], patched: float | None) -> int:
    """Several solids as one. Where seams of several run together gmsh may leave them in pieces: then each is drawn
    as patches whose seams are turned further than the last one's."""
    occ = gmsh.model.occ
    alike: list[float | None] = [patched] * len(solids)
    for turns in (alike, [(patched or 0.0) + _APART * n for n in range(len(solids))]):
        parts = [(3, build(gmsh, part, turn)) for part, turn in zip(solids, turns, strict=True)]
        pieces = occ.fuse(parts[:1], parts[1:])[0] if len(parts) > 1 else parts
        if len(pieces) == 1:
            if patched is None and turns is not alike:
                _tidied(gmsh)
            return pieces[0][1]
        occ.remove(pieces, recursive=True)
    raise GmshFailure(f"{len(solids)} solids that should be one came out in {len(pieces)} pieces")


def _tidied(gmsh: Any) -> None:
    """Take out faces, curves and points that no volume has: patches leave some, and they would be meshed."""
    occ = gmsh.model.occ
    occ.synchronize()
    held = set(occ.getEntities(3))
    for _ in range(3):
        held |= set(gmsh.model.getBoundary(list(held), combined=False, oriented=False))
    occ.remove([each for each in reversed(occ.getEntities()) if each not in held])  # faces first: they hold the rest


def _rounded(gmsh: Any, tag: int, radius: float) -> int:
    """Round every edge of a volume that has a corner in it (seams of smooth faces are left)."""
    if radius == 0:
        return tag
    occ = gmsh.model.occ
    occ.synchronize()
    edges = []
    for _, face in gmsh.model.getBoundary([(3, tag)], oriented=False):
        if gmsh.model.getType(2, face) == "Plane":
            edges += [edge for _, edge in gmsh.model.getBoundary([(2, face)], oriented=False)]
    return occ.fillet([tag], sorted(set(edges)), [radius])[0][1]


def _capsule(gmsh: Any, radius: float, start: float, stop: float) -> int:
    occ = gmsh.model.occ
    r, low, high = 1e3 * radius, 1e3 * (start + radius), 1e3 * (stop - radius)
    balls = [(3, occ.addSphere(0, y, 0, r)) for y in (low, high)]
    if high - low < 1e-6 * r:
        occ.remove(balls[1:], recursive=True)
        return balls[0][1]
    barrel = occ.addCylinder(0, low, 0, 0, high - low, 0, r)
    return occ.fuse([(3, barrel)], balls)[0][0][1]


def _skin(gmsh: Any, sheets: tuple[Sheet, ...]) -> int:
    occ = gmsh.model.occ
    faces, helpers = [], []
    for sheet in sheets:
        if not sheet.flat:
            face, points = _spline_face(gmsh, sheet)
            faces.append(face)
            helpers += points
    if len(sheets) > len(faces):
        faces += _end_faces(gmsh, faces[0], [s for s in sheets if s.flat])
    tag = occ.addVolume([occ.addSurfaceLoop(faces, sewing=len(faces) > 1)])
    occ.remove([(0, p) for p in helpers])
    return tag


def _patched_skin(gmsh: Any, sheet: Sheet, turn: float) -> int:
    occ = gmsh.model.occ
    faces, helpers = [], []
    for grid in patches.grids(sheet, turn):
        n = len(grid)
        first = make_interp_spline(np.linspace(0, 1, n), 1e3 * grid, k=3)
        second = make_interp_spline(np.linspace(0, 1, n), np.moveaxis(first.c, 1, 0), k=3)
        points = [occ.addPoint(*c) for c in second.c.reshape(-1, 3)]
        (ku, mu), (kv, mv) = _with_multiplicity(first.t), _with_multiplicity(second.t)
        faces.append(
            occ.addBSplineSurface(
                points, n, degreeU=3, degreeV=3, knotsU=ku, knotsV=kv, multiplicitiesU=mu, multiplicitiesV=mv
            )
        )
        helpers += points
    tag = occ.addVolume([occ.addSurfaceLoop(faces, sewing=True)])
    occ.remove([(0, p) for p in helpers])
    return tag


def _end_faces(gmsh: Any, side: int, caps: list[Sheet]) -> list[int]:
    """Plane faces in the end rings of the lofted side, found by where the rings lie."""
    occ = gmsh.model.occ
    occ.synchronize()
    edges = [abs(e) for _, e in gmsh.model.getBoundary([(2, side)], combined=False, oriented=False)]
    faces = []
    for cap in caps:
        y = 1e3 * cap.points[0, 0, 1]
        for edge in sorted(set(edges)):
            box = gmsh.model.getBoundingBox(1, edge)
            if abs(box[1] - y) < 1e-3 and abs(box[4] - y) < 1e-3:
                faces.append(occ.addPlaneSurface([occ.addCurveLoop([edge])]))
                break
        else:
            raise AssertionError(f"no end ring at y = {y} mm")
    return faces


def _spline_face(gmsh: Any, sheet: Sheet) -> tuple[int, list[int]]:
    """A cubic B-spline surface through the rings of a sheet, closed around; its face and its control points."""
    occ = gmsh.model.occ
    p = 1e3 * sheet.points
    v = np.arange(p.shape[1], dtype=float)
    u = _chord(p)
    along = make_interp_spline(u, p, k=3)
    knots_v, control = _clamped_periodic(v, np.moveaxis(along.c, 1, 0))
    for end, ring in ((0, p[0]), (-1, p[-1])):
        # A tip's ring is as wide as the root of what rounding leaves of zero: 1e-8 of the size.
        if np.ptp(ring, axis=0).max() < 1e-6 * np.ptp(p, axis=(0, 1)).max():
            control[:, end] = ring[0]
    points = [occ.addPoint(*c) for c in control.reshape(-1, 3)]
    (ku, mu), (kv, mv) = _with_multiplicity(along.t), _with_multiplicity(knots_v)
    face = occ.addBSplineSurface(
        points, control.shape[1], degreeU=3, degreeV=3, knotsU=ku, knotsV=kv, multiplicitiesU=mu, multiplicitiesV=mv
    )
    return face, points


def _chord(p: np.ndarray) -> np.ndarray:
    """A parameter for the rings by the mean distance from one to the next."""
    step = np.linalg.norm(np.diff(p, axis=0), axis=2).mean(axis=1)
    return np.concatenate([[0.0], np.cumsum(step)])


def _clamped_periodic(v: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Periodic cubic interpolation around, rewritten on knots that are clamped at the seam."""
    flat = values.reshape(len(values), -1).copy()
    flat[-1] = flat[0]
    spline = make_interp_spline(v, flat, k=3, bc_type="periodic")
    knots = np.concatenate([[v[0]] * 4, v[1:-1], [v[-1]] * 4])
    greville = np.array([knots[i + 1 : i + 4].mean() for i in range(len(knots) - 4)])
    basis = BSpline.design_matrix(greville, knots, 3).toarray()
    control = np.linalg.solve(basis, spline(greville))
    return knots, control.reshape(len(greville), *values.shape[1:])


def _with_multiplicity(knots: np.ndarray) -> tuple[list[float], list[int]]:
    values, counts = np.unique(np.round(knots, 12), return_counts=True)
    return values.tolist(), counts.tolist()


def surface_of_step(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """A fine triangulation of the solid in a STEP file: points (n, 3) in metres, triangles (m, 3)."""
    with session() as gmsh:
        gmsh.option.setString("Geometry.OCCTargetUnit", "MM")
        try:
            with _silent():
                gmsh.model.occ.importShapes(str(path))
            gmsh.model.occ.synchronize()
            low, high = np.reshape(gmsh.model.getBoundingBox(-1, -1), (2, 3))
            gmsh.option.setNumber("Mesh.MeshSizeMax", float(np.max(high - low)) / 40)
            gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", 40)
            gmsh.model.mesh.generate(2)
        except Exception as failure:  # gmsh raises bare Exception only
            raise OutOfReach(f"{path.name} could not be read as STEP ({failure})") from failure
        tags, coords, _ = gmsh.model.mesh.getNodes()
        _, members = gmsh.model.mesh.getElementsByType(TRIANGLE)
    order = np.argsort(tags)
    return 1e-3 * coords.reshape(-1, 3)[order], np.searchsorted(tags[order], members.reshape(-1, 3))


def cells(gmsh: Any, creased: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mesh the model and return nodes (n, 3) in metres, tetrahedra (m, 10) and boundary triangles (f, 6).

    Corners first, then the nodes of the edges 01, 12, 02, 03, 13, 23. Where the boundary is `creased`, gmsh puts
    the edge nodes on the true seams; else they are the edges' middles, which the caller moves onto the true wall.
    """
    _surfaces_meshed(gmsh)
    gmsh.model.mesh.generate(3)
    if creased:
        gmsh.model.mesh.setOrder(2)
    tags, coords, _ = gmsh.model.mesh.getNodes()
    order = np.argsort(tags)
    nodes = 1e-3 * coords.reshape(-1, 3)[order]
    kinds = ((TETRAHEDRON10, 10), (TRIANGLE6, 6)) if creased else ((TETRAHEDRON, 4), (TRIANGLE, 3))
    tets, facets = (
        np.searchsorted(tags[order], gmsh.model.mesh.getElementsByType(kind)[1].reshape(-1, width))
        for kind, width in kinds
    )
    if not creased:
        return with_middles(nodes, tets, facets)
    tets[:, [8, 9]] = tets[:, [9, 8]]  # gmsh has the last two edges the other way round
    return nodes, tets, facets


_FINER, _TIMES = 0.7, 4  # elements so much smaller, so many times, where a face was lost
_LOST = 0.6  # of a face's area: chords of the coarsest meshes in use take less than a sixth off


def _surfaces_meshed(gmsh: Any) -> None:
    """Mesh the model's faces; finer where gmsh closed one over its seam and left out the rest, a leg with large
    elements."""
    for _ in range(_TIMES):
        gmsh.model.mesh.generate(2)
        faces = gmsh.model.occ.getEntities(2)
        if all(_meshed_area(gmsh, face) > _LOST * gmsh.model.occ.getMass(*face) for face in faces):
            return
        gmsh.model.mesh.clear()
        gmsh.option.setNumber("Mesh.MeshSizeMax", _FINER * gmsh.option.getNumber("Mesh.MeshSizeMax"))
    raise GmshFailure("it left out a part of a face")


def _meshed_area(gmsh: Any, face: tuple[int, int]) -> float:
    """Area of a face's flat triangles, mm^2."""
    tags, coords, _ = gmsh.model.mesh.getNodes(*face, includeBoundary=True)
    order = np.argsort(tags)
    _, members = gmsh.model.mesh.getElementsByType(TRIANGLE, face[1])
    p = coords.reshape(-1, 3)[order][np.searchsorted(tags[order], members.reshape(-1, 3))]
    return float(np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1).sum() / 2)


def with_middles(nodes: np.ndarray, tets: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same cells with a node in the middle of every edge."""
    edges = np.sort(np.concatenate([tets[:, pair] for pair in EDGES]), axis=1)
    unique, number = np.unique(edges, axis=0, return_inverse=True)
    number = number.reshape(-1)
    middles = nodes[unique].mean(axis=1)
    key = unique[:, 0] * len(nodes) + unique[:, 1]
    sides = np.sort(np.concatenate([facets[:, pair] for pair in EDGES[:3]]), axis=1)
    side = np.searchsorted(key, sides[:, 0] * len(nodes) + sides[:, 1])
    second_tets = len(nodes) + number.reshape(6, -1).T
    second_facets = len(nodes) + side.reshape(3, -1).T
    return np.concatenate([nodes, middles]), np.hstack([tets, second_tets]), np.hstack([facets, second_facets])


# --- solids to print ---------------------------------------------------------------------------------


def build_open(gmsh: Any, solid: Solid) -> int:
    """Make `solid` (m) in the model, in mm, without a face that closes on itself; its volume's tag.

    Readers of STEP cannot tell which side of a cut remains on a closed face. Each lofted side is two faces, left and
    right; turning is done rigidly, so that round faces stay round.
    """
    occ = gmsh.model.occ
    match solid:
        case Skin(sheets):
            return _halved_skin(gmsh, sheets)
        case Union(solids):
            parts = [(3, build_open(gmsh, part)) for part in solids]
            return occ.fuse(parts[:1], parts[1:])[0][0][1] if len(parts) > 1 else parts[0][1]
        case Moved(inner, turn, shift):
            tag = build_open(gmsh, inner)
            way = Rotation.from_matrix(turn).as_rotvec()
            angle = float(np.linalg.norm(way))
            if angle > 0:
                occ.rotate([(3, tag)], 0, 0, 0, *(way / angle), angle)
            occ.translate([(3, tag)], *(1e3 * np.asarray(shift)))
            return tag
    return build(gmsh, solid)


def _halved_skin(gmsh: Any, sheets: tuple[Sheet, ...]) -> int:
    occ = gmsh.model.occ
    faces: list[int] = []
    points: list[int] = []
    for sheet in sheets:
        if not sheet.flat:
            halves, controls = _half_faces(gmsh, sheet)
            faces, points = faces + halves, points + controls
    occ.synchronize()
    for cap in sheets:
        if cap.flat:
            faces.append(_end_face(gmsh, faces, 1e3 * cap.points[0, 0, 1]))
    tag = occ.addVolume([occ.addSurfaceLoop(faces, sewing=True)])
    occ.remove([(2, face) for face in faces], recursive=True)  # the volume has sewn copies of its own
    occ.remove([(0, point) for point in points])
    return tag


def _end_face(gmsh: Any, faces: list[int], y: float) -> int:
    """A plane face in the ring at y (mm), found by where its edges lie."""
    occ = gmsh.model.occ
    edges = set()
    for _, edge in gmsh.model.getBoundary([(2, face) for face in faces], combined=False, oriented=False):
        box = gmsh.model.getBoundingBox(1, edge)
        if abs(box[1] - y) < 1e-3 and abs(box[4] - y) < 1e-3:
            edges.add(edge)
    return occ.addPlaneSurface([occ.addCurveLoop(sorted(edges))])


def _half_faces(gmsh: Any, sheet: Sheet) -> tuple[list[int], list[int]]:
    """The smooth closed surface through a sheet's rings as two B-spline faces; their tags and their control points'."""
    occ = gmsh.model.occ
    p = 1e3 * sheet.points
    around = np.arange(p.shape[1], dtype=float)
    along = make_interp_spline(_chord(p), p, k=3)
    control = np.moveaxis(along.c, 1, 0)
    flat = control.reshape(len(control), -1).copy()
    flat[-1] = flat[0]
    ring = make_interp_spline(around, flat, k=3, bc_type="periodic")
    middle = (len(around) - 1) // 2
    faces, points = [], []
    for piece in (around[: middle + 1], around[middle:]):
        knots = np.concatenate([[piece[0]] * 4, piece[1:-1], [piece[-1]] * 4])
        greville = np.array([knots[i + 1 : i + 4].mean() for i in range(len(knots) - 4)])
        basis = BSpline.design_matrix(greville, knots, 3).toarray()
        grid = np.linalg.solve(basis, ring(greville)).reshape(len(greville), *control.shape[1:])
        for end in (0, -1):
            if np.ptp(p[end], axis=0).max() < 1e-5:
                grid[:, end] = p[end].mean(axis=0)  # to the last digit, or it is no pole
        tags = [occ.addPoint(*corner) for corner in grid.reshape(-1, 3)]
        (ku, mu), (kv, mv) = _with_multiplicity(along.t), _with_multiplicity(knots)
        faces.append(
            occ.addBSplineSurface(
                tags, grid.shape[1], degreeU=3, degreeV=3,
                knotsU=ku, knotsV=kv, multiplicitiesU=mu, multiplicitiesV=mv,
            )
        )  # fmt: skip
        points += tags
    return faces, points


def skin(gmsh: Any, volume: int) -> tuple[np.ndarray, np.ndarray]:
    """The triangles around a meshed volume, each face turned as it came: points (n, 3), m, and triangles (m, 3)."""
    tags, coords, _ = gmsh.model.mesh.getNodes()
    order = np.argsort(tags)
    faces = [face for _, face in gmsh.model.getBoundary([(3, volume)], oriented=False)]
    cells = [gmsh.model.mesh.getElementsByType(TRIANGLE, face)[1].reshape(-1, 3) for face in faces]
    found = np.searchsorted(tags[order], np.concatenate(cells))
    used, triangles = np.unique(found, return_inverse=True)
    return 1e-3 * coords.reshape(-1, 3)[order][used], triangles.reshape(found.shape)


def write_step(gmsh: Any, path: Path) -> None:
    """All solids of the model to a STEP file, in millimetres."""
    with _silent():
        gmsh.write(str(path))


@contextmanager
def _silent() -> Iterator[None]:
    """Nothing reaches standard output: STEP's reader and writer speak there, in colours, whatever they are told."""
    sys.stdout.flush()
    kept = os.dup(1)
    try:
        with open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 1)
        yield
    finally:
        ctypes.CDLL(None).fflush(None)  # what C++ still holds back goes nowhere too
        os.dup2(kept, 1)
        os.close(kept)
