"""Chambers of one body, coupled by the air outside: the uniform pressures of all as one small eigenproblem.

With the flows through all openings eliminated, the chambers' uniform pressures p obey

    k^2 p = V^-1 E' T (N T + R)^-1 E p,

E (n, u) which row is whose, V the chambers' volumes (softened by the wall's heat), N, T, R the circuit's (`circuit`).
With a = V^(1/2) p the matrix is symmetric: A a = k^2 a. Its diagonal is each chamber alone, with the others' windows
in its way; off the diagonal stands what goes from one chamber to the other through the air outside. Near k the two of
a near-unison pair are omega = (w1 + w2)/2 +- sqrt((w1 - w2)^2/4 + c^2) with the coupling c = c0^2 A12/(2 omega):
its real part parts the pitches, its imaginary part the dampings (two resonators with two degrees of freedom: Rayleigh,
Theory of Sound, section 310; Morse & Ingard 1968, Theoretical Acoustics, section 3.2, both from memory).
"""

from __future__ import annotations

from itertools import permutations

import numpy as np

from simkit.field.reduced.matrices import PortField
from simkit.sound.models.circuit import Circuit, Matrices, opened

_ALIKE = 0.05  # shares nearer to each other count as alike, for each pair of chambers


def members(field: PortField) -> np.ndarray:
    """Incidence matrix of the field's rows and the chambers, zeros and ones in the chambers' order: (n, u)."""
    first, chamber = np.unique(field.shared.argmax(axis=1), return_inverse=True)
    return (chamber[:, None] == np.arange(len(first))).astype(float)


def uniform_matrix(circuit: Circuit, m: Matrices, openness: np.ndarray) -> np.ndarray:
    """Coupling A (f, u, u), 1/m2, symmetric, of the chambers' uniform pressures at the matrices' k."""
    E = members(circuit.field)
    T, R = opened(m, openness)
    # A column for unit pressure in each chamber.
    flow = T @ np.linalg.solve(m.regular @ T + R, np.broadcast_to(E, (len(T), *E.shape)))
    first = E.argmax(axis=0)  # a row of each chamber
    root = np.sqrt(m.uniform[..., first])  # V^(-1/2)
    return root[..., :, None] * (E.T @ flow) * root[..., None, :]


def sorted_out(A: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Each chamber's own k^2 (f, u) among the eigenvalues of A, and the shares (f, u, u) of all chambers in it.

    Modes go to chambers so that most of each mode is in its own chamber; of two that are shared alike the lower goes
    to the earlier chamber.
    """
    values, vectors = np.linalg.eig(A)
    order = np.argsort(values.real, axis=1)
    values = np.take_along_axis(values, order, axis=1)
    vectors = np.take_along_axis(vectors, order[:, None, :], axis=2)
    share = np.abs(vectors) ** 2 / (np.abs(vectors) ** 2).sum(axis=1, keepdims=True)  # (f, chamber, mode)
    u = A.shape[-1]
    # All assignments: chambers are few.
    ways = np.array(list(permutations(range(u))))  # the mode of each chamber
    in_order = (ways[:, :, None] < ways[:, None, :])[:, *np.triu_indices(u, 1)].sum(axis=1)
    # How much of the modes lies in their own chambers, for each assignment.
    worth = np.stack([share[:, np.arange(u), way].sum(axis=1) for way in ways], axis=1)
    best = ways[(worth + _ALIKE * in_order).argmax(axis=1)]
    return np.take_along_axis(values, best, axis=1), np.take_along_axis(share, best[:, None, :], axis=2)


def stiffness(circuit: Circuit, m: Matrices, rows: np.ndarray, openness: np.ndarray) -> np.ndarray:
    """k^2 (f,), 1/m2, of a chamber's uniform pressure with flows as they are at the matrices' k."""
    T, R = opened(m, openness)
    regular = m.regular
    if not rows.all():  # the other chambers keep their own uniform pressure
        shared = circuit.field.shared * ~rows[:, None] * ~rows[None, :]
        regular = regular - shared * m.uniform[..., None, :] / (m.k**2)[:, None, None]
    own = rows.astype(complex)  # the column of ones, 0 for other chambers' ports
    x = np.linalg.solve(regular @ T + R, np.broadcast_to(own[:, None], (*T.shape[:-1], 1)))
    flow = (T @ x)[..., 0]
    return (flow * own * m.uniform).sum(axis=-1)


def own_stiffness(circuit: Circuit, m: Matrices, rows: np.ndarray, openness: np.ndarray) -> np.ndarray:
    """k^2 (f,), 1/m2, of the mode of the chamber that owns `rows` (n,), the other chambers ringing along."""
    own = int(members(circuit.field)[rows].sum(axis=0).argmax())
    return sorted_out(uniform_matrix(circuit, m, openness))[0][:, own]


def coupling(circuit: Circuit, omega: np.ndarray, openness: np.ndarray) -> np.ndarray:
    """c (f, u, u), complex, rad/s, between chambers at omega (f,) for states (f, n); see the module's text."""
    A = uniform_matrix(circuit, circuit.at(omega), openness)
    return np.asarray(circuit.chamber_air.sound_speed**2 * A / (2 * omega)[:, None, None])
