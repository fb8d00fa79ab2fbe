"""Place of a hole or a window: a ray from the chamber's middle line to the wall, and the directions there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from simkit.body.walls.wall import Wall, cast, normals, vector_product

UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Place:
    """`along` metres from the mouth end, `around_deg` from the top towards the right."""

    along: float
    around_deg: float

    def on(self, wall: Wall) -> tuple[np.ndarray, np.ndarray]:
        """The wall point there and the unit normal out of the air; ValueError where the axis is not in the air."""
        _, direction = wall.axis
        right = vector_product(direction, UP)
        angle = np.deg2rad(self.around_deg)
        (start,) = wall.middle(np.array([self.along]))
        # 0 on top, 90 to the right, seen from the mouth end.
        point = cast(wall, start, np.cos(angle) * UP + np.sin(angle) * right)
        if point is None:
            low, high = axis_span(wall)
            raise ValueError(
                f"a place whose point on the middle line is in the air, between {1e3 * low:.4g} and {1e3 * high:.4g}"
            )
        return point, normals(wall, point)[0]


def axis_span(wall: Wall, count: int = 2001) -> tuple[float, float]:
    """The first and last `along` at which the middle line runs in the air, m."""
    origin, direction = wall.axis
    ends = (wall.box - origin) @ direction
    reach = np.linalg.norm(np.ptp(wall.box, axis=0))
    s = np.linspace(ends.min() - reach, ends.max() + reach, count)
    level = wall.level(wall.middle(s))
    inside = np.flatnonzero(level < 0)
    if not len(inside):
        return 0.0, 0.0
    first, last = inside[0], inside[-1]

    def at(t: float) -> float:
        return float(wall.level(wall.middle(np.array([t])))[0])

    # Samples tell where; the ends themselves to the last digit, rounded to nanometres for messages.
    low, high = brentq(at, s[first - 1], s[first]), brentq(at, s[last], s[last + 1])
    return round(low, 9) + 0.0, round(high, 9)


def tangent_frame(wall: Wall, axis: np.ndarray, forward_deg: float) -> np.ndarray:
    """The unit tangent across a window whose breath runs `forward_deg` (0 away from the mouth end, 90 to the right).

    ValueError where that way runs into the wall.
    """
    _, along = wall.axis
    right = vector_product(along, UP)
    angle = np.deg2rad(forward_deg)
    # The way asked for, laid into the tangent plane.
    way = np.cos(angle) * along + np.sin(angle) * right
    forward = way - (way @ axis) * axis
    if np.linalg.norm(forward) < 0.2:  # within 12 degrees of the normal: no way along the wall
        raise ValueError("a direction that runs along the wall there, not into it")
    return vector_product(axis, forward / np.linalg.norm(forward))
