"""A chamber's answer at its openings: one factorisation for any number of them, anywhere on the wall.

Sign and scale. A port's strength q is the integral of dp/dn over it, n out of the air: with the time factor
e^{+i omega t}, q = i omega rho U for a flow U through the port into this air, and p = Z q. All Z are in 1/m.

Unit strength at port j makes p = S_j + smooth_j, S_j known in closed form (`source`) and smooth_j solved for on the
mesh. At k = 0 the air has nowhere to go, so a uniform sink 1/V takes what flows in, and p has zero mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix
from scipy.spatial.distance import cdist

from simkit.body.meshes.curved import AirMesh
from simkit.body.walls.wall import Wall
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import Solve, factored_floating
from simkit.field.fem.modes import Eigenpairs, floating_modes
from simkit.field.fem.probes import WallReader, nodal_gradient
from simkit.field.fem.quadrature import Rule, facet_normals, facet_rule, volume_rule, wall_integrals
from simkit.field.reduced.boundary import AirSurface
from simkit.field.reduced.kept import KeptMouths, MouthReading, PairMeans, most_of, readings
from simkit.field.reduced.memory import Kept
from simkit.field.reduced.mouth import Mouth
from simkit.field.reduced.source import (
    Sources,
    bent_values_in_air,
    integrals_over_air,
    second_order_slopes,
    source_slopes,
    spread,
    values_in_air,
)

# A facet cuts a seam off where the surface is so far from it, of the facet's size, or turns so far, as a cosine.
_CUT_OFF, _TURNED = 0.02, 0.95
_CUTOFF = 0.7  # of the distance between the points of a rule: distance from a source at which its slopes are let go


@dataclass(frozen=True, eq=False)
class MeshedBoundary:
    """A surface with a rule over the facets that mesh it: where the smooth part's wall data are taken.

    points (q, 3) lie on the true surface, with its true normals (q, 3), but for facets that cut off a seam or a rim:
    of these both are the facet's own, for else what flows through the mesh would not sum to what its sources send.
    """

    surface: AirSurface
    rule: Rule
    points: np.ndarray
    normals: np.ndarray
    reader: WallReader

    @staticmethod
    def of(mesh: AirMesh, surface: AirSurface) -> MeshedBoundary:
        """The boundary of a mesh whose wall facets lie along `surface`."""
        rule = facet_rule(mesh.points, mesh.facets)
        points, normals = surface.projected(rule.points)
        own = facet_normals(mesh.points, mesh.facets)
        count, along = own.shape[1], np.einsum("fqj,fqj->fq", own, normals.reshape(own.shape))
        way = np.sign(along.sum(axis=1))[:, None]  # a wall's sheets, its flat ends say, are numbered either way round
        own, along = way[..., None] * own, way * along
        off = np.linalg.norm(points - rule.points, axis=1).reshape(along.shape)
        size = np.sqrt(rule.weights.reshape(along.shape).sum(axis=1))
        cut = np.repeat((off.max(axis=1) > _CUT_OFF * size) | (along.min(axis=1) < _TURNED), count)
        points[cut], normals[cut] = rule.points[cut], own.reshape(-1, 3)[cut]
        return MeshedBoundary(surface, rule, points, normals, WallReader.of(mesh.points, mesh.facets))

    @property
    def cutoff(self) -> float:
        """Distance from a source below which the rule has too few points for its slopes, m."""
        return _CUTOFF * float(np.sqrt(np.median(self.rule.weights)))

    def with_missing_flux(self, loads: np.ndarray, totals: np.ndarray, rows: csr_matrix) -> np.ndarray:
        """Loads (nodes, n) with the flux that the facets' few points missed next to each mouth put back there.

        totals (n,): what each load must sum to; rows (n, nodes): averages over the mouths. The slopes left by S are
        bounded but not smooth at their source, and near a crease or where the curvature jumps they are steep; what
        is lost of them is lost beside the mouth.
        """
        return loads + rows.T @ np.diag(totals - loads.sum(axis=0))

    def rows(self, mouths: Sequence[Mouth]) -> csr_matrix:
        """Rows that average a nodal field over the mouths: (n, nodes); the same points are looked for once."""
        points = {m.receivers.tobytes(): m.receivers for m in mouths}
        firsts = np.cumsum([0, *map(len, points.values())])
        first = dict(zip(points, firsts.tolist(), strict=False))
        columns = [first[m.receivers.tobytes()] + np.arange(len(m.receivers)) for m in mouths]
        stops = np.cumsum([0, *map(len, columns)])
        weights = np.concatenate([m.receiver_weights for m in mouths])
        means = csr_matrix((weights, np.concatenate(columns), stops), shape=(len(mouths), firsts[-1]))
        return means @ self.reader.rows(np.concatenate([*points.values()]))


@dataclass(frozen=True, eq=False)
class _MouthField:
    """One mouth's smooth fields (nodes,), at k = 0 and to first order in k^2, and its reading of others."""

    reading: MouthReading
    static: np.ndarray
    second: np.ndarray


@dataclass(frozen=True, eq=False)
class InsideAir:
    """A chamber's meshed air, factored: everything that does not know where the openings are."""

    mesh: AirMesh
    mass: csr_matrix
    solve: Solve
    boundary: MeshedBoundary
    body: Rule
    modes: Eigenpairs
    volume: float

    @staticmethod
    def of(mesh: AirMesh, wall: Wall, modes: int) -> InsideAir:
        """Assemble and factor the air of `wall`, with its lowest `modes` modes."""
        K, M = stiffness_and_mass(mesh)
        solve = factored_floating(K)
        boundary = MeshedBoundary.of(mesh, AirSurface((wall,)))
        # Ports see their shapes alone, as a small part of Z: more digits would take a fifth longer.
        found = floating_modes(K, M, solve, modes, near=1e-6)
        return InsideAir(mesh, M, solve, boundary, volume_rule(mesh), found, wall.volume)

    @cached_property
    def on_wall(self) -> tuple[np.ndarray, np.ndarray]:
        """Integrals over the wall of p^2 and of |grad_T p|^2 of each mode (m,): `wall_integrals`."""
        return wall_integrals(self.mesh, self.modes.shapes)

    def answer(self, mouths: Sequence[Mouth]) -> InsideAnswer:
        """The fields of unit strength at each mouth, at k = 0 and to first order in k^2."""
        if not mouths:
            nodes, none = np.zeros((len(self.mesh.points), 0)), np.zeros((0, 0))  # numpy stacks no empty list
            return InsideAnswer((), nodes, nodes, none, none, np.zeros((0, len(self.modes.k2))))
        parts = self._parts.of(mouths, self._solved_for)
        static, second = (np.stack([getattr(part, of) for part in parts], axis=1) for of in ("static", "second"))
        known, known_second = self._means(mouths)
        np.fill_diagonal(known, [m.own for m in mouths])
        np.fill_diagonal(known_second, [m.own_second_order for m in mouths])
        # The smooth fields as read at every mouth: rows receive.
        matrix, quadratic, ports = (
            np.stack([part.reading.of(fields) for part in parts]) for fields in (static, second, self.modes.shapes)
        )
        return InsideAnswer(tuple(mouths), static, second, matrix + known, quadratic + known_second, ports)

    @cached_property
    def mouths(self) -> KeptMouths:
        """The mouths of openings on this chamber's wall."""
        return KeptMouths(self.boundary.surface)

    @cached_property
    def _parts(self) -> Kept[Mouth, _MouthField]:
        return Kept(most_of(16 * len(self.mesh.points)))  # two fields of eight bytes a node

    @cached_property
    def _means(self) -> PairMeans:
        return PairMeans(values_in_air)

    def _solved_for(self, mouths: Sequence[Mouth]) -> list[_MouthField]:
        rows = self.boundary.rows(mouths)
        static = self.static_fields(mouths, rows)
        curved, means = self._body_data(mouths)
        # To order k^2: -laplace(second) = static + what S's curvature terms leave, R's slopes taken out at the wall.
        load = (
            self.mass @ static
            + self.body.spread @ curved
            - self.boundary.rule.spread @ self._second_order_slopes(mouths)
        )
        second = self._solved(load, means)
        each = zip(readings(rows), static.T.copy(), second.T.copy(), strict=True)
        return [_MouthField(*parts) for parts in each]

    def pressure(self, answer: InsideAnswer, k: complex, strengths: np.ndarray) -> np.ndarray:
        """The pressure at the mesh's nodes that ports of these strengths (n,) make at wave number k: (nodes,), complex.

        At a node within a mouth the mouth's own near field is as fine as the few points that stand for it, each as even
        as a disc of its share of the mouth.
        """
        k2, points = k * k, self.mesh.points
        # Theory's (3): the uniform pressure, both solved parts, what is singular, and the modes' remainder.
        total = -strengths.sum() / (self.volume * k2) + (answer.static + k2 * answer.second) @ strengths
        for mouth, q in zip(answer.mouths, strengths, strict=True):
            # S and k^2 R of the mouth's points, made bounded within the mouth.
            near, broad = values_in_air(mouth.sources, points)
            near = near + k2 * broad - _poles(mouth.sources.places, points)
            total = total + q * (mouth.source_weights @ near)
        return total + self.modes.shapes @ self._swinging(answer, k2, strengths)

    def gradient(self, answer: InsideAnswer, k: complex, strengths: np.ndarray) -> np.ndarray:
        """The gradient of the same pressure at the mesh's nodes: (nodes, 3), complex.

        Of what is singular in closed form, of what is meshed as its elements have it. Within a mouth, no nearer to the
        points that stand for it than they are to each other.
        """
        k2, points = k * k, self.mesh.points
        smooth = (answer.static + k2 * answer.second) @ strengths
        found = nodal_gradient(self.mesh, smooth + self.modes.shapes @ self._swinging(answer, k2, strengths))
        for mouth, q in zip(answer.mouths, strengths, strict=True):
            apart = _spacing(mouth.sources.places)
            for axis, along in enumerate(np.eye(3)):
                ways = np.broadcast_to(along, points.shape)
                steep = source_slopes(mouth.sources, points, ways, apart) + k2 * second_order_slopes(
                    mouth.sources, points, ways
                )
                found[:, axis] += q * (mouth.source_weights @ steep)
        return found

    def _swinging(self, answer: InsideAnswer, k2: complex, strengths: np.ndarray) -> np.ndarray:
        """Amplitude of each mode (m,) beyond its part in the static fields."""
        return k2**2 / (self.modes.k2**2 * (self.modes.k2 - k2)) * (answer.ports.T @ strengths)

    @cached_property
    def _weights(self) -> np.ndarray:
        """Integral of each node's shape function over the air: (nodes,)."""
        return np.asarray(self.mass.sum(axis=1)).ravel()

    def _solved(self, loads: np.ndarray, means: np.ndarray) -> np.ndarray:
        """Smooth fields (nodes, n) of such loads and a uniform sink, of mean -means: the whole field's is zero."""
        weight, meshed = self._weights, self._weights.sum()
        # The even sink takes away what flows in, or the held node would take it all.
        fields = self.solve(loads - np.outer(weight, loads.sum(axis=0) / meshed))
        return fields - (weight @ fields) / meshed - means

    def static_fields(self, mouths: Sequence[Mouth], rows: csr_matrix) -> np.ndarray:
        """The smooth fields (nodes, n) at k = 0 of unit strength at each mouth, with the boundary's `rows` for them."""
        points, normals = self.boundary.points, self.boundary.normals
        near = self.boundary.cutoff
        slopes = [spread(source_slopes, m.sources, m.source_weights, points, normals, near) for m in mouths]
        # All of S's lines lie behind the wall: what its delta sends in, the rest of its slope takes out.
        loads = self.boundary.with_missing_flux(
            -(self.boundary.rule.spread @ np.stack(slopes, axis=1)), np.ones(len(mouths)), rows
        )
        return self._solved(loads, np.array([self._mean(m.broad, m.broad_weights) for m in mouths]))

    def _mean(self, sources: Sources, shares: np.ndarray) -> float:
        """The mean over the air of S."""
        wall = self.boundary.points, self.boundary.normals, self.boundary.rule.weights
        return float(shares @ integrals_over_air(sources, *wall)) / self.volume

    def _second_order_slopes(self, mouths: Sequence[Mouth]) -> np.ndarray:
        """Slopes of R on the wall: (q, n)."""
        wall = self.boundary.points, self.boundary.normals
        return np.stack([spread(second_order_slopes, m.broad, m.broad_weights, *wall) for m in mouths], axis=1)

    def _body_data(self, mouths: Sequence[Mouth]) -> tuple[np.ndarray, np.ndarray]:
        """Sources of order k^2 within the air: curvature terms of S at the body's points (q, n), means of R (n,)."""
        points, weights = self.body.points, self.body.weights
        both = [spread(bent_values_in_air, m.broad, m.broad_weights, points) for m in mouths]
        curved, second_order = np.stack(both, axis=1)
        return curved.T, second_order @ weights / weights.sum()


def _spacing(places: np.ndarray) -> float:
    """Median distance of the points (s, 3) that stand for a mouth to their nearest neighbours, m."""
    apart = np.linalg.norm(places[:, None] - places, axis=2) + np.where(np.eye(len(places), dtype=bool), np.inf, 0.0)
    return float(np.median(apart.min(axis=1))) if len(places) > 1 else 0.0


@dataclass(frozen=True, eq=False)
class InsideAnswer:
    """A chamber's fields and matrices for one set of mouths.

    static, second: smooth nodal fields (nodes, n); matrix (n, n), 1/m, and quadratic (n, n), m, the G and G' of the
    theory's page: p = (matrix + k^2 quadratic) q to that order, rows the receiving port; ports (n, modes): the modes
    averaged over the mouths, m^(-3/2).
    """

    mouths: tuple[Mouth, ...]
    static: np.ndarray
    second: np.ndarray
    matrix: np.ndarray
    quadratic: np.ndarray
    ports: np.ndarray


def _poles(places: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Excess of 1/(2 pi r) of points on a wall (s, 3) over the potential of a disc for each: (s, p), 1/m.

    A disc of radius a that sends evenly into a half space has 2/a in its middle for 1/r (Rayleigh, Theory of Sound,
    section 302); discs that cover a mouth have pi a^2 = d^2 with d the distance to the next.
    """
    if len(places) < 2:
        return np.zeros((len(places), len(points)))
    apart = cdist(places, places)
    np.fill_diagonal(apart, np.inf)
    least = apart.min(axis=1)[:, None] / np.sqrt(np.pi) / 2
    far = cdist(places, points)
    return np.asarray((1 / far - 1 / np.maximum(far, least)) / (2 * np.pi))
