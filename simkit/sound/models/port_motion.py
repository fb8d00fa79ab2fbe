"""The motion of the air in the openings, read off the circuit of the port model, all fingerings in one batch."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.air import Air
from simkit.errors import OutOfReach
from simkit.sound.models.circuit import Circuit, opened
from simkit.sound.models.motion import Motion, straight_through
from simkit.sound.models.neighbours import members

_BESIDE = 8  # chamber modes carried beside those asked for; all others stay in the static part
_STEPS = 30
_TOLERANCE = 1e-6  # of the frequency
_AT_ONCE = 1000  # fingerings: their matrices take a few hundred MB
_WHOLLY = "half-covered holes are not blown yet: allowed: holes open (1) or covered (0)"


def circuit_motion(
    circuit: Circuit, rows: np.ndarray, states: np.ndarray, lowest: np.ndarray, air: Air, count: int
) -> Motion:
    """The motion in the openings `rows` (n,) of a chamber for states (F, n) of 0 and 1: `count` resonances each.

    All are the chamber's own; lowest (F,): the lowest of them, complex omega; air: in the window. Their shapes are
    those of the lossless eigenproblem among the chamber's modes with the openings' flows as at rest; from there the
    higher ones converge as `simkit.sound.models.roots.resonances` lets them.
    """
    if ((states > 0) & (states < 1)).any():
        raise OutOfReach(_WHOLLY)
    problem = _Problem.of(circuit, rows, states, count + _BESIDE)
    k, shapes = problem.at_rest(count)
    omega = problem.speed * k.astype(complex)
    omega[:, 0] = lowest
    for some in np.array_split(np.arange(len(omega)), 1 + len(omega) // _AT_ONCE):
        omega[some, 1:] = replace(problem, states=problem.states[some]).converged(omega[some, 1:], shapes[some, :, 1:])
    order = np.argsort(omega[:, 1:].real, axis=1) + 1  # two that lie close may have changed places
    omega[:, 1:] = np.take_along_axis(omega, order, axis=1)
    shapes[:, :, 1:] = np.take_along_axis(shapes, order[:, None], axis=2)
    flow = np.empty((len(states), count, int(rows.sum())))
    for n in range(count):
        real = omega[:, n].real
        flow[:, n] = problem.flux(real, shapes[:, :, n]).real[:, rows] * problem.speed / real[:, None]
    area = np.array([float(duct.aperture.area) for duct in circuit.ducts])[rows]
    return Motion(air, omega, flow, problem.straight(rows), area)


@dataclass(frozen=True, eq=False)
class _Problem:
    """[K - k^2 + Phi' Y Phi] b = 0 for many fingerings, Y = T (N T + R)^-1 (see `simkit.sound.models.roots`)."""

    circuit: Circuit
    states: np.ndarray  # (F, n)
    phi: np.ndarray  # (n, m) the carried modes at the ports, uniform ones first
    k2: np.ndarray  # (m,)
    kept: np.ndarray  # (c,) which of the field's modes are carried
    heat: np.ndarray  # (u,) of the uniform ones, over sqrt(omega)
    foreign: np.ndarray  # (u,) bool, the uniform ones of other chambers

    @classmethod
    def of(cls, circuit: Circuit, rows: np.ndarray, states: np.ndarray, carried: int) -> _Problem:
        field = circuit.field
        owner = members(field).argmax(axis=0)  # a row of each chamber
        uniform = members(field) / np.sqrt(field.volumes)[:, None]
        still = np.zeros(len(owner))
        # Of the other chambers only their uniform pressure is carried; their modes stay in the static part.
        kept = np.flatnonzero(np.abs(field.modes[rows]).max(axis=0) > 0)[:carried]
        return cls(
            circuit,
            states,
            np.concatenate([uniform, field.modes[:, kept]], axis=1),
            np.r_[still, field.k2[kept]],
            kept,
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

    def yielding(self, circuit: Circuit, omega: np.ndarray, states: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """T and N T + R (f, n, n) at omega (f,) or (1,) for states (f, n); N is Z_in without what the carried modes
        hold of it."""
        T, R = opened(circuit.at(omega), states)
        field = circuit.field
        k2 = np.square(circuit.wave_number(omega))[:, None]
        shares = 1 / circuit.distance(omega)
        shares[:, self.kept] = 0.0
        shares -= 1 / field.k2 + k2 / field.k2**2
        N = (
            field.static
            + k2[..., None] * field.quadratic
            + np.einsum("im,fm,jm->fij", field.modes, shares, field.modes)
        )
        return T, N @ T + R

    def flows(self, circuit: Circuit, omega: np.ndarray, states: np.ndarray) -> np.ndarray:
        """Phi' T (N T + R)^-1 Phi (f, m, m), 1/m2, made as symmetric as it is."""
        T, system = self.yielding(circuit, omega, states)
        found = self.phi.T @ (T @ np.linalg.solve(system, np.broadcast_to(self.phi, (len(T), *self.phi.shape))))
        return np.asarray((found + found.transpose(0, 2, 1)) / 2)

    def flux(self, omega: np.ndarray, shape: np.ndarray) -> np.ndarray:
        """The flux out of every opening (F, n) of fields `shape` (F, m) at real omega (F,)."""
        T, system = self.yielding(self.circuit, omega.astype(complex), self.states)
        return np.asarray((T @ np.linalg.solve(system, (shape @ self.phi.T)[..., None]))[..., 0])

    def at_rest(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        """k (F, count) and shapes (F, m, count) without losses."""
        flows = self.flows(replace(self.circuit, lossless=True), self._slow, self.states).real
        values, vectors = np.linalg.eigh(np.diag(self.k2) + flows)
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

    def diagonal(self, omega: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """K - k^2 of the carried modes with the wall's losses, and its derivative by k: (f, m) each."""
        k = (omega / self.speed)[:, None]
        heat = 1 + (1 - 1j) * self.heat / np.sqrt(omega)[:, None]
        own = self.circuit.distance(omega)[:, self.kept]
        return np.hstack([-k * k * heat, own]), np.hstack([-2 * k * heat, np.broadcast_to(-2 * k, own.shape)])

    def converged(self, omega: np.ndarray, shapes: np.ndarray) -> np.ndarray:
        """The resonances (F, c) near omega (F, c) with fields near `shapes` (F, m, c): Rayleigh's quotient with inverse
        iteration, as in `models.roots`, all at once; a step moves them by a thousandth of the one before."""
        found, b = omega.ravel().astype(complex), shapes.transpose(0, 2, 1).reshape(omega.size, -1).astype(complex)
        states = np.repeat(self.states, omega.shape[1], axis=0)
        at = np.arange(len(found))  # those that still move
        for _ in range(_STEPS):
            if not len(at):
                return found.reshape(omega.shape)
            now = found[at]
            step = 1e-5 * np.abs(now)
            flows, onward = (self.flows(self.circuit, each, states[at]) for each in (now, now + step))
            diagonal, slope = self.diagonal(now)
            each = np.arange(diagonal.shape[1])
            G, change = flows, (onward - flows) * (self.speed / step)[:, None, None]
            G[:, each, each] += diagonal
            change[:, each, each] += slope
            tiny = 1e-14 * np.abs(G).max(axis=(1, 2))[:, None, None] * np.eye(len(each))
            b[at] = np.linalg.solve(G + tiny, change @ b[at][..., None])[..., 0]
            b[at] /= np.sqrt(np.einsum("fm,fm->f", b[at], b[at]))[:, None]
            error, rate = (np.einsum("fm,fmn,fn->f", b[at], matrix, b[at]) for matrix in (G, change))
            move = self.speed * error / rate
            found[at] = now - move
            at = at[np.abs(move) >= _TOLERANCE * np.abs(now)]
        raise OutOfReach(f"a resonance near {found[at[0]].real / (2 * np.pi):.0f} Hz did not settle")

    def straight(self, rows: np.ndarray) -> np.ndarray:
        """(F, O) the flow straight through, from the conductivity matrix of the chamber's own openings at rest."""
        circuit = replace(self.circuit, lossless=True)
        m = circuit.at(self._slow)
        T, R = opened(m, self.states)
        system = m.regular @ T + R
        matrix = (T @ np.linalg.inv(system)).real[:, rows][:, :, rows]
        return straight_through((matrix + matrix.transpose(0, 2, 1)) / 2)
