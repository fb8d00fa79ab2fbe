"""A wall turned and shifted to its place in the body."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from simkit.body.walls.primitives import MovedSolid, Sheet, Solid
from simkit.body.walls.taylor import Taylor
from simkit.body.walls.wall import Wall


@dataclass(frozen=True)
class PlacedWall(Wall):
    """`wall` turned clockwise seen from above by `turn_deg`, then shifted by `shift` (3,), m.

    Before that it is rolled to the right about its along axis by `roll_deg`, and its far end tilted up by `tilt_deg`.
    """

    wall: Wall
    shift: tuple[float, float, float]
    turn_deg: float
    tilt_deg: float = 0.0
    roll_deg: float = 0.0

    @cached_property
    def turn(self) -> np.ndarray:
        """Rotation matrix (3, 3) from the chamber's frame to the body's."""
        c, s = np.cos(np.deg2rad(self.turn_deg)), np.sin(np.deg2rad(self.turn_deg))
        # Clockwise seen from above: y, the way along, turns towards x, the right.
        turned = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        if self.is_upright:
            return turned
        (a, b), (p, q) = ((np.cos(angle), np.sin(angle)) for angle in np.deg2rad([self.tilt_deg, self.roll_deg]))
        tilted = np.array([[1.0, 0.0, 0.0], [0.0, a, -b], [0.0, b, a]])
        # The matrix at the right acts first: rolled, tilted, then turned.
        return turned @ tilted @ np.array([[p, 0.0, q], [0.0, 1.0, 0.0], [-q, 0.0, p]])

    @property
    def is_upright(self) -> bool:
        """Whether it is only turned about the vertical."""
        return self.tilt_deg == 0 and self.roll_deg == 0

    def formula(self, x: Any, y: Any, z: Any) -> Any:
        r, (u, v, w) = self.turn, self.shift
        x, y, z = x - u, y - v, z - w
        # The point is taken back by the transposed matrix. Zeros are left out: of Taylor values each product costs.
        if not self.is_upright:
            return self.wall.formula(*(x * r[0, n] + y * r[1, n] + z * r[2, n] for n in range(3)))
        if self.turn_deg == 0:
            return self.wall.formula(x, y, z)
        return self.wall.formula(x * r[0, 0] + y * r[1, 0], x * r[0, 1] + y * r[1, 1], z)

    def taylor(self, points: np.ndarray) -> Taylor:
        there = self.wall.taylor((np.atleast_2d(np.asarray(points, float)) - self.shift) @ self.turn)
        return there.turned(self.turn)

    def nearest(self, points: np.ndarray) -> np.ndarray:
        # rows times the matrix: its transpose, the way back.
        return self.wall.nearest((points - self.shift) @ self.turn) @ self.turn.T + self.shift

    @cached_property
    def box(self) -> np.ndarray:
        if self.turn_deg == 0 and self.is_upright:
            return self.wall.box + self.shift
        # Of a turned wall only by points on it, a little too small: `roomy_box` allows for that.
        points = np.concatenate([s.points.reshape(-1, 3) for s in self.sheets(2)])
        return np.array([points.min(axis=0), points.max(axis=0)])

    @property
    def creased(self) -> bool:
        return self.wall.creased

    @property
    def creased_outside(self) -> bool:
        return self.wall.creased_outside

    @property
    def caution(self) -> str:
        return self.wall.caution

    def filled(self, offset: float) -> tuple[float, np.ndarray] | None:
        filled = self.wall.filled(offset)
        return filled and (filled[0], self.turn @ filled[1] + self.shift)  # only the place moves

    def complaint(self) -> tuple[str, str] | None:
        return self.wall.complaint()

    @property
    def volume(self) -> float:
        return self.wall.volume

    @property
    def area(self) -> float:
        return self.wall.area

    @property
    def axis(self) -> tuple[np.ndarray, np.ndarray]:
        origin, along = self.wall.axis
        return self.turn @ origin + self.shift, self.turn @ along

    def middle(self, along: np.ndarray) -> np.ndarray:
        return self.wall.middle(along) @ self.turn.T + self.shift

    def sheets(self, fine: int = 1) -> tuple[Sheet, ...]:
        back = self.turn.T
        return tuple(Sheet(s.points @ back + self.shift, s.normals @ back, s.flat) for s in self.wall.sheets(fine))

    def solid(self, offset: float = 0.0) -> Solid:
        return MovedSolid(self.wall.solid(offset), self.turn, np.array(self.shift))
