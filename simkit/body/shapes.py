"""The chamber shapes of the design file as exact walls. Sizes are metres; y runs along from 0 at the mouth end."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.interpolate import CubicHermiteSpline, CubicSpline, PPoly
from scipy.spatial import cKDTree
from scipy.special import elliprg, gammaln

from simkit.body.taylor import Taylor
from simkit.body.wall import Block, Can, Sheet, Skin, Solid, Wall, newton_foot, normals

AROUND = 24  # columns of a ring before `fine` multiplies them


def _around(fine: int, base: int = AROUND) -> np.ndarray:
    return np.linspace(0.0, 2.0 * np.pi, base * fine + 1)


def _sheet(wall: Wall, points: np.ndarray) -> Sheet:
    """Close the seam and the poles exactly and take the wall's own normals."""
    points[:, -1] = points[:, 0]
    for ring in (0, -1):
        if np.ptp(points[ring], axis=0).max() < 1e-12:
            points[ring] = points[ring, 0]
    n = normals(wall, points.reshape(-1, 3)).reshape(points.shape)
    return Sheet(points, n)


@dataclass(frozen=True)
class EggWall(Wall):
    """Sphere, ellipsoid and egg: the unit ball stretched, its widest ring at `widest_at` of the length.

    x = a X, z = b Z, y = L (s + 1)/2 + (widest_at - 1/2) L (1 - s^2) for (X, s, Z) on the unit sphere: smooth
    everywhere, and of the volume 4/3 pi a b L/2 whatever `widest_at` (0.25 to 0.75, outside which y folds).
    """

    width: float
    length: float
    height: float
    widest_at: float = 0.5

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        a, b, half = self.width / 2, self.height / 2, self.length / 2
        shift = (self.widest_at - 0.5) * self.length
        q = y - (half + shift)
        s = 2.0 * q / (np.sqrt(np.maximum(half**2 - 4.0 * shift * q, 1e-6 * half**2)) + half)
        return (x / a) * (x / a) + s * s + (z / b) * (z / b) - 1.0

    @property
    def box(self) -> np.ndarray:
        return np.array([[-self.width / 2, 0, -self.height / 2], [self.width / 2, self.length, self.height / 2]])

    @property
    def volume(self) -> float:
        return np.pi / 6 * self.width * self.length * self.height

    @property
    def area(self) -> float:
        """Of the ellipsoid 4 pi R_G(a^2 b^2, a^2 c^2, b^2 c^2) (DLMF 19.33.1); of other eggs by the sheets."""
        if self.widest_at != 0.5:
            return super().area
        a, b, c = self.width / 2, self.length / 2, self.height / 2
        return float(4 * np.pi * elliprg((a * b) ** 2, (a * c) ** 2, (b * c) ** 2))

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        return (_sheet(self, self.grids(fine)[0]),)

    def grids(self, fine: int = 1) -> tuple[np.ndarray, ...]:
        t, phi = np.linspace(0, np.pi, 16 * fine + 1)[:, None], _around(fine)[None, :]
        s, ring = -np.cos(t), np.sin(t)
        shift = (self.widest_at - 0.5) * self.length
        y = self.length / 2 * (s + 1) + shift * (1 - s * s) + 0 * phi
        points = np.stack([self.width / 2 * ring * np.sin(phi), y, self.height / 2 * ring * np.cos(phi)], axis=-1)
        return (points,)


@dataclass(frozen=True)
class LensWall(Wall):
    """A flattened pendant: half height h(t)^2 = H^2 (1 - t)(1 - q t), t = (2 x/width)^2 + (2 (y - L/2)/L)^2.

    q makes the rim's radius, in the section across the width, H^2 (1 - q)/(width/2) = `rim`: q = 0 is the
    ellipsoid, q near 1 a sharp-rimmed lens, q = -1 the fullest pillow.
    """

    width: float
    length: float
    height: float
    rim: float

    @property
    def fullness(self) -> float:
        """The q of the formula, -1 to 1."""
        return 1.0 - self.rim * (self.width / 2) / (self.height / 2) ** 2

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        a, half, h = self.width / 2, self.length / 2, self.height / 2
        v = (y - half) / half
        t = (x / a) * (x / a) + v * v
        # Outside the outline the product of the two factors would turn positive again; there only (1 - t) counts.
        return (z / h) * (z / h) - (1.0 - t) * np.maximum(1.0 - self.fullness * t, 1e-3)

    @property
    def box(self) -> np.ndarray:
        return np.array([[-self.width / 2, 0, -self.height / 2], [self.width / 2, self.length, self.height / 2]])

    @property
    def volume(self) -> float:
        """pi (width/2)(length/2) H integral_0^1 sqrt((1 - t)(1 - q t)) dt, by Gauss-Jacobi in sqrt(1 - t)."""
        u, w = np.polynomial.legendre.leggauss(60)
        u, w = (u + 1) / 2, w / 2  # t = 1 - u^2
        integral = float(np.sum(w * 2 * u * u * np.sqrt(1 - self.fullness * (1 - u * u))))
        return np.pi * self.width / 2 * self.length / 2 * self.height * integral

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        return (_sheet(self, self.grids(fine)[0]),)

    def grids(self, fine: int = 1) -> tuple[np.ndarray, ...]:
        t, phi = np.linspace(0, np.pi, 24 * fine + 1)[:, None], _around(fine, 48)[None, :]
        x, y, z = np.sin(t) * np.sin(phi), -np.cos(t) + 0 * phi, np.sin(t) * np.cos(phi)
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
            v = y - np.minimum(np.maximum(y, r), self.length - r)
            return (x * x + v * v + z * z) / r - r
        # -y and y - L are doubled to the slope of the round part at the wall.
        side = (x * x + z * z) / r - r
        return np.maximum(side, np.maximum(-2.0 * y, 2.0 * (y - self.length)))

    def nearest(self, points: np.ndarray) -> np.ndarray:
        r, (x, y, z) = self.diameter / 2, points.T
        rho = np.hypot(x, z)
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
        r, phi = self.diameter / 2, _around(fine)[None, :]
        sides = np.linspace(0, 1, 4 * fine + 1)[:, None]
        if not self.round_ends:
            ring = np.stack([r * np.sin(phi), 0 * phi, r * np.cos(phi)], axis=-1)
            caps = (
                _cap(ring[0] + [0, y, 0], np.array([0.0, y, 0.0]), sign, fine)
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
        return (_sheet(self, points),)

    def solid(self, offset: float = 0.0) -> Solid:
        r, end = self.diameter / 2 + offset, offset
        return Can(r, -end, self.length + end, r if self.round_ends else offset)


def _cap(ring: np.ndarray, center: np.ndarray, sign: float, fine: int) -> Sheet:
    """A plane end from its centre to a ring, facing along sign * y."""
    share = np.linspace(0, 1, 3 * fine + 1)[:, None, None]
    points = center + share * (ring - center)
    return Sheet(points, np.broadcast_to([0.0, sign, 0.0], points.shape), flat=True)


@dataclass(frozen=True)
class BoxWall(Wall):
    """A box, its edges and corners rounded to `corner` (0: sharp)."""

    width: float
    length: float
    height: float
    corner: float = 0.0

    @property
    def _half(self) -> np.ndarray:
        return np.array([self.width, self.length, self.height]) / 2

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        r, h = self.corner, self._half
        sizes = (np.abs(x), np.abs(y - self.length / 2), np.abs(z))
        flat = np.maximum(np.maximum(sizes[0] - h[0], sizes[1] - h[1]), sizes[2] - h[2])
        if r == 0:
            return flat
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
        gap = core - np.abs(p)
        face = np.eye(3)[gap.argmin(axis=1)] * np.where(p < 0, -1.0, 1.0)
        deep = length[:, 0] < 1e-15
        inner = np.where(deep[:, None], p + gap.min(axis=1)[:, None] * face, inner)
        away = np.where(deep[:, None], face, away / np.maximum(length, 1e-300))
        return inner + self.corner * away + [0, self.length / 2, 0]

    @property
    def box(self) -> np.ndarray:
        h = self._half
        return np.array([[0, h[1], 0] - h, [0, h[1], 0] + h])

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
        theta = np.linspace(0, np.pi, 24 * fine + 1)[:, None]
        phi = _around(fine, 48)[None, :]
        d = np.stack([np.sin(theta) * np.sin(phi), -np.cos(theta) + 0 * phi, np.sin(theta) * np.cos(phi)], axis=-1)
        core = self._half - self.corner
        low, high = np.zeros(d.shape[:2]), np.full(d.shape[:2], 2 * np.linalg.norm(self._half))
        for _ in range(50):  # the distance to a rounded box is known exactly; bisect along each ray
            middle = 0.5 * (low + high)
            q = np.abs(middle[..., None] * d) - core
            far = np.linalg.norm(np.maximum(q, 0), axis=-1) + np.minimum(q.max(axis=-1), 0) > self.corner
            low, high = np.where(far, low, middle), np.where(far, middle, high)
        points = low[..., None] * d + [0, self.length / 2, 0]
        return (_sheet(self, points),)

    def solid(self, offset: float = 0.0) -> Solid:
        return Block(self.box + offset * np.array([[-1.0], [1.0]]), self.corner + offset)


class Curve:
    """A piecewise polynomial of y that also takes Taylor values; beyond its ends the end pieces go on."""

    def __init__(self, pieces: PPoly):
        self.pieces, self.first, self.second = pieces, pieces.derivative(), pieces.derivative(2)

    def __call__(self, y: Any) -> Any:
        if isinstance(y, Taylor):
            return y.through(self.pieces(y.value), self.first(y.value), self.second(y.value))
        return self.pieces(y)


def _fair(x: np.ndarray, values: np.ndarray) -> PPoly:
    """The cubic spline of continuous curvature, its slopes held back where it would ripple.

    No slope exceeds three times the smaller of its neighbours' chords (Hyman 1983, SIAM J. Sci. Stat. Comput. 4:645
    [memory]), so equal rows stay straight and rising rows rise; at a least row the slope is zero: a waist is where
    it was written. Both follow the rows continuously.
    """
    chord = np.diff(values) / np.diff(x)
    slope = CubicSpline(x, values).derivative()(x) if len(x) > 2 else np.repeat(chord, 2)
    before, after = np.concatenate([chord[:1], chord]), np.concatenate([chord, chord[-1:]])
    most = 3 * np.minimum(np.abs(before), np.abs(after))
    slope = np.clip(slope, -most, most)
    agree = np.sign(before) == np.sign(after)
    slope = np.where(agree & (slope * after < 0), 0.0, slope)
    slope = np.where((before < 0) & (after > 0), 0.0, slope)
    p = CubicHermiteSpline(x, values, slope)
    return PPoly(p.c, p.x)


def _divided(p: PPoly, round_start: bool, round_stop: bool) -> PPoly:
    """p/(y - first) on the first piece and p/(last - y) on the last where p falls to zero there."""
    c = p.c.copy()
    if round_start:
        c[:, 0] = [0.0, *c[:3, 0]]
    if round_stop:
        step = p.x[-1] - p.x[-2]
        c[:, -1] = [0.0, *(-np.polydiv(c[:, -1], [1.0, -step])[0])]
    return PPoly(c, p.x)


@dataclass(frozen=True)
class SectionsWall(Wall):
    """A body lofted through rows [along, width, height, rise, squareness].

    The squares of the half sizes, the rise and the squareness n follow y by cubics that do not ripple (`_fair`), so
    a first or last row of width 0 closes round. Section: |x/a|^n + |(z - rise)/b|^n = 1.
    """

    rows: tuple[tuple[float, float, float, float, float], ...]
    _curves: dict[str, Curve] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        t = np.array(self.rows, float)
        x = t[:, 0]
        square = {"A": _fair(x, (t[:, 1] / 2) ** 2), "B": _fair(x, (t[:, 2] / 2) ** 2)}
        curves = {name: Curve(p) for name, p in square.items()}
        curves |= {name + "_over_end": Curve(_divided(p, *self.round_ends)) for name, p in square.items()}
        curves |= {"rise": Curve(_fair(x, t[:, 3])), "n": Curve(_fair(x, self._squareness(t)))}
        object.__setattr__(self, "_curves", curves)

    def _squareness(self, t: np.ndarray) -> np.ndarray:
        """A tip has the squareness of its neighbour: its own row has no size to show it."""
        n = t[:, 4].copy()
        n[0] = n[1] if self.round_ends[0] else n[0]
        n[-1] = n[-2] if self.round_ends[1] else n[-1]
        return n

    @property
    def round_ends(self) -> tuple[bool, bool]:
        return self.rows[0][1] == 0, self.rows[-1][1] == 0

    def _section(self, y: Any) -> tuple[Any, Any, Any, Any]:
        """(mean square half size a b, its ratio b/a, rise, squareness) at y; a b turns negative beyond a tip."""
        ratio = np.sqrt(np.maximum(self._curves["B_over_end"](y) / self._curves["A_over_end"](y), 1e-12))
        return self._curves["A"](y) * ratio, ratio, self._curves["rise"](y), self._curves["n"](y)

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        level = self._lateral(x, y, z)
        if not self.round_ends[0]:
            level = np.maximum(level, self.rows[0][0] - y)
        if not self.round_ends[1]:
            level = np.maximum(level, y - self.rows[-1][0])
        return level

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """On the loft where its foot lies between flat ends, else on an end plane or its rim, whichever is nearest."""
        if all(self.round_ends):
            return super().nearest(points)
        side = _Loft(self)
        start = self._side_tree.data[self._side_tree.query(points)[1]]
        candidates = [newton_foot(side, points, start)]
        beyond = np.zeros(len(points), bool)
        for is_round, y, sign in zip(self.round_ends, (self.rows[0][0], self.rows[-1][0]), (-1, 1), strict=True):
            if is_round:
                continue
            beyond |= sign * (candidates[0][:, 1] - y) > 0
            flat = points.copy()
            flat[:, 1] = y
            rim = newton_foot(_Profile(self, y), flat, np.stack([start[:, 0], flat[:, 1], start[:, 2]], axis=1))
            within = _Profile(self, y).level(flat) < 0
            candidates.append(np.where(within[:, None], flat, rim))
        gaps = np.array([np.linalg.norm(c - points, axis=1) for c in candidates])
        gaps[0][beyond] = np.inf
        return np.array(candidates)[gaps.argmin(axis=0), np.arange(len(points))]

    @cached_property
    def _side_tree(self) -> cKDTree:
        return cKDTree(self.sheets(2)[0].points.reshape(-1, 3))

    def _lateral(self, x: Any, y: Any, z: Any) -> Any:
        """The level of the lofted side alone."""
        square, ratio, rise, n = self._section(y)
        scale = self._scale
        u = np.sqrt(x * x * ratio + (1e-9 * scale) ** 2) / scale
        w = z - rise
        v = np.sqrt(w * w / ratio + (1e-9 * scale) ** 2) / scale
        power = np.exp(n * np.log(u)) + np.exp(n * np.log(v))
        return (np.exp(np.log(power) * (2.0 / n)) - square / scale**2) * (scale / 2)

    @cached_property
    def _scale(self) -> float:
        return max(max(row[1], row[2]) for row in self.rows) / 2

    @property
    def creased(self) -> bool:
        return not all(self.round_ends)

    @cached_property
    def box(self) -> np.ndarray:
        p = self._rings(2).reshape(-1, 3)
        return np.array([p.min(axis=0), p.max(axis=0)])

    @cached_property
    def volume(self) -> float:
        """Integral of the section's area 4 a b Gamma(1 + 1/n)^2/Gamma(1 + 2/n) (Dirichlet 1839), Gauss by pieces."""
        u, w = np.polynomial.legendre.leggauss(12)
        total = 0.0
        for low, high in pairwise(self.rows):
            y = low[0] + (high[0] - low[0]) * (u + 1) / 2
            square, _, _, n = self._section(y)
            total += (
                float(np.sum(w * 4 * square * np.exp(2 * gammaln(1 + 1 / n) - gammaln(1 + 2 / n))))
                * (high[0] - low[0])
                / 2
            )
        return total

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        rings = self._rings(fine)
        return (self._side(rings), *self._caps(rings, fine))

    def grids(self, fine: int = 1) -> tuple[np.ndarray, ...]:
        rings = self._rings(fine)
        return (rings, *(cap.points for cap in self._caps(rings, fine)))

    def _rings(self, fine: int) -> np.ndarray:
        """Rings of the lofted side: (rings, around, 3)."""
        phi = _around(fine, 32)
        y = self._stations(6 * fine)
        square, ratio, rise, n = (np.asarray(q)[:, None] for q in self._section(y))
        half = np.sqrt(np.maximum(square, 0.0))
        cos, sin = np.cos(phi)[None, :], np.sin(phi)[None, :]
        d = (np.abs(cos) ** n + np.abs(sin) ** n) ** (1 / n)
        return np.stack(
            [half / np.sqrt(ratio) * sin / d, y[:, None] + 0 * d, rise + half * np.sqrt(ratio) * cos / d], axis=-1
        )

    def _caps(self, rings: np.ndarray, fine: int) -> list[Sheet]:
        """The flat ends, if any."""
        caps = []
        for is_round, end, sign in zip(self.round_ends, (0, -1), (-1, 1), strict=True):
            if not is_round:
                center = (rings[end].min(axis=0) + rings[end].max(axis=0)) / 2
                caps.append(_cap(rings[end], center, sign, fine))
        return caps

    def _side(self, points: np.ndarray) -> Sheet:
        """Normals of the lofted side alone, just inside flat ends, where the level turns over to the end planes."""
        low, high = self.rows[0][0], self.rows[-1][0]
        nudge = 1e-7 * (high - low)
        inner = points.copy()
        inner[..., 1] = np.clip(
            inner[..., 1], low + nudge * (not self.round_ends[0]), high - nudge * (not self.round_ends[1])
        )
        sheet = _sheet(self, inner)
        points[:, -1] = points[:, 0]
        return Sheet(np.where(np.abs(points - sheet.points) < 2 * nudge, points, sheet.points), sheet.normals)

    def _stations(self, count: int) -> np.ndarray:
        """Places along y for the rings: `count` a piece, drawn towards a round tip as the square."""
        x = [row[0] for row in self.rows]
        t = np.linspace(0, 1, count + 1)[:-1]
        y = []
        for i, (low, high) in enumerate(pairwise(x)):
            if i == 0 and self.round_ends[0]:
                share = t**2
            elif i == len(x) - 2 and self.round_ends[1]:
                share = 1 - (1 - t) ** 2
            else:
                share = t
            y.append(low + (high - low) * share)
        return np.concatenate([*y, [x[-1]]])

    def solid(self, offset: float = 0.0) -> Solid:
        if offset == 0 or all(self.round_ends):
            return super().solid(offset)
        return Skin((self._wrapped(offset),))

    def _wrapped(self, offset: float) -> Sheet:
        """Side, rounded rims and flat ends of the offset body as one run of rings from pole to pole."""
        side, *caps = self.sheets()
        rings, outs = list(side.points + offset * side.normals), list(side.normals)
        for cap in caps:
            axis = cap.normals[0, 0]
            rim, out = cap.points[-1], side.normals[0 if axis[1] < 0 else -1]
            angle = np.arccos(np.clip(out @ axis, -1, 1))[:, None]
            turn = np.linspace(0, 1, 6)[1:, None, None]
            fan = (np.sin((1 - turn) * angle) * out + np.sin(turn * angle) * axis) / np.sin(angle)
            share = np.linspace(1, 0, 5)[1:, None, None]
            more = [*(rim + offset * fan), *(cap.points[0] + share * (rim - cap.points[0]) + offset * axis)]
            normal = [*fan, *np.broadcast_to(axis, (4, *rim.shape))]
            if axis[1] < 0:
                rings, outs = more[::-1] + rings, normal[::-1] + outs
            else:
                rings, outs = rings + more, outs + normal
        return Sheet(np.array(rings), np.array(outs))


@dataclass(frozen=True)
class _Loft(SectionsWall):
    """The lofted side without its flat ends, going on beyond them; only to find feet on it."""

    def __init__(self, whole: SectionsWall):
        self.__dict__.update(whole.__dict__, whole=whole)

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        return self._lateral(x, y, z)


@dataclass(frozen=True)
class _Profile(SectionsWall):
    """The section at one `y` drawn out endlessly; only to find feet on its rim."""

    def __init__(self, whole: SectionsWall, y: float):
        self.__dict__.update(whole.__dict__, y=y)

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        return self._lateral(x, y * 0.0 + self.__dict__["y"], z)
