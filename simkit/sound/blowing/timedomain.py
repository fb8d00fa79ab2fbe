"""Jet and resonator followed through time: a delay differential equation on the resonances.

q_n'' + 2 Im(omega_n) q_n' + |omega_n|^2 q_n = (1/rho) [w_n0 dp - sum_i w_ni (rho/2) |v_i| v_i/contraction_i^2], flow in
opening i: U_i = sum_n w_ni q_n', v_i = U_i/S_i; the source dp = rho D H b U d/dt tanh(x(t) - y0/b), where
the jet's swing x(t) is made of the window's air at earlier times (`kernel`). `together` follows it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.frozen import frozen
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.motion import Motion

BLOCK = 0.01  # s for which the breath is held before the jet's speed follows it
SLOWEST = 1.5  # m/s: no slower jet is followed, and the past is kept as long as that one takes to the labium


@frozen
class Played:
    """A solution in time: time (T,) s, even steps within a block of breath; flow (T, O) m3/s into the chamber at each
    opening; part (T, M) of each resonance, m3/s in the window; pressure (T,) of the breath, Pa."""

    time: np.ndarray
    flow: np.ndarray
    part: np.ndarray
    pressure: np.ndarray

    def after(self, time: float) -> Played:
        """The solution later than `time`, s."""
        late = self.time > time
        return Played(self.time[late], self.flow[late], self.part[late], self.pressure[late])


def tap(motion: Motion, velocity: float, area: float) -> np.ndarray:
    """Initial state of the resonances (1 + M,) after a tap that gives the window's air `velocity`, m/s, shared out."""
    w = np.r_[motion.through[0, :1], motion.flow[0, :, 0]]
    return np.asarray(velocity * area * w / (w @ w))


@dataclass(frozen=True, eq=False)
class Oscillators:
    """The flow straight through and the resonances, as the equation needs them."""

    square: np.ndarray
    damping: np.ndarray
    flow: np.ndarray  # (1 + M, O)
    scale: np.ndarray  # rad/s by which places are multiplied, so that all of the state is a velocity
    edges: np.ndarray  # (O,) (1/2)/(contraction S)^2, pressure over rho for flow^2
    density: float

    @classmethod
    def of(cls, motion: Motion, jet: AirJet) -> Oscillators:
        if len(motion) != 1:
            raise ValueError(f"{len(motion)} fingerings: allowed: one at a time")
        omega, contraction = motion.omega[0], jet.constants.contractions(len(motion.area))
        return cls(
            square=np.r_[0.0, np.abs(omega) ** 2],
            damping=2 * np.r_[omega[0].imag, omega.imag],
            flow=np.vstack([motion.through[0], motion.flow[0]]),
            scale=np.r_[omega[0].real, omega.real],  # of the flow straight through, at 0, the note's
            edges=1 / (2 * (contraction * motion.area) ** 2),
            density=motion.air.density,
        )

    @property
    def count(self) -> int:
        return len(self.square)
