"""The conductivity of a window with a sloping edge, by finite elements on a small block."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.sparse import csr_matrix, diags

from simkit.body.voicing import CellMesh, WindowCell, cell_mesh
from simkit.field.elements import stiffness_and_mass
from simkit.field.factor import factored
from simkit.field.quadrature import facet_rule
from simkit.field.rub import wall_integrals

LEAST_NOSE = 1e-4  # m: no clay is sharper
UPRIGHT = 90.0


@dataclass(frozen=True)
class Passage:
    """What a window lets through: conductivity K, m, and friction, the integral of |u|^2 over the clay for unit flow,
    1/m^2."""

    conductivity: float
    friction: float


def passage(cell: WindowCell) -> Passage:
    """Laplace's equation between two half spaces, potential 1 far inside and 0 far outside.

    The far caps let through what a point source would, dp/dn = -(p - p_far)/R; K is the flow through the outer one.
    """
    part = cell_mesh(cell)
    K, _ = stiffness_and_mass(part.mesh)
    inside, outside = (_cap(part, which) for which in (part.far_inside, part.far_outside))
    operator = (K + (inside[0] + outside[0]) / cell.far).tocsr()
    potential = factored(operator)((inside[1] / cell.far)[:, None])
    flow = 2 * float(outside[1] @ potential[:, 0]) / cell.far  # both halves
    clay = replace(part.mesh, facets=part.mesh.facets[part.clay])
    _, slid = wall_integrals(clay, potential)
    return Passage(flow, 2 * float(slid[0]) / flow**2)


def _cap(part: CellMesh, which: np.ndarray) -> tuple[csr_matrix, np.ndarray]:
    """Mass matrix of a cap, and the integrals of the shape functions over it."""
    rule = facet_rule(part.mesh.points, part.mesh.facets[which])
    return rule.spread @ diags(1 / rule.weights) @ rule.spread.T, np.asarray(rule.spread.sum(axis=1)).ravel()


@dataclass(frozen=True)
class Relief:
    """What a sloping far side changes against an upright one: of 1/K, 1/m, and of the friction, 1/m^2."""

    inertance: float
    friction: float


SOLVED_AT = 5e-3  # m: the cut-up at which every cell is solved, so that a scaled window gives a scaled answer


def slope_relief(width: float, cut_up: float, wall: float, edge_deg: float, nose: float) -> Relief:
    """The relief of a window (m, degrees) whose edge slopes; nothing where it stands upright or the wall is thin.

    Sloped and upright windows are solved on like meshes with the far side's two edges rounded alike, so what coarse
    meshes miss at the other rims cancels: the fall of 1/K is right to about a percent of itself, where either K is
    so only to two; the friction's change to some three percent.
    """
    if edge_deg >= UPRIGHT or wall < 0.05 * cut_up:
        return Relief(0.0, 0.0)
    nose = min(max(nose, LEAST_NOSE), 0.2 * cut_up, 0.25 * wall)
    scale = SOLVED_AT / cut_up
    relief = _relief(*(round(scale * size, 9) for size in (width, wall, nose)), round(float(edge_deg), 6))
    return Relief(relief.inertance * scale, relief.friction * scale**2)


@lru_cache(maxsize=256)
def _relief(width: float, wall: float, nose: float, edge_deg: float) -> Relief:
    sloped, upright = (passage(WindowCell(width, SOLVED_AT, wall, angle, nose)) for angle in (edge_deg, UPRIGHT))
    return Relief(1 / sloped.conductivity - 1 / upright.conductivity, sloped.friction - upright.friction)
