"""Once round: window air moves the jet, the jet the labium's source, the source the window's air.

L(omega) = G omega^2 N e^{wave} A(omega) = 1 is an oscillation. A = -rho Y/(i omega), in m, is what the resonator does
with a pressure across its window: A = sum_n w_n^2 / (omega^2 - omega_n^2 - i omega (2 Im omega_n + friction)), the
flow straight through included with omega_n = 0. Time factor e^{+i omega t}; a growing oscillation has Im omega < 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.orifice import Reals
from simkit.sound.models.resonator import Motion

# Friction of edges for a swing at its own frequency, and for a small swing at another beside it: means of |v| v.
SAME = 8 / (3 * np.pi)  # of |v| v at v's own frequency, over V^2
OTHER = 4 / np.pi  # of d(|v| v)/dv = 2 |v|, over V


class Friction(NamedTuple):
    """Resistance of air torn off at edges, for one pattern of flows.

    window (F,): R/rho of the window, 1/(m s), a resistance in its path. holes (1 + M, 1 + M, F): what the holes take
    from each resonance and between them, 1/s, the flow straight through first.
    """

    window: Reals
    holes: np.ndarray

    def times(self, factor: np.ndarray) -> Friction:
        """Friction is in proportion to the swing; `factor` (F,)."""
        return Friction(self.window * factor, self.holes * factor)


class Response(NamedTuple):
    """Response of the resonator to a pressure across its window."""

    response: np.ndarray  # (F,) A in m
    share: np.ndarray  # (F, O) complex: flow in each opening over that in the window
    free: np.ndarray  # (F,) A without the friction at the window's edges
    pole: np.ndarray  # (F,) 0 where the active resonance rings freely, that friction left out


@dataclass(frozen=True)
class Loop:
    """One jet before many fingerings; `active` names the resonance whose oscillation is followed, 0 the lowest.

    bent_source, bent_friction (F,) complex: what overtones do to the labium's source and to the window's friction at
    the oscillation's own frequency (see `overtones`); 1 for a pure tone.
    """

    motion: Motion
    jet: AirJet
    active: int = 0
    bent_source: Reals = 1.0
    bent_friction: Reals = 1.0

    @property
    def pure(self) -> Loop:
        """Copy without overtones."""
        return replace(self, bent_source=1.0, bent_friction=1.0)

    @property
    def gain_scale(self) -> float:
        """G of the loop, 1/m, with the jet's density over that of the air in the openings."""
        return self.jet.coupling() * self.jet.breath.density / self.motion.air.density

    @cached_property
    def _springs(self) -> np.ndarray:
        return np.abs(self.motion.omega.T) ** 2

    def friction(self, flow: np.ndarray, mean: float = SAME) -> Friction:
        """Resistance at the openings' edges for flows (F, O) of amplitude m3/s.

        dp = (rho/2)(v/contraction)^2 against the flow, so R = mean rho |U| / (2 contraction^2 S^2) at an opening and
        sum_i w_ni w_mi R_i/rho between two resonances.
        """
        ring = self.motion
        edges = mean * np.abs(flow) / (2 * (self.jet.constants.contractions(len(ring.area)) * ring.area) ** 2)
        holes = ring.every_flow[:, :, 1:]  # all openings but the window, which has its own place in the loop
        taken = (holes * edges[:, None, 1:]) @ holes.transpose(0, 2, 1)
        return Friction(edges[:, 0] * self.bent_friction, np.ascontiguousarray(taken.transpose(1, 2, 0)))

    @property
    def smooth(self) -> Friction:
        """Friction at edges of a swing too small to tear air off: none."""
        many = self.motion.modes + 1
        return Friction(0.0, np.zeros((many, many, len(self.motion))))

    def answer(self, omega: np.ndarray, friction: Friction | None = None, shares: bool = False) -> Response:
        """The response at omega (F,), real or complex; `shares` asks for the flows in the holes too.

        Resonances are tied to each other by friction in the holes; the window's friction, which all of the flow
        meets, is put in its path: A = A' / (1 - i omega (R/rho) A').
        """
        ring, friction = self.motion, friction or self.smooth
        # The active resonance comes last, so that what is left of it when the others are gone is its pole.
        order = [n for n in range(ring.modes + 1) if n != self.active + 1] + [self.active + 1]
        # The resonances' equations (m, m, F): omega^2 - omega_n^2 - 2 i omega Im omega_n on the diagonal, and friction.
        matrix = -1j * omega * friction.holes[np.ix_(order, order)]
        square, turned = omega**2, 2j * omega
        for place, n in enumerate(order):
            # The flow through has the lowest resonance's friction: the same openings, the same speeds.
            own, spring = (ring.omega[:, n - 1], self._springs[n - 1]) if n else (ring.omega[:, 0], 0.0)
            matrix[place, place] += square - spring - turned * own.imag
        drive = ring.every_flow[:, :, 0].T[order]
        # How far each resonance is moved by a pressure at the window; the last pivot is the active one.
        moved, pole = _solved(matrix, drive.astype(complex))
        free = (moved * drive).sum(axis=0)
        share = np.empty((len(ring), 0))  # not asked: of no opening
        if shares:
            share = np.einsum("mf,fmo->fo", moved, ring.every_flow[:, order]) / free[:, None]
        return Response(free / (1 - 1j * omega * friction.window * free), share, free, pole)

    def damping(self, friction: Friction) -> np.ndarray:
        """(F,) of the active resonance with the friction at all edges, 1/s."""
        a = self.active
        linear = 2 * self.motion.omega[:, a].imag
        return linear + friction.holes[a + 1, a + 1] + np.real(friction.window) * self.motion.drive[:, a]

    def log_gain(
        self,
        omega: np.ndarray,
        speed: np.ndarray,
        response: np.ndarray,
        saturated: Reals,
        wave_log: np.ndarray | None = None,
    ) -> np.ndarray:
        """log L (F,), its imaginary part the phase and never wrapped: 0 on the jet's first wave, -2 pi on its second.

        wave_log: what the jet's `wave_log` says, if it is known already.
        """
        size = np.log(self.gain_scale * saturated * np.abs(self.bent_source * omega**2 * response))
        # Of a passive resonator: pi far below a resonance, pi/2 on it, 0 far above.
        turn = np.angle(response) + 2 * np.angle(omega) + np.angle(self.bent_source)
        return size + 1j * turn + (self.jet.wave_log(omega, speed) if wave_log is None else wave_log)


def copies(loop: Loop, count: int) -> Loop:
    """The loop with each fingering so many times, one round of all after the other."""
    every = np.tile(np.arange(len(loop.motion)), count)
    source, friction = (
        each if np.ndim(each) == 0 else np.asarray(each)[every] for each in (loop.bent_source, loop.bent_friction)
    )
    return replace(loop, motion=loop.motion.only(every), bent_source=source, bent_friction=friction)


def _solved(a: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(x, last pivot) of symmetric systems a (n, n, F) for right sides x (n, F): Gauss, in place, all at once.

    numpy's solver takes matrices one by one and is ten times slower on thousands of small ones. No pivoting: the
    diagonal leads, as friction ties resonances only weakly.
    """
    n = len(a)
    for k in range(n):
        for i in range(k + 1, n):
            factor = a[i, k] / a[k, k]
            a[i, k + 1 :] -= factor * a[k, k + 1 :]
            x[i] -= factor * x[k]
    for k in range(n - 1, -1, -1):
        x[k] = (x[k] - (a[k, k + 1 :] * x[k + 1 :]).sum(axis=0)) / a[k, k]
    return x, a[-1, -1]
