"""The surface at which a body of air ends: a chamber's wall from inside, or the whole body from outside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simkit.body.chambers import Opening
from simkit.body.meshes.curved import offset_points
from simkit.body.walls.wall import Wall, bends, feet, normals, project
from simkit.field.reduced.memory import Kept


@dataclass(frozen=True)
class AirSurface:
    """A wall as its air sees it: one chamber's from inside, or `outside` all chambers', moved out by `offset`, m."""

    walls: tuple[Wall, ...]
    offset: float = 0.0
    outside: bool = False

    @cached_property
    def turns(self) -> Kept[Opening, tuple[float, float]]:
        """Turns of a chamber's wall and of this outside about openings, degrees, as they are asked: `doubts.turns`."""
        return Kept()

    @cached_property
    def reaches(self) -> Kept[Opening, tuple[float, float]]:
        """Depth of a chamber's air ahead of openings, and distance to it again behind its wall, m, as asked."""
        return Kept()

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Nearest points (n, 3) of the surface to `points` (n, 3) near it, m."""
        if self.outside:
            return offset_points(self.walls, self.offset, points)
        return project(self.walls[0], points)

    def projected(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The nearest points of the surface to `points` (n, 3) near it, and the unit normals out of the air there."""
        if not self.outside:
            near = self.nearest(points)
            return near, self.normals(near)
        foot, owner = feet(self.walls, points)
        if self.offset == 0:
            return foot, -self._normals(foot, owner)
        away = (points - foot) / np.linalg.norm(points - foot, axis=1, keepdims=True)
        return foot + self.offset * away, -away

    def normals(self, points: np.ndarray) -> np.ndarray:
        """Unit normals out of the air at surface points: (n, 3)."""
        if not self.outside:
            return normals(self.walls[0], points)
        foot, owner = feet(self.walls, points)
        if self.offset > 0:
            return (foot - points) / np.linalg.norm(foot - points, axis=1, keepdims=True)
        return -self._normals(foot, owner)

    def curvatures(
        self, points: np.ndarray, foot: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Normals out of the air (n, 3), k1 >= k2 (n,) seen from it, 1/m, and k1's unit direction, at surface points.

        foot: their feet on the only wall, where these are known. Moved out by t a wall's curvature k becomes k/(1 + k
        t); seen from the other side it changes sign, so that the two principal curvatures change places.
        """
        if not self.outside:
            return bends(self.walls[0], points)
        foot, owner = feet(self.walls, points) if foot is None else (foot, np.zeros(len(foot), int))
        n, k1, k2, e1 = self._of_own_wall(bends, foot, owner)
        out = (points - foot) / self.offset if self.offset > 0 else n  # about a crease n jumps, this does not
        return -out, -k2 / (1 + k2 * self.offset), -k1 / (1 + k1 * self.offset), np.cross(n, e1)

    def height(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Distance of points (n, 3) beyond the surface, m, approximately, with the normals out of the air near them."""
        if not self.outside:
            t = self.walls[0].taylor(points)
            size = np.linalg.norm(t.slope, axis=1)
            return t.value / size, t.slope / size[:, None]
        foot, owner = feet(self.walls, points)
        away = points - foot
        if self.offset > 0:
            gap = np.linalg.norm(away, axis=1)
            return self.offset - gap, -away / gap[:, None]
        n = -self._normals(foot, owner)
        return np.einsum("ij,ij->i", away, n), n

    def _normals(self, foot: np.ndarray, owner: np.ndarray) -> np.ndarray:
        """Normal (n, 3) of each foot's own wall, seen from inside the chamber."""
        return self._of_own_wall(lambda wall, points: (normals(wall, points),), foot, owner)[0]

    def _of_own_wall(
        self, of: Callable[..., tuple[np.ndarray, ...]], foot: np.ndarray, owner: np.ndarray
    ) -> list[np.ndarray]:
        """Properties `of` a wall at points on it (f, 3), each (f, ...), for feet (n, 3) on the wall that each is on."""
        parts = [of(wall, foot[owner == i]) for i, wall in enumerate(self.walls) if (owner == i).any()]
        back = np.argsort(np.argsort(owner, kind="stable"))  # parts stand wall after wall
        return [np.concatenate(values)[back] for values in zip(*parts, strict=True)]


def normals_near(
    inside: AirSurface, outside: AirSurface, within: np.ndarray, around: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Normals out of the air (n, 3), of a chamber's wall nearest to points `within` and of the outside to `around`."""
    if outside.offset == 0 or outside.walls != inside.walls:
        return inside.projected(within)[1], outside.projected(around)[1]
    foot, away = np.split(feet(inside.walls, np.concatenate([within, around]))[0], 2)  # one search takes half the time
    away = away - around
    return inside.normals(foot), away / np.linalg.norm(away, axis=1, keepdims=True)


def onto(
    surface: AirSurface, points: np.ndarray, axis: np.ndarray, steps: int = 6
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """Move points along their unit `axis` (n, 3) to the surface: the points (n, 3), the shift of each (n,), m, and
    their feet on the only wall where that was found on the way.
    """
    if surface.outside and surface.offset > 0 and len(surface.walls) == 1 and not surface.walls[0].creased:
        shifted = _onto_offset(surface.walls[0], surface.offset, points, axis)
        if shifted is not None:
            return points + shifted[0][:, None] * axis, *shifted
    shift = np.zeros(len(points))
    for _ in range(steps):
        gap, normal = surface.height(points + shift[:, None] * axis)
        slant = np.einsum("ij,ij->i", normal, axis)  # the gap shrinks by this for a step along the axis
        # Where the surface runs along the axis (past an edge) there is no foot; a bounded step ends near it.
        step = gap / np.where(np.abs(slant) > 0.2, slant, np.copysign(0.2, slant))
        shift = shift - step
        if np.abs(step).max() < 1e-10:
            break
    return points + shift[:, None] * axis, shift, None


def _onto_offset(
    wall: Wall, offset: float, points: np.ndarray, axis: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Shift of points to a smooth wall moved out by `offset`, m (n,), and their feet, together by Newton's steps.

    q + offset n(q) = p + s axis with F(q) = 0, from the point that lies so far in along the axis. None where that does
    not settle, or where the surface runs along the axis.
    """
    q, s = points - offset * axis, np.zeros(len(points))
    for _ in range(_SLIDES):
        t = wall.taylor(q)
        steep = np.linalg.norm(t.slope, axis=1)
        n = t.slope / steep[:, None]
        off = q + offset * n - points - s[:, None] * axis
        if max(np.abs(off).max(initial=0.0), np.abs(t.value / steep).max(initial=0.0)) < _SETTLED:
            return (s, q) if np.abs(np.einsum("ij,ij->i", n, axis)).min(initial=1.0) > 0.2 else None
        # dn = (1 - n n^T) Hessian dq / |grad F|; the last row keeps q on the wall.
        bend = t.hessian / steep[:, None, None]
        system = np.zeros((len(q), 4, 4))
        system[:, :3, :3] = np.eye(3) + offset * (bend - n[:, :, None] * np.einsum("ni,nij->nj", n, bend)[:, None])
        system[:, :3, 3], system[:, 3, :3] = -axis, n
        try:
            step = np.linalg.solve(system, np.concatenate([off, (t.value / steep)[:, None]], axis=1)[..., None])[..., 0]
        except np.linalg.LinAlgError:  # a foot in the wall's focus, or the axis along the surface
            return None
        q, s = q - step[:, :3], s - step[:, 3]
    return None


_SLIDES, _SETTLED = 12, 1e-13  # m


def air_along(wall: Wall, centers: np.ndarray, axes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """From wall points (n, 3) with normals `axes` out of the air: the depth of the air straight in, and the distance
    out through the clay to the same chamber's air beyond a waist, m, or infinity: (n,) each.

    Where the level first changes its sign: by samples, and then by regula falsi (Illinois).
    """
    if not len(centers):
        return np.zeros(0), np.zeros(0)
    start, way = np.concatenate([centers, centers]), np.concatenate([-axes, axes])
    into_air = np.arange(len(start)) >= len(centers)
    reach = 1.5 * float(np.linalg.norm(np.ptp(wall.box, axis=0)))  # as far as any chord of the box, and half as much
    steps = reach * np.geomspace(2e-3, 1.0, 240)  # from beyond the start, where the level is 0 but for rounding
    ray = start[:, None, :] + steps[None, :, None] * way[:, None, :]
    level = wall.level(ray.reshape(-1, 3)).reshape(len(start), -1)
    beyond = np.where(into_air[:, None], level < 0, level > 0)
    last = np.maximum(beyond.argmax(axis=1), 1)  # the first sample beyond, and one before it
    rows, found = np.arange(len(start)), beyond.any(axis=1)
    near, far = steps[last - 1], steps[last]
    low, high = level[rows, last - 1], level[rows, last]
    for _ in range(_FALSI):
        flat = low == high
        at = np.where(flat, far, far - high * (far - near) / np.where(flat, 1.0, high - low))
        here = wall.level(start + at[:, None] * way)
        crossed = (here < 0) != (high < 0)
        # The end that stays has its value halved, or the secant would creep up on one side.
        near, low = np.where(crossed, far, near), np.where(crossed, high, low / 2)
        settled = np.abs(at - far)[found].max(initial=0.0) < _ON_WALL
        far, high = at, here
        if settled:
            break
    ahead, behind = np.split(np.where(found, far, np.inf), 2)
    return ahead, behind


_FALSI, _ON_WALL = 12, 1e-15  # m
