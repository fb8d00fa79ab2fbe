"""Resonances k of all the air of a chamber, inside and outside at once, with radiation, one fingering at a time.

Without losses at the walls the pressure p of a resonance makes K p + sum_l D_l(k) B_l B_l^T p = k^2 M p, with D_l the
steepness of the wave of degree l that leaves the far sphere (`resonance_search.leaving`) and B its harmonics.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg import eigh
from scipy.sparse import csr_matrix

from simkit.body.kernel import edge_ends
from simkit.body.meshes.curved import AirMesh
from simkit.body.meshes.skins import WholeMesh
from simkit.field.fem.air_matrices import like, real_and_imaginary, stiffness_and_imaginary_mass
from simkit.field.fem.factor import TwoLevel, largest_over_diagonal
from simkit.field.fem.probes import Swing, nodal_gradient
from simkit.field.fem.quadrature import facet_rule, wall_matrices
from simkit.field.fem.resonance_search import TOP, Radiating, harmonics
from simkit.field.full.branch import EXIT, Exit, Participation, mean_over, participation_at
from simkit.field.full.driven import Driven, driven
from simkit.field.full.wall_shift import moving_matrices, moving_walls
from simkit.frozen import frozen

log = logging.getLogger(__name__)


@frozen
class WholeMode:
    """One resonance: k, 1/m (imaginary part from radiation alone), and its derivatives by small changes.

    thermal, viscous: integrals of p^2 (m^-1) and of (grad_T p)^2 (m^-3) over all walls, and participation: p^2 (m^-3)
    at each cover that is closed; all over the integral of p^2 dV, less the change of the outgoing wave with k^2: the
    derivative of k^2 by the matching loads. unknowns, seconds: what the solution took. exit: what a windway would do.
    """

    k: complex
    thermal: complex
    viscous: complex
    participation: dict[str, complex]
    unknowns: int
    seconds: float
    exit: Participation | None = None


@dataclass(frozen=True, eq=False)
class WholeAir:
    """The matrices of a mesh of it all, not yet joined at the openings: stiffness and mass as K + iM."""

    whole: WholeMesh
    both: csr_matrix

    @classmethod
    def of(cls, whole: WholeMesh) -> WholeAir:
        """Assemble stiffness and mass."""
        return cls(whole, stiffness_and_imaginary_mass(whole.mesh))

    @property
    def K(self) -> csr_matrix:
        """Stiffness (nodes, nodes), m."""
        return like(self.both, self.both.data.real)

    @property
    def M(self) -> csr_matrix:
        """Mass (nodes, nodes), m^3."""
        return like(self.both, self.both.data.imag)

    @cached_property
    def far(self) -> tuple[csr_matrix, csr_matrix]:
        """Matrices on the far sphere: the integral of p q dS (n, n), and the harmonics' loads B (n, (TOP + 1)^2), m."""
        mesh, radius = self.whole.mesh, self.whole.radius
        rule = facet_rule(mesh.points, mesh.outer)
        surface = rule.mass
        nodes = np.unique(mesh.outer)
        away = mesh.points[nodes] - self.whole.center
        Y = harmonics(away / np.linalg.norm(away, axis=1)[:, None], TOP).T
        B = surface[nodes][:, nodes] @ Y / radius
        values, vectors = eigh(Y.T @ B / radius)  # 1 but for the facets' error: make them orthonormal on the mesh
        place = csr_matrix((np.ones(len(nodes)), (nodes, np.arange(len(nodes)))), shape=(len(mesh.points), len(nodes)))
        return surface, (place @ csr_matrix(B @ (vectors / np.sqrt(values)) @ vectors.T)).tocsr()

    @cached_property
    def inside(self) -> csr_matrix:
        """M of the air inside the covers alone: its nodes are its own until they are joined."""
        within = np.zeros(len(self.whole.mesh.points))
        within[self.whole.mesh.tets[~self.whole.around]] = 1.0
        kept = self.M.copy()
        kept.data *= np.repeat(within, np.diff(kept.indptr))  # rows of nodes inside; their columns are inside too
        kept.eliminate_zeros()
        return kept

    def joined(self, opened: Iterable[str]) -> np.ndarray:
        """The number of each node once the covers of the open openings are joined: (n,)."""
        same = np.arange(len(self.whole.mesh.points))
        for name in opened:
            inside, outside = self.whole.covers[name]
            same[outside.ravel()] = inside.ravel()
        return np.unique(same, return_inverse=True)[1]  # numbers without gaps

    def lowest(self, opened: tuple[str, ...]) -> WholeMode:
        """The lowest resonance with these openings open, all others closed by their covers."""
        return self.modes(opened, 1)[0]

    def modes(self, opened: tuple[str, ...], count: int, end: Exit | None = None) -> tuple[WholeMode, ...]:
        """The lowest `count` resonances, ascending; `seconds` is what all of them took; `end`: of a windway."""
        start = time.perf_counter()
        number = self.joined(opened)
        air = self.radiating(number)
        rings = air.resonances(count)
        found = [self._mode(k, p, number, air.weight(k, p), opened) for k, p in rings]
        if end is not None:
            row = _join(number).T @ mean_over(self.whole, end)
            exits = (participation_at(air, row, end.conductivity, k, p) for k, p in rings)
            found = [replace(mode, exit=each) for mode, each in zip(found, exits, strict=True)]
        seconds, unknowns = time.perf_counter() - start, air.K.shape[0]
        log.info(
            "one grid of cells solved with %s open, in %.0f s",
            ", ".join(name.strip("[]") for name in opened) or "nothing",
            seconds,
        )
        return tuple(replace(mode, unknowns=unknowns, seconds=seconds) for mode in found)

    def swing(self, opened: tuple[str, ...], n: int) -> Swing:
        """The field of resonance `n`, from 0, with these openings open."""
        number = self.joined(opened)
        k, joined = self.radiating(number).resonances(n + 1)[n]
        pressure = joined[number]
        K, M = real_and_imaginary(self.both)
        left = K @ pressure - k**2 * (M @ pressure)  # by nodes: what crosses the covers, and the far sphere
        flux = {name: complex(left[np.unique(inner)].sum()) for name, (inner, _) in self.whole.covers.items()}
        return Swing(k, pressure, nodal_gradient(self.whole.mesh, pressure, number), flux)

    def driven(self, opened: tuple[str, ...], name: str, highest: float, end: Exit | None = None) -> Driven:
        """Response to a pressure across the cover of one open opening, up to k = `highest`, 1/m."""
        number, covers = self.joined(opened), self.whole.covers
        join = _join(number)
        closed = [other for other in covers if other not in opened]
        walls, forms = self._walls(closed), dict(zip("KM", real_and_imaginary(self.both), strict=True))
        forms["thermal"], forms["viscous"] = wall_matrices(walls)
        if self.whole.sharp:  # what the resonances take there: k^2 thermal less what moving every wall does
            K, M = moving_matrices(walls, number)
            forms |= {"viscous": -K, "viscous_k2": forms["thermal"] + M}
        jump = np.zeros(len(number))
        jump[covers[name][0]] = 1.0  # on the inner side alone: there the pressure is by one higher
        rows = {other: _mean(covers[other][0], len(number)) @ join for other in closed}
        if end is not None:
            rows[EXIT] = csr_matrix(mean_over(self.whole, end)) @ join
        return driven(self.radiating(number), forms, join, jump, rows, highest)

    @cached_property
    def _wall_forms(self) -> tuple[csr_matrix, csr_matrix]:
        """The integrals of p q and of grad_T p . grad_T q over the clay: (nodes, nodes)."""
        return wall_matrices(self.whole.mesh)

    def _walls(self, closed: list[str]) -> AirMesh:
        """The mesh with both sides of the closed covers among its walls."""
        mesh, covers = self.whole.mesh, self.whole.covers
        return replace(mesh, facets=np.concatenate([mesh.facets, *(side for name in closed for side in covers[name])]))

    def radiating(self, number: np.ndarray) -> Radiating:
        """All this air with its nodes joined to `number`."""
        surface, B = self.far
        both, S, inside = (merged(A, number) for A in (self.both, surface, self.inside))
        K, M = real_and_imaginary(both)
        spread, corner = self._linear.joined(number)
        coarse, largest = self._linear_stiffness
        inverse = TwoLevel((K + S / self.whole.radius).tocsr(), spread, merged(coarse, corner), largest)
        return Radiating(K, M, S, inside, (_join(number).T @ B).tocsr(), self.whole.radius, inverse)

    @cached_property
    def _linear(self) -> Linear:
        return Linear.of(self.whole.mesh)

    @cached_property
    def _linear_stiffness(self) -> tuple[csr_matrix, float]:
        """K + S/radius between linear elements, and the largest eigenvalue of K over its diagonal, about.

        Of what is not joined: joined it is as large, for both are bounded by the same elements'. S is in a few entries.
        """
        K, spread = self.K, self._linear.spread
        parts = (spread.T.tocsr() @ A @ spread for A in (K, self.far[0] / self.whole.radius))
        return sum(parts).tocsr(), largest_over_diagonal(K)

    def _mode(
        self, k: complex, joined: np.ndarray, number: np.ndarray, weight: complex, opened: tuple[str, ...]
    ) -> WholeMode:
        covers, pressure = self.whole.covers, joined[number]
        closed = [name for name in covers if name not in opened]
        sides = (replace(self.whole.mesh, facets=np.concatenate(covers[name])) for name in closed)
        forms = [self._wall_forms, *map(wall_matrices, sides)]  # of the clay, and of both sides of each cover
        thermal, viscous = (
            sum(complex(pressure @ (A @ pressure)) for A in part) / weight for part in zip(*forms, strict=True)
        )
        if self.whole.sharp:
            viscous = k**2 * thermal - moving_walls(self._walls(closed), number, joined, k) / weight
        participation = {name: complex(pressure[covers[name][0]].mean() ** 2) / weight for name in closed}
        return WholeMode(k, thermal, viscous, participation, 0, 0.0)


def _join(number: np.ndarray) -> csr_matrix:
    """Matrix (nodes, joined) from the joined nodes to all."""
    return csr_matrix((np.ones(len(number)), (np.arange(len(number)), number)))


def _mean(cover: np.ndarray, count: int) -> csr_matrix:
    """The mean over a cover's nodes as a row (1, count), each triangle counted alike."""
    nodes, times = np.unique(cover, return_counts=True)
    return csr_matrix((times / times.sum(), (np.zeros(len(nodes), int), nodes)), shape=(1, count))


def merged(A: csr_matrix, number: np.ndarray) -> csr_matrix:
    """E^T A E for E that joins nodes to `number` (n,): rows and columns of one number added up."""
    count = int(number.max()) + 1
    # Columns take their new numbers, rows are sorted by theirs; then rows of one number are one run, a new row.
    order = np.argsort(number, kind="stable")
    rows = csr_matrix((A.data, number.astype(A.indices.dtype)[A.indices], A.indptr), (len(number), count))[order]
    starts = rows.indptr[np.append(0, np.cumsum(np.bincount(number, minlength=count)))]
    joined = csr_matrix((rows.data, rows.indices, starts), (count, count))
    joined.sum_duplicates()
    return joined


@dataclass(frozen=True, eq=False)
class Linear:
    """Linear elements on the corners of a mesh: `spread` (nodes, corners) to its nodes, and the corners' nodes."""

    spread: csr_matrix
    corners: np.ndarray

    @classmethod
    def of(cls, mesh: AirMesh) -> Linear:
        """Linear elements of all tetrahedra, nothing joined."""
        corners, count = np.unique(mesh.tets[:, :4]), len(mesh.points)
        columns = np.searchsorted(corners, edge_ends(mesh.tets, count)).ravel()
        halves = np.full(2 * count, 0.5), (np.repeat(np.arange(count), 2), columns)  # a corner's two add up to one
        return cls(csr_matrix(halves, shape=(count, len(corners))), corners)

    def joined(self, number: np.ndarray) -> tuple[csr_matrix, np.ndarray]:
        """Interpolation (joined nodes, corners) from joined corners, and the number of each corner once joined."""
        first = np.unique(number, return_index=True)[1]
        used, corner = np.unique(number[self.corners], return_inverse=True)
        rows = self.spread[first]  # joined nodes have joined ends
        return csr_matrix((rows.data, corner[rows.indices], rows.indptr), (len(first), len(used))), corner
