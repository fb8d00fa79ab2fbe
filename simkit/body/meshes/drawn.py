"""Solids drawn in the model of gmsh: balls, cans, blocks, lofted skins, and several of them as one."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.interpolate import make_interp_spline

from simkit.body.kernel import GmshFailure
from simkit.body.meshes import patches
from simkit.body.walls.primitives import Block, Can, ClosedSheets, Faced, FlatFace, MovedSolid, Sheet, Solid, Union


def build(gmsh: Any, solid: Solid, patched: float | None = None) -> int:
    """Make `solid` (metres) in the model, in millimetres, and return its volume's tag.

    patched: a turn (rad); smooth skins are drawn as six patches turned by it, to be cut and meshed near poles too.
    """
    occ = gmsh.model.occ
    match solid:
        case ClosedSheets(sheets):
            if patched is not None and patches.has_patches(sheets):
                return _patched_skin(gmsh, sheets[0], patched)
            return _skin(gmsh, sheets)
        case Block(corners, rounding):
            size = 1e3 * (corners[1] - corners[0])
            tag = occ.addBox(*(1e3 * corners[0]), *size)
            return _rounded(gmsh, tag, 1e3 * rounding)
        case Can(radius, start, stop, rounding):
            if rounding >= radius:  # rounded all the way, its ends are half balls
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
        case MovedSolid(inner, turn, shift):
            tag = build(gmsh, inner, patched)
            matrix = np.eye(4)
            matrix[:3, :3], matrix[:3, 3] = turn, 1e3 * shift
            occ.affineTransform([(3, tag)], matrix.ravel().tolist())
            return tag
    raise AssertionError(f"no such solid: {solid}")


def is_skin(solid: Solid) -> bool:
    """Whether a solid is drawn as skins alone, no face of it left over from a fillet or a fuse."""
    return isinstance(solid, ClosedSheets) or (isinstance(solid, MovedSolid) and is_skin(solid.solid))


def hollow(gmsh: Any, outer: int, inner: int) -> None:
    """A volume less a skin that lies wholly inside it, as one with a hole.

    A boolean cut leaves the same faces, and takes a tenth of a second to find that they do not meet.
    """
    occ = gmsh.model.occ
    occ.synchronize()
    faces = [[face for _, face in gmsh.model.getBoundary([(3, tag)], oriented=False)] for tag in (outer, inner)]
    occ.remove([(3, outer), (3, inner)])
    occ.addVolume([occ.addSurfaceLoop(each) for each in faces])


def _faced(gmsh: Any, tag: int, spot: FlatFace) -> int:
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
        # A can's seam lies between its round face and itself: only edges of plane faces are corners.
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
    if len(sheets) > len(faces):  # flat ends close the lofted side
        faces += _end_faces(gmsh, faces[0], [s for s in sheets if s.flat])
    tag = occ.addVolume([occ.addSurfaceLoop(faces, sewing=len(faces) > 1)])
    occ.remove([(0, p) for p in helpers])  # control points would be meshed as nodes
    return tag


def _patched_skin(gmsh: Any, sheet: Sheet, turn: float) -> int:
    occ = gmsh.model.occ
    faces = [patch_face(gmsh, grid) for grid in patches.grids(sheet, patches.about_poles(turn))]
    return occ.addVolume([occ.addSurfaceLoop(faces, sewing=True)])


def patch_face(gmsh: Any, grid: np.ndarray) -> int:
    """A cubic B-spline face through a grid of points (n, n, 3), m; its parameters run evenly from 0 to 1."""
    n = len(grid)
    # Tensor product: along one way, then its coefficients along the other.
    first = make_interp_spline(np.linspace(0, 1, n), 1e3 * grid, k=3)
    second = make_interp_spline(np.linspace(0, 1, n), np.moveaxis(first.c, 1, 0), k=3)
    face, points = spline_face(gmsh, second.c, first.t, second.t)
    gmsh.model.occ.remove([(0, p) for p in points])
    return face


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
    p = 1e3 * sheet.points
    along = make_interp_spline(chord(p), p, k=3)
    rings = np.moveaxis(along.c, 1, 0)
    # Around, one clamped spline from the seam back to it.
    knots_v, control = clamped(rings, ring_spline(rings), 0, len(rings) - 1)
    for end, ring in ((0, p[0]), (-1, p[-1])):
        # A tip's ring is as wide as the root of what rounding leaves of zero: 1e-8 of the size.
        if np.ptp(ring, axis=0).max() < 1e-6 * np.ptp(p, axis=(0, 1)).max():
            control[:, end] = ring[0]
    return spline_face(gmsh, control, along.t, knots_v)


def spline_face(gmsh: Any, control: np.ndarray, first: np.ndarray, second: np.ndarray) -> tuple[int, list[int]]:
    """A cubic B-spline face by control points (second, first, 3), mm, and knots each way; its and its points' tags."""
    occ = gmsh.model.occ
    points = [occ.addPoint(*c) for c in control.reshape(-1, 3)]
    (ku, mu), (kv, mv) = _with_multiplicity(first), _with_multiplicity(second)
    face = occ.addBSplineSurface(
        points, control.shape[1], degreeU=3, degreeV=3, knotsU=ku, knotsV=kv, multiplicitiesU=mu, multiplicitiesV=mv
    )
    return face, points


def chord(p: np.ndarray) -> np.ndarray:
    """Parameter (rings,) of the rings by the mean distance from one to the next."""
    step = np.linalg.norm(np.diff(p, axis=0), axis=2).mean(axis=1)
    return np.concatenate([[0.0], np.cumsum(step)])


def ring_spline(values: np.ndarray) -> np.ndarray:
    """B-spline coefficients (n + 1, ...) of the periodic cubic spline through `values` (n + 1, ...) at 0, 1, ..., n.

    The last value stands for the first again. (c_(i-1) + 4 c_i + c_(i+1))/6 = value_i: a circulant, which Fourier's
    transform makes diagonal (Davis 1979, Circulant Matrices [memory]).
    """
    around = values[:-1]
    count = len(around)
    eigenvalues = (4 + 2 * np.cos(2 * np.pi * np.arange(count // 2 + 1) / count)) / 6
    spectrum = np.fft.rfft(around, axis=0).T / eigenvalues  # .T, so that the division runs along the frequencies
    c = np.fft.irfft(spectrum.T, n=count, axis=0)
    return np.concatenate([c, c[:1]])


def clamped(values: np.ndarray, c: np.ndarray, start: int, stop: int) -> tuple[np.ndarray, np.ndarray]:
    """Knots and control points of the part of a `ring_spline` from one place to another, clamped at both.

    By the blossom b of each piece (Ramshaw 1989, Comput. Aided Geom. Des. 6:323 [memory]): c_i = b(i - 1, i, i + 1), so
    b(i, i, i + 1) = (2 c_i + c_(i+1))/3, and b(i, i, i) is the value.
    """
    knots = np.concatenate([[start] * 4, np.arange(start + 1, stop), [stop] * 4]).astype(float)
    first, last = (2 * c[start] + c[start + 1]) / 3, (2 * c[stop] + c[stop - 1]) / 3
    ends = [values[start], first], [last, values[stop % (len(values) - 1)]]
    return knots, np.concatenate([np.stack(ends[0]), c[start + 1 : stop], np.stack(ends[1])])


def _with_multiplicity(knots: np.ndarray) -> tuple[list[float], list[int]]:
    """Knots once each, and how often each stands."""
    values, counts = np.unique(np.round(knots, 12), return_counts=True)  # equal but for rounding is one knot
    return values.tolist(), counts.tolist()
