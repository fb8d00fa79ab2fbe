"""Complex resonances of the circuit: the lowest for many fingerings at once, and several for one."""

from __future__ import annotations

import numpy as np

from simkit.errors import OutOfReach
from simkit.frozen import frozen
from simkit.sound.elements.chebyshev import points, shares
from simkit.sound.elements.secant import fixed_point
from simkit.sound.models.circuit import Circuit, Matrices, opened
from simkit.sound.models.modal import Modal
from simkit.sound.models.neighbours import own_stiffness
from simkit.sound.models.subsets import FEWEST, lowest_of_many

TOLERANCE, _OF_MODES = 1e-11, 1e-10  # of the frequency
_TRIED, _APART = 32, 512  # of very many fingerings at least so many, and one of so many, are tried singly
_SEEN = 5e-10  # relative tolerance: a millionth of a cent
_BLOCK = 1024  # fingerings whose matrices are held at once
SAMPLES = 20  # Chebyshev points over the range of the wanted frequencies


@frozen
class Sampled:
    """The circuit's matrices as polynomials over a range of real omega: quick, and right for complex omega near it.

    But for a window before a mouth, which rings within a few ten hertz: no polynomial follows it, it is asked itself.
    """

    circuit: Circuit
    low: float
    high: float
    table: np.ndarray

    @staticmethod
    def over(circuit: Circuit, low: float, high: float) -> Sampled:
        """Sample the circuit between two omegas."""
        return Sampled(circuit, low, high, packed(circuit.at(points(low, high, SAMPLES))))

    def at(self, omega: np.ndarray) -> Matrices:
        """The matrices at omega (m,)."""
        values = shares(points(self.low, self.high, SAMPLES), omega) @ self.table
        m = unpacked(values, self.circuit.wave_number(omega), self.circuit.count)
        for row in self.circuit.blown:
            for name, column in self.circuit.column(self.circuit.ducts[row], omega).items():
                getattr(m, name)[..., row] = column
        return m


_VECTORS = ("uniform", "A", "B", "C", "D", "stub")


def packed(m: Matrices) -> np.ndarray:
    """Matrices at omega (m,) as rows (m, 2 n^2 + 6 n) of smooth numbers."""
    n = m.D.shape[-1]
    flat = [x.reshape(-1, n * n) for x in (m.regular, m.outer)]
    # k^2 takes the pole of the stubs' springs away.
    vectors = [getattr(m, name) * (m.k[:, None] ** 2 if name == "stub" else 1) for name in _VECTORS]
    return np.concatenate([*flat, *vectors], axis=1)


def unpacked(table: np.ndarray, k: np.ndarray, n: int) -> Matrices:
    """The other way round."""
    square = n * n
    regular, outer = (table[:, i * square : (i + 1) * square].reshape(-1, n, n) for i in range(2))
    vectors = {name: table[:, 2 * square + i * n : 2 * square + (i + 1) * n] for i, name in enumerate(_VECTORS)}
    vectors["stub"] = vectors["stub"] / k[:, None] ** 2
    return Matrices(k=k, regular=regular, outer=outer, **vectors)


def note_range(start: np.ndarray) -> tuple[float, float]:
    """Between which omegas the lowest resonances lie that Helmholtz's rule has at `start`, rad/s."""
    return 0.6 * float(start.min()), 1.15 * float(start.max())


def lowest(circuit: Circuit, rows: np.ndarray, openness: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Complex omega (f,) of the lowest resonance of the chamber that owns `rows` (n,) bool, for fingerings (f, n).

    The chamber's uniform pressure p and the flows obey 1 = k^-2 V^-1 1' T (N T + R)^-1 1, so k^2 = 1' T (N T +
    R)^-1 1/V with N all that is not uniform: a slow function of k, solved by the secant method from `start` (f,).
    """
    if len(start) >= FEWEST and rows.all():
        many = _lowest_of_many(circuit, openness, start)
        if many is not None:
            return many
    source: Circuit | Sampled = circuit
    # Sampling asks the circuit at SAMPLES frequencies, each secant step at all notes.
    if len(start) > 2 * SAMPLES and circuit.is_smooth(note_range(start)[1]):
        source = Sampled.over(circuit, *note_range(start))
    k_squared = stiffness if rows.all() else own_stiffness

    def proposed(omega: np.ndarray) -> np.ndarray:
        blocks = (slice(n, n + _BLOCK) for n in range(0, len(omega), _BLOCK))
        found = [k_squared(circuit, source.at(omega[part]), rows, openness[part]) for part in blocks]
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


def stiffness(circuit: Circuit, m: Matrices, rows: np.ndarray, openness: np.ndarray) -> np.ndarray:
    """k^2 (f,), 1/m2, of a chamber's uniform pressure with flows as they are at the matrices' k."""
    T, R = opened(m, openness)
    regular = m.regular if rows.all() else m.regular - _other_uniform(circuit, m, rows)
    own = rows.astype(complex)  # the column of ones, 0 for other chambers' ports
    x = np.linalg.solve(regular @ T + R, np.broadcast_to(own[:, None], (*T.shape[:-1], 1)))
    flow = (T @ x)[..., 0]
    return (flow * own * m.uniform).sum(axis=-1)


def _other_uniform(circuit: Circuit, m: Matrices, rows: np.ndarray) -> np.ndarray:
    shared = circuit.field.shared * ~rows[:, None] * ~rows[None, :]
    return shared * m.uniform[..., None, :] / (m.k**2)[:, None, None]


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
