"""The conductivity of a window with a sloping edge, by finite elements on a small block."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.sparse import csr_matrix

from simkit.body.meshes.curved import AirMesh, gated
from simkit.body.meshes.window_block import BENT, CellMesh, WindowCell, cell_mesh, curved_with_wall
from simkit.errors import MeshError
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import factored
from simkit.field.fem.probes import WallReader
from simkit.field.fem.quadrature import facet_rule, wall_integrals
from simkit.field.window.relief import Relief, covers, lawful, place, window_cell

UPRIGHT = 90.0
STEEP = 45.0  # degrees: from here on the law is as it was fitted
LAW_DOWN_TO = 34.0  # degrees: flatter, the law takes up to 0.6 percent less off 1/K than the cell, a cent
FLAT = 0.0, 0.0
# Where a bend dies away about a window its two cells, sloped and upright, are no longer bent alike, for a flat slope's
# flow leaves elsewhere and from a larger mouth. That error falls as the square of how far out that is: of a window of
# 12 by 4 mm at 30 degrees in a ball of 46 mm 2.1 cents at 2.2 halves of the window, 1.1 at 3, 0.8 at 3.6.
WIDE = 3.6  # halves of the window: where the bend of a flat slope's cells dies away
BALL = 0.84  # of the outer face's mean radius of bend, at most: the bend dies away from there to twice as far out
MISSED = 0.0023, 0.0069  # of the outer face's curvatures: by what 1/K falls more with WIDE than with the law's BENT


@dataclass(frozen=True)
class Passage:
    """Conductivity of a window, K, m, and its friction, the integral of |u|^2 over the clay for unit flow,
    1/m^2."""

    conductivity: float
    friction: float


@dataclass(frozen=True, eq=False)
class Stream:
    """Air that streams through a half cell: its mesh, the potential at the nodes (n,), and the flow of both halves.

    The potential is 1 far inside and 0 far outside; with those one apart the flow is the conductivity K, m.
    """

    part: CellMesh
    potential: np.ndarray
    flow: float

    @property
    def clay(self) -> AirMesh:
        """The mesh with nothing but clay for its facets."""
        return replace(self.part.mesh, facets=self.part.mesh.facets[self.part.clay])


@lru_cache(maxsize=64)
def streaming(cell: WindowCell, curvature: tuple[float, float] = FLAT) -> Stream:
    """Laplace's equation between two half spaces whose wall is bent at the window, 1/m across and along it.

    The far caps let through what a point source would, dp/dn = -(p - p_far)/R; the flow is that of the outer one.
    """
    part, _ = _curved(cell, curvature)
    K, _ = stiffness_and_mass(part.mesh)
    inside, outside = (_cap(part, which) for which in (part.far_inside, part.far_outside))
    # p_far is 1 inside and 0 outside: the one a load, the other none.
    operator = (K + (inside[0] + outside[0]) / cell.far).tocsr()
    potential = factored(operator)((inside[1] / cell.far)[:, None])[:, 0]
    return Stream(part, potential, 2 * float(outside[1] @ potential) / cell.far)


_flat = lru_cache(maxsize=16)(cell_mesh)  # one drawing for all bends


@lru_cache(maxsize=16)
def _curved(cell: WindowCell, curvature: tuple[float, float]) -> tuple[CellMesh, float]:
    """The cell curved with the wall, and by what share of it: all, a half, a quarter or nothing, so that no element
    folds, as some would at a flat slope through thick clay that bends away from it."""
    part, mesh = _flat(cell), _flat(cell).mesh
    for share in (1.0, 0.5, 0.25) if curvature != FLAT else ():
        points = curved_with_wall(cell, mesh.points, share * curvature[0], share * curvature[1])
        with suppress(MeshError):
            whole = gated(points, mesh.tets, mesh.facets, mesh.outer, mesh.size, "the window", None)
            return replace(part, mesh=whole), share
    return part, 0.0


def passage(cell: WindowCell, curvature: tuple[float, float] = FLAT) -> Passage:
    """Conductivity and friction of a cell's window."""
    stream = streaming(cell, curvature)
    _, viscous = wall_integrals(stream.clay, stream.potential[:, None])
    # Half a cell: twice its integral, over the square of the whole flow.
    return Passage(stream.flow, 2 * float(viscous[0]) / stream.flow**2)


@lru_cache(maxsize=64)
def edge_drop(cell: WindowCell, reach: float) -> float:
    """Drop of the potential around the edge for unit flow through the window, 1/m.

    From `reach` (m) behind the edge's nose on the face inside to as far up the slope outside, mean over the window's
    width. By reciprocity it is also what a source at the one place and a sink at the other do to the window's air: the
    strength of a jet's dipole. Right to about a percent.
    """
    stream = streaming(cell)
    slope, angle = cell.wall / np.sin(np.deg2rad(cell.edge_deg)), np.deg2rad(cell.edge_deg)
    far = reach + cell.cut_up - cell.tip  # from the drawn-back nose to the place `reach` behind the edge
    up, beyond = min(far, slope), max(0.0, far - slope)  # past the slope's end along the outer face
    inside = _mean_potential(cell, stream, (cell.tip + far, 0.0), within=True)
    outside = _mean_potential(cell, stream, (cell.tip + up * np.cos(angle) + beyond, up * np.sin(angle)), within=False)
    return (inside - outside) / stream.flow


def _mean_potential(cell: WindowCell, stream: Stream, place: tuple[float, float], within: bool) -> float:
    """Mean of the potential over the window's width at (x, z), on the inside face or on the slope and beyond."""
    clay = stream.clay
    x, y, z = np.moveaxis(clay.points[clay.facets].mean(axis=1), 1, 0)  # by its middle each facet is known
    small = 1e-6 * cell.cut_up
    slot_side = (np.abs(y - cell.width / 2) < small) & (z < cell.wall - small)
    facets = np.abs(z) < small if within else (z > small) & (x > cell.tip - small) & ~slot_side
    across = (np.arange(_ACROSS) + 0.5) / _ACROSS * cell.width / 2
    at = np.stack([place[0] + 0 * across, across, place[1] + 0 * across], axis=1)
    rows = WallReader.of(clay.points, clay.facets[facets]).rows(at)
    return float((rows @ stream.potential).mean())


_ACROSS = 12  # places across half of the window


def _cap(part: CellMesh, which: np.ndarray) -> tuple[csr_matrix, np.ndarray]:
    """Mass matrix of a cap, and the integrals of the shape functions over it."""
    rule = facet_rule(part.mesh.points, part.mesh.facets[which])
    return rule.mass, rule.nodal


SOLVED_AT = 5e-3  # m: the cut-up at which every cell is solved, so that a scaled window gives a scaled answer


def slope_relief(
    width: float,
    cut_up: float,
    wall: float,
    edge_deg: float,
    nose: float,
    rim: float,
    curvature: tuple[float, float] = FLAT,
) -> Relief:
    """The relief of a window (m, degrees) whose edge slopes; nothing where it stands upright or the wall is thin.

    nose, rim: radii of its rims inside and outside; curvature: the inner wall's, across and along the window, 1/m.
    By the law of `relief` where that holds and the slope is not flat, else by the window's own cells, sloped and
    upright.
    """
    if edge_deg >= UPRIGHT or _is_thin(wall, cut_up):
        return Relief(0.0, 0.0)
    cell = window_cell(width, cut_up, wall, edge_deg, nose, rim)
    cell = replace(cell, bent=_bent(cell, curvature))
    if edge_deg < LAW_DOWN_TO or not covers(place(cell, curvature)):
        return solved_relief(cell, curvature)
    relief = lawful(cell, curvature)
    return relief if edge_deg >= STEEP else replace(relief, inertance=relief.inertance - _missed(cell, curvature))


def _missed(cell: WindowCell, curvature: tuple[float, float]) -> float:
    """Fall of 1/K, 1/m, that the law's cells missed of a flat slope in a bent wall.

    (0.0023 across + 0.0069 along) run^2 H/half^3, of the outer face's curvatures, run how much longer the window is
    outside, H the cut-up, half of its largest size; as the bend reaches to `cell.bent` and not only to the law's. From
    12 windows at 34 degrees, 1.6 to 4.5 cut-ups wide in walls of 0.6 to 1.6: within 0.0001/H, a tenth of a cent.
    """
    bend = sum(share * k for share, k in zip(MISSED, _outside(cell, curvature), strict=True))
    reach = (BENT**-2 - cell.bent**-2) / (BENT**-2 - WIDE**-2)  # 0 as the law's cells are bent, 1 at WIDE
    return reach * bend * (cell.top - cell.cut_up) ** 2 * cell.cut_up / cell.half**3


def _outside(cell: WindowCell, curvature: tuple[float, float]) -> tuple[float, float]:
    """Curvatures of the outer face, 1/m."""
    across, along = (k / max(1 + k * cell.wall, 0.1) for k in curvature)
    return across, along


def _bent(cell: WindowCell, curvature: tuple[float, float]) -> float:
    """Radius at which the bend of a window's cell dies away, in halves of the window.

    No farther out than a ball of that bend reaches; from 45 degrees on as the law's cells.
    """
    radius = 2 / max(abs(sum(_outside(cell, curvature))), 1e-9)
    wide = float(np.clip(BALL * radius / cell.half, BENT, WIDE))
    return float(np.interp(cell.edge_deg, (LAW_DOWN_TO, STEEP), (wide, BENT)))


def solved_relief(cell: WindowCell, curvature: tuple[float, float] = FLAT) -> Relief:
    """The relief of a window by elements.

    Sloped and upright windows are solved on like meshes, rims rounded alike, so what coarse meshes miss and what the
    curvature does beyond the window cancels: the fall of 1/K is right to half a percent of itself, where either K is so
    only to two; the friction's change to some three percent.
    """
    scale = SOLVED_AT / cell.cut_up
    across, along = (float(k) / scale for k in curvature)
    relief = _relief(_like(cell), (across, along))
    return Relief(relief.inertance * scale, relief.friction * scale**2)


def labium_share(
    width: float, cut_up: float, wall: float, edge_deg: float, nose: float, rim: float, reach: float
) -> float:
    """`edge_drop` of a window (m, degrees) over that of an endless slit in thin clay, (4/pi) sqrt(reach W)/(W H).

    1 for a thin wall, which is what the slit's formula is for. Beyond 1.5 cut-ups the reach counts no more.
    """
    if _is_thin(wall, cut_up):
        return 1.0
    scale, far = SOLVED_AT / cut_up, min(reach, 1.5 * cut_up)
    cell = _like(window_cell(width, cut_up, wall, min(edge_deg, UPRIGHT), nose, rim))
    slit = 4 / np.pi * np.sqrt(far / cut_up) / width  # the slit's own drop over the same reach
    return edge_drop(cell, round(scale * far, 9)) * scale / slit


def _is_thin(wall: float, cut_up: float) -> bool:
    return wall < 0.05 * cut_up


def _like(cell: WindowCell) -> WindowCell:
    """The cell scaled to the cut-up at which all are solved."""
    scale = SOLVED_AT / cell.cut_up
    # Rounded to a nanometre, so that sizes that differ by rounding alone are one cell in the cache.
    width, wall, nose, rim = (round(scale * size, 9) for size in (cell.width, cell.wall, cell.nose, cell.rim))
    return WindowCell(width, SOLVED_AT, wall, round(cell.edge_deg, 6), nose, rim, bent=cell.bent)


@lru_cache(maxsize=256)
def _relief(cell: WindowCell, curvature: tuple[float, float]) -> Relief:
    upright = replace(cell, edge_deg=UPRIGHT, room=cell.far)  # bent as far around, or that would not cancel
    # Both alike, or what the curvature does would not cancel.
    share = min(_curved(each, curvature)[1] for each in (cell, upright))
    there, before = (passage(each, (share * curvature[0], share * curvature[1])) for each in (cell, upright))
    return Relief(1 / there.conductivity - 1 / before.conductivity, there.friction - before.friction)
