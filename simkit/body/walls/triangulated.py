"""A triangulated surface from a file: read, and refused in plain words where something is wrong with it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from simkit.body import kernel
from simkit.body.millimetres import place_words
from simkit.child import in_own_process
from simkit.errors import OutOfReach

Triangles = tuple[np.ndarray, np.ndarray]  # vertices (n, 3) in metres, triangles (m, 3)


class SurfaceError(ValueError):
    """A surface that cannot be a chamber's inside; the message says what and where."""


STEP_S = 60.0  # of the processor; a sound file takes three
LARGEST_SCAN = 100_000_000  # bytes: two million triangles, twenty times what any inside needs


def check_scan(path: Path) -> None:
    """SurfaceError unless a scan is a plain file of a size that can be read: a pipe or a device never ends."""
    try:
        found = path.stat()
    except (OSError, ValueError) as failure:  # ValueError: a name with a null character
        raise SurfaceError("a file that exists beside the design") from failure
    if not stat.S_ISREG(found.st_mode):
        raise SurfaceError("a file, not a folder, a pipe or a device")
    if found.st_size > LARGEST_SCAN:
        raise SurfaceError(f"a file of at most {LARGEST_SCAN // 1_000_000} MB; thin out its triangles")


def scan_content(path: Path) -> bytes:
    """The bytes of a scan's file; SurfaceError where it cannot be read."""
    check_scan(path)
    try:
        return path.read_bytes()
    except OSError as failure:
        raise SurfaceError(f"a file that can be read ({failure.strerror})") from failure


def read_surface(path: Path) -> Triangles:
    """The surface of an STL (mm) or STEP file; SurfaceError in words for the user."""
    kind = path.suffix.lower()
    check_scan(path)
    if kind in (".step", ".stp"):
        points, cells = _read_step(path)
    elif kind == ".stl":
        points, cells = _read_stl(path)
    else:
        raise SurfaceError("an STL file (in mm) or a STEP file")
    return _welded(points, cells)


def _read_step(path: Path) -> Triangles:
    """Read a STEP file in a process of its own: a broken one can end the reader, or be meshed without end."""
    with kernel.session():  # what gmsh itself wants is no fault of the file
        pass
    try:
        return in_own_process(kernel.surface_of_step, path, seconds=STEP_S, what=("its reader", "draw it anew"))
    except (*kernel.UNMESHED, OutOfReach) as failure:
        raise SurfaceError(f"a STEP file of a solid that can be read ({failure})") from failure


def _read_stl(path: Path) -> Triangles:
    # Not meshio.read: where a file is broken it prints and then ends the process.
    from meshio import stl  # here, since most designs have no scan and it takes a tenth of a second to load

    try:
        # A text's first letters, taken for a number of triangles, make a size that no file has: it may overflow.
        with np.errstate(over="ignore"):
            mesh = stl.read(os.fspath(path))
    except Exception as failure:  # meshio lets many kinds through on a broken file
        why = str(failure) or "it breaks off, or is none"
        raise SurfaceError(f"an STL file that can be read ({why})") from failure
    cells = [block.data for block in mesh.cells if block.type == "triangle"]
    return 1e-3 * np.asarray(mesh.points, float), np.concatenate([np.empty((0, 3), int), *cells])


def _welded(points: np.ndarray, cells: np.ndarray) -> Triangles:
    """Merge vertices that coincide (to 1e-6 of the size); triangles without area are dropped."""
    if not np.isfinite(points).all() or not len(cells):
        raise SurfaceError("a surface of triangles, each of finite numbers; this file has none")
    # STL has each corner once for every triangle, in single precision: what coincides to a grid's step is one.
    step = 1e-6 * np.ptp(points, axis=0).max() or 1.0  # 0 where all is one point
    grid = np.round((points - points.min(axis=0)) / step).astype(np.int64)
    _, first, number = np.unique(grid, axis=0, return_index=True, return_inverse=True)
    cells = number.ravel()[cells]
    whole = (cells[:, 0] != cells[:, 1]) & (cells[:, 1] != cells[:, 2]) & (cells[:, 2] != cells[:, 0])
    return points[first], cells[whole]


def checked_surface(surface: Triangles, crossing: bool = True) -> Triangles:
    """The surface, its triangles facing out; SurfaceError where it is open, flipped in parts, or, if that is asked,
    crosses itself."""
    points, cells = surface
    size = 1e3 * np.ptp(points, axis=0)
    if not 5 <= size.max() <= 1000:
        raise SurfaceError(f"a body of 5 to 1000 mm; this one is {size.max():.4g} mm long: is it in mm?")
    edges = np.concatenate([cells[:, [0, 1]], cells[:, [1, 2]], cells[:, [2, 0]]])
    # In a closed surface every edge, whichever way it runs, is that of two triangles.
    _, index, count = np.unique(np.sort(edges, axis=1), axis=0, return_index=True, return_counts=True)
    if (count == 1).any():
        raise SurfaceError(_at("a closed surface; this one is open along", count == 1, points, edges[index]))
    if (count > 2).any():
        raise SurfaceError(_at("a single surface; sheets join along", count > 2, points, edges[index]))
    # Triangles that face one way run along a common edge in opposite directions.
    _, again, both = np.unique(edges, axis=0, return_index=True, return_counts=True)
    if (both == 2).any():
        raise SurfaceError(_at("triangles that all face one way; flipped along", both == 2, points, edges[again]))
    crossed = crossings(points, cells) if crossing else np.empty(0, int)
    if len(crossed):
        where = place_words(points[cells[crossed[0]]].mean(axis=0))
        raise SurfaceError(
            f"a surface that does not cross itself; it does in {len(crossed)} triangles, the first at {where}; "
            "smooth_mm smooths a noisy scan"
        )
    return points, cells if enclosed(points, cells) > 0 else cells[:, ::-1]


def _at(what: str, which: np.ndarray, points: np.ndarray, edges: np.ndarray) -> str:
    count, place = int(which.sum()), points[edges[np.argmax(which)]].mean(axis=0)
    return f"{what} {count} edge{'s' * (count > 1)}, the first at {place_words(place)}"


def enclosed(points: np.ndarray, triangles: np.ndarray) -> float:
    """Volume inside closed triangles that face outwards, m^3, by the divergence theorem; negative if they face in."""
    # About their middle less is lost to cancellation than about a far origin; STL's own points are of single precision.
    away = np.asarray(points, float) - np.mean(points, axis=0, dtype=float)
    a, b, c = (away[triangles[:, k]] for k in range(3))
    return float(np.einsum("ni,ni->", a, np.cross(b, c))) / 6


def crossings(points: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Numbers of triangles that an edge of a triangle without a common vertex pierces (Moeller & Trumbore 1997)."""
    corner = points[cells]
    center = corner.mean(axis=1)
    reach = np.linalg.norm(corner - center[:, None], axis=2).max(axis=1)
    # Pairs are looked for within twice the usual size, or a few large triangles would pair with all.
    usual = np.percentile(reach, 99)
    pairs = cKDTree(center).query_pairs(2 * usual, output_type="ndarray")
    # The few large triangles are held against all others.
    large = np.flatnonzero(reach > usual)
    pairs = np.concatenate(
        [pairs.reshape(-1, 2), *(np.column_stack([np.full(len(cells), i), np.arange(len(cells))]) for i in large)]
    )
    pairs = pairs[np.linalg.norm(center[pairs[:, 0]] - center[pairs[:, 1]], axis=1) < reach[pairs].sum(axis=1)]
    shared = (cells[pairs[:, 0]][:, :, None] == cells[pairs[:, 1]][:, None, :]).any(axis=(1, 2))
    pairs = pairs[~shared]
    pairs = np.concatenate([pairs, pairs[:, ::-1]])  # the first's edges are held against the second's face
    hit = np.zeros(len(pairs), bool)
    for i in range(3):
        start, way = corner[pairs[:, 0], i], corner[pairs[:, 0], (i + 1) % 3] - corner[pairs[:, 0], i]
        hit |= pierced(start, way, corner[pairs[:, 1]])
    return np.unique(pairs[hit, 1])


def pierced(start: np.ndarray, way: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Mask (n,) of the edges (n, 3) from `start` along `way` that pierce triangles (n, 3, 3), without their borders.

    Moller & Trumbore 1997 [Moller1997], J. Graphics Tools 2:21 (from memory).
    """
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    h = np.cross(way, v)
    volume = np.einsum("ni,ni->n", u, h)
    # Parallel to the plane: relative to the product of lengths, since a mesh's unit is not known here.
    flat = np.abs(volume) < 1e-12 * np.prod([np.linalg.norm(a, axis=1) for a in (u, v, way)], axis=0)
    volume = np.where(flat, 1.0, volume)
    away = start - corners[:, 0]
    q = np.cross(away, u)
    a, b, c = (np.einsum("ni,ni->n", *pair) / volume for pair in ((away, h), (way, q), (v, q)))
    return np.asarray(~flat & (a > 0) & (b > 0) & (a + b < 1) & (c > 0) & (c < 1))
