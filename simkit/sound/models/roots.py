"""Complex resonances of the circuit: the lowest for many fingerings at once, and several for one.

Very many fingerings go through all subsets of the holes in a tree of Schur complements. With flows U1 out of the
chamber and U2 to the outside, p1 = (A/C) U1 - U2/C and p2 = (U1 - D U2)/C in every open duct (A D - B C = 1), the
circuit's equations are symmetric,

    [N + diag(A/C)   -diag(1/C)         ] [U1]   [1]
    [-diag(1/C)      outer + diag(D/C)  ] [U2] = [0],      covered: stub in place of A/C, and no U2,

and k^2 = 1' U1/V as in `lowest`. Eliminating opening by opening, fingerings share all but the holes in which they
differ, so that 2^n of them cost some tens of multiplications each at one frequency. The trees are grown at Chebyshev's
points over the notes of a branch; the window comes last, for before a player's mouth no polynomial follows it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simkit.errors import OutOfReach
from simkit.sound.elements.chebyshev import points, shares
from simkit.sound.elements.ducts import Filling
from simkit.sound.elements.secant import fixed_point
from simkit.sound.models.circuit import Circuit, Matrices
from simkit.sound.models.modal import Modal
from simkit.sound.models.neighbours import own_stiffness, stiffness
from simkit.sound.models.side_by_side import SAMPLES, TOLERANCE, lowest_of

FEWEST = 256  # fingerings that are worth a tree
_TOGETHER = 12  # holes of a branch, whose matrices are held at once
_DEEP, _NEAR = 5, 4096  # levels that grow from a few nodes at once, and numbers that stay near the processor
_SPARSE = 4  # times as many leaves as fingerings at most
_LEAST = 1e-8  # C Z of a duct: with none, through no clay, 1/C is infinite
_RANGES = (0.82, 1.05, 14), (0.6, 1.15, 24)  # about what Helmholtz's rule says, and Chebyshev's points in it


@dataclass(frozen=True, eq=False)
class _Tree:
    """Symmetric matrices (m, m, nodes, points), upper halves: the openings left in `order`, U1 and U2 of each, and last
    the right side, whose corner gathers -1' U1 of what is gone."""

    order: tuple[int, ...]
    S: np.ndarray

    @staticmethod
    def of(m: Matrices, order: Sequence[int]) -> _Tree:
        """The root: nothing eliminated, no duct yet."""
        size = 2 * len(order) + 1
        S = np.zeros((size, size, 1, len(m.k)), complex)
        pick = np.ix_(range(len(m.k)), order, order)
        S[0:-1:2, 0:-1:2, 0], S[1:-1:2, 1:-1:2, 0] = (np.moveaxis(x[pick], 0, 2) for x in (m.regular, m.outer))
        S[0:-1:2, -1] = 1.0  # the chamber's unit pressure, on U1 alone
        return _Tree(tuple(order), S)

    def without_first(self, m: Matrices, states: Sequence[bool]) -> _Tree:
        """The first opening eliminated, covered or open or both: nodes of the first of `states`, then of the second."""
        row, S = self.order[0], self.S
        nodes = S.shape[2]
        grown = np.empty((len(S) - 2, len(S) - 2, nodes * len(states), S.shape[3]), complex)
        x, y = S[0, 2:], S[1, 2:]
        # Of a symmetric matrix only the upper half is kept up.
        for n, is_open in enumerate(states):
            part = grown[:, :, n * nodes : (n + 1) * nodes]
            if is_open:
                p, q, r = (S[0, 0] + (m.A / m.C)[:, row], S[0, 1] - 1 / m.C[:, row], S[1, 1] + (m.D / m.C)[:, row])
                det = p * r - q * q
                to_x, to_y = (r / det) * x - (q / det) * y, (p / det) * y - (q / det) * x
                for i in range(len(grown)):
                    np.subtract(S[i + 2, i + 2 :], x[i] * to_x[i:], out=part[i, i:])
                    part[i, i:] -= y[i] * to_y[i:]
            else:
                to_x = x / (S[0, 0] + m.stub[:, row])
                for i in range(len(grown)):
                    np.subtract(S[i + 2, i + 2 :], x[i] * to_x[i:], out=part[i, i:])
        return _Tree(self.order[1:], grown)

    def leaves(self, m: Matrices, states: Sequence[Sequence[bool]]) -> np.ndarray:
        """Upper halves (v, leaves, points) once more openings are gone, some nodes at a time: near the processor."""
        nodes, points = self.S.shape[2:]
        each, left = math.prod(map(len, states)), len(self.S) - 2 * len(states)
        upper, step = np.triu_indices(left), max(1, _NEAR // (each * points))
        found = np.empty((len(upper[0]), each, nodes, points), complex)
        for first in range(0, nodes, step):
            part = _Tree(self.order, self.S[:, :, first : first + step])
            for both in states:
                part = part.without_first(m, both)
            found[:, :, first : first + step] = part.S[upper].reshape(len(upper[0]), each, -1, points)
        return found.reshape(len(found), -1, points)


def lowest_of_many(circuit: Circuit, openness: np.ndarray, start: np.ndarray, near: float) -> np.ndarray:
    """Complex omega (f,) as `roots.lowest`, for fingerings (f, n) of 0 and 1 of a chamber that is alone in its body.

    start (f,) by Helmholtz's rule; near: of the frequency. OutOfReach where a tree is not worth it, or does not serve.
    """
    vary = openness.min(axis=0) != openness.max(axis=0)  # others are the same in all: no branching
    if 2.0 ** vary.sum() > _SPARSE * len(openness):
        raise OutOfReach("these fingerings share too little")
    window = np.flatnonzero(circuit.field.windows & ~vary)[:1]
    holes = np.flatnonzero(vary)
    size = np.array([float(duct.aperture.conductivity) for duct in circuit.ducts])
    holes = holes[np.argsort(-size[holes], kind="stable")]  # the widest first: a branch's notes lie near each other
    fixed = [n for n in range(circuit.count) if not vary[n] and n not in window]
    order = (*fixed, *holes.tolist(), *window.tolist())
    place = (openness[:, holes] > 0) @ (1 << np.arange(len(holes)))  # the fingering in binary, the first hole last
    above = max(0, len(holes) - _TOGETHER)  # widest holes: each of their states is a branch
    found = np.empty(len(openness), complex)
    for top in np.unique(place & ((1 << above) - 1)):
        mine = np.flatnonzero(place & ((1 << above) - 1) == top)
        mine = mine[np.argsort(place[mine])]  # in the order of the leaves
        states = [[bool(openness[0, n])] for n in fixed] + [[bool(top >> n & 1)] for n in range(above)]
        states += [[False, True]] * (len(holes) - above)
        found[mine] = _of_branch(circuit, order, states, place[mine] >> above, start[mine], near)
    return found


def _of_branch(
    circuit: Circuit, order: tuple[int, ...], states: list[list[bool]], leaf: np.ndarray, start: np.ndarray, near: float
) -> np.ndarray:
    """Complex omega (f,), rad/s, of the leaves of one branch."""
    for low, high, samples in _RANGES[:-1]:
        try:
            leaves = _Leaves.of(circuit, order, states, (low * start.min(), high * start.max()), samples)
            return leaves.lowest(leaf, start, near)
        except OutOfReach:
            pass  # a note lies beyond the range
    low, high, samples = _RANGES[-1]
    return _Leaves.of(circuit, order, states, (low * start.min(), high * start.max()), samples).lowest(
        leaf, start, near
    )


@dataclass(frozen=True, eq=False)
class _Leaves:
    """Schur complements of a branch's fingerings: upper halves of (3, 3) with the window, (1, 1) without, at `nodes`.

    values (v, leaves, points); filling: of the window's duct, (2, points).
    """

    circuit: Circuit
    nodes: np.ndarray
    values: np.ndarray
    window: int | None
    filling: np.ndarray

    @staticmethod
    def of(
        circuit: Circuit, order: tuple[int, ...], states: list[list[bool]], ends: tuple[float, float], samples: int
    ) -> _Leaves:
        """Grow the tree of a branch: `order` of the openings, what each may be, and between which omegas."""
        nodes = points(*ends, samples)
        m = circuit.at(nodes.astype(complex))
        if np.abs(m.C).min() * np.abs(m.outer).max() < _LEAST:
            raise OutOfReach("an opening through no clay has no duct")
        tree = _Tree.of(m, order)
        for each in states[:-_DEEP]:
            tree = tree.without_first(m, each)
        values = tree.leaves(m, states[-_DEEP:])
        window = order[-1] if len(states) < len(order) else None
        filling = np.empty((2, samples), complex)
        if window is not None:
            filled = circuit.ducts[window].filling(nodes.astype(complex), circuit.lossless)
            filling[:] = [np.broadcast_to(each, samples) for each in filled]
        return _Leaves(circuit, nodes, values, window, filling)

    def lowest(self, leaf: np.ndarray, start: np.ndarray, near: float) -> np.ndarray:
        """Complex omega (f,), rad/s, of some leaves."""
        every = np.array_equal(leaf, np.arange(self.values.shape[1]))
        values = self.values if every else self.values[:, leaf]
        speed = self.circuit.chamber_air.sound_speed

        def proposed(omega: np.ndarray) -> np.ndarray:
            parts = shares(self.nodes, omega)
            held = np.einsum("vfp,fp->vf", values, parts)
            flow = -held[-1]
            if self.window is not None:
                flow = flow + self._through_window(omega, held, parts)
            return np.asarray(speed * np.sqrt(flow * self.circuit.uniform(omega, slice(1))[:, 0]))

        ends = float(self.nodes[0]), float(self.nodes[-1])
        return fixed_point(proposed, start.astype(complex), near, f"{len(leaf)} fingerings", ends)

    def _through_window(self, omega: np.ndarray, held: np.ndarray, parts: np.ndarray) -> np.ndarray:
        """Conductivity that the open window adds to the holes', m (f,)."""
        assert self.window is not None
        filled = Filling(*(parts @ each for each in self.filling))
        port = self.circuit.ducts[self.window].two_port(omega, self.circuit.lossless, filled)
        C = port.C * 1j * omega * self.circuit.chamber_air.density
        p, q, a, r, b, _ = held
        # 1' U1 through the window: the Schur complement of its two flows.
        p, q, r = p + port.A / C, q - 1 / C, r + port.D / C
        return np.asarray((a * a * r - 2 * a * b * q + b * b * p) / (p * r - q * q))


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
    is_good = values > 1e-9 * modal.k2.max()  # the zero of a chamber with nothing open is no resonance
    if not rows.all():
        own = np.abs(modal.phi[rows]).max(axis=0) > 0
        is_good &= np.square(vectors[own]).sum(axis=0) > 0.5  # most of it is in its own air
    good = np.flatnonzero(is_good)[:count]
    start = modal.speed * np.sqrt(values[good])
    found = modal.converged(start[None], vectors[None][:, :, good], _OF_MODES)[0]
    return np.asarray(found[np.argsort(found.real)])
