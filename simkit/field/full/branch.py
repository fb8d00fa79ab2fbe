"""The end of a windway in the wall of the window's duct: the change of a resonance by a side branch there.

A branch that takes the flow U = p/Z at the mean pressure p over its end adds b p q to the weak form, b = i omega rho/Z
in m. That is of rank one, so k^2 moves by exactly P b/(1 + r b) as long as r, what the rest of the air answers there,
stands still; P is the participation of the resonance at the branch's end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import hstack

from simkit.body.chambers import Opening
from simkit.body.meshes.skins import WholeMesh
from simkit.errors import OutOfReach
from simkit.field.fem.quadrature import facet_rule
from simkit.field.fem.resonance_search import Radiating, Space, converged

EXIT = "[windway]"  # among the places that a driven answer is read at
FLAT = 1e-5  # m: tolerance of the plane of a window's upright wall


@dataclass(frozen=True)
class Exit:
    """Exit of a windway in the upright wall of a window's duct.

    bottom, top: distance outward of the inner face, m, the bottom also below it; conductivity of the branch, m, about.
    """

    window: Opening
    bottom: float
    top: float
    conductivity: float


@dataclass(frozen=True)
class Participation:
    """p^2 at a branch's end over the mode's weight, m^-3, and r, 1/m."""

    strength: complex
    answer: complex

    def moves(self, branch: complex) -> complex:
        """Change of k^2, 1/m2, by a branch of i omega rho/Z = `branch`, m."""
        return self.strength * branch / (1 + self.answer * branch)


def mean_over(whole: WholeMesh, end: Exit) -> np.ndarray:
    """Weights (nodes,) whose sum with the pressure is its mean over the exit."""
    o, mesh = end.window, whole.mesh
    frame = np.stack([o.across, o.forward, o.axis], axis=1)
    at = (mesh.points[mesh.facets] - o.center) @ frame
    # Facets whose nodes all lie in the plane upstream, where the windway comes in, and within the window's width.
    upright = (np.abs(at[..., 1] + o.height / 2) < FLAT).all(axis=1) & (np.abs(at[..., 0]) < o.width / 2 + FLAT).all(1)
    rule = facet_rule(mesh.points, mesh.facets[upright])
    out = (rule.points - o.center) @ o.axis
    low = (out > end.bottom) & (out < end.top)
    if not low.any():
        raise OutOfReach("resolved: the windway's exit has no upright wall to open in; make the rims' radius smaller")
    weights = np.asarray(rule.spread[:, low].sum(axis=1)).ravel()
    return weights / weights.sum()  # a mean: they sum to 1


def participation_at(air: Radiating, row: np.ndarray, about: float, k: complex, pressure: np.ndarray) -> Participation:
    """Participation of a branch at `row` (joined nodes,) in a resonance k, pressure (joined nodes,), of air without it.

    By the resonance with a plain branch of conductivity `about`, found from the one without.
    """
    # No conjugate: the equations are symmetric, not Hermitian.
    strength = complex((row @ pressure) ** 2) / air.weight(k, pressure)
    branched = replace(air, B=hstack([air.B, row[:, None]], format="csr"), branch=about)
    space = Space(branched)
    space.grow(np.stack([pressure.real, pressure.imag], axis=1))
    # From where the branch takes it the residue of the rest: P b/(1 + r b) = k_moved^2 - k^2.
    moved, _ = converged(space, k, space.V.T @ pressure, [])
    return Participation(strength, (strength * about / (moved**2 - k**2) - 1) / about)
