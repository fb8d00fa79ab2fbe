"""A coloured wall seen from a viewpoint: fine triangles, those that face the eye, which hide which."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simkit.frozen import frozen


@frozen
class TriangleSurface:
    """Triangles of a wall with a value at each corner.

    points (n, 3), m; triangles (t, 3), turning the same way seen from the clay; values (n,).
    """

    points: np.ndarray
    triangles: np.ndarray
    values: np.ndarray

    @cached_property
    def normals(self) -> np.ndarray:
        """Unit normals (n, 3) at the points: the mean of the triangles around, weighted by area."""
        a, b, c = (self.points[self.triangles[:, i]] for i in range(3))
        face = np.cross(b - a, c - a)  # twice the area long: so it weighs the mean
        total = np.zeros_like(self.points)
        for i in range(3):
            np.add.at(total, self.triangles[:, i], face)
        return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)


PARTS = 4  # of a facet's edge


def fine_surface(points: np.ndarray, facets: np.ndarray, values: np.ndarray) -> TriangleSurface:
    """Split curved six-node facets (f, 6: corners, then the edges 01, 12, 02) into PARTS^2 flat triangles each.

    Place and value follow the facet's own quadratic functions, so a coarse mesh still looks as smooth as it is.
    """
    corners = [(i, j) for i in range(PARTS + 1) for j in range(PARTS + 1 - i)]  # a triangular grid over the facet
    number = {corner: n for n, corner in enumerate(corners)}
    s, t = np.array(corners).T / PARTS
    r = 1 - s - t  # with s and t the barycentric coordinates
    # quadratic shape functions: corners, then the edges 01, 12, 02
    shape = np.array([r * (2 * r - 1), s * (2 * s - 1), t * (2 * t - 1), 4 * r * s, 4 * s * t, 4 * r * t])
    cells = [(number[i, j], number[i + 1, j], number[i, j + 1]) for i, j in corners if i + j < PARTS]
    # Those that point the other way.
    cells += [(number[i + 1, j], number[i + 1, j + 1], number[i, j + 1]) for i, j in corners if i + j < PARTS - 1]
    fine = np.einsum("qk,fqd->fkd", shape, points[facets]).reshape(-1, 3)
    value = np.einsum("qk,fq->fk", shape, values[facets]).ravel()
    start = len(corners) * np.arange(len(facets))
    triangles = (start[:, None, None] + np.array(cells)).reshape(-1, 3)
    # Normals that leave the air enclose a positive volume, here six times it by the divergence theorem.
    a, b, c = (points[facets[:, i]] for i in range(3))
    outward = np.einsum("fi,fi->", a, np.cross(b, c)) >= 0
    return _welded(fine, triangles if outward else triangles[:, ::-1], value)


def _welded(points: np.ndarray, triangles: np.ndarray, values: np.ndarray) -> TriangleSurface:
    """Make one point of those that neighbouring facets share, so that shading runs across them."""
    # Shared points agree but for rounding: put on a grid much finer than the mesh, they are equal.
    step = 1e-7 * np.ptp(points, axis=0).max()
    _, first, to = np.unique(np.round(points / step).astype(np.int64), axis=0, return_index=True, return_inverse=True)
    return TriangleSurface(points[first], to.ravel()[triangles], values[first])


@dataclass(frozen=True)
class Eye:
    """A place to look from, far away; z stays up in the picture."""

    name: str
    toward: tuple[float, float, float]

    @cached_property
    def frame(self) -> np.ndarray:
        """Rows: the picture's right, its up, and towards the eye."""
        out = np.array(self.toward) / np.linalg.norm(self.toward)
        right = np.cross([0.0, 0.0, 1.0], out)  # level in the picture
        right /= np.linalg.norm(right)
        return np.array([right, np.cross(out, right), out])

    def seen(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) as right, up, nearness to the eye: (n, 3)."""
        return points @ self.frame.T


@dataclass(frozen=True)
class SurfaceView:
    """A surface as an eye sees it: flat points (n, 3), and the front triangles from far to near."""

    surface: TriangleSurface
    eye: Eye

    @cached_property
    def points(self) -> np.ndarray:
        """Right, up, nearness of every point of the surface, m."""
        return self.eye.seen(self.surface.points)

    @cached_property
    def triangles(self) -> np.ndarray:
        """Triangles (t, 3) that face the eye, the nearest last."""
        a, b, c = (self.points[self.surface.triangles[:, i]] for i in range(3))
        # Positive: seen from its front.
        turn = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
        front = self.surface.triangles[turn > 0]
        return front[np.argsort(self.points[front, 2].mean(axis=1))]

    def is_covered(self, spots: np.ndarray, slack: float) -> np.ndarray:
        """Mask (m,) of spots (m, 3), in the eye's frame, that lie more than `slack` (m) behind a front triangle."""
        a, b, c = (self.points[self.triangles[:, i]] for i in range(3))
        u, v = b[:, :2] - a[:, :2], c[:, :2] - a[:, :2]
        area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        covered = np.zeros(len(spots), bool)
        for n, spot in enumerate(spots):
            w = spot[:2] - a[:, :2]
            s = (w[:, 0] * v[:, 1] - w[:, 1] * v[:, 0]) / area
            t = (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]) / area
            inside = (s >= 0) & (t >= 0) & (s + t <= 1)
            near = a[inside, 2] + s[inside] * (b[inside, 2] - a[inside, 2]) + t[inside] * (c[inside, 2] - a[inside, 2])
            covered[n] = (near > spot[2] + slack).any()
        return covered

    def level_line(self) -> np.ndarray:
        """Line on which the value is 0, on the side that is seen: segments (m, 2, 2), m."""
        values = self.surface.values[self.triangles]
        above = values > 0
        mixed = above.any(axis=1) & ~above.all(axis=1)
        triangles, values, above = self.triangles[mixed], values[mixed], above[mixed]
        # The corner that is alone on its side; the line crosses the two edges that meet there.
        alone = np.argmax(above == (above.sum(axis=1) == 1)[:, None], axis=1)
        row = np.arange(len(triangles))
        ends = []
        for k in (1, 2):
            other = (alone + k) % 3
            va, vo = values[row, alone], values[row, other]
            share = (va / (va - vo))[:, None]
            pa, po = self.points[triangles[row, alone]], self.points[triangles[row, other]]
            ends.append(pa + share * (po - pa))
        segments = np.stack(ends, axis=1)
        size = np.ptp(self.surface.points, axis=0).max() if len(self.surface.points) else 1.0
        # Slack: the line lies on the surface that might hide it.
        shown = ~self.is_covered(segments.mean(axis=1), 0.01 * size)
        return segments[shown][:, :, :2]
