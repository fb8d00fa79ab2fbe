"""The motion of the air in the openings, read off the lumped and the port resonator, all fingerings in one batch."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.errors import OutOfReach
from simkit.sound.blowing.motion import Motion, helmholtz_motion, straight_through
from simkit.sound.circuit import Circuit, opened
from simkit.sound.lumped import LumpedResonator
from simkit.sound.neighbours import members
from simkit.sound.ports import PortsResonator

_BESIDE = 8  # chamber modes carried beside those asked for; all others stay in the static part
_WHOLLY = "half-covered holes are not blown yet: allowed: holes open (1) or covered (0)"


def motion_of_lumped(resonator: LumpedResonator, openness: np.ndarray) -> Motion:
    """The motion of a lumped resonator for fingerings (F, holes): it has one resonance."""
    if resonator.window is None:
        raise OutOfReach("this chamber has no window to blow at")
    openness = np.atleast_2d(np.asarray(openness, float))
    apertures = (resonator.window, *resonator.apertures)
    air = resonator.airs.window
    airs = [air, *(resonator.airs.of_hole(name) for name in resonator.holes)]
    lightness = np.array([air.density / each.density for each in airs])
    conductivity = resonator.conductivity(openness) * lightness
    area = np.array([float(each.area) for each in apertures])
    return helmholtz_motion(air, resonator.lowest(openness), conductivity, area)


def motion_of_ports(resonator: PortsResonator, openness: np.ndarray, count: int) -> Motion:
    """The motion of a port resonator for fingerings (F, holes) of 0 and 1, its lowest `count` resonances each.

    The lowest resonance is the resonator's own. Shapes of all are those of the lossless eigenproblem among the
    chamber's modes with the openings' flows as at rest; the higher ones' frequency and damping are Rayleigh's quotient
    of that shape, losses included: right to second order, and enough to tell when they take over.
    """
    if not resonator.windowed:
        raise OutOfReach("this chamber has no window to blow at")
    openness = np.atleast_2d(np.asarray(openness, float))
    if ((openness > 0) & (openness < 1)).any():
        raise OutOfReach(_WHOLLY)
    problem = _Problem.of(resonator, openness, count + _BESIDE)
    k, shapes = problem.at_rest(count)
    omega = problem.speed * k.astype(complex)
    omega[:, 0] = resonator.lowest(openness)
    flow = np.empty((len(openness), count, int(resonator.rows.sum())))
    for n in range(count):
        square, out = problem.rayleigh(omega[:, n].real, shapes[:, :, n])
        if n:
            omega[:, n] = problem.speed * np.sqrt(square)
        flow[:, n] = out.real[:, resonator.rows] * problem.speed / omega[:, n, None].real
    area = np.array([float(duct.aperture.area) for duct in resonator.circuit.ducts])[resonator.rows]
    return Motion(resonator.airs.window, omega, flow, problem.straight(resonator.rows), area)


@dataclass(frozen=True, eq=False)
class _Problem:
    """[K - k^2 + Phi' Y Phi] b = 0 for many fingerings, Y = T (N T + R)^-1 (see `simkit.sound.ringing`)."""

    circuit: Circuit
    states: np.ndarray  # (F, n)
    phi: np.ndarray  # (n, m) the carried modes at the ports, uniform ones first
    k2: np.ndarray  # (m,)
    loss: np.ndarray  # (m,) 1/Q, 0 for the uniform ones
    heat: np.ndarray  # (u,) of the uniform ones, over sqrt(omega)
    foreign: np.ndarray  # (u,) bool, the uniform ones of other chambers

    @classmethod
    def of(cls, resonator: PortsResonator, openness: np.ndarray, carried: int) -> _Problem:
        circuit, rows = resonator.circuit, resonator.rows
        field = circuit.field
        owner = members(field).argmax(axis=0)  # a row of each chamber
        uniform = members(field) / np.sqrt(field.volumes)[:, None]
        still = np.zeros(len(owner))
        # What is carried of the other chambers is their uniform pressure; their modes stay in the static part.
        kept = np.flatnonzero(np.abs(field.modes[rows]).max(axis=0) > 0)[:carried]
        return cls(
            circuit,
            resonator.states(openness),
            np.concatenate([uniform, field.modes[:, kept]], axis=1),
            np.r_[still, field.k2[kept]],
            np.r_[still, circuit.loss.modes[kept]],
            circuit.loss.uniform[owner],
            members(field)[rows].sum(axis=0) == 0,
        )

    @property
    def speed(self) -> float:
        """Sound speed in the chamber, m/s."""
        return self.circuit.chamber_air.sound_speed

    @property
    def _slow(self) -> np.ndarray:
        """A frequency so low that flows are those of rest, rad/s (1,)."""
        return np.array([0.02 * self.speed * np.sqrt(self.k2[len(self.heat)])])

    def yielding(self, circuit: Circuit, omega: np.ndarray, apart: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """T and N T + R (F, n, n) at omega (F,) or (1,); `apart` (n, n) is what the carried modes hold of Z_in."""
        m = circuit.at(omega)
        T, R = opened(m, self.states)
        return T, (m.calm - apart) @ T + R

    def at_rest(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        """k (F, count) and shapes (F, m, count) without losses."""
        own, k2 = self.phi[:, len(self.heat) :], self.k2[len(self.heat) :]
        T, system = self.yielding(replace(self.circuit, lossless=True), self._slow, (own / k2) @ own.T)
        flows = (self.phi.T @ (T @ np.linalg.solve(system, np.broadcast_to(self.phi, (len(T), *self.phi.shape))))).real
        values, vectors = np.linalg.eigh(np.diag(self.k2) + (flows + flows.transpose(0, 2, 1)) / 2)
        values, vectors = self._own(values, vectors)
        if (values[:, 0] <= 0).any() or values.shape[1] < count:
            raise OutOfReach(f"{count} resonances: the port model carries {values.shape[1]}")
        return np.sqrt(values[:, :count]), vectors[:, :, :count]

    def _own(self, values: np.ndarray, vectors: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The resonances (F, m) without those that are most of all the other chambers'."""
        count = int(self.foreign.sum())
        if not count:
            return values, vectors
        abroad = np.square(vectors[:, : len(self.heat)][:, self.foreign]).sum(axis=1)
        kept = np.sort(np.argsort(abroad, axis=1)[:, : values.shape[1] - count], axis=1)
        return np.take_along_axis(values, kept, axis=1), np.take_along_axis(vectors, kept[:, None], axis=2)

    def rayleigh(self, omega: np.ndarray, shape: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """k^2 (F,) complex of fields `shape` (F, m) at real omega (F,), and the flux out of every opening (F, n)."""
        k2 = np.square(omega / self.speed)[:, None]
        own, squares = self.phi[:, len(self.heat) :], self.k2[len(self.heat) :]
        lossy = squares * (1 + (1j - 1) * self.loss[len(self.heat) :])
        apart = np.einsum("im,fm,jm->fij", own, 1 / (lossy - k2), own)
        T, system = self.yielding(self.circuit, omega.astype(complex), apart)
        pressure = shape @ self.phi.T
        flux = (T @ np.linalg.solve(system, pressure[..., None]))[..., 0]
        stored = np.einsum("fm,m->f", shape[:, len(self.heat) :] ** 2, lossy)
        warm = (1 - 1j) * np.einsum("fu,u->f", shape[:, : len(self.heat)] ** 2, self.heat) / np.sqrt(omega)
        return (stored + (flux * pressure).sum(axis=1)) / (1 + warm), flux

    def straight(self, rows: np.ndarray) -> np.ndarray:
        """(F, O) the flow straight through, from the conductivity matrix of the chamber's own openings at rest."""
        T, system = self.yielding(
            replace(self.circuit, lossless=True), self._slow, np.zeros_like(self.circuit.field.static)
        )
        matrix = (T @ np.linalg.inv(system)).real[:, rows][:, :, rows]
        return straight_through((matrix + matrix.transpose(0, 2, 1)) / 2)
