"""A chamber from a scanned or drawn inside surface, made smooth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import brentq, linprog
from scipy.sparse import coo_matrix, diags

from simkit.body.millimetres import place_words
from simkit.body.walls.harmonics import fitted, smoothed, summed
from simkit.body.walls.primitives import ClosedSheets, Sheet, Solid
from simkit.body.walls.rings import unit_rings
from simkit.body.walls.triangulated import SurfaceError, Triangles, checked_surface, read_surface
from simkit.body.walls.wall import Wall, curvatures, normals, on_wall

# Fits are tried up to this degree: 441 numbers follow details of a tenth of the body.
DEGREES = (8, 12, 16, 20)
GOOD_ENOUGH = 2e-5  # m: stop raising the degree when the surface is met this well
_EVENED = 20
_BALLS, _AT_ONCE = 5, 100  # rings of balls for the outside, and directions at once: 20 million numbers


@dataclass(frozen=True, eq=False)
class ScanWall(Wall):
    """A surface that can all be seen from one point within: |q| = r(q/|q|), q = (p - center)/stretch.

    r is a sum of spherical harmonics fitted to the file's triangles, so normals and curvatures are smooth;
    `departure` is the largest distance of the fit from the file, m, at the point `worst` of it; `misfit` (m, root
    mean square) is what smoothing was allowed to leave, 0 where none was asked.
    """

    center: np.ndarray
    stretch: np.ndarray
    coefficients: np.ndarray
    degree: int
    departure: float = 0.0
    worst: tuple[float, float, float] = (0.0, 0.0, 0.0)
    misfit: float = 0.0

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        x, y, z = ((q - c) / s for q, c, s in zip((x, y, z), self.center, self.stretch, strict=True))
        length = np.sqrt(x * x + y * y + z * z + 1e-12)  # not 0 at the centre, where there is no way to look
        radius = summed(x / length, y / length, z / length, self.degree, self.coefficients)
        return (length - radius) * float(self.stretch.min())

    def beyond(self, points: np.ndarray) -> np.ndarray:
        """Distance of points (n, 3) beyond the wall, m (n,), about: along the ray, times its slant when stretched."""
        q = (points - self.center) / self.stretch
        length = np.linalg.norm(q, axis=1)
        way = q / length[:, None]
        return np.asarray((length - self._radius(way)) / np.linalg.norm(way / self.stretch, axis=1))

    @property
    def caution(self) -> str:
        """Said where the smooth wall leaves the file by more than a tenth of a millimetre."""
        if self.departure <= 1e-4:
            return ""
        left = f"by up to {1e3 * self.departure:.2f} mm, at {place_words(np.array(self.worst))}"
        if self.misfit:
            return (
                f"smoothed as asked: the wall leaves the scan by {1e3 * self.misfit:.2f} mm (root mean square), {left}"
            )
        return f"the smooth wall leaves the scan {left}; sharp details are rounded off"

    @cached_property
    def box(self) -> np.ndarray:
        p = self.sheets(2)[0].points.reshape(-1, 3)
        return np.array([p.min(axis=0), p.max(axis=0)])

    @cached_property
    def volume(self) -> float:
        """Integral of r^3/3 over all directions (Gauss in the cosine, trapezium around) times the stretch."""
        # r^3 has three times the degree of r, 60 at most: exact but for rounding.
        u, w = np.polynomial.legendre.leggauss(60)
        phi = np.arange(120) * 2 * np.pi / 120
        d = np.stack(
            [
                np.sqrt(1 - u[:, None] ** 2) * np.cos(phi),
                np.sqrt(1 - u[:, None] ** 2) * np.sin(phi),
                u[:, None] + 0 * phi,
            ]
        )
        r = self._radius(d.reshape(3, -1).T).reshape(60, 120)
        # int r^3/3 sin(theta) dtheta dphi in the unstretched frame; lengths there are in units of the stretch.
        return float(np.sum(w[:, None] * r**3) / 3 * 2 * np.pi / 120 * np.prod(self.stretch))

    def _radius(self, directions: np.ndarray) -> np.ndarray:
        x, y, z = directions.T
        return np.asarray(summed(x, y, z, self.degree, self.coefficients))

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        d = unit_rings(24 * fine, 32 * fine)
        r = self._radius(d.reshape(-1, 3)).reshape(d.shape[:2])
        points = self.center + d * r[..., None] * self.stretch
        return (Sheet(points, normals(self, points.reshape(-1, 3)).reshape(points.shape)),)

    def solid(self, offset: float = 0.0) -> Solid:
        # Without grooves too tight for it the true offset is the wall moved along its normals.
        if self.filled(offset) is None:
            return super().solid(offset)
        (sheet,) = self.sheets()
        way = sheet.points - self.center
        way /= np.linalg.norm(way, axis=-1, keepdims=True)
        reach, ball = self._reached(way.reshape(-1, 3), offset)
        points = self.center + reach.reshape(way.shape[:2])[..., None] * way
        points[:, -1], points[0], points[-1] = points[:, 0], points[0, 0], points[-1, 0]
        return ClosedSheets((Sheet(points, (points - ball.reshape(points.shape)) / offset),))

    def filled(self, offset: float) -> tuple[float, np.ndarray] | None:
        return _filled(self, offset)

    def _reached(self, ways: np.ndarray, offset: float) -> tuple[np.ndarray, np.ndarray]:
        """Reach of balls of radius `offset` (m) about all points of the wall, from the centre in unit ways (n, 3),
        m (n,), and the centre (n, 3) of the ball that reaches there.
        """
        balls = self.sheets(_BALLS)[0].points.reshape(-1, 3)
        about = balls - self.center
        # A ray t w meets a ball about b where t = w.b + sqrt((w.b)^2 + offset^2 - |b|^2); the furthest of all is the
        # outside.
        spare = offset**2 - np.einsum("bi,bi->b", about, about)
        best, which = np.empty(len(ways)), np.empty(len(ways), int)
        for first in range(0, len(ways), _AT_ONCE):  # all at once would take gigabytes
            along = ways[first : first + _AT_ONCE] @ about.T
            root = along**2 + spare
            reach = np.where(root > 0, along + np.sqrt(np.maximum(root, 0)), -np.inf)
            which[first : first + _AT_ONCE] = reach.argmax(axis=1)
            best[first : first + _AT_ONCE] = reach.max(axis=1)
        return best, balls[which]


@lru_cache(maxsize=8)
def _filled(wall: ScanWall, offset: float) -> tuple[float, np.ndarray] | None:
    points = on_wall(wall)
    # The least principal curvature, seen from the air: a groove of the outside is where the wall bulges in.
    if offset <= 0 or curvatures(wall, points)[1].min() >= -1 / offset:
        return None
    out = points + offset * normals(wall, points) - wall.center
    far = np.linalg.norm(out, axis=1)
    over = wall._reached(out / far[:, None], offset)[0] - far
    return float(over.max()), points[over.argmax()]


def scan_wall(path: Path, smooth: float = 0.0) -> ScanWall:
    """The wall in a file, smoothed until it leaves the file by `smooth` (m, root mean square) where that is not 0;
    SurfaceError where it cannot be one."""
    stamp = path.stat().st_mtime_ns if path.is_file() else 0  # a file that was written anew is read anew
    return _scan_wall(path, stamp, smooth)


@lru_cache(maxsize=8)
def _scan_wall(path: Path, stamp: int, smooth: float) -> ScanWall:
    surface = read_surface(path)
    return smooth_wall(checked_surface(surface, crossing=smooth == 0), smooth)


def smooth_wall(surface: Triangles, smooth: float = 0.0) -> ScanWall:
    """Fit a closed triangulation; SurfaceError where no point within sees all of it."""
    points, cells = surface
    # Noise turns single triangles away from any point: evened ones are only asked where to look from.
    center = _viewpoint(_evened(points, cells) if smooth else points, cells)
    stretch = np.ptp(points, axis=0) / 2
    samples, weights = _samples(points, cells)
    q = (samples - center) / stretch
    r = np.linalg.norm(q, axis=1)

    def fit(coefficients: np.ndarray, degree: int) -> ScanWall:
        wall = ScanWall(center, stretch, coefficients, degree)
        off = np.abs(wall.beyond(points))
        misfit = float(np.sqrt(np.average(wall.beyond(samples) ** 2, weights=weights))) if smooth else 0.0
        x, y, z = points[off.argmax()].tolist()
        return ScanWall(center, stretch, coefficients, degree, float(off.max()), (x, y, z), misfit)

    if smooth:
        return _smoothest(fit, q / r[:, None], r, weights, smooth)
    for degree in DEGREES:
        if degree > DEGREES[0] and (degree + 1) ** 2 > len(samples):  # more unknowns than data
            break
        wall = fit(fitted(q / r[:, None], r, weights, degree), degree)
        if wall.departure < GOOD_ENOUGH:
            break
    return wall


def _smoothest(
    fit: Callable[[np.ndarray, int], ScanWall], ways: np.ndarray, radii: np.ndarray, weights: np.ndarray, smooth: float
) -> ScanWall:
    """The smoothest wall that leaves the file by no more than `smooth`: the discrepancy principle (Morozov 1966,
    Sov. Math. Dokl. 7:414 [memory])."""
    low, high = -10.0, 4.0  # powers of ten of the weight of smoothness
    for degree in DEGREES:
        if degree > DEGREES[0] and (degree + 1) ** 2 > len(radii):
            break
        by_weight = smoothed(ways, radii, weights, degree)
        nearest = fit(by_weight(10.0**low), degree)
        if nearest.misfit <= smooth:
            break
    if nearest.misfit > smooth:
        raise SurfaceError(
            f"smooth_mm of {1e3 * nearest.misfit:.2g} or more: no smooth surface that can all be seen from one point "
            "within follows this scan nearer"
        )
    degree = nearest.degree
    if fit(by_weight(10.0**high), degree).misfit <= smooth:
        return fit(by_weight(10.0**high), degree)
    # Misfit rises with the weight of smoothness, so that one root lies between.
    power = brentq(lambda p: fit(by_weight(10.0**p), degree).misfit - smooth, low, high, xtol=1e-3)
    wall = fit(by_weight(10.0**power), degree)
    return wall if wall.misfit <= 1.01 * smooth else nearest


def _evened(points: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Vertices moved to the middle of their neighbours, again and again: triangles that noise has turned face out."""
    edges = np.concatenate([cells[:, [0, 1]], cells[:, [1, 2]], cells[:, [2, 0]]])
    # Each edge stands in two triangles, once in each direction: a symmetric matrix of neighbours.
    near = coo_matrix((np.ones(len(edges)), edges.T), shape=(len(points), len(points))).tocsr()
    mean = diags(1 / np.asarray(near.sum(axis=1)).ravel()) @ near
    for _ in range(_EVENED):
        points = mean @ points
    return np.asarray(points)


def _samples(points: np.ndarray, cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices, and points spread over triangles too large for their middles to be a chord's error; with areas.

    The vertices of a fine mesh lie on the surface that was scanned and its triangles cut inside it; a large
    triangle is a flat that was meant.
    """
    a, b, c = np.moveaxis(points[cells], 1, 0)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    # So large a triangle against the body's size is no sampling of a round surface.
    large = area > (0.08 * np.ptp(points, axis=0).max()) ** 2
    per_vertex = np.bincount(cells[~large].ravel(), np.repeat(area[~large], 3) / 3, len(points))
    # The small addition keeps vertices in the fit that belong to large triangles alone.
    samples, weights = [points], [per_vertex + 1e-3 * area.mean()]
    share = [(i / 12, j / 12) for i in range(1, 12) for j in range(1, 12 - i)]
    for s, t in share:
        samples.append(a[large] + s * (b - a)[large] + t * (c - a)[large])
        weights.append(area[large] / len(share))
    return np.concatenate(samples), np.concatenate(weights)


def _viewpoint(points: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """The point that sees every triangle from furthest behind it: a linear programme over the half spaces."""
    a, b, c = np.moveaxis(points[cells], 1, 0)
    n = np.cross(b - a, c - a)
    n = n / np.maximum(np.linalg.norm(n, axis=1), 1e-30)[:, None]
    size = np.ptp(points, axis=0).max()
    # Unknowns: the point, then its least distance behind the planes n.x + t <= n.a, to be as large as can be.
    bounds = [*zip(points.min(axis=0), points.max(axis=0), strict=True), (None, size)]
    answer = linprog(
        [0, 0, 0, -1], A_ub=np.column_stack([n, np.ones(len(n))]), b_ub=np.einsum("ni,ni->n", n, a), bounds=bounds
    )
    if not answer.success or answer.x[3] < 1e-4 * size:
        raise SurfaceError(
            "a body that can all be seen from one point within; this one folds behind itself: "
            "write it as sections or lobes, or give smooth_mm if the scan is noisy"
        )
    return answer.x[:3]
