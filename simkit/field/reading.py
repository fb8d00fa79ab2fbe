"""Reading a nodal field at any point of the wall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree

from simkit.field.quadrature import triangle_shapes, triangle_slopes

CANDIDATES = 8  # facets whose middles are nearest; one of them holds the point


@dataclass(frozen=True, eq=False)
class WallReader:
    """Finds the curved facet and the place on it that belong to a wall point, by Newton."""

    points: np.ndarray
    facets: np.ndarray
    tree: cKDTree

    @staticmethod
    def of(points: np.ndarray, facets: np.ndarray) -> WallReader:
        """A reader for the facets (f, 6) of a mesh with nodes `points` (n, 3)."""
        return WallReader(points, facets, cKDTree(points[facets].mean(axis=1)))

    def rows(self, at: np.ndarray) -> csr_matrix:
        """Rows (q, n) with which `rows(at) @ field` is the field at the wall points `at` (q, 3)."""
        tries = min(CANDIDATES, len(self.facets))
        near = self.tree.query(at, k=tries)[1].reshape(len(at), tries)
        s, t = self._local(np.repeat(at, tries, axis=0), near.ravel())
        inside = np.minimum(np.minimum(s, t), 1 - s - t).reshape(near.shape)
        best = np.arange(len(at)), inside.argmax(axis=1)
        values = triangle_shapes(s.reshape(near.shape)[best], t.reshape(near.shape)[best])
        starts = np.arange(0, 6 * len(at) + 1, 6)
        return csr_matrix((values.ravel(), self.facets[near[best]].ravel(), starts), shape=(len(at), len(self.points)))

    def _local(self, at: np.ndarray, facet: np.ndarray, steps: int = 5) -> tuple[np.ndarray, np.ndarray]:
        """Local coordinates of the facets' points nearest to `at`, by Gauss-Newton on the distance."""
        nodes = self.points[self.facets[facet]]
        s = t = np.full(len(at), 1 / 3)
        for _ in range(steps):
            off = at - np.einsum("ni,nij->nj", triangle_shapes(s, t), nodes)
            by_s, by_t = (np.einsum("ni,nij->nj", d, nodes) for d in triangle_slopes(s, t))
            a, b, c = (np.einsum("nj,nj->n", u, v) for u, v in ((by_s, by_s), (by_s, by_t), (by_t, by_t)))
            f, g = (np.einsum("nj,nj->n", u, off) for u in (by_s, by_t))
            det = a * c - b * b
            # A far facet's iteration may run away; a bounded step keeps it a poor candidate, nothing more.
            s, t = s + np.clip((c * f - b * g) / det, -1, 1), t + np.clip((a * g - b * f) / det, -1, 1)
        return s, t
