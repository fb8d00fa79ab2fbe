"""Modal data of a resonator for blowing: motion of the air in the openings by each resonance of each fingering.

With a pressure dp put in series with opening j, the flow through opening i of a vessel is
U_i = (1/rho) sum_n i omega w_ni w_nj dp / (omega_n^2 - omega^2 + i omega 2 Im omega_n): each resonance n is known
by its complex frequency and by one number w per opening, in square roots of metres. w^2 at the window is the
resonance's drive: of the window's conductivity, the part that this resonance has. A mode with pressure field p,
int p^2 dV = 1 over all the air, has w = (1/k) int dp/dn dS over the opening. A plain Helmholtz resonator has
w_i = K_i/sqrt(K_tot), so the window drives it with K_w (K_w/K_tot): the more holes, the less.
What is missing then from the window's conductivity goes straight through: in at the window and out at the holes,
with no spring, a resonance at frequency 0 with w = `through`.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np

from simkit.air import Air
from simkit.frozen import frozen


@frozen
class Motion:
    """The resonances of F fingerings, M each, seen at O openings; the window is opening 0.

    air: in the openings. omega (F, M): complex, rad/s, ascending, linear losses and radiation in Im omega > 0.
    flow (F, M, O): w in sqrt(m), real, 0 for a covered hole; the sign says which openings breathe together, a flow
    into the chamber counting alike at all of them. through (F, O): the same for the flow straight through.
    area (O,): of the openings' ducts, m2.
    """

    air: Air
    omega: np.ndarray
    flow: np.ndarray
    through: np.ndarray
    area: np.ndarray

    def __post_init__(self) -> None:
        fingerings, modes = self.omega.shape
        openings = len(self.area)
        if self.flow.shape != (fingerings, modes, openings) or self.through.shape != (fingerings, openings):
            raise ValueError(
                f"omega {self.omega.shape}, flow {self.flow.shape}, through {self.through.shape}, area "
                f"{self.area.shape}: allowed: (F, M), (F, M, O), (F, O), (O,)"
            )
        if not (self.omega.imag > 0).all():
            raise ValueError("a resonance without loss or that grows by itself: allowed: Im omega > 0")

    def __len__(self) -> int:
        return len(self.omega)

    @property
    def modes(self) -> int:
        """Number of resonances of each fingering."""
        return self.omega.shape[1]

    @property
    def drive(self) -> np.ndarray:
        """(F, M) in m: w^2 at the window, rho times the residue of the window's admittance."""
        return self.flow[:, :, 0] ** 2

    @cached_property
    def every_flow(self) -> np.ndarray:
        """Flows w (F, 1 + M, O), m^(1/2): straight through first, then of the resonances."""
        return np.concatenate([self.through[:, None], self.flow], axis=1)

    @property
    def frequency(self) -> np.ndarray:
        """(F, M) in Hz."""
        return self.omega.real / (2 * np.pi)

    @property
    def q(self) -> np.ndarray:
        """(F, M): linear Q = Re omega / (2 Im omega)."""
        return self.omega.real / (2 * self.omega.imag)

    def only(self, fingerings: np.ndarray | slice) -> Motion:
        """Motion of some fingerings alone: indices, a mask or a slice."""
        return replace(self, omega=self.omega[fingerings], flow=self.flow[fingerings], through=self.through[fingerings])


def straight_through(conductivity: np.ndarray) -> np.ndarray:
    """`through` (..., O) from the openings' conductivity matrix K (..., O, O) in m, window first.

    U = K dp / (i omega rho) with the chamber's air stiff: no flow may stay inside, so of the column K e_w the part
    that fills the chamber is taken out: w = (K e_w - K 1 (1 K e_w)/(1 K 1)) / sqrt(its own window entry). K is the
    inverse of the ports' matrix of mutual inertance; diag(K_i) where openings ignore each other.
    """
    total = conductivity.sum(axis=-1)
    column = conductivity[..., 0] - total * (total[..., :1] / total.sum(axis=-1, keepdims=True))
    own = np.maximum(column[..., :1], 0.0)
    # With no hole open there is nothing to go through; what rounding leaves is no flow.
    return np.where(own > 1e-12 * conductivity[..., :1, 0], column / np.sqrt(np.maximum(own, 1e-300)), 0.0)


def helmholtz_motion(air: Air, omega: np.ndarray, conductivity: np.ndarray, area: np.ndarray) -> Motion:
    """The motion of a lumped resonator: one resonance, omega (F,) complex, conductivity (F, O), 0 where covered."""
    total = conductivity.sum(axis=1, keepdims=True)
    matrix = conductivity[:, :, None] * np.eye(conductivity.shape[1])
    flow = (conductivity / np.sqrt(total))[:, None, :]
    return Motion(air, np.asarray(omega)[:, None], flow, straight_through(matrix), area)
