"""A chamber from a scanned or drawn inside surface, made smooth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import linprog

from simkit.body.harmonics import fitted, harmonics
from simkit.body.surface import SurfaceError, Triangles, checked_surface, read_surface
from simkit.body.wall import Sheet, Wall, normals

# Fits are tried up to this degree: 441 numbers follow details of a tenth of the body.
DEGREES = (8, 12, 16, 20)
GOOD_ENOUGH = 2e-5  # m: stop raising the degree when the surface is met this well


@dataclass(frozen=True, eq=False)
class ScanWall(Wall):
    """A surface that can all be seen from one point within: |q| = r(q/|q|), q = (p - center)/stretch.

    r is a sum of spherical harmonics fitted to the file's triangles, so normals and curvatures are smooth;
    `departure` says how far the fit lies from the file at worst, m.
    """

    center: np.ndarray
    stretch: np.ndarray
    coefficients: np.ndarray
    degree: int
    departure: float

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        x, y, z = ((q - c) / s for q, c, s in zip((x, y, z), self.center, self.stretch, strict=True))
        length = np.sqrt(x * x + y * y + z * z + 1e-12)
        terms = harmonics(x / length, y / length, z / length, self.degree)
        radius = terms[0] * self.coefficients[0]
        for term, c in zip(terms[1:], self.coefficients[1:], strict=True):
            radius = radius + term * c
        return (length - radius) * float(self.stretch.min())

    @property
    def caution(self) -> str:
        """Said where the smooth wall leaves the file by more than a tenth of a millimetre."""
        if self.departure <= 1e-4:
            return ""
        return f"the smooth wall leaves the scan by up to {1e3 * self.departure:.2f} mm; sharp details are rounded off"

    @cached_property
    def box(self) -> np.ndarray:
        p = self.sheets(2)[0].points.reshape(-1, 3)
        return np.array([p.min(axis=0), p.max(axis=0)])

    @cached_property
    def volume(self) -> float:
        """Integral of r^3/3 over all directions (Gauss in the cosine, trapezium around) times the stretch."""
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
        return float(np.sum(w[:, None] * r**3) / 3 * 2 * np.pi / 120 * np.prod(self.stretch))

    def _radius(self, directions: np.ndarray) -> np.ndarray:
        x, y, z = directions.T
        return np.stack(harmonics(x, y, z, self.degree), axis=1) @ self.coefficients

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        t, phi = np.linspace(0, np.pi, 24 * fine + 1)[:, None], np.linspace(0, 2 * np.pi, 32 * fine + 1)[None, :]
        d = np.stack([np.sin(t) * np.sin(phi), -np.cos(t) + 0 * phi, np.sin(t) * np.cos(phi)], axis=-1)
        d[:, -1], d[0], d[-1] = d[:, 0], d[0, 0], d[-1, 0]
        r = self._radius(d.reshape(-1, 3)).reshape(d.shape[:2])
        points = self.center + d * r[..., None] * self.stretch
        return (Sheet(points, normals(self, points.reshape(-1, 3)).reshape(points.shape)),)


def scan_wall(path: Path) -> ScanWall:
    """The wall in a file; SurfaceError where it cannot be one."""
    stamp = path.stat().st_mtime_ns if path.is_file() else 0
    return _scan_wall(path, stamp)


@lru_cache(maxsize=8)
def _scan_wall(path: Path, stamp: int) -> ScanWall:
    return smooth_wall(checked_surface(read_surface(path)))


def smooth_wall(surface: Triangles) -> ScanWall:
    """Fit a closed triangulation; SurfaceError where no point within sees all of it."""
    points, cells = surface
    center = _viewpoint(points, cells)
    stretch = np.ptp(points, axis=0) / 2
    samples, weights = _samples(points, cells)
    q = (samples - center) / stretch
    r = np.linalg.norm(q, axis=1)
    for degree in DEGREES:
        if degree > DEGREES[0] and (degree + 1) ** 2 > len(samples):
            break
        coefficients = fitted(q / r[:, None], r, weights, degree)
        wall = ScanWall(center, stretch, coefficients, degree, 0.0)
        departure = float(np.abs(wall.level(points)).max())
        wall = ScanWall(center, stretch, coefficients, degree, departure)
        if departure < GOOD_ENOUGH:
            break
    return wall


def _samples(points: np.ndarray, cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices, and points spread over triangles too large for their middles to be a chord's error; with areas.

    The vertices of a fine mesh lie on the surface that was scanned and its triangles cut inside it; a large
    triangle is a flat that was meant.
    """
    a, b, c = np.moveaxis(points[cells], 1, 0)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    large = area > (0.08 * np.ptp(points, axis=0).max()) ** 2
    per_vertex = np.bincount(cells[~large].ravel(), np.repeat(area[~large], 3) / 3, len(points))
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
    bounds = [*zip(points.min(axis=0), points.max(axis=0), strict=True), (None, size)]
    answer = linprog(
        [0, 0, 0, -1], A_ub=np.column_stack([n, np.ones(len(n))]), b_ub=np.einsum("ni,ni->n", n, a), bounds=bounds
    )
    if not answer.success or answer.x[3] < 1e-4 * size:
        raise SurfaceError(
            "a body that can all be seen from one point within; this one folds behind itself: "
            "write it as sections or lobes"
        )
    return answer.x[:3]
