"""The singular part of the field of a small source on a curved wall, in closed form, so that no mesh need resolve it.

At a wall point, with z inward along the normal and x, y along the directions of the principal curvatures k1, k2
(positive inside a ball),

    S = 1/(2 pi r) - (H/4 pi) ln(r + z) + ((k1 - k2)/(16 pi)) (x^2 - y^2)/(r + z)^2,      H = (k1 + k2)/2.

Every term is harmonic. On the wall z = (k1 x^2 + k2 y^2)/2 their slopes out of the air are, to leading order,
-(H + (k1 - k2) cos(2 phi)/2)/(4 pi r), H/(4 pi r) and (k1 - k2) cos(2 phi)/(8 pi r): together S sends unit flux
into the air and leaves bounded slopes for the mesh. (First two terms: Singer, Schuss & Holcman 2006 [Singer2006],
and Cheviakov, Ward & Straube 2010 [Cheviakov2010], from memory; third: derived here.)

The second and third term are potentials of a line straight behind the wall, of charge density 1 and of quadrupole
density s^2 at depth s. The line ends at `reach`, so that air which lies behind the wall does not meet it. Inside a
ball, with an endless line, and outside a ball, with a line to its centre, the slope left for the mesh is constant.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace

import numpy as np

from simkit.frozen import frozen


@frozen
class Sources:
    """Unit sources on a wall.

    places (s, 3), m; frames (s, 3, 3): rows along k1, along k2, inward; k1, k2 (s,), 1/m; reach (s,): how far the
    lines run back into the clay, m, or infinity.
    """

    places: np.ndarray
    frames: np.ndarray
    k1: np.ndarray
    k2: np.ndarray
    reach: np.ndarray

    @staticmethod
    def of(groups: Sequence[Sources]) -> Sources:
        """The sources of several groups as one."""
        return Sources(*(np.concatenate([getattr(group, part.name) for group in groups]) for part in fields(Sources)))

    def __getitem__(self, part: slice) -> Sources:
        return Sources(self.places[part], self.frames[part], self.k1[part], self.k2[part], self.reach[part])

    def with_more_curvature(self, curvature: float) -> Sources:
        """Copy with `curvature` (1/m) added to both principal curvatures."""
        return replace(self, k1=self.k1 + curvature, k2=self.k2 + curvature)

    @property
    def mean_curvature(self) -> np.ndarray:
        """H = (k1 + k2)/2, 1/m: (s,)."""
        return (self.k1 + self.k2) / 2

    def coordinates(self, points: np.ndarray) -> np.ndarray:
        """x, y, z of `points` (p, 3) in each source's frame: (3, s, p), m."""
        origin = self.frames @ self.places[:, :, None]
        return (self.frames @ points.T - origin).swapaxes(0, 1)

    def directions(self, vectors: np.ndarray) -> np.ndarray:
        """Components of `vectors` (p, 3) in each source's frame: (3, s, p)."""
        return (self.frames @ vectors.T).swapaxes(0, 1)


Kernel = Callable[[Sources, np.ndarray], np.ndarray]
BLOCK = 10_000  # numbers in each of the arrays of a kernel that stay near the processor: a third of the time of all


def spread(
    kernel: Callable[..., np.ndarray], sources: Sources, weights: np.ndarray, *at: np.ndarray | float
) -> np.ndarray:
    """Sum (..., p) over sources of weights (s,) times a kernel (..., s, p) at points (p, 3), in parts.

    at: the points, and the kernel's further arguments.
    """
    step = max(1, BLOCK // len(np.atleast_1d(at[0])))
    parts = (slice(n, n + step) for n in range(0, len(weights), step))
    return np.asarray(sum(weights[part] @ kernel(sources[part], *at) for part in parts))


def source_values(sources: Sources, points: np.ndarray) -> np.ndarray:
    """S of each source at `points` (p, 3): (s, p), 1/m. A constant is left out where a line is endless."""
    return _Line(sources, points).values()


def values_in_air(sources: Sources, points: np.ndarray) -> np.ndarray:
    """`source_values` and `second_order_values`: (2, s, p)."""
    line = _Line(sources, points)
    return np.stack([line.values(), line.r / (-4 * np.pi)])


def bent_values_in_air(sources: Sources, points: np.ndarray) -> np.ndarray:
    """`curvature_values` and `second_order_values`: (2, s, p)."""
    line = _Line(sources, points)
    return np.stack([line.curvature_values(), line.r / (-4 * np.pi)])


def values_far_off(sources: Sources, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """`source_values`, `second_order_values` and `second_order_slopes`: (3, s, p)."""
    line = _Line(sources, points)
    nx, ny, nz = sources.directions(normals)
    steep = (line.x * nx + line.y * ny + line.z * nz) / line.r
    return np.stack([line.values(), line.r / (-4 * np.pi), steep / (-4 * np.pi)])


def integrals_over_air(sources: Sources, points: np.ndarray, normals: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Integral of S of each source (s,) over the air within a wall, from points (p, 3), normals and weights on it, m^2.

    By Green's identity that of a harmonic S is that of S (x - x0).n/3 - |x - x0|^2/6 dS/dn over the wall, which the
    source's pole does not disturb.
    """
    line = _Line(sources, points)
    nx, ny, nz = sources.directions(normals)
    outward = line.values() * (line.x * nx + line.y * ny + line.z * nz) / 3
    return np.asarray((outward - line.slopes(nx, ny, nz) * (line.r * line.r) / 6) @ weights)


def curvature_values(sources: Sources, points: np.ndarray) -> np.ndarray:
    """The second and third term alone, of the wall's curvature: (s, p), 1/m."""
    return _Line(sources, points).curvature_values()


def regular_curvature_values(sources: Sources, points: np.ndarray) -> np.ndarray:
    """`curvature_values` with the logarithm's pole taken off, + (H/4 pi) ln r: (s, p), 1/m, bounded at the source."""
    line = _Line(sources, points)
    return line.curvature_values() + line.log_share * np.log(line.r)


def source_slopes(sources: Sources, points: np.ndarray, normals: np.ndarray, cutoff: float = 0.0) -> np.ndarray:
    """n . grad S at wall points, the source's own delta left out: (s, p), 1/m^2.

    At its source the slope is bounded but depends on the side from which it is seen; with `cutoff` (m) it goes to zero
    there, as r^4/(r^4 + cutoff^4), and is smooth in the source's place.
    """
    line = _Line(sources, points)
    slopes = line.slopes(*sources.directions(normals))
    if cutoff == 0:
        return slopes
    ratio = cutoff / line.r
    ratio *= ratio
    return slopes / (1 + ratio * ratio)


def second_order_values(sources: Sources, points: np.ndarray) -> np.ndarray:
    """First term in k^2 of S, R = -r/(4 pi), for (nabla^2 + k^2)(1/(2 pi r) + k^2 R) = k^4 R: (s, p), m."""
    x, y, z = sources.coordinates(points)
    return -np.sqrt(x * x + y * y + z * z) / (4 * np.pi)


def second_order_slopes(sources: Sources, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """n . grad R: (s, p)."""
    x, y, z = sources.coordinates(points)
    nx, ny, nz = sources.directions(normals)
    return -(x * nx + y * ny + z * nz) / (4 * np.pi * np.sqrt(x * x + y * y + z * z))


class _Line:
    """The line behind each source as each point sees it; from behind its middle it is seen mirrored.

    With rho^2 = x^2 + y^2 and the moments I_n = integral over t > 0 of 3 t^n (rho^2 + (z + t)^2)^(-5/2), which are
    I_2 = 1/u^2, I_1 = 1/(u^2 r), I_0 = (2 r + z)/(u^2 r^3) for u = r + z, the quadrupole's potential is
    (x^2 - y^2) (I_2 at the source - (L^2 I_0 + 2 L I_1 + I_2) at the line's end).
    """

    # Powers are written as products: numpy's general power is ten times slower, and this is where the time goes.

    def __init__(self, sources: Sources, points: np.ndarray):
        self.x, self.y, self.z = x, y, z = sources.coordinates(points)
        xx, yy = x * x, y * y
        across = xx + yy
        self.q = xx - yy
        self.r = np.sqrt(across + z * z)
        self.log_share = sources.mean_curvature[:, None] / (4 * np.pi)
        self.tee_share = (sources.k1 - sources.k2)[:, None] / (16 * np.pi)
        self.endless = bool(np.isinf(sources.reach).all())
        if self.endless:
            self.side: np.ndarray | float = 1.0
            self.u = self.r + z
        else:
            L = sources.reach[:, None]
            # Seen from beyond the line's middle r + z loses all digits: there both ends change places.
            self.side = np.where(z < -0.5 * L, -1.0, 1.0)
            self.u = self.r + self.side * z
            self.L = self.side * L
            self.end_z = self.side * (z + L)
            self.end_r = np.sqrt(across + self.end_z * self.end_z)
            self.end_u = self.end_r + self.end_z

    def values(self) -> np.ndarray:
        """S whole."""
        return np.asarray(0.5 / np.pi / self.r + self.curvature_values())

    def slopes(self, nx: np.ndarray, ny: np.ndarray, nz: np.ndarray) -> np.ndarray:
        """n . grad S."""
        outward, near = self.x * nx + self.y * ny, 1 / self.r
        # n . grad 1/(2 pi r), then the line's.
        pole = -0.5 / np.pi * (outward + self.z * nz) * (near * near * near)
        return np.asarray(pole + self.curvature_slopes(outward, nx, ny, nz))

    def curvature_values(self) -> np.ndarray:
        """(H/4 pi) integral of 1/distance + ((k1 - k2)/16 pi) times the quadrupole's potential."""
        if self.endless:
            return -self.log_share * np.log(self.u) + self.tee_share * self.q / (self.u * self.u)
        _, _, end_value = self._end()
        tee = 1 / (self.u * self.u) - end_value  # I_2 of the whole line less that of what lies beyond its end
        return self.side * (self.log_share * np.log(self.end_u / self.u) + self.tee_share * self.q * tee)

    def curvature_slopes(self, outward: np.ndarray, nx: np.ndarray, ny: np.ndarray, nz: np.ndarray) -> np.ndarray:
        """n . grad of the same; `outward` is x nx + y ny."""
        sideways, iu = self.side * outward, 1 / self.u
        # Of ln u, as du/d rho = rho/r and du/dz = u/r; that of 1/u^2 is -2/u^2 times it, that of q is 2 twist.
        log_u, uu, twist = (sideways * iu + nz) / self.r, iu * iu, self.x * nx - self.y * ny
        if self.endless:
            return -self.log_share * log_u + 2 * self.tee_share * uu * (twist - self.q * log_u)
        bu, t, end_value = self._end()
        ir = 1 / self.end_r
        log_end = (sideways / self.end_u + nz) * ir
        # Of _end_value, as a falls as 1/r: that by u is -(2 bu^2 + t)/u, that by r -(2 a bu/u + 3 t)/r.
        by_u, by_r = 2 * bu * bu + t, (2 * self.L * ir * bu / self.end_u + 3 * t) * ir
        end = by_u * log_end + by_r * ir * (sideways + nz * self.end_z)
        tee = 2 * self.side * twist * (uu - end_value) + self.q * (end - 2 * uu * log_u)
        return self.log_share * (log_end - log_u) + self.tee_share * tee

    def _end(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """L^2 I_0 + 2 L I_1 + I_2 at the line's end is (b/u)^2 + t, with a = L/r, b = 1 + a, t = a^2/(u r): b/u, t and
        it."""
        a = self.L / self.end_r
        bu, t = (1 + a) / self.end_u, a * a / (self.end_u * self.end_r)
        return bu, t, bu * bu + t
