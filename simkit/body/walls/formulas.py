"""The chamber shapes of the design file as exact walls. Sizes are metres; y runs along from 0 at the mouth end."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.special import elliprg

from simkit.body.walls.primitives import Block, Can, Sheet, Solid
from simkit.body.walls.rings import around, flat_end, true_sheet, unit_rings
from simkit.body.walls.taylor import Taylor
from simkit.body.walls.wall import Wall

_TO_ROOT = 60  # Newton's steps at most; from far out each takes off a third of the way


@dataclass(frozen=True)
class _Sized(Wall):
    """A wall about the y axis that starts at its zero, by its outermost sizes."""

    width: float
    length: float
    height: float

    @property
    def _half(self) -> np.ndarray:
        return np.array([self.width, self.length, self.height]) / 2

    @property
    def box(self) -> np.ndarray:
        h = self._half
        return np.array([[0, h[1], 0] - h, [0, h[1], 0] + h])

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        return (true_sheet(self, self.grids(fine)[0]),)


@dataclass(frozen=True)
class EggWall(_Sized):
    """Sphere, ellipsoid and egg: the unit ball stretched, its widest ring at `widest_at` of the length.

    x = a X, z = b Z, y = L (s + 1)/2 + (widest_at - 1/2) L (1 - s^2) for (X, s, Z) on the unit sphere: smooth
    everywhere, and of the volume 4/3 pi a b L/2 whatever `widest_at` (0.25 to 0.75, outside which y folds).
    """

    widest_at: float = 0.5

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        a, b, half = self.width / 2, self.height / 2, self.length / 2
        shift = (self.widest_at - 0.5) * self.length
        q = y - (half + shift)
        # The root of q = half s - shift s^2 that goes through 0, written so that it loses no digits where shift is 0;
        # past the fold of y, far outside, it is kept real.
        s = 2.0 * q / (np.sqrt(np.maximum(half**2 - 4.0 * shift * q, 1e-6 * half**2)) + half)
        return (x / a) * (x / a) + s * s + (z / b) * (z / b) - 1.0

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Nearest points (n, 3), m; of an ellipsoid e^2 q/(t + e^2), with t the largest root of |e q/(t + e^2)| = 1.

        Lagrange's condition; by Newton from below, where the sum of squares is convex and falls (memory).
        """
        if self.widest_at != 0.5:
            return super().nearest(points)
        half = self._half
        middle, square = np.array([0.0, self.length / 2, 0.0]), half * half
        q = points - middle
        pull = half * np.abs(q)
        # At the root each |e q/(t + e^2)| <= 1, so t >= e |q| - e^2: a start from below.
        t = (pull - square).max(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            for _ in range(_TO_ROOT):
                under = t[:, None] + square
                each = np.square(pull / under)
                step = (each.sum(axis=1) - 1) / (2 * (each / under).sum(axis=1))
                t = t + step
                # So written, a NaN (a point at the very middle) ends it too.
                if not (np.abs(step) > 1e-15 * square.max()).any():
                    break
        foot = middle + square * q / np.maximum(t[:, None] + square, 1e-300)
        # Near the middle of the thickest part many are all but nearest.
        deep = ~(t + square.min() > 1e-3 * square.min())
        if deep.any():
            foot[deep] = super().nearest(points[deep])
        return foot

    @property
    def volume(self) -> float:
        return np.pi / 6 * self.width * self.length * self.height

    @cached_property
    def area(self) -> float:
        """Area, m2; of the ellipsoid 4 pi R_G(a^2 b^2, a^2 c^2, b^2 c^2) (DLMF 19.33.1); of others by sheets."""
        if self.widest_at != 0.5:
            return super().area
        # elliprg is symmetric and finite for equal axes, where formulas by incomplete integrals are 0/0.
        a, b, c = self.width / 2, self.length / 2, self.height / 2
        return float(4 * np.pi * elliprg((a * b) ** 2, (a * c) ** 2, (b * c) ** 2))

    def grids(self, fine: int = 1) -> tuple[np.ndarray, ...]:
        t, phi = np.linspace(0, np.pi, 16 * fine + 1)[:, None], around(fine)[None, :]
        s, ring = -np.cos(t), np.sin(t)
        shift = (self.widest_at - 0.5) * self.length
        y = self.length / 2 * (s + 1) + shift * (1 - s * s) + 0 * phi
        points = np.stack([self.width / 2 * ring * np.sin(phi), y, self.height / 2 * ring * np.cos(phi)], axis=-1)
        return (points,)


@dataclass(frozen=True)
class LensWall(_Sized):
    """A flattened pendant: half height h(t)^2 = H^2 (1 - t)(1 - q t), t = (2 x/width)^2 + (2 (y - L/2)/L)^2.

    q makes the rim's radius, in the section across the width, H^2 (1 - q)/(width/2) = `rim`: q = 0 is the
    ellipsoid, q near 1 a sharp-rimmed lens, q = -1 the fullest pillow.
    """

    rim: float

    @property
    def fullness(self) -> float:
        """The q of the formula, -1 to 1."""
        return 1.0 - self.rim * (self.width / 2) / (self.height / 2) ** 2

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        a, half, h = self.width / 2, self.length / 2, self.height / 2
        # t is 0 on the vertical through the middle and 1 on the outline.
        v = (y - half) / half
        t = (x / a) * (x / a) + v * v
        # Outside the outline the product of the two factors would turn positive again; there only (1 - t) counts.
        return (z / h) * (z / h) - (1.0 - t) * np.maximum(1.0 - self.fullness * t, 1e-3)

    @cached_property
    def volume(self) -> float:
        """Volume, m3: pi (width/2)(length/2) H int_0^1 sqrt((1 - t)(1 - q t)) dt, by Gauss-Jacobi in sqrt(1 - t)."""
        u, w = np.polynomial.legendre.leggauss(60)
        u, w = (u + 1) / 2, w / 2  # t = 1 - u^2
        integral = float(np.sum(w * 2 * u * u * np.sqrt(1 - self.fullness * (1 - u * u))))
        return np.pi * self.width / 2 * self.length / 2 * self.height * integral

    def grids(self, fine: int = 1) -> tuple[np.ndarray, ...]:
        x, y, z = np.moveaxis(unit_rings(24 * fine, 48 * fine), -1, 0)
        z = z * np.sqrt(1 - self.fullness * (x * x + y * y))
        points = np.stack([self.width / 2 * x, self.length / 2 * (y + 1), self.height / 2 * z], axis=-1)
        return (points,)


@dataclass(frozen=True)
class TubeWall(Wall):
    """A straight tube with flat ends, or with half balls for ends (`round_ends`)."""

    length: float
    diameter: float
    round_ends: bool = False

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        r = self.diameter / 2
        if self.round_ends:
            # Distance from the core line between the centres of the half balls; squared, so smooth on the axis.
            v = y - np.minimum(np.maximum(y, r), self.length - r)
            return (x * x + v * v + z * z) / r - r
        # -y and y - L are doubled to the slope of the round part at the wall.
        side = (x * x + z * z) / r - r
        return np.maximum(side, np.maximum(-2.0 * y, 2.0 * (y - self.length)))

    def nearest(self, points: np.ndarray) -> np.ndarray:
        r, (x, y, z) = self.diameter / 2, points.T
        rho = np.hypot(x, z)
        # On the axis itself every way out is equally near: to the right.
        across = np.where(rho[:, None] > 0, points / np.maximum(rho, 1e-300)[:, None], [[1.0, 0.0, 0.0]])
        foot = across * r
        if self.round_ends:
            core = np.clip(y, r, self.length - r)
            away = points - np.stack([0 * x, core, 0 * x], axis=1)
            length = np.linalg.norm(away, axis=1, keepdims=True)
            foot[:, 1] = 0.0
            away = np.where(length > 1e-12 * r, away / np.maximum(length, 1e-300), foot / r)
            return np.stack([0 * x, core, 0 * x], axis=1) + r * away
        end = np.where(y > self.length / 2, self.length, 0.0)
        to_side, to_end = r - rho, np.minimum(y, self.length - y)
        # Within the tube's shadow the nearer of end and side; beyond it the clipped side is the rim itself.
        use_end = (to_end < to_side) & (rho <= r)
        foot[:, 1] = np.clip(y, 0.0, self.length)
        return np.where(use_end[:, None], np.stack([x, end, z], axis=1), foot)

    @property
    def box(self) -> np.ndarray:
        r = self.diameter / 2
        return np.array([[-r, 0, -r], [r, self.length, r]])

    @property
    def creased(self) -> bool:
        return not self.round_ends

    @property
    def volume(self) -> float:
        r = self.diameter / 2
        return np.pi * r**2 * (self.length - (2 * r / 3 if self.round_ends else 0.0))

    @property
    def area(self) -> float:
        r = self.diameter / 2
        return 2 * np.pi * r * self.length + (0.0 if self.round_ends else 2 * np.pi * r**2)

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        r, phi = self.diameter / 2, around(fine)[None, :]
        sides = np.linspace(0, 1, 4 * fine + 1)[:, None]
        if not self.round_ends:
            ring = np.stack([r * np.sin(phi), 0 * phi, r * np.cos(phi)], axis=-1)
            caps = (
                flat_end(ring[0] + [0, y, 0], np.array([0.0, y, 0.0]), sign, fine)
                for y, sign in ((0, -1), (self.length, 1))
            )
            y = sides[:, :, None] * self.length * np.array([0, 1.0, 0])
            out = np.broadcast_to(ring / r, (len(sides), phi.size, 3))
            return (Sheet(ring + y, out), *caps)
        t = np.linspace(0, np.pi / 2, 6 * fine + 1)[:, None]
        along = np.concatenate(
            [r - r * np.cos(t), r + (self.length - 2 * r) * sides[1:-1], self.length - r + r * np.sin(t)]
        )
        radius = np.concatenate([r * np.sin(t), r + 0 * sides[1:-1], r * np.cos(t)])
        points = np.stack([radius * np.sin(phi), along + 0 * phi, radius * np.cos(phi)], axis=-1)
        return (true_sheet(self, points),)

    def solid(self, offset: float = 0.0) -> Solid:
        r, end = self.diameter / 2 + offset, offset
        # Moved out, a sharp rim becomes a quarter of a torus of radius `offset`, flat ends stay flat.
        return Can(r, -end, self.length + end, r if self.round_ends else offset)


@dataclass(frozen=True)
class BoxWall(_Sized):
    """A box, its edges and corners rounded to `corner` (0: sharp)."""

    corner: float = 0.0

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        r, h = self.corner, self._half
        sizes = (np.abs(x), np.abs(y - self.length / 2), np.abs(z))
        flat = np.maximum(np.maximum(sizes[0] - h[0], sizes[1] - h[1]), sizes[2] - h[2])
        if r == 0:
            return flat
        # Beyond the core box by these: a face, an edge or a corner, as one, two or three of them are not 0.
        u, v, w = (np.maximum(s - (e - r), 0.0) for s, e in zip(sizes, h, strict=True))
        rounded = (u * u + v * v + w * w) / (2 * r) - r / 2
        inside = flat + 0.9 * r  # the rounded form is flat deep inside; there the nearest face leads
        return (
            rounded.pick(flat, inside.value > 0) if isinstance(rounded, Taylor) else np.where(inside > 0, rounded, flat)
        )

    def nearest(self, points: np.ndarray) -> np.ndarray:
        p, core = points - [0, self.length / 2, 0], self._half - self.corner
        inner = np.clip(p, -core, core)
        away = p - inner
        length = np.linalg.norm(away, axis=1, keepdims=True)
        # Inside the core the way out is through the nearest face.
        gap = core - np.abs(p)  # to each pair of faces of the core
        face = np.eye(3)[gap.argmin(axis=1)] * np.where(p < 0, -1.0, 1.0)
        deep = length[:, 0] < 1e-15
        inner = np.where(deep[:, None], p + gap.min(axis=1)[:, None] * face, inner)
        away = np.where(deep[:, None], face, away / np.maximum(length, 1e-300))
        return inner + self.corner * away + [0, self.length / 2, 0]

    @property
    def volume(self) -> float:
        """Steiner's formula: the core box grown by a ball of radius `corner`."""
        r, core = self.corner, 2 * self._half - 2 * self.corner
        a, b, c = core
        return float(a * b * c + 2 * r * (a * b + b * c + c * a) + np.pi * r**2 * (a + b + c) + 4 / 3 * np.pi * r**3)

    @property
    def area(self) -> float:
        r, (a, b, c) = self.corner, 2 * self._half - 2 * self.corner
        return float(2 * (a * b + b * c + c * a) + 2 * np.pi * r * (a + b + c) + 4 * np.pi * r**2)

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        """Rays from the centre on a grid that is square to the edges; for pictures, not for meshing."""
        d = unit_rings(24 * fine, 48 * fine)
        core = self._half - self.corner
        low, high = np.zeros(d.shape[:2]), np.full(d.shape[:2], 2 * np.linalg.norm(self._half))
        # The distance to a rounded box is known exactly: bisect along each ray, to the last digit of a double.
        for _ in range(50):
            middle = 0.5 * (low + high)
            q = np.abs(middle[..., None] * d) - core
            far = np.linalg.norm(np.maximum(q, 0), axis=-1) + np.minimum(q.max(axis=-1), 0) > self.corner
            low, high = np.where(far, low, middle), np.where(far, middle, high)
        points = low[..., None] * d + [0, self.length / 2, 0]
        return (true_sheet(self, points),)

    def solid(self, offset: float = 0.0) -> Solid:
        return Block(self.box + offset * np.array([[-1.0], [1.0]]), self.corner + offset)
