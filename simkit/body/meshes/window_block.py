"""The air of a window in a block of clay: two half balls joined by a slot whose far side slopes away.

The cell stands alone: inside face z = 0, outside face z = height of the wall, x along the breath, and only the half
y >= 0, for the plane through the middle of the window mirrors it. Its clay is flat when it is meshed, and is bent
afterwards with the mesh.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.body import kernel
from simkit.body.meshes.curved import CORNER, AirMesh, draw_near, gated
from simkit.errors import MeshError

# Radius of the ball that the bend dies away in over the largest half size of the window: further out, a parabola is no
# longer like any wall. And by how much the half balls are larger.
BENT, BEYOND = 2.2, 0.8
# Mesh sizes: at rounded rims over their radius, at sharp ones over the cut-up; growth with the distance.
ROUND_SHARE, RIM_SHARE, GROWTH = 1.3, 0.25, 0.6
SHARP = 0.02  # rims of a smaller radius than this share of the cut-up are left sharp, but for the edge's own
FLOOR_BACK = 2.0  # cut-ups that the clay under the windway's end reaches back
FADE = 0.5, 0.95  # range over which the cell's bend dies away, over that ball's radius
MOST_CURVATURE = 0.6  # of the wall, over half of the window's largest size: beyond, the window is no longer one wall's


@dataclass(frozen=True)
class WindowCell:
    """A window's sizes, m and degrees.

    cut_up runs to the finished nose; edge_deg 90 is an upright far side. nose, rim: radii of the rims inside, the
    edge's among them, and outside. room: the least radius of the half balls. floor: how far the clay that carries the
    windway's end hangs below the inner face, `beside` wider than the window on either side, two cut-ups back. bent:
    radius of the ball that a bend dies away in, over the window's largest half.
    """

    width: float
    cut_up: float
    wall: float
    edge_deg: float
    nose: float
    rim: float
    room: float = 0.0
    floor: float = 0.0
    beside: float = 0.0
    bent: float = BENT

    @property
    def tip(self) -> float:
        """Place of the edge if it were sharp, m from the windway's exit."""
        # A ball of radius r in a corner of angle a touches both sides r/tan(a/2) from it; its foremost point is r
        # before that.
        return self.cut_up - self.nose * (1 / np.tan(np.deg2rad(self.edge_deg) / 2) - 1)

    @property
    def run(self) -> float:
        """Run of the slope along the breath over its rise."""
        return float(1 / np.tan(np.deg2rad(self.edge_deg)))

    @property
    def top(self) -> float:
        """Length of the opening along the breath at the outside face, m."""
        return self.tip + self.wall * self.run

    @property
    def leaves(self) -> float:
        """Middle of the flow where it leaves the clay, about, m from the exit: a fifth of the slope's run further out.

        There the outer half ball is centred, so that its cap lets through what comes from no other place.
        """
        return self.cut_up / 2 + 0.22 * (self.top - self.cut_up)

    @property
    def half(self) -> float:
        """Half of the largest of its sizes on either face, m."""
        return max(self.width / 2, self.cut_up, self.top / 2)

    @property
    def far(self) -> float:
        """Radius of the half balls, m."""
        within = np.hypot((FLOOR_BACK + 0.5) * self.cut_up, self.width / 2 + self.beside) if self.floor else 0.0
        return max((self.bent + BEYOND) * self.half, 1.25 * float(within), self.room)

    @property
    def has_sharp_rims(self) -> bool:
        """Whether the rims beside the edge and the lip of its slope are left sharp."""
        return min(self.nose, self.rim) < SHARP * self.cut_up


@dataclass(frozen=True, eq=False)
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
    if cell.has_sharp_rims:
        draw_near(points, tets, [np.intersect1d(_sharp(points, cell), tets[:, :4])], CORNER)
    mesh = gated(points, tets, facets, np.zeros((0, 6), int), RIM_SHARE * cell.cut_up, "the window", None)
    corners = mesh.points[mesh.facets[:, :3]]
    caps = []
    for middle, side in ((cell.cut_up / 2, -1), (cell.leaves, 1)):
        center = np.array([middle, 0.0, cell.wall if side > 0 else 0.0])
        on = np.abs(np.linalg.norm(corners - center, axis=2) - cell.far) < 1e-6 * cell.far
        caps.append(on.all(axis=1) & (side * (corners[:, :, 2].mean(axis=1) - center[2]) > 0))
    mirror = (np.abs(corners[:, :, 1]) < 1e-9).all(axis=1)  # the plane of symmetry: rigid, and no clay
    return CellMesh(mesh, caps[0], caps[1], ~(caps[0] | caps[1] | mirror))


def _sharp(points: np.ndarray, cell: WindowCell) -> np.ndarray:
    """Numbers of the nodes (n, 3) on the sharp rims: the exit's and the side's, on both faces of the clay."""
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
    # Angles: lower or upper half, and half round, for y >= 0.
    inner = occ.addSphere(mm * cell.cut_up / 2, 0, 0, mm * cell.far, -1, -np.pi / 2, 0, np.pi)
    outer = occ.addSphere(mm * cell.leaves, 0, wall, mm * cell.far, -1, 0, np.pi / 2, np.pi)
    corners = [occ.addPoint(x, 0, z) for x, z in ((0, 0), (tip, 0), (top, wall), (0, wall))]
    sides = [occ.addLine(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    face = occ.addPlaneSurface([occ.addCurveLoop(sides)])
    slot = [entity for entity in occ.extrude([(2, face)], 0, mm * cell.width / 2, 0) if entity[0] == 3]
    # All three in one, before the rims are rounded: fillets want the finished edges.
    fused, _ = occ.fuse([(3, inner)], [(3, outer), *slot])
    if cell.floor:
        back, half = mm * FLOOR_BACK * cell.cut_up, mm * (cell.width / 2 + cell.beside)
        occ.cut(fused, [(3, occ.addBox(-back, -1.0, -mm * cell.floor, back, half + 1.0, mm * cell.floor))])
    occ.synchronize()
    volumes = [tag for _, tag in gmsh.model.getEntities(3)]
    if len(volumes) != 1:
        raise kernel.GmshFailure(f"the air came out in {len(volumes)} parts")
    inside, outside = (_rims(gmsh, cell, outer) for outer in (False, True))
    lip = cell.nose if cell.has_sharp_rims else cell.rim
    radii = [mm * cell.nose] * len(inside) + [mm * lip] * len(outside)
    occ.fillet(volumes, inside + outside, radii)
    occ.synchronize()


def _rims(gmsh: Any, cell: WindowCell, outer: bool) -> list[int]:
    """The curves of the slot's rim on one face: all of them, or where those are left sharp only the far side's."""
    far, height = (cell.top, cell.wall) if outer else (cell.tip, 0.0)
    found = []
    for _, curve in gmsh.model.getEntities(1):
        low, high = np.reshape(gmsh.model.getBoundingBox(1, curve), (2, 3)) / 1e3
        level = np.abs(np.array([low[2], high[2]]) - height).max() < 1e-7
        within = low[0] > -1e-6 and high[0] < far + 1e-6 and high[1] < cell.width / 2 + 1e-6
        if level and within and (low[0] > far - 1e-6 or not cell.has_sharp_rims):
            found.append(curve)
    return found


def _sizes(gmsh: Any, cell: WindowCell) -> None:
    """Element sizes that grow with the distance from the rims."""
    mm, reach = 1e3, 3 * max(cell.nose, cell.rim)
    groups: dict[float, list[int]] = {}
    for _, curve in gmsh.model.getEntities(1):
        low, high = np.reshape(gmsh.model.getBoundingBox(1, curve), (2, 3)) / mm
        lip = cell.floor > 0 and low[0] > -1e-6 and high[0] < 1e-6 and high[2] < 1e-6 and low[2] > -1.01 * cell.floor
        at_window = lip or (low[0] > -reach and high[0] < cell.top + reach and high[1] < cell.width / 2 + reach)
        if not at_window or (low[2] < -reach and not lip) or high[2] > cell.wall + reach or high[1] < 1e-6:
            continue  # far away, or in the mirror plane
        groups.setdefault(_size(cell, low, high), []).append(curve)
    field, least = gmsh.model.mesh.field, []
    for size, curves in groups.items():
        distance = field.add("Distance")
        field.setNumbers(distance, "CurvesList", curves)
        field.setNumber(distance, "Sampling", 60)
        least.append(field.add("MathEval"))  # growth without a bound
        field.setString(least[-1], "F", f"{mm * size} + {GROWTH}*F{distance}")
    together = field.add("Min")
    field.setNumbers(together, "FieldsList", least)
    field.setAsBackgroundMesh(together)
    for source in ("ExtendFromBoundary", "FromPoints", "FromCurvature"):
        gmsh.option.setNumber(f"Mesh.MeshSize{source}", 0)
    gmsh.option.setNumber("Mesh.Algorithm3D", 10)  # the parallel Delaunay kernel, here on one thread: the quickest


def _size(cell: WindowCell, low: np.ndarray, high: np.ndarray) -> float:
    """The size of elements at a curve of the slot that lies between two corners."""
    upper = low[2] > cell.wall / 2
    far = cell.top if upper else cell.tip
    if cell.has_sharp_rims and low[0] < far - 3 * cell.nose:
        return RIM_SHARE * cell.cut_up
    return ROUND_SHARE * (cell.rim if upper and not cell.has_sharp_rims else cell.nose)


def curved_with_wall(cell: WindowCell, points: np.ndarray, across: float, along: float) -> np.ndarray:
    """The cell's points (n, 3) when its clay is bent: `across` and `along` the breath, 1/m, hollow inside positive.

    Both faces follow parabolas, the outer one with the curvature k/(1 + k wall) of a true offset. The slot's sides
    stay upright and its slope straight, at its angle: the finished nose keeps its place and its roundness, sinking
    with the inner face, and the slope's top is where it meets the outer one.
    """
    x, y, z = points.T
    middle, wall = cell.cut_up / 2, cell.wall
    most = MOST_CURVATURE / max(cell.width / 2, cell.cut_up)
    inner = np.clip([across, along], -most, most)
    outer = inner / (1 + inner * wall)

    def sag(k: np.ndarray, at: np.ndarray) -> np.ndarray:
        return -(k[0] * y**2 + k[1] * (at - middle) ** 2) / 2

    touch = cell.cut_up + cell.nose  # contact of the nose's ball with the inner face
    sunk = sag(inner, np.where(z > 0, np.minimum(x, touch), x))
    # Where the slope's line through the edge meets the outer parabola: the root of a quadratic, without cancellation.
    rise = cell.tip - middle + (wall - outer[0] * y**2 / 2 - sag(inner, np.full_like(x, touch))) * cell.run
    top = middle + 2 * rise / (1 + np.sqrt(np.maximum(1 + 2 * outer[1] * cell.run * rise, _GLANCING)))
    height = np.clip(z, 0, wall)
    share = np.clip(x / (cell.tip + height * cell.run), 0, 1)  # 0 at the exit, 1 at the slope, at this height
    risen = sag(outer, x + share * (top - cell.top + (wall - height) * cell.run))
    nose = min(2 * cell.nose / wall, 0.5)  # so far up nothing but the inner face tells
    t = np.clip((height / wall - nose) / (1 - nose), 0, 1)
    moved = np.stack([x + share * t * (top - cell.top), y, z + (1 - t) * sunk + t * risen], axis=1)
    return points + _fading(cell, points)[:, None] * (moved - points)


_GLANCING = 0.1  # of the root's square: beyond, a flat slope would hardly meet a face that bends away with it


def _fading(cell: WindowCell, points: np.ndarray) -> np.ndarray:
    """1 at the window, 0 at the far caps, smoothly: (n,)."""
    x, y, z = points.T
    lower = z < cell.wall / 2
    middle = np.where(lower, cell.cut_up, cell.top) / 2  # so that all of the opening is bent
    r = np.sqrt((x - middle) ** 2 + y**2 + (z - np.where(lower, 0, cell.wall)) ** 2)
    # Over the ball of the bend, not of the larger half balls.
    start = FADE[0] * cell.far * cell.bent / (cell.bent + BEYOND)
    t = np.clip(np.log(np.maximum(r, 1e-12) / start) / np.log(FADE[1] / FADE[0]), 0, 1)
    return np.where((z > 0) & (z < cell.wall), 1.0, 1 - t**3 * (10 - 15 * t + 6 * t * t))
