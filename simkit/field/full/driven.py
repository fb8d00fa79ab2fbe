"""Response of all the air to a pressure that drives it through one of its covers.

The pressure jumps by one across the cover: p = E x + g, with E that joins the nodes of the open covers and g one on
the cover's inner side. With A = K - k^2 M + what radiates, and what heat and friction take at the walls,
(E^T A E) x = -E^T A g, and the integral of dp/dn over the cover, n out of the inside, is g^T A p. Answered in a small
space of real fields that holds the response at wave numbers all over the range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from simkit.errors import OutOfReach
from simkit.field.fem.resonance_search import Radiating, Space

SAMPLES = 12  # wave numbers at which the space must hold the response
TOLERANCE = 1e-4  # of the flow
STEPS = 80


@dataclass(frozen=True, eq=False)
class Driven:
    """The answer's small model: for each matrix its part in the space (m, m), its load (m,) and its own share of g.

    K, M, S, viscous, thermal: stiffness, mass, far sphere, integrals of grad_T p . grad_T q and of p q over the walls;
    at sharp rims viscous + k^2 viscous_k2 stands for the former. covers: rows (c, m) of the pressure at
    each closed cover and at a windway's exit, by name; sphere: harmonics of the far sphere.
    """

    air: Radiating
    small: dict[str, np.ndarray]
    load: dict[str, np.ndarray]
    own: dict[str, float]
    covers: dict[str, np.ndarray]
    sphere: np.ndarray

    def flow(self, k: np.ndarray, friction: np.ndarray, heat: np.ndarray, beyond: dict[str, np.ndarray]) -> np.ndarray:
        """Integral of dp/dn over the cover for unit pressure at wave numbers k (n,), 1/m, in m: (n,) complex.

        friction, heat (n,): (1 - i)/2 delta_v and (1 - i)/2 (gamma - 1) delta_t, m; beyond: volumes (n,), m^3, that the
        mesh leaves out behind closed covers.
        """
        found = []
        for at, (each, v, t) in enumerate(zip(k, friction, heat, strict=True)):
            # Air behind a closed cover springs with the cover's mean pressure: more mass, of rank one.
            extra = sum((beyond[name][at] * np.outer(row, row) for name, row in self.covers.items()), np.zeros((1, 1)))
            square = each**2
            shares = {"K": 1, "M": -square, "viscous": -v, "viscous_k2": -v * square, "thermal": -t * square}
            A = sum(shares[name] * self.small[name] for name in self.own) - square * extra
            A = A + self.air.beyond * self.small["S"] + (self.sphere.T * self.air.steepness(each)) @ self.sphere
            b = sum(shares[name] * load for name, load in self.load.items())
            c = sum(shares[name] * own for name, own in self.own.items())
            found.append(c - b @ np.linalg.solve(A, b))  # g^T A p, with p = E x + g and x eliminated
        return np.array(found)


def driven(
    air: Radiating,
    matrices: dict[str, csr_matrix],
    join: csr_matrix,
    jump: np.ndarray,
    covers: dict[str, csr_matrix],
    highest: float,
) -> Driven:
    """The small model for wave numbers up to `highest`, 1/m.

    matrices before joining, the joining E, and the drive g, `jump`; covers: rows over the joined nodes for closed
    covers.
    """
    space = Space(air)
    pushed = {name: A @ jump for name, A in matrices.items()}
    loads = {name: np.asarray(join.T @ each) for name, each in pushed.items()}  # E^T A g (joined nodes,)
    own = {name: float(jump @ each) for name, each in pushed.items()}
    steady = np.ones((len(space.V), 1))
    # To begin with the answer at rest, and the even pressure, which the chamber's spring needs.
    space.grow(air.inverse(np.hstack([loads["K"][:, None], air.inside @ steady])))
    waves = highest * (np.arange(SAMPLES) + 1) / SAMPLES  # rest has its answer already
    for _ in range(STEPS):
        worst, at = 0.0, np.zeros((len(space.V), 0))  # greedy: the residual that is largest joins the space
        for k in waves:
            residual, flow = _response(space, loads, own, k)
            better = air.inverse(residual)
            error = float(abs(np.dot(residual @ (1, 1j), better @ (1, 1j)) / flow))
            if error > worst:
                worst, at = error, better
        if worst < TOLERANCE:
            break
        space.grow(at)
    else:
        raise OutOfReach(f"resolved: the answer at the window did not converge in {STEPS} steps (error {worst:.1g})")
    V = space.V
    spread = join @ V  # fields of the space on the nodes before they are joined
    return Driven(
        air,
        {**{name: spread.T @ (A @ spread) for name, A in matrices.items()}, "S": space.small["S"]},
        {name: V.T @ load for name, load in loads.items()},
        own,
        {name: np.asarray(row @ V).ravel() for name, row in covers.items()},
        space.sphere,
    )


def _response(
    space: Space, loads: dict[str, np.ndarray], own: dict[str, float], k: float
) -> tuple[np.ndarray, complex]:
    """Residual of the space's response at k, (n, 2) real and imaginary part, and the flow."""
    air, small = space.air, space.small
    radiated = air.steepness(k)
    A = small["K"] - k**2 * small["M"] + air.beyond * small["S"] + (space.sphere.T * radiated) @ space.sphere
    b = loads["K"] - k**2 * loads["M"]
    y = -np.linalg.solve(A, space.V.T @ b)
    parts = space.V @ np.stack([y.real, y.imag], axis=1)
    residual = air.residual(k, parts)
    residual[:, 0] += b
    return residual, own["K"] - k**2 * own["M"] + b @ parts @ (1, 1j)
