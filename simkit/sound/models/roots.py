"""Complex resonances of the circuit: the lowest for many fingerings at once, and several for one."""

from __future__ import annotations

import numpy as np

from simkit.errors import OutOfReach
from simkit.sound.elements.secant import fixed_point
from simkit.sound.models.circuit import Circuit
from simkit.sound.models.modal import Modal
from simkit.sound.models.neighbours import own_stiffness, stiffness
from simkit.sound.models.side_by_side import SAMPLES, TOLERANCE, lowest_of
from simkit.sound.models.subsets import FEWEST, lowest_of_many

_OF_MODES = 1e-10  # of the frequency
_TRIED, _APART = 32, 512  # of very many fingerings at least so many, and one of so many, are tried singly
_SEEN = 5e-10  # relative tolerance: a millionth of a cent
_BLOCK = 1024  # fingerings whose matrices are held at once


def lowest(circuit: Circuit, rows: np.ndarray, openness: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Complex omega (f,) of the lowest resonance of the chamber that owns `rows` (n,) bool, for fingerings (f, n).

    The chamber's uniform pressure p and the flows obey 1 = k^-2 V^-1 1' T (N T + R)^-1 1, so k^2 = 1' T (N T +
    R)^-1 1/V with N all that is not uniform: a slow function of k, solved by the secant method from `start` (f,).
    """
    if len(start) >= FEWEST and rows.all():
        many = _lowest_of_many(circuit, openness, start)
        if many is not None:
            return many
    # Sampling asks the circuit at SAMPLES frequencies, each secant step at all notes.
    if len(start) > 2 * SAMPLES:
        try:
            return lowest_of([circuit], rows, openness, start[None])[0]
        except OutOfReach:
            pass  # a note lies beyond the range, or no polynomial follows the matrices over it
    k_squared = stiffness if rows.all() else own_stiffness

    def proposed(omega: np.ndarray) -> np.ndarray:
        blocks = (slice(n, n + _BLOCK) for n in range(0, len(omega), _BLOCK))
        found = [k_squared(circuit, circuit.at(omega[part]), rows, openness[part]) for part in blocks]
        return circuit.chamber_air.sound_speed * np.sqrt(np.concatenate(found))

    who = f"{len(start)} fingerings (pitch range {start.max() / start.min():.2f})"
    try:
        return fixed_point(proposed, start.astype(complex), TOLERANCE, who)
    except OutOfReach:
        if rows.all():
            raise
    # Another chamber is all but in unison: k^2 is no slow function there, and each fingering is sought as a mode.
    found = [resonances(circuit, one, 1, rows) for one in openness]
    if any(len(omega) == 0 for omega in found):
        raise OutOfReach(f"no resonance is mostly this chamber's: another is in unison with it, for {who}")
    return np.array([omega[0] for omega in found])


def _lowest_of_many(circuit: Circuit, openness: np.ndarray, start: np.ndarray) -> np.ndarray | None:
    """`lowest` by a tree, checked on some of them; None where the tree does not serve."""
    try:
        found = lowest_of_many(circuit, openness, start, TOLERANCE)
    except OutOfReach:
        return None
    # At random: fingerings are mostly counted in twos, and even steps would miss whole branches of the tree.
    picked = np.random.default_rng(0).integers(len(start), size=max(_TRIED, len(start) // _APART))
    some = np.unique([start.argmin(), start.argmax(), *picked])
    k2 = stiffness(circuit, circuit.at(found[some]), np.ones(circuit.count, bool), openness[some])
    miss = circuit.chamber_air.sound_speed * np.sqrt(k2) / found[some] - 1
    return found if np.abs(miss).max() < _SEEN else None


def resonances(circuit: Circuit, openness: np.ndarray, count: int, rows: np.ndarray) -> np.ndarray:
    """Complex omega, rad/s, of the lowest `count` resonances with openings as `openness` (n,) says; there may be fewer.

    Only those of which most is in the chamber that owns `rows` (n,); all, where that owns all.
    """
    modal = Modal.of(circuit, openness[None])
    values, vectors = (each[0] for each in modal.at_rest())
    is_good = values > 1e-9 * modal.k2.max()
    if not rows.all():
        own = np.abs(modal.phi[rows]).max(axis=0) > 0
        is_good &= np.square(vectors[own]).sum(axis=0) > 0.5
    good = np.flatnonzero(is_good)[:count]
    start = modal.speed * np.sqrt(values[good])
    found = modal.converged(start[None], vectors[None][:, :, good], _OF_MODES)[0]
    return np.asarray(found[np.argsort(found.real)])
