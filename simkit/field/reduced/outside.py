"""The air around the body as its openings see it: a thin meshed shell, and beyond it spherical waves.

Signs as in `inside`, seen from the outside air: p = Z q with q = i omega rho U for a flow U out of the body. Unit
strength at port j makes p = S_j + k^2 R_j + smooth_j, with S and R of `source`, and for every test field v

    integral of grad smooth . grad v - k^2 smooth v  +  far integral of v D smooth
        =  integral of (k^2 c + k^4 R) v  -  wall integral of v d(S + k^2 R)/dn
           -  far integral of v (d/dr + D)(S + k^2 R)

with c = S - 1/(2 pi r) the terms of the wall's curvature, D the exact condition of `leaving` for the first degrees,
and for the degrees above them that of the next degree at k = 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from scipy.sparse import csr_matrix

from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import Solve, factored
from simkit.field.fem.quadrature import Rule, facet_rule, volume_rule
from simkit.field.fem.resonance_search import harmonics
from simkit.field.reduced.boundary import AirSurface
from simkit.field.reduced.inside import MeshedBoundary
from simkit.field.reduced.kept import KeptMouths, PairMeans, most_of, readings
from simkit.field.reduced.memory import Kept
from simkit.field.reduced.mouth import Mouth
from simkit.field.reduced.source import (
    bent_values_in_air,
    second_order_slopes,
    source_slopes,
    spread,
    values_far_off,
    values_in_air,
)
from simkit.field.reduced.widened import DEGREE, TOP, KeptEquations, MouthShare, ShellBase, Widened


@dataclass(frozen=True, eq=False)
class FarSphere:
    """The sphere at which the mesh ends: points (q, 3) on it, the harmonics' values there times the weights, and
    `loads` (nodes, (TOP + 1)^2), the integrals of harmonics times shape functions."""

    center: np.ndarray
    radius: float
    points: np.ndarray
    weighted: np.ndarray
    loads: np.ndarray

    @staticmethod
    def of(rule: Rule, center: np.ndarray, radius: float) -> FarSphere:
        """The far sphere of a rule over its facets."""
        away = rule.points - center  # facets cut a little off the sphere: their points are moved out onto it
        away = away / np.linalg.norm(away, axis=1, keepdims=True)
        Y = harmonics(away, TOP)
        return FarSphere(center, radius, center + radius * away, Y * rule.weights, rule.spread @ Y.T)

    @property
    def normals(self) -> np.ndarray:
        """Unit normals away from the body: (q, 3)."""
        return (self.points - self.center) / self.radius


@dataclass(frozen=True, eq=False)
class OutsideAir:
    """The air around a body, factored: everything that does not know where the openings are.

    stiffness: with the far condition of degrees above TOP; sphere_fields (nodes, (TOP + 1)^2): what the far sphere's
    harmonics make in the shell; span (nodes, r): the same and more, to second order in k^2, orthonormal.
    """

    mesh: AirMesh
    stiffness: csr_matrix
    mass: csr_matrix
    solve: Solve
    boundary: MeshedBoundary
    body: Rule
    far: FarSphere
    steepness: float
    sphere_fields: np.ndarray
    span: np.ndarray

    @staticmethod
    def of(mesh: AirMesh, surface: AirSurface, center: np.ndarray, radius: float) -> OutsideAir:
        """Assemble and factor the shell between a body's outer surface and the sphere (center, radius)."""
        K, M = stiffness_and_mass(mesh)
        rule = facet_rule(mesh.points, mesh.outer)
        far = FarSphere.of(rule, center, radius)
        steepness = (TOP + 2) / radius  # of degree TOP + 1 at rest, for all that the harmonics do not span
        stiffness = (K + steepness * rule.mass).tocsr()
        solve = factored(stiffness)
        first = solve(far.loads)
        # The higher a degree, the less k^2 bends its field within so thin a shell.
        second = solve(M @ first[:, DEGREE <= 4])
        third = solve(M @ second[:, DEGREE[DEGREE <= 4] <= 3])
        span = _orthonormal(np.concatenate([first, second, third], axis=1))
        return OutsideAir(
            mesh, stiffness, M, solve, MeshedBoundary.of(mesh, surface), volume_rule(mesh), far, steepness, first, span
        )

    def answer(self, mouths: Sequence[Mouth], wave_numbers: np.ndarray) -> OutsideAnswer:
        """The fields of unit strength at each mouth at some real wave numbers (m,)."""
        if not mouths:
            count = len(wave_numbers)
            none = np.zeros((count, 0, 0))
            return OutsideAnswer(
                (), wave_numbers, partial(np.asarray, self.span), np.zeros((count, self.span.shape[1], 0)), none, none
            )
        parts = self._parts.of(mouths, self._solved_for)
        far = np.stack([part.far for part in parts], axis=2)
        widened = Widened.of(self.base, parts, wave_numbers, self._equations)
        if widened.is_sound:
            span, reading, (fields, radiated) = widened.span, widened.reading(), widened.solved(far)
        else:
            whole, (fields, radiated) = self._solved_together(parts, wave_numbers, far)
            span, reading = partial(np.asarray, whole), np.stack([part.reading.of(whole) for part in parts])
        known, second_order = self._means(mouths)
        np.fill_diagonal(known, [m.own for m in mouths])
        np.fill_diagonal(second_order, [m.own_second_order for m in mouths])
        # S and k^2 R in closed form, the smooth rest as read from the mesh.
        matrices = known + np.square(wave_numbers)[:, None, None] * second_order + reading @ fields
        return OutsideAnswer(tuple(mouths), wave_numbers, span, fields, matrices, radiated)

    @cached_property
    def mouths(self) -> KeptMouths:
        """The mouths of openings on the body's outer surface."""
        return KeptMouths(self.boundary.surface)

    @cached_property
    def base(self) -> ShellBase:
        """The equations among the fields of `span`."""
        return self._among(self.span)

    def _among(self, span: np.ndarray) -> ShellBase:
        return ShellBase.of(span, self.stiffness, self.mass, self.far.loads, self.steepness, self.far.radius)

    @cached_property
    def _parts(self) -> Kept[Mouth, MouthShare]:
        return Kept(most_of(8 * 15 * len(self.mesh.points)))  # `MouthShare.columns`

    @cached_property
    def _equations(self) -> KeptEquations:
        return KeptEquations(self.base)

    @cached_property
    def _means(self) -> PairMeans:
        return PairMeans(values_in_air)

    def _solved_for(self, mouths: Sequence[Mouth]) -> list[MouthShare]:
        rows = self.boundary.rows(mouths)
        loads, far = self._loads(mouths, rows), self._far_data(mouths)
        fields = [self.solve(loads[0])]
        for load in (*loads[1:], 0.0):  # order by order in k^2; one more than there are loads
            fields.append(self.solve(load + self.mass @ fields[-1]))
        return MouthShare.of(self.base, readings(rows), np.stack(loads, axis=1), far, np.stack(fields, axis=1))

    def _solved_together(
        self, parts: Sequence[MouthShare], wave_numbers: np.ndarray, far: np.ndarray
    ) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
        """The same where mouths all but coincide: in a span made orthonormal as a whole."""
        added = np.concatenate([part.added for part in parts], axis=1)
        for _ in range(2):  # twice, for what the span leaves of them may be small
            added = np.linalg.qr(added - self.span @ (self.span.T @ added))[0]
        span = np.concatenate([self.span, added], axis=1)
        base, loads = self._among(span), np.stack([span.T @ part.loads for part in parts], axis=1)
        return span, base.solved(base.at(tuple(wave_numbers.tolist())), loads, far)

    def static_fields(self, mouths: Sequence[Mouth], rows: csr_matrix) -> np.ndarray:
        """The smooth fields (nodes, n) at k = 0 of unit strength at each mouth, with the boundary's `rows` for them."""
        free = self.solve(self._static_load(mouths, rows))
        harmonics, update = self.far.loads.T, ((DEGREE + 1) / self.far.radius - self.steepness) / self.far.radius**2
        # The factor has the steepness of degree TOP + 1 for all; Woodbury's identity puts each degree's own in.
        left = np.linalg.solve(np.eye(len(update)) + (harmonics @ self.sphere_fields) * update, harmonics @ free)
        return free - self.sphere_fields @ (update[:, None] * left)

    def _static_load(self, mouths: Sequence[Mouth], rows: csr_matrix) -> np.ndarray:
        wall = self.boundary.points, self.boundary.normals, self.boundary.cutoff
        slopes = np.stack([spread(source_slopes, m.sources, m.source_weights, *wall) for m in mouths], axis=1)
        # The point on the wall sends 2 and its line H L; one of all this is the delta's.
        passed = [1 + m.source_weights @ (m.sources.mean_curvature * m.sources.reach) for m in mouths]
        return self.boundary.with_missing_flux(-(self.boundary.rule.spread @ slopes), -np.array(passed), rows)

    def _loads(self, mouths: Sequence[Mouth], rows: csr_matrix) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Loads (nodes, n) that go with 1, k^2 and k^4."""
        second_slopes = [
            spread(second_order_slopes, m.broad, m.broad_weights, self.boundary.points, self.boundary.normals)
            for m in mouths
        ]
        both = [spread(bent_values_in_air, m.broad, m.broad_weights, self.body.points) for m in mouths]
        curved, second_order = np.stack(both, axis=2)
        on_wall, in_body = self.boundary.rule.spread, self.body.spread
        return (
            self._static_load(mouths, rows),
            in_body @ curved - on_wall @ np.stack(second_slopes, axis=1),
            in_body @ second_order,
        )

    def _far_data(self, mouths: Sequence[Mouth]) -> np.ndarray:
        """Harmonic components over the far sphere of S, R and dR/dr: (3, (TOP + 1)^2, n)."""
        there = self.far.points, self.far.normals
        values = [spread(values_far_off, m.broad, m.broad_weights, *there) for m in mouths]
        return self.far.weighted @ np.stack(values, axis=2)


def _orthonormal(columns: np.ndarray) -> np.ndarray:
    """Orthonormal columns (nodes, r) of the same span, by Cholesky's factor of their products.

    Twice, so that all digits are right for columns up to 1e7 from dependent, after scaling; ours come to some 400. It
    takes a third of the time of Householder's way.
    """
    found = columns / np.linalg.norm(columns, axis=0)
    for _ in range(2):
        found = found @ np.linalg.inv(np.linalg.cholesky(found.T @ found)).T
    return np.asarray(found)


@dataclass(frozen=True, eq=False)
class OutsideAnswer:
    """The outside's fields and matrices for one set of mouths at some wave numbers.

    fields (m, r, n): components of the smooth fields by the columns of `span` (nodes, r), which need not be square to
    each other; matrices (m, n, n), 1/m, rows the receiving port, as read at the mouths; radiated (m, n, n), 1/m, -Im Z
    as it passes the far sphere.
    """

    mouths: tuple[Mouth, ...]
    wave_numbers: np.ndarray
    spanning: Callable[[], np.ndarray]
    fields: np.ndarray
    matrices: np.ndarray
    radiated: np.ndarray

    @cached_property
    def span(self) -> np.ndarray:
        """Columns of the span (nodes, r), put together when they are first asked for."""
        return self.spanning()

    @property
    def symmetric(self) -> np.ndarray:
        """Z (m, n, n), symmetric and passive: the real part as read, the imaginary part as radiated, 1/m."""
        return (self.matrices + self.matrices.swapaxes(1, 2)).real / 2 - 1j * self.radiated
