"""A ball that rolls in the clay along a corner of it, touching both faces: what it leaves is a rounded rim."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simkit.body.walls.wall import Wall, normals, project
from simkit.frozen import frozen

_LAST = 1e-8  # m: a step of Newton's leaves some of its square over the wall's radius, 1e-14 m


def lift(wall: Wall, offset: float, base: np.ndarray, way: np.ndarray, start: float) -> np.ndarray:
    """Heights h (n,), m, at which base (n, 3) + h way meets the surface `offset` from the wall, from `start` by Newton.

    way: (3,), or one for each (n, 3).
    """
    h = np.full(len(base), start)
    ways = np.broadcast_to(way, base.shape)
    for _ in range(40):
        p = base + h[:, None] * ways
        if offset == 0:
            t = wall.taylor(p)
            miss, slope = t.value, np.einsum("ni,ni->n", t.slope, ways)
        else:
            away = p - project(wall, p)
            # Signed distance, its gradient the unit normal: good for any offset.
            gap = np.sign(wall.level(p)) * np.linalg.norm(away, axis=1)
            far = np.abs(gap) > 1e-15
            normal = away / np.where(far, gap, 1.0)[:, None]
            normal[~far] = normals(wall, p[~far])  # on the wall itself there is no way to its foot
            miss, slope = gap - offset, np.einsum("ni,ni->n", normal, ways)
        step = np.clip(miss / slope, -2e-3, 2e-3)  # m: where the surface slopes away Newton would leap past it
        h = h - step
        if np.abs(step).max() < _LAST:
            return h
    raise ValueError("its sides do not meet the clay's surface")


class Rolled(NamedTuple):
    """Contacts of rolling balls with a duct's side and the face (n, 3), the corner of the tangents there (n, 3), and
    the cosine of half the arc between (n,); reach (n,): height up the side from the sharp corner's place `base`, m.
    """

    side: np.ndarray
    face: np.ndarray
    corner: np.ndarray
    weight: np.ndarray
    reach: np.ndarray


@frozen
class Face:
    """A face of the clay along which a rim of that radius runs, m: the inside wall, the true offset outside or,
    where `outer`, the surface of a solid of clay itself.

    flat: a point (3,) and the unit normal (3,) of the flat face that a hole with a wall of its own has there.
    """

    wall: Wall
    offset: float
    radius: float
    flat: tuple[np.ndarray, np.ndarray] | None = None
    outer: bool = False

    def lifted(self, base: np.ndarray, way: np.ndarray, start: float, deep: float = 0.0) -> np.ndarray:
        """Heights (n,) along `way` at which base (n, 3) comes to `deep` m within the clay under this face."""
        if self.flat is not None:
            point, normal = self.flat
            return np.asarray(((point - base) @ normal - deep) / (np.broadcast_to(way, base.shape) @ normal))
        # Deeper in the clay is nearer to the air under an outer face, farther from it under the inner.
        level = self.offset - deep if self.offset > 0 or self.outer else deep
        return lift(self.wall, level, base, way, start)

    def under(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The face's points nearest to points in the clay or on it (n, 3), and its normals out of the clay (n, 3)."""
        if self.flat is not None:
            point, normal = self.flat
            return points + ((point - points) @ normal)[:, None] * normal, np.tile(normal, (len(points), 1))
        foot = project(self.wall, points)
        away = points - foot
        far = np.linalg.norm(away, axis=1)
        slope = self.wall.taylor(foot).slope
        plain = slope / np.linalg.norm(slope, axis=1)[:, None]
        out = np.where((far > 1e-9)[:, None], away / np.maximum(far, 1e-12)[:, None], plain)
        if self.outer:
            return foot, plain
        # Clay lies beyond the inside wall: its normal out of clay points into the air.
        return (foot + self.offset * out, out) if self.offset > 0 else (foot, -out)

    def rolled(self, base: np.ndarray, way: np.ndarray, into: np.ndarray) -> Rolled:
        """Balls between this face and a duct's side through base (n, 3) along `way` (n, 3), `into` (n, 3) the clay.

        base: on the sharp corner or near it.
        """
        r, inward = self.radius, -1.0 if self.offset > 0 or self.outer or self.flat is not None else 1.0
        if r == 0:
            at = base + self.lifted(base, way, 0.0)[:, None] * way
            return Rolled(at, at, at, np.ones(len(base)), np.zeros(len(base)))
        # The ball's middle is r from the side and r from the face: where a line r beside the side comes to that depth.
        high = self.lifted(base + r * into, way, inward * r, r)
        side = base + high[:, None] * way
        face, out = self.under(side + r * into)
        corner = meeting(side, way, face, out)
        # Half of the angle's cosine formula: cos(a/2) = sqrt((1 + cos a)/2).
        cosine = -np.einsum("ni,ni->n", out, into)
        return Rolled(side, face, corner, np.sqrt((1 + np.clip(cosine, -1, 1)) / 2), np.abs(high))


def meeting(side: np.ndarray, way: np.ndarray, face: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Intersections (n, 3) of lines through `side` along `way` with planes through `face` square to `normal`."""
    far = np.einsum("ni,ni->n", face - side, normal) / np.einsum("ni,ni->n", way, normal)
    return side + far[:, None] * way
