"""The motion of the air in the openings, read off the circuit of the port model, all fingerings in one batch."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.air import Air
from simkit.errors import OutOfReach
from simkit.sound.models.circuit import Circuit, opened
from simkit.sound.models.modal import Modal
from simkit.sound.models.motion import Motion, straight_through
from simkit.sound.models.neighbours import members

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
    # Of the other chambers only their uniform pressure is carried; their modes stay in the static part.
    kept = np.flatnonzero(np.abs(circuit.field.modes[rows]).max(axis=0) > 0)[: count + _BESIDE]
    modal = Modal.of(circuit, states, kept)
    k2, shapes = _own(*modal.at_rest(), members(circuit.field)[rows].sum(axis=0) == 0)
    if (k2[:, 0] <= 0).any() or k2.shape[1] < count:
        raise OutOfReach(f"{count} resonances: the port model carries {k2.shape[1]}")
    shapes = shapes[:, :, :count]
    omega = modal.speed * np.sqrt(k2[:, :count]).astype(complex)
    omega[:, 0] = lowest
    for some in np.array_split(np.arange(len(omega)), 1 + len(omega) // _AT_ONCE):
        omega[some, 1:] = replace(modal, states=states[some]).converged(
            omega[some, 1:], shapes[some, :, 1:], _TOLERANCE
        )
    order = np.argsort(omega[:, 1:].real, axis=1) + 1  # two that lie close may have changed places
    omega[:, 1:] = np.take_along_axis(omega, order, axis=1)
    shapes[:, :, 1:] = np.take_along_axis(shapes, order[:, None], axis=2)
    flow = np.empty((len(states), count, int(rows.sum())))
    for n in range(count):
        real = omega[:, n].real
        flow[:, n] = modal.flux(real, shapes[:, :, n]).real[:, rows] * modal.speed / real[:, None]
    area = np.array([float(duct.aperture.area) for duct in circuit.ducts])[rows]
    return Motion(air, omega, flow, _straight(modal.still, rows), area)


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
