"""Complex resonances of the circuit: the lowest for many fingerings at once, and several for one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.errors import OutOfReach
from simkit.frozen import frozen
from simkit.sound.elements.chebyshev import points, shares
from simkit.sound.elements.secant import fixed_point
from simkit.sound.models.circuit import Circuit, Matrices, opened
from simkit.sound.models.neighbours import own_stiffness
from simkit.sound.models.subsets import FEWEST, lowest_of_many

_STEPS = 30
TOLERANCE = 1e-11  # of the frequency
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
    found = [resonances(circuit, one, 1, rows).omega for one in openness]
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
    own = rows.astype(complex)
    x = np.linalg.solve(regular @ T + R, np.broadcast_to(own[:, None], (*T.shape[:-1], 1)))
    flow = (T @ x)[..., 0]
    return (flow * own * m.uniform).sum(axis=-1)


def _other_uniform(circuit: Circuit, m: Matrices, rows: np.ndarray) -> np.ndarray:
    shared = circuit.field.shared * ~rows[:, None] * ~rows[None, :]
    return shared * m.uniform[..., None, :] / (m.k**2)[:, None, None]


@frozen
class OpenModes:
    """Some modes of the body with its openings open: omega (c,), and the chambers' share of the field in each.

    shape (c, m): amplitudes of the uniform pressures and the modes, scaled to shape . shape = 1.
    """

    omega: np.ndarray
    shape: np.ndarray


def resonances(circuit: Circuit, openness: np.ndarray, count: int, rows: np.ndarray | None = None) -> OpenModes:
    """The lowest `count` resonances with openings as `openness` (n,) says; of the chamber that owns `rows` (n,) alone.

    Without `rows` all; a resonance is a chamber's if most of it is there.

    With b the amplitudes of the chambers' own modes (the uniform pressure one of them), the flows eliminated:
    [K - k^2 + Phi' T (N T + R)^-1 Phi] b = 0, N the part of Z_in that no mode carries. Symmetric, so Rayleigh's
    quotient with inverse iteration closes in cubically; it starts from the real symmetric problem at rest.
    """
    problem = _Modal.of(circuit, openness)
    starts, shapes = problem.at_rest(count, rows)
    found = [problem.converged(omega, b) for omega, b in zip(starts, shapes, strict=True)]
    order = np.argsort([omega.real for omega, _ in found])
    return OpenModes(np.array([found[i][0] for i in order]), np.array([found[i][1] for i in order]))


@dataclass(frozen=True, eq=False)
class _Modal:
    """The eigenproblem among the chambers' modes."""

    circuit: Circuit
    openness: np.ndarray
    phi: np.ndarray  # (n, m) the modes at the ports, uniform ones first
    k2: np.ndarray  # (m,)
    owner: np.ndarray  # (u,) a row of each uniform mode's chamber

    @staticmethod
    def of(circuit: Circuit, openness: np.ndarray) -> _Modal:
        field = circuit.field
        _, owner, chamber = np.unique(field.shared.argmax(axis=1), return_index=True, return_inverse=True)
        uniform = (chamber[:, None] == np.arange(len(owner))) / np.sqrt(field.volumes)[:, None]
        phi = np.concatenate([uniform, field.modes], axis=1)
        k2 = np.concatenate([np.zeros(len(owner)), field.k2])
        return _Modal(circuit, openness, phi, k2, owner)

    def flows(self, omega: complex) -> np.ndarray:
        """Phi' T (N T + R)^-1 Phi at omega: (m, m), symmetric, 1/m^2."""
        circuit, field = self.circuit, self.circuit.field
        m = circuit.at(np.array([omega]))
        T, R = (x[0] for x in opened(m, self.openness))
        k2 = m.k[0] ** 2
        own = np.square(field.k2)
        pairs = field.modes * (1 / field.k2 + k2 / own)
        N = field.static + k2 * field.quadratic - pairs @ field.modes.T
        return self.phi.T @ T @ np.linalg.solve(N @ T + R, self.phi)

    def diagonal(self, omega: complex) -> tuple[np.ndarray, np.ndarray]:
        """K - k^2 with the wall's losses, and its derivative by k: (m,) each."""
        k = omega / self.circuit.chamber_air.sound_speed
        d = np.empty(len(self.k2), complex)
        d[len(self.owner) :] = self.circuit.distance(np.array(omega))
        heat = 1 + (1 - 1j) * self.circuit.loss.uniform[self.owner] / np.sqrt(omega)
        d[: len(self.owner)] = -k * k * heat
        slope = np.full(len(d), -2 * k, complex)
        slope[: len(self.owner)] *= heat
        return d, slope

    def at_rest(self, count: int, rows: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
        """Starting values: real eigenvalues of the lossless problem with the flows of a low frequency, and vectors."""
        c = self.circuit.chamber_air.sound_speed
        still = replace(self, circuit=replace(self.circuit, lossless=True))
        flows = still.flows(complex(0.02 * c * np.sqrt(self.k2[len(self.owner)]))).real
        values, vectors = np.linalg.eigh(np.diag(self.k2) + (flows + flows.T) / 2)
        is_good = values > 1e-9 * self.k2.max()
        if rows is not None and not rows.all():
            own = np.abs(self.phi[rows]).max(axis=0) > 0
            is_good &= np.square(vectors[own]).sum(axis=0) > 0.5
        good = np.flatnonzero(is_good)[:count]
        return c * np.sqrt(values[good]), vectors[:, good].T

    def converged(self, omega: complex, b: np.ndarray) -> tuple[complex, np.ndarray]:
        """Close in on the resonance near omega with the field near b."""
        c = self.circuit.chamber_air.sound_speed
        b = b.astype(complex)
        for _ in range(_STEPS):
            step = 1e-5 * abs(omega)
            flows, onward = self.flows(omega), self.flows(omega + step)
            diagonal, slope = self.diagonal(omega)
            G = np.diag(diagonal) + (flows + flows.T) / 2
            change = np.diag(slope) + (onward - flows) / (step / c)
            b = np.linalg.solve(G + 1e-14 * np.abs(G).max() * np.eye(len(G)), change @ b)
            b = b / np.sqrt(b @ b)
            move = c * (b @ G @ b) / (b @ change @ b)
            omega = omega - move
            if abs(move) < 1e-10 * abs(omega):
                return omega, b
        raise OutOfReach(f"a resonance near {omega.real / (2 * np.pi):.0f} Hz did not settle")
