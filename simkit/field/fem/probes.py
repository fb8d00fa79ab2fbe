"""Reading a nodal field: at any point of the wall, smoothly as the point moves, and its gradient at the nodes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from simkit.body.kernel import EDGES
from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.quadrature import shape_functions, shape_values

CANDIDATES = 8  # facets whose middles are nearest; one of them holds the point
BLENDED = 0.25  # of a facet's height: width on both sides of its border in which its neighbours are read too
CREASE_DEG = 30.0  # facets that turn more at their common edge are not read together
_FAR = -BLENDED - 0.35  # barycentric: farther beyond a border of its corners' triangle no curved facet is read


@dataclass(frozen=True, eq=False)
class WallReader:
    """Finds the curved facets and the places on them that belong to a wall point, by Newton.

    A field is a quadratic on each facet, and its slope jumps from one to the next. Near a border the quadratics of
    all facets that meet there, each drawn out a little beyond its own border, are averaged with smoothly changing
    weights, so that what is read has a continuous slope along the wall (a partition of unity: Melenk & Babuska 1996
    [Melenk1996]), and as they all agree on a quadratic field, no order of accuracy is lost.
    """

    points: np.ndarray
    facets: np.ndarray
    tree: cKDTree

    @staticmethod
    def of(points: np.ndarray, facets: np.ndarray) -> WallReader:
        """A reader for the facets (f, 6) of a mesh with nodes `points` (n, 3)."""
        return WallReader(points, facets, cKDTree(points[facets].mean(axis=1)))

    def rows(self, at: np.ndarray) -> csr_matrix:
        """Rows (q, n) with which `rows(at) @ field` is the field at the wall points `at` (q, 3)."""
        holder = self._holders(at)
        # The facets that may be read at each point, one point after the other.
        first, count = self._beside.indptr[holder], np.diff(self._beside.indptr)[holder]
        row = np.repeat(np.arange(len(at)), count)
        facet = self._beside.indices[np.arange(len(row)) + np.repeat(first - np.cumsum(count) + count, count)]
        # Newton is spared where the plane through the corners shows that the facet is far.
        worth = (self._straight(at[row], facet).min(axis=0) > _FAR) | (facet == holder[row])
        row, facet = row[worth], facet[worth]
        s, t = self._local(at[row], facet)
        share = _rising(s) * _rising(t) * _rising(1 - s - t)
        beyond = np.bincount(row, share, len(at)) == 0  # the end of the mesh
        share[beyond[row] & (facet == holder[row])] = 1.0  # there the holder's quadratic goes on
        share /= np.bincount(row, share, len(at))[row]
        used = np.flatnonzero(share)
        values = share[used, None] * shape_values(np.stack([s[used], t[used]], axis=1))
        stops = np.concatenate([[0], 6 * np.bincount(row[used], minlength=len(at)).cumsum()])
        # A node that two facets have stands twice.
        return csr_matrix((values.ravel(), self.facets[facet[used]].ravel(), stops), shape=(len(at), len(self.points)))

    def _holders(self, at: np.ndarray) -> np.ndarray:
        """The facet (q,) nearest to each point: beside a crease one may lie over the far facet's middle, but off it."""
        tries = min(CANDIDATES, len(self.facets))
        near = self.tree.query(at, k=tries)[1].reshape(len(at), tries)
        beyond = self._straight(np.repeat(at, tries, axis=0), near.ravel()).min(axis=0).reshape(near.shape)
        asked = (beyond > _FAR) | (beyond.max(axis=1) <= _FAR)[:, None]  # all, where none is near
        row, facet = np.nonzero(asked)[0], near[asked]
        s, t = _within(*self._local(at[row], facet))
        p0, by_s, by_t, ss, st, tt = self._powers[:, :, facet]
        foot = p0 + s * (by_s + s * ss + t * st) + t * (by_t + t * tt)
        off = np.full(near.shape, np.inf)
        off[asked] = np.linalg.norm(at[row].T - foot, axis=0)
        return near[np.arange(len(at)), off.argmin(axis=1)]

    @cached_property
    def _beside(self) -> csr_matrix:
        """Adjacency (f, f) of facets, each with itself: sharing a node and reached around it without a crease."""
        count = len(self.facets)
        # Corner c of facet f is 3 f + c. Two facets meet at the edge whose middle node both have; across it, if it is
        # smooth, their corners at either end are joined, those of the lower node first on both sides.
        turned = np.argsort(self.facets[:, _EDGES], axis=2)
        corner = 3 * np.arange(count)[:, None, None] + np.take_along_axis(_EDGES[None], turned, axis=2)
        edges = np.argsort(self.facets[:, 3:], axis=None, kind="stable")
        middle = self.facets[:, 3:].ravel()[edges]
        met = np.flatnonzero(middle[1:] == middle[:-1])  # a node of the mesh's border stands once
        one, other = edges[met], edges[met + 1]
        within = self._into_facets().reshape(-1, 3)
        # Tangents into two facets of a flat wall are opposite: their product is -1.
        smooth = np.einsum("ei,ei->e", within[one], within[other]) < -np.cos(np.deg2rad(CREASE_DEG))
        joined = [corner.reshape(-1, 2)[side[smooth]].ravel() for side in (one, other)]
        links = coo_matrix((np.ones(len(joined[0])), tuple(joined)), shape=(3 * count, 3 * count))
        # Corners that hang together at a node are a fan; facets of one fan are read together.
        fans, fan = connected_components(links, directed=False)
        has = coo_matrix((np.ones(3 * count), (np.repeat(np.arange(count), 3), fan)), shape=(count, fans)).tocsr()
        return (has @ has.T).tocsr()

    def _into_facets(self) -> np.ndarray:
        """Unit tangents into each facet, square to its three edges at their middles: (f, 3, 3)."""
        nodes = self.points[self.facets]
        slopes = shape_functions(np.array([[0.5, 0.0], [0.5, 0.5], [0.0, 0.5]]))[1]
        by_s, by_t = np.einsum("qai,fij->afqj", slopes, nodes)
        # Edges run along s, t - s and t; into the facet, before it is made square, go t, -s - t and s.
        along = np.stack([by_s[:, 0], by_t[:, 1] - by_s[:, 1], by_t[:, 2]], axis=1)
        along /= np.linalg.norm(along, axis=2, keepdims=True)
        across = np.stack([by_t[:, 0], -by_s[:, 1] - by_t[:, 1], by_s[:, 2]], axis=1)
        across -= np.einsum("fqj,fqj->fq", across, along)[:, :, None] * along
        return across / np.linalg.norm(across, axis=2, keepdims=True)

    @cached_property
    def _powers(self) -> np.ndarray:
        """Coefficients of 1, s, t, s^2, s t, t^2 in the place of each facet's points, m: (6, 3, f)."""
        p0, p1, p2, p01, p12, p02 = np.moveaxis(self.points[self.facets], 0, 2)
        by_s, by_t = 4 * p01 - 3 * p0 - p1, 4 * p02 - 3 * p0 - p2
        bends = 2 * (p0 + p1) - 4 * p01, 4 * (p0 + p12 - p01 - p02), 2 * (p0 + p2) - 4 * p02
        return np.stack([p0, by_s, by_t, *bends])

    def _straight(self, at: np.ndarray, facet: np.ndarray) -> np.ndarray:
        """Barycentric coordinates of points (q, 3) on the planes through their facets' corners: (3, q)."""
        p0, by_s, by_t, ss, _, tt = self._powers[:, :, facet]
        s, t = _steps(by_s + ss, by_t + tt, at.T - p0)  # p1 - p0 and p2 - p0: the polynomial at (1, 0), (0, 1)
        return np.stack([s, t, 1 - s - t])

    def _local(self, at: np.ndarray, facet: np.ndarray, steps: int = 5) -> tuple[np.ndarray, np.ndarray]:
        """Local coordinates of the facets' points nearest to `at`, by Gauss-Newton on the distance."""
        p0, by_s, by_t, ss, st, tt = self._powers[:, :, facet]
        away = at.T - p0
        s = t = np.full(len(at), 1 / 3)  # the facet's middle
        for _ in range(steps):
            off = away - s * (by_s + s * ss + t * st) - t * (by_t + t * tt)
            on, across = _steps(by_s + 2 * s * ss + t * st, by_t + s * st + 2 * t * tt, off)
            # A far facet's iteration may run away; a bounded step keeps it a poor candidate, nothing more.
            s, t = s + np.clip(on, -1, 1), t + np.clip(across, -1, 1)
        return s, t


def _steps(u: np.ndarray, v: np.ndarray, off: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shares (q,) of two tangents (3, q) in what is off (3, q) along them, by least squares."""
    a, b, c, f, g = (np.einsum("jn,jn->n", x, y) for x, y in ((u, u), (u, v), (v, v), (u, off), (v, off)))
    det = a * c - b * b
    return (c * f - b * g) / det, (a * g - b * f) / det


_EDGES = np.array([[0, 1], [1, 2], [0, 2]])  # corners of a facet's edges, in the order of their middles


def _within(s: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places (q,) on a facet, those beyond its border drawn onto it, about where it is nearest."""
    s, t = np.clip(s, 0.0, 1.0), np.clip(t, 0.0, 1.0)
    over = np.maximum(s + t - 1, 0.0) / 2
    s = np.clip(s - over, 0.0, 1.0)
    return s, np.minimum(np.clip(t - over, 0.0, 1.0), 1 - s)


def _rising(height: np.ndarray) -> np.ndarray:
    """Weight, 0 to 1, that rises with a barycentric coordinate through a border, with two continuous derivatives."""
    x = np.clip((height / BLENDED + 1) / 2, 0.0, 1.0)
    return x * x * x * (10 + x * (6 * x - 15))  # 6 x^5 - 15 x^4 + 10 x^3


_INWARD = 0.01  # of the way to the element's middle: at a drawn-near rim the element's map has no inverse


@dataclass(frozen=True, eq=False)
class Swing:
    """The field of one resonance: k, 1/m; pressure (nodes,) and its gradient (nodes, 3) at the nodes of the mesh.

    flux: the integral of dp/dn over each opening, n out of the chamber, as the model's equations have it.
    """

    k: complex
    pressure: np.ndarray
    gradient: np.ndarray
    flux: dict[str, complex]


def nodal_gradient(mesh: AirMesh, field: np.ndarray, joined: np.ndarray | None = None) -> np.ndarray:
    """grad of a field (nodes,), real or complex, at the nodes: (nodes, 3).

    The elements' own gradients averaged over all that meet at a node, by their volumes: of second order in their size
    (Zienkiewicz & Zhu 1992, Int. J. Numer. Meth. Eng. 33:1331, nodal averaging [memory]). joined (nodes,): a number for
    each node by which those of both sides of an open cover are one.
    """
    number = np.arange(len(mesh.points)) if joined is None else joined
    total = np.zeros((int(number.max()) + 1, 3), field.dtype)
    weight = np.zeros(len(total))
    corners = np.vstack([np.zeros(3), np.eye(3)])  # of the unit element, then its edges' middles: the mesh's order
    places = np.vstack([corners, [(corners[a] + corners[b]) / 2 for a, b in EDGES]])
    for node, slopes in enumerate(shape_functions(places + _INWARD * (0.25 - places))[1]):
        maps = np.einsum("in,mnj->mij", slopes, mesh.points[mesh.tets])
        along = np.einsum("in,mn->mi", slopes, field[mesh.tets])
        # d(local) = J^T grad, so grad solves with the rows of J.
        volume = np.abs(np.linalg.det(maps))
        at = number[mesh.tets[:, node]]
        # add.at, for a node may come several times: `total[at] +=` would keep one of them.
        np.add.at(total, at, volume[:, None] * np.linalg.solve(maps, along[:, :, None])[:, :, 0])
        np.add.at(weight, at, volume)
    return (total / weight[:, None])[number]
