"""The eigenproblem among the modes of a body's chambers, for many states of its openings at once.

With b the amplitudes of the modes that are carried (of each chamber the uniform pressure, then others), the flows
eliminated:

    [K - k^2 + Phi' T (N T + R)^-1 Phi] b = 0,

N the part of Z_in that no carried mode has. It is symmetric, so Rayleigh's quotient with inverse iteration closes in
cubically; it starts from the real symmetric problem at rest. `circuit_motion` reads off it how the air in the openings
moves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.air import Air
from simkit.errors import OutOfReach
from simkit.field import PortField
from simkit.sound.models.circuit import Circuit, opened
from simkit.sound.models.neighbours import members
from simkit.sound.models.resonator import Motion, straight_through

_STEPS = 30
SLOW = 0.02  # of the lowest mode that is not uniform: a frequency at which flows are those of rest


@dataclass(frozen=True, eq=False)
class Modal:
    """The problem for states (f, n) of the openings.

    phi (n, m): the carried modes at the ports, the uniform ones first; k2 (m,), 1/m2; kept (c,): which of the field's
    modes are carried; heat (u,): of the uniform ones, over sqrt(omega).
    """

    circuit: Circuit
    states: np.ndarray
    phi: np.ndarray
    k2: np.ndarray
    kept: np.ndarray
    heat: np.ndarray

    @staticmethod
    def of(circuit: Circuit, states: np.ndarray, kept: np.ndarray | slice = slice(None)) -> Modal:
        """The problem that carries these of the field's modes, and the uniform pressures."""
        field, whose = circuit.field, members(circuit.field)
        uniform = whose / np.sqrt(field.volumes)[:, None]
        kept = np.arange(len(field.k2))[kept]
        phi = np.concatenate([uniform, field.modes[:, kept]], axis=1)
        heat = circuit.loss.uniform[whose.argmax(axis=0)]  # by a row of each chamber
        return Modal(circuit, states, phi, np.r_[np.zeros(len(heat)), field.k2[kept]], kept, heat)

    @property
    def speed(self) -> float:
        """Sound speed in the chamber, m/s."""
        return self.circuit.chamber_air.sound_speed

    @property
    def still(self) -> Modal:
        """Copy without losses."""
        return replace(self, circuit=replace(self.circuit, lossless=True))

    @property
    def slow(self) -> np.ndarray:
        """A frequency so low that flows are those of rest, rad/s: (1,)."""
        return np.array([SLOW * self.speed * np.sqrt(self.k2[len(self.heat)])])

    def port_system(self, omega: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """T and N T + R (f, n, n) at omega (f,) or (1,)."""
        circuit, field = self.circuit, self.circuit.field
        T, R = opened(circuit.at(omega), self.states)
        k2 = np.square(circuit.wave_number(omega))[:, None]
        # Static and quadratic part begin the series of every mode: that is taken off again, and modes that are not
        # carried stand here whole.
        shares = 1 / circuit.distance(omega)
        shares[:, self.kept] = 0.0
        shares -= 1 / field.k2 + k2 / field.k2**2
        N = field.static + k2[..., None] * field.quadratic
        N = N + np.einsum("im,fm,jm->fij", field.modes, shares, field.modes)
        return T, N @ T + R

    def flows(self, omega: np.ndarray) -> np.ndarray:
        """Phi' T (N T + R)^-1 Phi (f, m, m), 1/m2, made as symmetric as it is."""
        T, system = self.port_system(omega)
        found = self.phi.T @ (T @ np.linalg.solve(system, np.broadcast_to(self.phi, (len(T), *self.phi.shape))))
        return np.asarray((found + found.transpose(0, 2, 1)) / 2)

    def flux(self, omega: np.ndarray, shape: np.ndarray) -> np.ndarray:
        """The flux out of every opening (f, n) of fields `shape` (f, m) at real omega (f,)."""
        T, system = self.port_system(omega.astype(complex))
        return np.asarray((T @ np.linalg.solve(system, (shape @ self.phi.T)[..., None]))[..., 0])

    def at_rest(self) -> tuple[np.ndarray, np.ndarray]:
        """k^2 (f, m), ascending, 1/m2, and shapes (f, m, m) without losses, the flows those of a low frequency."""
        values, vectors = np.linalg.eigh(np.diag(self.k2) + self.still.flows(self.slow).real)
        return values, vectors

    def diagonal(self, omega: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """K - k^2 of the carried modes with the wall's losses, and its derivative by k: (f, m) each."""
        k = (omega / self.speed)[:, None]
        heat = 1 + (1 - 1j) * self.heat / np.sqrt(omega)[:, None]
        own = self.circuit.distance(omega)[:, self.kept]
        # Losses go as the root of k: in the derivative, which only sets the speed of convergence, they are left out.
        return np.hstack([-k * k * heat, own]), np.hstack([-2 * k * heat, np.broadcast_to(-2 * k, own.shape)])

    def converged(self, omega: np.ndarray, shapes: np.ndarray, near: float) -> np.ndarray:
        """The resonances (f, c), rad/s, near omega (f, c) with fields near `shapes` (f, m, c), to `near` of themselves.

        All at once; a step moves them by a thousandth of the one before.
        """
        found, b = omega.ravel().astype(complex), shapes.transpose(0, 2, 1).reshape(omega.size, -1).astype(complex)
        states = np.repeat(self.states, omega.shape[1], axis=0)
        at = np.arange(len(found))  # those that still move
        for _ in range(_STEPS):
            if not len(at):
                return found.reshape(omega.shape)
            now, moving = found[at], replace(self, states=states[at])
            step = 1e-5 * np.abs(now)  # for dG/dk by differences: it sets the speed of convergence alone
            G, onward = moving.flows(now), moving.flows(now + step)
            change = (onward - G) * (self.speed / step)[:, None, None]
            diagonal, slope = self.diagonal(now)
            each = np.arange(diagonal.shape[1])
            G[:, each, each] += diagonal
            change[:, each, each] += slope
            # On the resonance itself G is singular, and b its null vector: a hair beside it will do.
            tiny = 1e-14 * np.abs(G).max(axis=(1, 2))[:, None, None] * np.eye(len(each))
            b[at] = np.linalg.solve(G + tiny, change @ b[at][..., None])[..., 0]
            b[at] /= np.sqrt(np.einsum("fm,fm->f", b[at], b[at]))[:, None]  # no conjugate: symmetric, not Hermitian
            error, rate = (np.einsum("fm,fmn,fn->f", b[at], matrix, b[at]) for matrix in (G, change))
            move = self.speed * error / rate
            found[at] = now - move
            at = at[np.abs(move) >= near * np.abs(now)]
        raise OutOfReach(f"a resonance near {found[at[0]].real / (2 * np.pi):.0f} Hz did not settle")


_BESIDE = 8  # chamber modes carried beside those asked for; all others stay in the static part
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
    modal = Modal.of(circuit, states, carried(circuit.field, rows, count))
    k2, shapes = _own(*modal.at_rest(), members(circuit.field)[rows].sum(axis=0) == 0)
    if (k2[:, 0] <= 0).any() or k2.shape[1] < count:
        raise OutOfReach(f"{count} resonances: the port model carries {k2.shape[1]}")
    shapes = shapes[:, :, :count]
    omega = modal.speed * np.sqrt(k2[:, :count]).astype(complex)
    omega[:, 0] = lowest  # known already, and more closely than these need be
    for some in np.array_split(np.arange(len(omega)), 1 + len(omega) // _AT_ONCE):
        omega[some, 1:] = replace(modal, states=states[some]).converged(
            omega[some, 1:], shapes[some, :, 1:], _TOLERANCE
        )
    order = np.argsort(omega[:, 1:].real, axis=1) + 1  # two that lie close may have changed places
    omega[:, 1:] = np.take_along_axis(omega, order, axis=1)
    shapes[:, :, 1:] = np.take_along_axis(shapes, order[:, None], axis=2)
    flow = np.empty((len(states), count, int(rows.sum())))
    for n in range(count):
        real = omega[:, n].real  # shapes are those of rest, without losses: their flows are real too
        flow[:, n] = modal.flux(real, shapes[:, :, n]).real[:, rows] * modal.speed / real[:, None]
    area = np.array([float(duct.aperture.area) for duct in circuit.ducts])[rows]
    return Motion(air, omega, flow, _straight(modal.still, rows), area)


def carried(field: PortField, rows: np.ndarray, count: int) -> np.ndarray:
    """Indices of the field's modes that are carried for `count` resonances of the chamber with `rows` (n,): (m,)."""
    # Of the other chambers only their uniform pressure is carried; their modes stay in the static part.
    return np.flatnonzero(np.abs(field.modes[rows]).max(axis=0) > 0)[: count + _BESIDE]


def _own(values: np.ndarray, vectors: np.ndarray, foreign: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The resonances (f, m) without those that are most of all the other chambers', by their uniform pressures.

    foreign (u,): which of these, the first of the carried modes, are theirs; as many resonances as they are go.
    """
    count = int(foreign.sum())
    if not count:
        return values, vectors
    abroad = np.square(vectors[:, : len(foreign)][:, foreign]).sum(axis=1)
    kept = np.sort(np.argsort(abroad, axis=1)[:, : values.shape[1] - count], axis=1)
    return np.take_along_axis(values, kept, axis=1), np.take_along_axis(vectors, kept[:, None], axis=2)


def _straight(modal: Modal, rows: np.ndarray) -> np.ndarray:
    """The flow straight through (f, O), from the conductivity matrix of the chamber's own openings at rest."""
    m = modal.circuit.at(modal.slow)
    T, R = opened(m, modal.states)
    system = m.regular @ T + R
    matrix = (T @ np.linalg.inv(system)).real[:, rows][:, :, rows]
    return straight_through((matrix + matrix.transpose(0, 2, 1)) / 2)
