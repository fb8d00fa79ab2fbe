"""How all the air of a chamber rings, inside and outside at once: resonances k with radiation, one fingering at a time.

Without losses at the walls the pressure p of a resonance makes K p + sum_l D_l(k) B_l B_l^T p = k^2 M p, with D_l the
steepness of the wave of degree l that leaves the far sphere (`waves.leaving`) and B its harmonics.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg import eig, eigh, qr
from scipy.sparse import csr_matrix, diags

from simkit.body.kernel import EDGES
from simkit.body.whole import WholeMesh
from simkit.errors import OutOfReach
from simkit.field.quadrature import facet_rule
from simkit.field.rub import wall_integrals
from simkit.field.straight import matrices
from simkit.field.twolevel import TwoLevel
from simkit.field.waves import degrees, harmonics, leaving

TOP = 8  # degree of the harmonics on the far sphere
TOLERANCE = 1e-9  # relative error of k^2 at which the search stops
STEPS = 60

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class WholeMode:
    """One resonance: k, 1/m (imaginary part from radiation alone), and what small changes would do to it.

    pressed, slid: integrals of p^2 (m^-1) and of (grad_T p)^2 (m^-3) over all walls, and felt: p^2 (m^-3) at each
    cover that is closed; all over the integral of p^2 dV, less the change of the outgoing wave with k^2: the
    derivative of k^2 by the matching loads. unknowns, seconds: what the solution took.
    """

    k: complex
    pressed: complex
    slid: complex
    felt: dict[str, complex]
    unknowns: int
    seconds: float


@dataclass(frozen=True)
class WholeAir:
    """The matrices of a mesh of it all, not yet joined at the openings."""

    whole: WholeMesh
    K: csr_matrix
    M: csr_matrix

    @classmethod
    def of(cls, whole: WholeMesh) -> WholeAir:
        """Assemble stiffness and mass."""
        return cls(whole, *matrices(whole.mesh))

    @cached_property
    def far(self) -> tuple[csr_matrix, np.ndarray]:
        """On the far sphere: the integral of p q dS (n, n), and the harmonics' loads B (n, (TOP + 1)^2), m."""
        mesh, radius = self.whole.mesh, self.whole.radius
        rule = facet_rule(mesh.points, mesh.outer)
        surface = (rule.spread @ diags(1 / rule.weights) @ rule.spread.T).tocsr()
        nodes = np.unique(mesh.outer)
        Y = np.zeros((len(mesh.points), (TOP + 1) ** 2))
        away = mesh.points[nodes] - self.whole.center
        Y[nodes] = harmonics(away / np.linalg.norm(away, axis=1)[:, None], TOP).T
        B = surface @ Y / radius
        values, vectors = eigh(Y.T @ B / radius)  # 1 but for the facets' error: make them orthonormal on the mesh
        return surface, B @ (vectors / np.sqrt(values)) @ vectors.T

    def joined(self, opened: Iterable[str]) -> np.ndarray:
        """The number of each node once the covers of the open openings are joined: (n,)."""
        same = np.arange(len(self.whole.mesh.points))
        for name in opened:
            inside, outside = self.whole.covers[name]
            same[outside.ravel()] = inside.ravel()
        return np.unique(same, return_inverse=True)[1]

    def lowest(self, opened: tuple[str, ...]) -> WholeMode:
        """The lowest resonance with these openings open, all others closed by their covers."""
        start = time.perf_counter()
        number = self.joined(opened)
        solver = _Solver(self, number)
        k, pressure = solver.lowest()
        mode = self._mode(k, pressure[number], solver.weight(k, pressure), opened)
        mode = replace(mode, unknowns=len(pressure), seconds=time.perf_counter() - start)
        log.info("%s open: k = %.4f 1/m, %d unknowns, %.1f s", ", ".join(opened), k.real, len(pressure), mode.seconds)
        return mode

    def _mode(self, k: complex, pressure: np.ndarray, weight: complex, opened: tuple[str, ...]) -> WholeMode:
        covers = self.whole.covers
        closed = [name for name in covers if name not in opened]
        mesh = self.whole.mesh
        walls = replace(mesh, facets=np.concatenate([mesh.facets, *(side for n in closed for side in covers[n])]))
        pressed, slid = (complex(v[0]) / weight for v in wall_integrals(walls, pressure[:, None]))
        felt = {name: complex(pressure[covers[name][0]].mean() ** 2) / weight for name in closed}
        return WholeMode(k, pressed, slid, felt, 0, 0.0)


class _Solver:
    """One fingering: joined matrices, a preconditioner, and a search in a growing space of real fields."""

    def __init__(self, air: WholeAir, number: np.ndarray):
        count = int(number.max()) + 1
        join = csr_matrix((np.ones(len(number)), (np.arange(len(number)), number)), shape=(len(number), count))
        surface, B = air.far
        self.K, self.M, self.S = ((join.T @ A @ join).tocsr() for A in (air.K, air.M, surface))
        self.B = join.T @ B
        self.radius = air.whole.radius
        # What the harmonics do not reach is held by a plain steepness of their next degree.
        self.beyond = (TOP + 2) / self.radius
        self.inverse = TwoLevel((self.K + self.S / self.radius).tocsr(), _linear(air.whole, number))

    def steepness(self, k: complex) -> np.ndarray:
        """D_l(k) of every harmonic, less what stands for all."""
        return leaving(k, self.radius, TOP)[degrees(TOP)] - self.beyond

    def weight(self, k: complex, x: np.ndarray) -> complex:
        """x^T M x - x^T (dD/dk^2) x: by it k^2 changes for a load."""
        e = 1e-5 * k.real
        slope = (self.steepness(k + e) - self.steepness(k - e)) / (2 * e)
        return complex(x @ (self.M @ x) - (slope / (2 * k) * (self.B.T @ x) ** 2).sum())

    def lowest(self) -> tuple[complex, np.ndarray]:
        """k and the field (n,) of the lowest resonance, by nonlinear Arnoldi.

        The residual of the best field in the space, preconditioned, enlarges it (Voss 2004, BIT 44:387 [memory]);
        real and imaginary parts apart keep all big matrices real.
        """
        V = qr(self.inverse(self.M @ np.ones((self.M.shape[0], 1))), mode="economic")[0]
        images = [A @ V for A in (self.K, self.M, self.S)]
        told = self.B.T @ V
        k: complex | None = None
        for _ in range(STEPS):
            k, y = self._within([V.T @ image for image in images], told, k)
            stiff, heavy, far = images
            x = V @ y
            residual = (
                stiff @ y - k**2 * (heavy @ y) + self.beyond * (far @ y) + self.B @ (self.steepness(k) * (told @ y))
            )
            better = self.inverse(np.stack([residual.real, residual.imag], axis=1))
            error = abs(residual @ (better[:, 0] + 1j * better[:, 1]) / (x @ (self.M @ x)) / k**2)
            if error < TOLERANCE:
                return k, x
            fresh = _beyond(V, better)
            V = np.hstack([V, fresh])
            images = [np.hstack([image, A @ fresh]) for image, A in zip(images, (self.K, self.M, self.S), strict=True)]
            told = np.hstack([told, self.B.T @ fresh])
        raise OutOfReach(f"resolved: the resonance did not settle in {STEPS} steps (error of k^2: {error:.1g})")

    def _within(self, small: list[np.ndarray], told: np.ndarray, k: complex | None) -> tuple[complex, np.ndarray]:
        """The resonance nearest to k in the space, by fixed-point steps on D(k); the lowest without radiation first."""
        K, M, S = small
        if k is None:
            k = complex(np.sqrt(eigh(K + S / self.radius, M, eigvals_only=True)[0]))
        for _ in range(40):
            values, vectors = eig(K + self.beyond * S + (told.T * self.steepness(k)) @ told, M)
            found = np.sqrt(values.astype(complex))
            found = np.where(found.real < 0, -found, found)
            ringing = found.real > np.abs(found.imag)
            pick = int(np.argmin(np.where(ringing | ~ringing.any(), np.abs(found - k), np.inf)))
            step, k = abs(found[pick] - k), complex(found[pick])
            if step < 1e-13 * abs(k):
                break
        return k, vectors[:, pick]


def _beyond(V: np.ndarray, new: np.ndarray) -> np.ndarray:
    """What is new in the columns (n, m) beside the orthonormal V, orthonormal."""
    kept = V
    for column in new.T:
        length = np.linalg.norm(column)
        for _ in range(2):
            column = column - kept @ (kept.T @ column)
        if np.linalg.norm(column) > 1e-10 * length:
            kept = np.column_stack([kept, column / np.linalg.norm(column)])
    return kept[:, V.shape[1] :]


def _linear(whole: WholeMesh, number: np.ndarray) -> csr_matrix:
    """From linear elements on the joined corners to the joined nodes: (nodes, corners)."""
    tets = whole.mesh.tets
    corners = np.unique(tets[:, :4])
    ends = np.concatenate([tets[:, [4 + e, a, b]] for e, (a, b) in enumerate(EDGES)])
    ends = ends[np.unique(ends[:, 0], return_index=True)[1]]
    rows = number[np.concatenate([corners, ends[:, 0], ends[:, 0]])]
    columns = number[np.concatenate([corners, ends[:, 1], ends[:, 2]])]
    values = np.concatenate([np.ones(len(corners)), np.full(2 * len(ends), 0.5)])
    used, columns = np.unique(columns, return_inverse=True)
    shape = int(number.max()) + 1, len(used)
    spread, times = (csr_matrix((v, (rows, columns)), shape=shape) for v in (values, np.ones(len(values))))
    spread.data /= times.data  # joined nodes come twice, with the same ends
    return spread
