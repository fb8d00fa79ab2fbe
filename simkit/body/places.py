"""Place of a hole or a window: a ray from the chamber's middle line to the wall, and the directions there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

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
            low, high = (round(end, 6) + 0.0 for end in axis_ends_mm(wall))  # no minus before a zero
            raise ValueError(f"a place whose point on the middle line is in the air, between {low:.4g} and {high:.4g}")
        return point, normals(wall, point)[0]


@lru_cache(maxsize=256)
def axis_ends_mm(wall: Wall) -> tuple[float, float]:
    """Ends of the middle line, from which holes are aimed, where it enters and leaves the air, mm along.

    Sought within the wall's box: far outside it the level of a lofted wall says nothing.
    """
    origin, direction = wall.axis
    corners = (wall.box - origin) @ direction
    s = np.linspace(corners.min(), corners.max(), 801)  # steps of 0.1 to 0.3 mm: no chamber is thinner
    inside = np.flatnonzero(wall.level(wall.middle(s)) < 0)
    if not len(inside):
        return 0.0, 0.0

    def at(t: float) -> float:
        return float(wall.level(wall.middle(np.array([t])))[0])

    first, last = inside[0], inside[-1]
    # At the very end of the box there is no sign change to bracket.
    low = brentq(at, s[first - 1], s[first], xtol=1e-15) if first > 0 else s[0]
    high = brentq(at, s[last], s[last + 1], xtol=1e-15) if last < len(s) - 1 else s[-1]
    return 1e3 * float(low), 1e3 * float(high)


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
