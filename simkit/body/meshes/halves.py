"""Solids to print, drawn so that no face closes on itself: readers of STEP cannot tell the sides of one that does."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.interpolate import make_interp_spline
from scipy.spatial.transform import Rotation

from simkit.body.meshes.drawn import build, chord, clamped, ring_spline, spline_face
from simkit.body.walls.primitives import ClosedSheets, MovedSolid, Sheet, Solid, Union


def build_open(gmsh: Any, solid: Solid) -> int:
    """Make `solid` (m) in the model, in mm, without a face that closes on itself; its volume's tag.

    Readers of STEP cannot tell which side of a cut remains on a closed face. Each lofted side is two faces, left and
    right; turning is done rigidly, so that round faces stay round.
    """
    occ = gmsh.model.occ
    match solid:
        case ClosedSheets(sheets):
            return _halved_skin(gmsh, sheets)
        case Union(solids):
            parts = [(3, build_open(gmsh, part)) for part in solids]
            return occ.fuse(parts[:1], parts[1:])[0][0][1] if len(parts) > 1 else parts[0][1]
        case MovedSolid(inner, turn, shift):
            tag = build_open(gmsh, inner)
            way = Rotation.from_matrix(turn).as_rotvec()
            angle = float(np.linalg.norm(way))  # a rotation vector's length is its angle
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
    occ.remove([(0, point) for point in points])  # control points of splines: no part of the solid
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
    p = 1e3 * sheet.points
    along = make_interp_spline(chord(p), p, k=3)
    rings = np.moveaxis(along.c, 1, 0)
    around = ring_spline(rings)
    last = len(rings) - 1
    faces, points = [], []
    for start, stop in ((0, last // 2), (last // 2, last)):  # split at column 0, on top, and half way round
        knots, grid = clamped(rings, around, start, stop)
        for end in (0, -1):
            if np.ptp(p[end], axis=0).max() < 1e-5:
                grid[:, end] = p[end].mean(axis=0)  # to the last digit, or it is no pole
        face, tags = spline_face(gmsh, grid, along.t, knots)
        faces.append(face)
        points += tags
    return faces, points
