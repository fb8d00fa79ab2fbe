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
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix

from simkit.field.fem.far_field import degrees, leaving
from simkit.field.reduced.kept import MouthReading

TOP = 8  # highest degree that leaves exactly
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
            A = A + (self.far_loads * condition[:, None, :]) @ self.far_loads.T
            self._waves[wave_numbers] = ShellWaves(k, leaves, condition, np.linalg.inv(A))
        return self._waves[wave_numbers]

    def drive(self, waves: ShellWaves, far: np.ndarray) -> np.ndarray:
        """The harmonics' loads (m, (TOP + 1)^2, n) of ports with far data S, R, dR/dr (3, (TOP + 1)^2, n).

        S is made of decaying multipoles: d/dr of its degree l is -(l + 1)/radius of it.
        """
        S, R, steep = far
        D, k2 = waves.leaves[:, :, None], np.square(waves.k)[:, None, None]
        left = (D - (DEGREE[:, None] + 1) / self.radius) * S + k2 * (steep + D * R)
        return np.asarray(left / self.radius**2)


@dataclass(frozen=True, eq=False)
class MouthShare:
    """Contribution of one mouth: its reading, its loads (nodes, 3) with 1, k^2, k^4, its far data (3, (TOP + 1)^2).

    added (nodes, 4): the fields that the loads make, order by order in k^2, orthonormal and square to the air's span;
    stiff, heavy: stiffness and mass times these; by_base: (2, r, 4) and (r, 3), their products with the span and the
    span's with the loads; by_far ((TOP + 1)^2, 4); solutions: for wave numbers, (2, m, r, 5), A_BW of these columns and
    load_B, and A_BB^-1 of both.
    """

    reading: MouthReading
    loads: np.ndarray
    far: np.ndarray
    added: np.ndarray
    stiff: np.ndarray
    heavy: np.ndarray
    by_base: tuple[np.ndarray, np.ndarray, np.ndarray]
    by_far: np.ndarray
    solutions: dict[tuple[float, ...], np.ndarray]

    @staticmethod
    def of(
        base: ShellBase, reading: MouthReading, loads: np.ndarray, far: np.ndarray, fields: np.ndarray
    ) -> MouthShare:
        """Make a mouth's share from its loads, far data and fields (nodes, 4) of any length."""
        added, span = fields / np.linalg.norm(fields, axis=0), base.span
        for _ in range(2):
            added = np.linalg.qr(added - span @ (span.T @ added))[0]
        stiff, heavy = base.stiffness @ added, base.mass @ added
        products = span.T @ np.concatenate([stiff, heavy, loads], axis=1)
        by_base = products[:, :4], products[:, 4:8], products[:, 8:]
        return MouthShare(reading, loads, far, added, stiff, heavy, by_base, base.loads.T @ added, {})

    def read_base(self, base: ShellBase) -> np.ndarray:
        """Means over the mouth of the columns of the air's own span: (r,)."""
        return self.reading.of(base.span)

    def solved(self, base: ShellBase, waves: ShellWaves) -> np.ndarray:
        """`solutions` at some wave numbers (m,): (2, m, r, 5)."""
        key = tuple(waves.k.tolist())
        if key not in self.solutions:
            k2 = np.square(waves.k)[:, None, None]
            columns = self.by_base[0] - k2 * self.by_base[1]
            columns = columns + base.far_loads @ (waves.condition[:, :, None] * self.by_far)
            loads = self.by_base[2] @ _powers(waves.k).T
            loads = loads.T[:, :, None] - base.far_loads @ base.drive(waves, self.far[:, :, None])
            both = np.concatenate([columns, loads], axis=2)
            self.solutions[key] = np.stack([both, waves.inverse @ both])
        return self.solutions[key]


def _powers(k: np.ndarray) -> np.ndarray:
    """1, k^2, k^4: (m, 3)."""
    return np.stack([np.ones(len(k)), k**2, k**4], axis=1)


_PAIRED = 40  # mouths whose pairs are kept


class MouthPairs:
    """Products of any two mouths' fields; from one question to the next only those of new mouths are computed.

    Blocks by name, rows (n) and columns (n) of mouths: `gram`, `K`, `M` (n, n, 4, 4) and `loads` (n, n, 4, 3) of the
    fields that they add, `read` (n, n, 4), and `schur` (n, n, m, 4, 5): A_WB A_BB^-1 of columns and load.
    """

    def __init__(self, base: ShellBase):
        self._base = base
        self._place: dict[MouthShare, int] = {}
        self._key: tuple[float, ...] = ()
        self._blocks: dict[str, np.ndarray] = {}

    def of(self, parts: Sequence[MouthShare], waves: ShellWaves) -> dict[str, np.ndarray]:
        """All blocks of these mouths."""
        if (key := tuple(waves.k.tolist())) != self._key:
            self._place, self._key = {}, key
        known = [n for n, part in enumerate(parts) if part in self._place]
        new = [n for n, part in enumerate(parts) if part not in self._place]
        found: dict[str, np.ndarray] = {}
        if not known:
            found = self._among(parts, waves)
        else:
            before = [self._place[parts[n]] for n in known]
            for name, block in self._blocks.items():
                found[name] = np.empty((len(parts),) * 2 + block.shape[2:], block.dtype)
                found[name][np.ix_(known, known)] = block[np.ix_(before, before)]
            for n, place in enumerate(new):
                self._join(found, parts, place, [*known, *new[:n]], waves)
        if len(parts) <= _PAIRED:
            self._place, self._blocks = {part: n for n, part in enumerate(parts)}, found
        return found

    def _join(
        self, found: dict[str, np.ndarray], parts: Sequence[MouthShare], n: int, others: list[int], waves: ShellWaves
    ) -> None:
        """Put mouth `n` and `others` together in the blocks: all but reading and loads is symmetric."""
        new = parts[n]
        brought = np.concatenate([getattr(new, what) for what in _PRODUCTS.values()], axis=1)
        cuts = np.cumsum([getattr(new, what).shape[1] for what in _PRODUCTS.values()])[:-1]
        both = new.solved(self._base, waves)
        for i in (*others, n):
            part, theirs = parts[i], parts[i].solved(self._base, waves)
            for name, block in zip(_PRODUCTS, np.split(part.added.T @ brought, cuts, axis=1), strict=True):
                found[name][i, n] = block
            schur = theirs[0, :, :, :4].swapaxes(1, 2) @ both[1]
            found["schur"][i, n], found["read"][i, n] = schur, part.reading.of(new.added)
            if i == n:
                continue
            for name in ("gram", "K", "M"):
                found[name][n, i] = found[name][i, n].T
            found["loads"][n, i], found["read"][n, i] = new.added.T @ part.loads, new.reading.of(part.added)
            found["schur"][n, i, :, :, :4] = schur[:, :, :4].swapaxes(1, 2)
            found["schur"][n, i, :, :, 4:] = both[0, :, :, :4].swapaxes(1, 2) @ theirs[1, :, :, 4:]

    def _among(self, parts: Sequence[MouthShare], waves: ShellWaves) -> dict[str, np.ndarray]:
        """All blocks anew."""
        count = len(parts)
        added = np.concatenate([part.added for part in parts], axis=1)

        def times(what: str) -> np.ndarray:
            product = added.T @ np.concatenate([getattr(part, what) for part in parts], axis=1)
            return product.reshape(count, 4, count, -1).swapaxes(1, 2)

        read = np.stack([part.reading.of(added) for part in parts]).reshape(count, count, 4)
        solved = np.stack([part.solved(self._base, waves) for part in parts])  # (n, 2, m, r, 5)
        m, r = solved.shape[2:4]
        left, right = (np.moveaxis(x, 0, 2).reshape(m, r, -1) for x in (solved[:, 0, :, :, :4], solved[:, 1]))
        schur = (left.swapaxes(1, 2) @ right).reshape(m, count, 4, count, 5)
        found = {name: times(what) for name, what in _PRODUCTS.items()}
        return found | {"read": read, "schur": schur.transpose(1, 3, 0, 2, 4)}


_PRODUCTS = {"gram": "added", "K": "stiff", "M": "heavy", "loads": "loads"}


@dataclass(frozen=True, eq=False)
class Widened:
    """The equations among the air's span and the fields of some mouths, at some wave numbers."""

    base: ShellBase
    parts: tuple[MouthShare, ...]
    waves: ShellWaves
    blocks: dict[str, np.ndarray]

    @staticmethod
    def of(base: ShellBase, parts: Sequence[MouthShare], wave_numbers: np.ndarray, pairs: MouthPairs) -> Widened:
        """Equations widened by the fields of these mouths."""
        waves = base.at(tuple(wave_numbers.tolist()))
        return Widened(base, tuple(parts), waves, pairs.of(parts, waves))

    @property
    def is_sound(self) -> bool:
        """Whether the added fields are so unlike each other that the equations lose no digits that are wanted."""
        size = np.linalg.eigvalsh(_square(self.blocks["gram"]))
        return bool(size[0] > _SOUND * size[-1])

    def span(self) -> np.ndarray:
        """The span (nodes, r): the air's own, and then four fields a mouth."""
        return np.concatenate([self.base.span, *(part.added for part in self.parts)], axis=1)

    @cached_property
    def reading(self) -> np.ndarray:
        """Means over the mouths of the columns of the span: (n, r)."""
        own = np.stack([part.read_base(self.base) for part in self.parts])
        return np.concatenate([own, self.blocks["read"].reshape(len(own), -1)], axis=1)

    def solved(self, far: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Components of the smooth fields (m, r, n) and their radiation (m, n, n), 1/m."""
        base, waves, blocks, count = self.base, self.waves, self.blocks, len(self.parts)
        k2 = np.square(waves.k)[:, None, None]
        by_far = np.concatenate([p.by_far for p in self.parts], axis=1)
        schur = blocks["schur"].transpose(2, 0, 3, 1, 4).reshape(len(waves.k), 4 * count, count, 5)
        A = _square(blocks["K"]) - k2 * _square(blocks["M"]) + by_far.T @ (waves.condition[:, :, None] * by_far)
        loads = blocks["loads"].swapaxes(1, 2).reshape(4 * count, count, 3) @ _powers(waves.k).T
        load = np.moveaxis(loads, 2, 0) - by_far.T @ base.drive(waves, far) - schur[..., 4]
        c_W = np.linalg.solve(A - schur[..., :4].reshape(A.shape), load)
        solved = [part.solved(base, waves)[1] for part in self.parts]  # (m, r, 5) each
        c_B = np.stack([each[..., 4] for each in solved], axis=2)
        for n, each in enumerate(solved):
            c_B -= each[..., :4] @ c_W[:, 4 * n : 4 * n + 4]
        through = base.far_loads.T @ c_B + by_far @ c_W + far[0] + k2 * far[1]
        power = waves.leaves.imag / base.radius**2  # as in `_ReducedModel.radiated`
        radiated = np.real(through.conj().swapaxes(1, 2) @ (power[:, :, None] * through))
        return np.concatenate([c_B, c_W], axis=1), radiated


def _square(blocks: np.ndarray) -> np.ndarray:
    """Blocks (n, n, 4, 4) as one matrix."""
    return blocks.swapaxes(1, 2).reshape(4 * len(blocks), -1)
