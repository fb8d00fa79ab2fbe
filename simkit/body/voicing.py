"""The air of a window in a block of clay: two half balls joined by a slot whose far side slopes away.

The cell stands alone: inside face z = 0, outside face z = height of the wall, x along the breath, and only the half
y >= 0, for the plane through the middle of the window mirrors it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.body import kernel
from simkit.body.mesh import CORNER, AirMesh, draw_near, gated
from simkit.errors import MeshError

FAR = 2.2  # radius of the half balls over the largest half size of the window
# Mesh sizes: at the rounded edges over their radius, at the sharp rims over the cut-up; growth with the distance.
ROUND_SHARE, RIM_SHARE, GROWTH = 1.3, 0.25, 0.6


@dataclass(frozen=True)
class WindowCell:
    """A window's sizes, m and degrees: width, cut_up, wall, edge_deg, and the radius `nose` of its edge.

    cut_up runs to the finished nose; edge_deg 90 is an upright far side.
    """

    width: float
    cut_up: float
    wall: float
    edge_deg: float
    nose: float

    @property
    def tip(self) -> float:
        """Where the edge would be if it were sharp, m from the windway's exit."""
        return self.cut_up - self.nose * (1 / np.tan(np.deg2rad(self.edge_deg) / 2) - 1)

    @property
    def top(self) -> float:
        """Length of the opening along the breath at the outside face, m."""
        return self.tip + self.wall / np.tan(np.deg2rad(self.edge_deg))

    @property
    def far(self) -> float:
        """Radius of the half balls, m."""
        return FAR * max(self.width / 2, self.cut_up, self.top / 2)


@dataclass(frozen=True)
class CellMesh:
    """The half cell's mesh, and which of its boundary facets are far caps, inside and outside, or clay (bool each)."""

    mesh: AirMesh
    far_inside: np.ndarray
    far_outside: np.ndarray
    clay: np.ndarray


def cell_mesh(cell: WindowCell) -> CellMesh:
    """Mesh the half cell, fine at the edge's nose and at the rims."""
    try:
        with kernel.session() as gmsh:
            _solid(gmsh, cell)
            _sizes(gmsh, cell)
            points, tets, facets = kernel.cells(gmsh, creased=True)
    except kernel.UNMESHED as failure:
        what = f"its nose of {1e3 * cell.nose:.2g} mm on a slope of {cell.edge_deg:.0f} degrees"
        raise MeshError("the window", 1e3 * RIM_SHARE * cell.cut_up, f"{what} ({failure})") from failure
    draw_near(points, tets, [np.intersect1d(_sharp(points, cell), tets[:, :4])], CORNER)
    mesh = gated(points, tets, facets, np.zeros((0, 6), int), RIM_SHARE * cell.cut_up, "the window", None)
    corners = mesh.points[mesh.facets[:, :3]]
    caps = []
    for middle, side in ((cell.cut_up / 2, -1), (cell.top / 2, 1)):
        center = np.array([middle, 0.0, cell.wall if side > 0 else 0.0])
        on = np.abs(np.linalg.norm(corners - center, axis=2) - cell.far) < 1e-6 * cell.far
        caps.append(on.all(axis=1) & (side * (corners[:, :, 2].mean(axis=1) - center[2]) > 0))
    mirror = (np.abs(corners[:, :, 1]) < 1e-9).all(axis=1)
    return CellMesh(mesh, caps[0], caps[1], ~(caps[0] | caps[1] | mirror))


def _sharp(points: np.ndarray, cell: WindowCell) -> np.ndarray:
    """Which nodes (n, 3) lie on the sharp rims: the exit's and the side's, on both faces of the clay."""
    x, y, z = points.T
    side, within = cell.width / 2, 1e-7
    on = np.zeros(len(points), bool)
    for face, far in ((0.0, cell.tip), (cell.wall, cell.top)):
        exit_ = (np.abs(x) < within) & (y < side + within)
        along = (np.abs(y - side) < within) & (x > -within) & (x < far + 2 * cell.nose)
        on |= (np.abs(z - face) < within) & (exit_ | along)
    return np.flatnonzero(on)


def _solid(gmsh: Any, cell: WindowCell) -> None:
    """The fused half cell in mm, its edge and the outer lip of its slope rounded."""
    occ, mm = gmsh.model.occ, 1e3
    tip, top, wall = mm * cell.tip, mm * cell.top, mm * cell.wall
    inner = occ.addSphere(mm * cell.cut_up / 2, 0, 0, mm * cell.far, -1, -np.pi / 2, 0, np.pi)
    outer = occ.addSphere(top / 2, 0, wall, mm * cell.far, -1, 0, np.pi / 2, np.pi)
    corners = [occ.addPoint(x, 0, z) for x, z in ((0, 0), (tip, 0), (top, wall), (0, wall))]
    sides = [occ.addLine(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    face = occ.addPlaneSurface([occ.addCurveLoop(sides)])
    slot = [entity for entity in occ.extrude([(2, face)], 0, mm * cell.width / 2, 0) if entity[0] == 3]
    occ.fuse([(3, inner)], [(3, outer), *slot])
    occ.synchronize()
    for x, z in ((tip, 0.0), (top, wall)):  # the edge, and the outer lip of its slope
        volumes = [tag for _, tag in gmsh.model.getEntities(3)]
        if len(volumes) != 1:
            raise kernel.GmshFailure(f"the air came out in {len(volumes)} parts")
        edge = [c for _, c in gmsh.model.getEntities(1) if _along_line(gmsh, c, x, z)]
        occ.fillet(volumes, edge, [mm * cell.nose])
        occ.synchronize()


def _along_line(gmsh: Any, curve: int, x: float, z: float, within: float = 1e-4) -> bool:
    """Does the curve run along y at (x, z)?"""
    box = gmsh.model.getBoundingBox(1, curve)
    return all(abs(box[i] - v) < within for i, v in ((0, x), (3, x), (2, z), (5, z)))


def _sizes(gmsh: Any, cell: WindowCell) -> None:
    """Element sizes that grow with the distance from the nose and from the rims."""
    mm = 1e3
    rounds: list[int] = []
    rims: list[int] = []
    for _, curve in gmsh.model.getEntities(1):
        low, high = np.reshape(gmsh.model.getBoundingBox(1, curve), (2, 3)) / mm
        reach = 3 * cell.nose
        at_window = low[0] > -1e-4 and high[0] < cell.top + reach and high[1] < cell.width / 2 + 1e-4
        if not at_window or low[2] < -1e-4 - reach or high[2] > cell.wall + 1e-4 or high[1] < 1e-6:
            continue  # far away, or in the mirror plane
        at_nose = high[2] < 2.5 * cell.nose and low[0] > cell.tip - 1e-4 and high[0] < cell.tip + reach
        at_lip = low[0] > cell.top - reach and high[0] < cell.top + reach and low[2] > cell.wall - reach
        (rounds if at_nose or (at_lip and high[1] > 0.4 * cell.width) else rims).append(curve)
    field, least = gmsh.model.mesh.field, []
    for curves, size in ((rounds, ROUND_SHARE * cell.nose), (rims, RIM_SHARE * cell.cut_up)):
        distance = field.add("Distance")
        field.setNumbers(distance, "CurvesList", curves)
        field.setNumber(distance, "Sampling", 60)
        least.append(field.add("MathEval"))
        field.setString(least[-1], "F", f"{mm * size} + {GROWTH}*F{distance}")
    together = field.add("Min")
    field.setNumbers(together, "FieldsList", least)
    field.setAsBackgroundMesh(together)
    for source in ("ExtendFromBoundary", "FromPoints", "FromCurvature"):
        gmsh.option.setNumber(f"Mesh.MeshSize{source}", 0)
    gmsh.option.setNumber("Mesh.Algorithm3D", 10)  # the parallel Delaunay kernel, here on one thread: the quickest
