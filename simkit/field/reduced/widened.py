"""The shell's equations among few fields: the far sphere's harmonics' and, with each opening, a few more.

Galerkin's equations at wave number k, in blocks B of the first and W of the second,

    [A_BB  A_BW] [c_B]   [load_B]
    [A_WB  A_WW] [c_W] = [load_W],      A = stiffness - k^2 mass + far condition,

are solved by the Schur complement A_WW - A_WB A_BB^-1 A_BW. A_BB is inverted once for each k, and A_BB^-1 of an
opening's own columns is kept with it, as is what any two openings have to do with each other; so a changed opening
costs its own columns, its row of pairs, and a small system.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from simkit.field.fem.resonance_search import degrees, leaving
from simkit.field.reduced.kept import MouthReading, together

TOP = 6  # highest degree that leaves exactly: of 11, notes are 0.002 cents off at most, the Q of overtones 0.1 %
DEGREE = degrees(TOP)
_SOUND = 1e-8  # least over largest eigenvalue of the products of the added fields: six digits are lost at most


@dataclass(frozen=True, eq=False)
class ShellWaves:
    """The part of the equations that knows no opening, at wave numbers k (m,): `leaving` of every harmonic, what the
    far condition adds to its steepness, over radius^2, both (m, (TOP + 1)^2), and A_BB^-1 (m, r, r)."""

    k: np.ndarray
    leaves: np.ndarray
    condition: np.ndarray
    inverse: np.ndarray


@dataclass(frozen=True, eq=False)
class ShellBase:
    """Equations of the shell at any k, among the columns of the air's span (nodes, r).

    stiffness, mass (nodes, nodes), loads (nodes, (TOP + 1)^2), steepness, radius: the air's; K, M (r, r) and far_loads
    (r, (TOP + 1)^2): the same among the columns.
    """

    span: np.ndarray
    stiffness: csr_matrix
    mass: csr_matrix
    loads: np.ndarray
    steepness: float
    radius: float
    K: np.ndarray
    M: np.ndarray
    far_loads: np.ndarray
    _waves: dict[tuple[float, ...], ShellWaves]

    @staticmethod
    def of(
        span: np.ndarray, stiffness: csr_matrix, mass: csr_matrix, loads: np.ndarray, steepness: float, radius: float
    ) -> ShellBase:
        """Reduce a shell's matrices to the span."""
        K, M = span.T @ (stiffness @ span), span.T @ (mass @ span)
        return ShellBase(span, stiffness, mass, loads, steepness, radius, K, M, span.T @ loads, {})

    def at(self, wave_numbers: tuple[float, ...]) -> ShellWaves:
        """Reduced equations at some wave numbers, 1/m, kept."""
        if wave_numbers not in self._waves:
            leaves = np.array([leaving(k, self.radius, TOP)[DEGREE] for k in wave_numbers])
            condition = (leaves - self.steepness) / self.radius**2
            k = np.array(wave_numbers)
            A = self.K - np.square(k)[:, None, None] * self.M
            A = A + _times(self.far_loads, condition[:, :, None] * self.far_loads.T)
            self._waves[wave_numbers] = ShellWaves(k, leaves, condition, np.linalg.inv(A))
        return self._waves[wave_numbers]

    def drive(self, waves: ShellWaves, far: np.ndarray) -> np.ndarray:
        """The harmonics' loads (m, (TOP + 1)^2, n) of ports with far data S, R, dR/dr (3, (TOP + 1)^2, n).

        S is made of decaying multipoles: d/dr of its degree l is -(l + 1)/radius of it.
        """
        S, R, steep = far
        D, k2 = waves.leaves[:, :, None], np.square(waves.k)[:, None, None]
        # What (d/dr + D)(S + k^2 R) leaves on the far sphere.
        left = (D - (DEGREE[:, None] + 1) / self.radius) * S + k2 * (steep + D * R)
        return np.asarray(left / self.radius**2)

    def radiated(self, waves: ShellWaves, smooth: np.ndarray, far: np.ndarray) -> np.ndarray:
        """Radiation through the far sphere, as -Im Z: sum over harmonics of Im D p_i* p_j / radius^2: (m, n, n), 1/m.

        smooth (m, (TOP + 1)^2, n): the harmonics' share of the smooth fields. Energy that left an opening must pass
        there, so this is -Im Z, but never negative whatever the mesh.
        """
        through = smooth + far[0] + np.square(waves.k)[:, None, None] * far[1]
        power = waves.leaves.imag / self.radius**2
        return np.real(through.conj().swapaxes(1, 2) @ (power[:, :, None] * through))

    def solved(self, waves: ShellWaves, loads: np.ndarray, far: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Components of the smooth fields (m, r, n) of loads (r, n, 3) with 1, k^2, k^4, and their radiation."""
        load = np.moveaxis(loads @ _powers(waves.k).T, 2, 0) - self.far_loads @ self.drive(waves, far)
        fields = waves.inverse @ load
        return fields, self.radiated(waves, self.far_loads.T @ fields, far)


@dataclass(frozen=True, eq=False)
class MouthShare:
    """Contribution of one mouth: its reading, and its far data (3, (TOP + 1)^2).

    columns (nodes, 15): four that are added to the span, orthonormal and square to it, which are the fields that the
    mouth's loads make, order by order in k^2; stiffness and mass times these; and the loads with 1, k^2, k^4. by_base:
    products of the span with all but the first four, (r, 4) twice and (r, 3); by_far ((TOP + 1)^2, 4); read_base (r,):
    means of the span's columns over the mouth.
    """

    reading: MouthReading
    columns: np.ndarray
    far: np.ndarray
    by_base: tuple[np.ndarray, np.ndarray, np.ndarray]
    by_far: np.ndarray
    read_base: np.ndarray

    @staticmethod
    def of(
        base: ShellBase, readings: Sequence[MouthReading], loads: np.ndarray, far: np.ndarray, fields: np.ndarray
    ) -> list[MouthShare]:
        """Shares of mouths (n) from their loads (nodes, 3, n), far data (3, (TOP + 1)^2, n) and fields (nodes, 4, n) of
        any length; all at once, for products with many columns take far less time for each."""
        nodes, _, count = fields.shape
        added, span = _one_by_one(fields / np.linalg.norm(fields, axis=0)), base.span
        added -= span @ (span.T @ added)  # once: some 1e-12 of the span is left in them
        added = _one_by_one(np.moveaxis(np.linalg.qr(added.reshape(nodes, count, 4).swapaxes(0, 1))[0], 0, 2))
        each = [x.reshape(nodes, count, 4) for x in (added, base.stiffness @ added, base.mass @ added)]
        columns = np.concatenate([*each, loads.swapaxes(1, 2)], axis=2)
        products = (span.T @ columns[:, :, 4:].reshape(nodes, -1)).reshape(-1, count, 11)
        by_far = (base.loads.T @ added).reshape(-1, count, 4)
        return [
            MouthShare(
                reading,
                columns[:, n],
                far[:, :, n],
                (products[:, n, :4], products[:, n, 4:8], products[:, n, 8:]),
                by_far[:, n],
                reading.of(span),
            )
            for n, reading in enumerate(readings)
        ]

    @property
    def added(self) -> np.ndarray:
        """The columns (nodes, 4) that are added to the span."""
        return self.columns[:, :4]

    @property
    def loads(self) -> np.ndarray:
        """Loads (nodes, 3) with 1, k^2, k^4."""
        return self.columns[:, 12:]


def _one_by_one(columns: np.ndarray) -> np.ndarray:
    """Columns (nodes, c, n) of n mouths, one mouth's after the other's: (nodes, n c)."""
    return columns.swapaxes(1, 2).reshape(len(columns), -1)


def _times(real: np.ndarray, values: np.ndarray) -> np.ndarray:
    """A real matrix (a, b) times complex ones (m, b, c), in half the time that it takes as a complex one: (m, a, c)."""
    return (real @ np.ascontiguousarray(values).view(float)).view(complex)


def _powers(k: np.ndarray) -> np.ndarray:
    """1, k^2, k^4: (m, 3)."""
    return np.stack([np.ones(len(k)), k**2, k**4], axis=1)


def _ends(base: ShellBase, waves: ShellWaves, parts: Sequence[MouthShare]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Left (m, 4n, q), columns (m, q, 4n) and drive (m, q, n) of mouths (n) at wave numbers (m,), q = r and then the
    harmonics.

    Left are A_WB and the harmonics in the added columns. The others are A_BB^-1 of A_BW and of load_B, and what the far
    condition makes of the harmonics, so that left times them is what A_WW and load_W are less by.
    """
    k2, count = np.square(waves.k)[:, None, None], len(parts)
    K, M, loads, by_far = (
        np.concatenate(each, axis=1) for each in zip(*((*part.by_base, part.by_far) for part in parts), strict=True)
    )
    bent = waves.condition[:, :, None] * by_far
    columns = K - k2 * M + _times(base.far_loads, bent)
    drive = base.drive(waves, np.stack([part.far for part in parts], axis=2))
    loads = np.moveaxis(loads.reshape(-1, count, 3) @ _powers(waves.k).T, 2, 0) - _times(base.far_loads, drive)
    solved = waves.inverse @ np.concatenate([columns, loads], axis=2)
    left = np.concatenate([columns.swapaxes(1, 2), np.broadcast_to(by_far.T, (len(k2), *by_far.T.shape))], axis=2)
    right = np.concatenate([solved, np.concatenate([-bent, drive], axis=2)], axis=1)
    return left, right[:, :, : 4 * count], right[:, :, 4 * count :]


_PAIRED = 40  # mouths whose equations are kept


@dataclass(frozen=True, eq=False)
class MouthEquations:
    """All that some mouths (n) bring, side by side, and their equations, pair by pair.

    added (4n, nodes), loads (3n, nodes); left (m, 4n, q), columns (m, q, 4n) and drive (m, q, n): `_ends`;
    gram (4n, 4n): products of the added fields; read (n, n, 4): their means over the mouths; A (m, 4n, 4n) and load
    (m, 4n, n): A_WW and load_W less what the span takes of them.
    """

    added: np.ndarray
    loads: np.ndarray
    left: np.ndarray
    columns: np.ndarray
    drive: np.ndarray
    gram: np.ndarray
    read: np.ndarray
    A: np.ndarray
    load: np.ndarray

    @staticmethod
    def room(n: int, nodes: int, m: int, q: int) -> MouthEquations:
        """Room for so many mouths."""
        complexes = [(m, 4 * n, q), (m, q, 4 * n), (m, q, n), (m, 4 * n, 4 * n), (m, 4 * n, n)]
        left, columns, drive, A, load = (np.empty(shape, complex) for shape in complexes)
        added, loads, gram, read = (np.empty(s) for s in ((4 * n, nodes), (3 * n, nodes), (4 * n, 4 * n), (n, n, 4)))
        return MouthEquations(added, loads, left, columns, drive, gram, read, A, load)

    def put(self, base: ShellBase, waves: ShellWaves, parts: Sequence[MouthShare], new: Sequence[int]) -> None:
        """Put the mouths `new` of these parts in their places, and write their rows and columns of the equations."""
        if not new:
            return
        four, brings = (4 * np.array(new)[:, None] + np.arange(4)).ravel(), [parts[n] for n in new]
        for n, part in zip(new, brings, strict=True):
            self.added[4 * n : 4 * n + 4], self.loads[3 * n : 3 * n + 3] = part.added.T, part.loads.T
        self.left[:, four], self.columns[:, :, four], self.drive[:, :, new] = _ends(base, waves, brings)
        k2, powers = np.square(waves.k)[:, None, None], _powers(waves.k)
        brought = np.stack([parts[n].columns for n in new], axis=1).reshape(len(self.added[0]), len(new), 15)
        # One product for everything that the new mouths bring to the added fields of all.
        products = self.added @ brought.reshape(len(brought), -1)
        gram, K, M, loads = np.split(products.reshape(-1, len(new), 15), (4, 8, 12), axis=2)
        self.gram[:, four], self.gram[four] = gram.reshape(-1, len(four)), gram.reshape(-1, len(four)).T
        A = K.reshape(-1, len(four)) - k2 * M.reshape(-1, len(four)) - self.left @ self.columns[:, :, four]
        self.A[:, :, four], self.A[:, four] = A, A.swapaxes(1, 2)
        self.load[:, :, new] = np.moveaxis(loads @ powers.T, 2, 0) - self.left @ self.drive[:, :, new]
        back = (self.added[four] @ self.loads.T).reshape(len(four), len(parts), 3) @ powers.T
        self.load[:, four] = np.moveaxis(back, 2, 0) - self.left[:, four] @ self.drive
        rows = together([part.reading for part in parts], len(brought))
        self.read[:, new] = (rows @ self.added[four].T).reshape(-1, len(new), 4)
        for n, part in zip(new, brings, strict=True):
            self.read[n] = part.reading.of(self.added.T).reshape(-1, 4)


class KeptEquations:
    """The equations of the mouths that were asked about last: of a further question only new mouths are worked out."""

    def __init__(self, base: ShellBase):
        self._base = base
        self._of: tuple[tuple[float, ...], tuple[MouthShare, ...]] = (), ()
        self._kept: MouthEquations | None = None

    def of(self, parts: tuple[MouthShare, ...], waves: ShellWaves) -> MouthEquations:
        """Equations of these mouths, good until the next question."""
        key, (before, known), kept = tuple(waves.k.tolist()), self._of, self._kept
        new = list(range(len(parts)))
        if kept is None or key != before or len(known) != len(parts):
            q = waves.inverse.shape[1] + waves.leaves.shape[1]
            kept = MouthEquations.room(len(parts), len(parts[0].columns), len(key), q)
        else:
            new = [n for n in new if parts[n] is not known[n]]
        self._kept = None  # not half of it, should this be broken off
        kept.put(self._base, waves, parts, new)
        if len(parts) <= _PAIRED:
            self._of, self._kept = (key, parts), kept
        return kept


@dataclass(frozen=True, eq=False)
class Widened:
    """The equations among the air's span and the fields of some mouths, at some wave numbers."""

    base: ShellBase
    parts: tuple[MouthShare, ...]
    waves: ShellWaves
    equations: MouthEquations

    @staticmethod
    def of(base: ShellBase, parts: Sequence[MouthShare], wave_numbers: np.ndarray, kept: KeptEquations) -> Widened:
        """Equations widened by the fields of these mouths."""
        waves, parts = base.at(tuple(wave_numbers.tolist())), tuple(parts)
        return Widened(base, parts, waves, kept.of(parts, waves))

    @property
    def is_sound(self) -> bool:
        """Whether the added fields are so unlike each other that the equations lose no digits that are wanted."""
        size = np.linalg.eigvalsh(self.equations.gram)  # ascending
        return bool(size[0] > _SOUND * size[-1])

    def span(self) -> np.ndarray:
        """The span (nodes, r): the air's own, and then four fields a mouth."""
        return np.concatenate([self.base.span, *(part.added for part in self.parts)], axis=1)

    def reading(self) -> np.ndarray:
        """Means over the mouths of the columns of the span: (n, r)."""
        own = np.stack([part.read_base for part in self.parts])
        return np.concatenate([own, self.equations.read.reshape(len(own), -1)], axis=1)

    def solved(self, far: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Components of the smooth fields (m, r, n) and their radiation (m, n, n), 1/m."""
        base, waves, own = self.base, self.waves, self.base.span.shape[1]
        c_W = np.linalg.solve(self.equations.A, self.equations.load)
        # Back substitution: `drive` and `columns` have A_BB^-1 in them already.
        c_B = self.equations.drive[:, :own] - self.equations.columns[:, :own] @ c_W
        by_far = np.concatenate([p.by_far for p in self.parts], axis=1)
        smooth = _times(base.far_loads.T, c_B) + _times(by_far, c_W)
        return np.concatenate([c_B, c_W], axis=1), base.radiated(waves, smooth, far)
