"""The outline of a body's air as seen from one side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from contourpy import contour_generator

from simkit.body import Body, Opening, Wall
from simkit.body.walls.union import solids_of
from simkit.body.walls.wall import box_around


@dataclass(frozen=True)
class Side:
    """A side to look from: unit vectors of the picture's right, of its up, and towards the eye."""

    name: str
    right: tuple[float, float, float]
    up: tuple[float, float, float]

    @property
    def toward(self) -> np.ndarray:
        return np.cross(self.right, self.up)

    def flat(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) as seen: (n, 2), in the same unit."""
        return points @ np.array([self.right, self.up]).T


_EDGE_ON = 0.02  # sine of the angle between the line of sight and a rim that is seen as a line

ABOVE = Side("from above", (1, 0, 0), (0, 1, 0))
RIGHT = Side("from the right", (0, 1, 0), (0, 0, 1))
MOUTH = Side("from the mouth end", (1, 0, 0), (0, 0, 1))


FINE = 96  # lines of sight across the piece, each way


def outlines(body: Body, side: Side, fine: int = FINE) -> list[np.ndarray]:
    """Closed lines (n, 2), m, around all that the air covers as seen from `side`.

    A line of sight meets the air where the least level along it is negative; the outline is the zero line of that
    least level. With steps h of 1/`fine` of the size it is right to about h^2/8R, micrometres on a hand-sized piece.
    """
    return _covered([chamber.wall for chamber in body.chambers], side, fine)


def clay_outlines(figure: Wall, side: Side) -> list[np.ndarray]:
    """Outlines of all that the clay of a figure covers."""
    return _covered(solids_of(figure), side, FINE)


def _covered(walls: Sequence[Wall], side: Side, fine: int) -> list[np.ndarray]:
    low, high = box_around(walls)
    margin = 0.03 * (high - low).max()  # the outline must close within the grid
    axes = [np.linspace(a - margin, b + margin, fine) for a, b in zip(low, high, strict=True)]
    # A side looks along an axis: the least level along the sight is a minimum over that axis of the grid.
    depth, first, second = (int(np.argmax(np.abs(v))) for v in (side.toward, side.right, side.up))
    away = np.min([_away(wall, axes, depth) for wall in walls], axis=0)
    # away is (lower axis, higher axis); the picture wants (right, up).
    away = away if first < second else away.T
    turn = np.array([np.sum(side.right), np.sum(side.up)])  # lines come by the axes; a picture may be mirrored
    lines = contour_generator(axes[first], axes[second], away.T).lines(0.0)
    return [np.asarray(line) * turn for line in lines]


def _away(wall: Wall, axes: Sequence[np.ndarray], depth: int) -> np.ndarray:
    """Distance (a, b), m, of lines of sight from a wall's outline, to first order; negative on what it covers.

    The levels of two walls have scales of their own; their distances can be set beside each other.
    """
    across = [axis for n, axis in enumerate(axes) if n != depth]
    # At every point of a grid around the piece.
    level = wall.level(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3))
    # negative where the sight meets the solid at all
    least = level.reshape([len(axis) for axis in axes]).min(axis=depth)
    return np.asarray(least / np.maximum(np.hypot(*np.gradient(least, *across)), 1e-12))


def is_hidden(body: Body, opening: Opening, side: Side) -> bool:
    """True if the outer rim faces away from the eye or another part of the body is in front of it.

    Seen edge on, as on the outline, it is not hidden.
    """
    if opening.axis @ side.toward < -_EDGE_ON:
        return True
    rim = opening.center + opening.length * opening.axis
    reach = float(np.ptp(body.coat.box, axis=0).max())
    # From just off the rim itself, which lies on the wall.
    sight = rim + np.linspace(0.002, 1, 200)[:, None] * reach * side.toward
    walls = [chamber.wall for chamber in body.chambers] if body.figure is None else [body.figure]
    return any((wall.level(sight) < 0).any() for wall in walls)  # through air or clay: either stands in the way
