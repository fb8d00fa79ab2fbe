"""The shell's equations among few fields: the far sphere's harmonics' and, with each opening, a few more.

Galerkin's equations at wave number k, in blocks B of the first and W of the second,

    [A_BB  A_BW] [c_B]   [load_B]
    [A_WB  A_WW] [c_W] = [load_W],      A = stiffness - k^2 mass + far condition,

are solved by the Schur complement A_WW - A_WB A_BB^-1 A_BW. A_BB is factored once for each k, and A_BB^-1 of an
opening's own columns is kept with it, so that a changed opening costs its own columns and a small system.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import lu_factor, lu_solve
from scipy.sparse import csr_matrix

from simkit.field.fem.far_field import degrees, leaving
from simkit.field.reduced.kept import MouthReading

TOP = 8  # highest degree that leaves exactly
DEGREE = degrees(TOP)
_SOUND = 1e-8  # least over largest eigenvalue of the products of the added fields: six digits are lost at most


@dataclass(frozen=True, eq=False)
class ShellWave:
    """The part of the equations that knows no opening, at wave number k: `leaving` of every harmonic, what the far
    condition adds to its steepness, over radius^2, and the factors of A_BB."""

    k: float
    leaves: np.ndarray
    condition: np.ndarray
    factors: tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True, eq=False)
class ShellBase:
    """The same at any k, among the columns of the air's span (nodes, r).

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
    _waves: dict[float, ShellWave]

    @staticmethod
    def of(
        span: np.ndarray, stiffness: csr_matrix, mass: csr_matrix, loads: np.ndarray, steepness: float, radius: float
    ) -> ShellBase:
        """Of a shell's matrices."""
        K, M = span.T @ (stiffness @ span), span.T @ (mass @ span)
        return ShellBase(span, stiffness, mass, loads, steepness, radius, K, M, span.T @ loads, {})

    def at(self, k: float) -> ShellWave:
        """At wave number k, kept."""
        if k not in self._waves:
            leaves = leaving(k, self.radius, TOP)[DEGREE]
            condition = (leaves - self.steepness) / self.radius**2
            A = self.K - k**2 * self.M + (self.far_loads * condition) @ self.far_loads.T
            self._waves[k] = ShellWave(k, leaves, condition, lu_factor(A, check_finite=False))
        return self._waves[k]

    def drive(self, wave: ShellWave, far: np.ndarray) -> np.ndarray:
        """The harmonics' loads ((TOP + 1)^2, n) of ports with far data S, R, dR/dr (3, (TOP + 1)^2, n).

        S is made of decaying multipoles: d/dr of its degree l is -(l + 1)/radius of it.
        """
        S, R, steep = far
        D = wave.leaves[:, None]
        left = (D - (DEGREE[:, None] + 1) / self.radius) * S + wave.k**2 * (steep + D * R)
        return np.asarray(left / self.radius**2)


@dataclass(frozen=True, eq=False)
class MouthShare:
    """What one mouth brings: how it reads, its loads (nodes, 3) with 1, k^2, k^4, its far data (3, (TOP + 1)^2).

    added (nodes, 4): the fields that the loads make, order by order in k^2, orthonormal and square to the air's span;
    stiff, heavy: stiffness and mass times these; by_base: (2, r, 4) and (r, 3), their products with the span and the
    span's with the loads; by_far ((TOP + 1)^2, 4).
    """

    reading: MouthReading
    loads: np.ndarray
    far: np.ndarray
    added: np.ndarray
    stiff: np.ndarray
    heavy: np.ndarray
    by_base: tuple[np.ndarray, np.ndarray, np.ndarray]
    by_far: np.ndarray
    solutions: dict[float, np.ndarray]

    @staticmethod
    def of(
        base: ShellBase, reading: MouthReading, loads: np.ndarray, far: np.ndarray, fields: np.ndarray
    ) -> MouthShare:
        """From its loads, far data and fields (nodes, 4) of any length."""
        added, span = fields / np.linalg.norm(fields, axis=0), base.span
        for _ in range(2):
            added = np.linalg.qr(added - span @ (span.T @ added))[0]
        stiff, heavy = base.stiffness @ added, base.mass @ added
        by_base = span.T @ stiff, span.T @ heavy, span.T @ loads
        return MouthShare(reading, loads, far, added, stiff, heavy, by_base, base.loads.T @ added, {})


def _solve_for(base: ShellBase, parts: Sequence[MouthShare], wave: ShellWave) -> None:
    """A_BW of these mouths' own columns and load_B of their loads, and A_BB^-1 of both: (2, r, 5) for each."""
    count, k2 = len(parts), wave.k**2
    K, M = (np.concatenate([part.by_base[n] for part in parts], axis=1) for n in (0, 1))
    by_far = np.concatenate([part.by_far for part in parts], axis=1)
    columns = K - k2 * M + (base.far_loads * wave.condition) @ by_far
    loads = np.stack([part.by_base[2] @ np.array([1.0, k2, k2 * k2]) for part in parts], axis=1)
    loads = loads - base.far_loads @ base.drive(wave, np.stack([part.far for part in parts], axis=2))
    both = np.concatenate([columns.reshape(-1, count, 4), loads[:, :, None]], axis=2).reshape(-1, 5 * count)
    solved = np.stack([both, lu_solve(wave.factors, both, check_finite=False)]).reshape(2, -1, count, 5)
    for n, part in enumerate(parts):
        part.solutions[wave.k] = solved[:, :, n].copy()


@dataclass(frozen=True, eq=False)
class Widened:
    """The equations among the air's span and what some mouths add to it."""

    base: ShellBase
    parts: tuple[MouthShare, ...]
    added: np.ndarray

    @staticmethod
    def of(base: ShellBase, parts: Sequence[MouthShare]) -> Widened:
        """Of the mouths with these shares."""
        return Widened(base, tuple(parts), np.concatenate([part.added for part in parts], axis=1))

    @property
    def is_sound(self) -> bool:
        """Whether the added fields are so unlike each other that the equations lose no digits that are wanted."""
        size = np.linalg.eigvalsh(self.added.T @ self.added)
        return bool(size[0] > _SOUND * size[-1])

    @cached_property
    def span(self) -> np.ndarray:
        """The span (nodes, r): the air's own, and then four fields a mouth."""
        return np.concatenate([self.base.span, self.added], axis=1)

    def solved(self, wave_numbers: np.ndarray, far: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Components of the smooth fields (m, r, n) and what they radiate (m, n, n), at wave numbers (m,)."""
        count = len(self.parts)
        K, M = (
            self.added.T @ np.concatenate([getattr(p, of) for p in self.parts], axis=1) for of in ("stiff", "heavy")
        )
        loads = self.added.T @ np.concatenate([p.loads for p in self.parts], axis=1)
        loads = loads.reshape(len(loads), count, 3)
        by_far, base = np.concatenate([p.by_far for p in self.parts], axis=1), self.base
        fields, radiated = [], []
        own = np.arange(5 * count) % 5 < 4
        for k in wave_numbers.tolist():
            wave, k2 = base.at(k), k * k
            fresh = [part for part in self.parts if k not in part.solutions]
            if fresh:
                _solve_for(base, fresh, wave)
            coupling, solved = np.stack([part.solutions[k] for part in self.parts], axis=2).reshape(2, -1, 5 * count)
            A_BW, to_columns, to_loads = coupling[:, own], solved[:, own], solved[:, ~own]
            A_WW = K - k2 * M + (by_far.T * wave.condition) @ by_far
            load_W = loads @ np.array([1.0, k2, k2 * k2]) - by_far.T @ base.drive(wave, far)
            c_W = np.linalg.solve(A_WW - A_BW.T @ to_columns, load_W - A_BW.T @ to_loads)
            c_B = to_loads - to_columns @ c_W
            fields.append(np.concatenate([c_B, c_W]))
            through = base.far_loads.T @ c_B + by_far @ c_W + far[0] + k2 * far[1]
            power = wave.leaves.imag / base.radius**2  # as in `_ReducedModel.radiated`
            radiated.append(np.real(through.conj().T @ (power[:, None] * through)))
        return np.stack(fields), np.stack(radiated)
