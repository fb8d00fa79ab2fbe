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

from simkit.errors import Fault, InputError, OutOfReach

_lock = threading.Lock()
_REMEDY = (
    "gmsh needs system libraries that are missing here; on Debian or Ubuntu: apt-get install -y "
    "--no-install-recommends libgl1 libglu1-mesa libxcursor1 libxft2 libxinerama1 libgomp1"
)
# Every mesh of this process and those it starts: its sizes times this, and drawn from other random numbers. What then
# changes was an accident of the mesher, as it meets on another processor too.
SHAKE = "SIMKIT_SHAKE"
SHAKEN = 0.8, 1.25  # from, to
TRIANGLE, TETRAHEDRON, TRIANGLE6, TETRAHEDRON10 = 2, 4, 9, 11  # gmsh's element types
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


def _shaken(factor: str) -> tuple[tuple[str, float], ...]:
    if not factor:
        return ()
    low, high = SHAKEN
    try:
        by = float(factor)
    except ValueError:
        by = np.nan
    if not low <= by <= high:
        allowed = f"a factor from {low:g} to {high:g} (the tests' own, for the sizes of meshes), or unset"
        raise InputError([Fault("environment", SHAKE, factor, allowed)])
    return ("Mesh.MeshSizeFactor", by), ("Mesh.RandomSeed", 2)


class GmshFailure(Exception):
    """A failure of gmsh, in its own words."""


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
            ("Mesh.Algorithm", 6),  # frontal Delaunay in two dimensions
            ("Mesh.MeshSizeExtendFromBoundary", 1),
            ("Geometry.Tolerance", 1e-6),  # mm
            *_shaken(os.environ.get(SHAKE, "")),
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


def surface_of_step(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """A fine triangulation of the solid in a STEP file: points (n, 3) in metres, triangles (m, 3).

    GmshFailure or one of `UNMESHED` where there is no solid to be read in it.
    """
    with session() as gmsh:
        gmsh.option.setString("Geometry.OCCTargetUnit", "MM")
        with _silent():
            gmsh.model.occ.importShapes(str(path))
        gmsh.model.occ.synchronize()
        if not gmsh.model.getEntities(2):
            raise GmshFailure("it breaks off, or holds no surface")
        # Fine against the body, and finer where it bends: the surface is fitted again afterwards.
        low, high = np.reshape(gmsh.model.getBoundingBox(-1, -1), (2, 3))
        gmsh.option.setNumber("Mesh.MeshSizeMax", float(np.max(high - low)) / 40)
        gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", 40)
        gmsh.model.mesh.generate(2)
        tags, points = mesh_nodes(gmsh)
        _, members = gmsh.model.mesh.getElementsByType(TRIANGLE)
    return points, np.searchsorted(tags, members.reshape(-1, 3))


def mesh_nodes(gmsh: Any, *face: int) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of the model's nodes, ascending, and where they lie (n, 3), m; of a face (2, tag) with its rim's."""
    tags, coords, _ = gmsh.model.mesh.getNodes(*face, includeBoundary=bool(face))
    order = np.argsort(tags)
    return tags[order], 1e-3 * coords.reshape(-1, 3)[order]


def cells(gmsh: Any, creased: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mesh the model and return nodes (n, 3) in metres, tetrahedra (m, 10) and boundary triangles (f, 6).

    Corners first, then the nodes of the edges 01, 12, 02, 03, 13, 23. Where the boundary is `creased`, gmsh puts
    the edge nodes on the true seams; else they are the edges' middles, which the caller moves onto the true wall.
    """
    _surfaces_meshed(gmsh)
    gmsh.model.mesh.generate(3)
    if creased:
        gmsh.model.mesh.setOrder(2)
    tags, nodes = mesh_nodes(gmsh)
    kinds = ((TETRAHEDRON10, 10), (TRIANGLE6, 6)) if creased else ((TETRAHEDRON, 4), (TRIANGLE, 3))
    tets, facets = (
        np.searchsorted(tags, gmsh.model.mesh.getElementsByType(kind)[1].reshape(-1, width)) for kind, width in kinds
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
        if _whole(gmsh):
            return
        gmsh.model.mesh.clear()
        gmsh.option.setNumber("Mesh.MeshSizeMax", _FINER * gmsh.option.getNumber("Mesh.MeshSizeMax"))
    raise GmshFailure("it left out a part of a face")


def whole_faces(gmsh: Any) -> None:
    """ValueError where a part of a face was left out of the mesh of the model's faces."""
    if not _whole(gmsh):
        raise ValueError("a part of a face was left out")


def _whole(gmsh: Any) -> bool:
    """Whether the triangles cover every face."""
    faces = gmsh.model.occ.getEntities(2)
    return all(1e6 * _meshed_area(gmsh, face) > _LOST * gmsh.model.occ.getMass(*face) for face in faces)


def _meshed_area(gmsh: Any, face: tuple[int, int]) -> float:
    """Area of a face's flat triangles, m^2."""
    tags, points = mesh_nodes(gmsh, *face)
    _, members = gmsh.model.mesh.getElementsByType(TRIANGLE, face[1])
    p = points[np.searchsorted(tags, members.reshape(-1, 3))]
    return float(np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1).sum() / 2)


def with_middles(nodes: np.ndarray, tets: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same cells with a node in the middle of every edge: nodes (n, 3), tetrahedra (t, 10), facets (f, 6)."""
    count = len(nodes)
    # Every edge once: its number in the sorted keys is that of its middle node.
    key, number = np.unique(edge_keys(tets, count), return_inverse=True)
    middles = (nodes[key // count] + nodes[key % count]) / 2
    side = np.searchsorted(key, edge_keys(facets, count))
    second_tets = count + number.reshape(6, -1).T
    second_facets = count + side.reshape(3, -1).T
    return np.concatenate([nodes, middles]), np.hstack([tets, second_tets]), np.hstack([facets, second_facets])


def edge_ends(tets: np.ndarray, count: int) -> np.ndarray:
    """Both ends (count, 2) of the edge of tetrahedra (m, 10) that each of `count` nodes is the middle of; a corner's
    own number twice."""
    ends = np.repeat(np.arange(count)[:, None], 2, axis=1)
    for edge, pair in enumerate(EDGES):
        ends[tets[:, 4 + edge]] = tets[:, pair]
    return ends


def edge_keys(cells: np.ndarray, count: int) -> np.ndarray:
    """One number for each edge of triangles or tetrahedra (m, 3 or more), all first edges first: least * count + most.

    To be sorted as numbers, which takes a tenth of the time of sorting them as pairs. count: more than any node's.
    """
    # 64 bits, for a key goes up to count squared.
    ends = [cells[:, pair].astype(np.int64).T for pair in EDGES[: 3 if cells.shape[1] in (3, 6) else 6]]
    return np.concatenate([np.minimum(a, b) * count + np.maximum(a, b) for a, b in ends])


def skin(gmsh: Any, volume: int) -> tuple[np.ndarray, np.ndarray]:
    """The triangles around a meshed volume, each face turned as it came: points (n, 3), m, and triangles (m, 3)."""
    tags, points = mesh_nodes(gmsh)
    faces = [face for _, face in gmsh.model.getBoundary([(3, volume)], oriented=False)]
    cells = [gmsh.model.mesh.getElementsByType(TRIANGLE, face)[1].reshape(-1, 3) for face in faces]
    found = np.searchsorted(tags, np.concatenate(cells))
    used, triangles = np.unique(found, return_inverse=True)
    return points[used], triangles.reshape(found.shape)


def write_step(gmsh: Any, path: Path) -> None:
    """Write all solids of the model to a STEP file, in millimetres."""
    with _silent():
        gmsh.write(str(path))


@contextmanager
def _silent() -> Iterator[None]:
    """Keep standard output quiet: STEP's reader and writer speak there, in colours, whatever is set."""
    sys.stdout.flush()
    # The file descriptor itself: C++ writes past sys.stdout.
    kept = os.dup(1)
    try:
        with open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 1)
        yield
    finally:
        ctypes.CDLL(None).fflush(None)  # what C++ still holds back goes nowhere too
        os.dup2(kept, 1)
        os.close(kept)
