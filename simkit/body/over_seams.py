"""Seams between the solids of a figure under the rim of a hole."""

from __future__ import annotations

import numpy as np

from simkit.body.chambers import Opening
from simkit.body.walls.union import UnionWall
from simkit.body.walls.wall import Wall


def higher_over_seam(hole: Opening, figure: Wall) -> float:
    """Mean height along a hole's rim of a figure's outside over that of the solid its axis comes out of, m."""
    if not isinstance(figure, UnionWall):
        return 0.0
    out = hole.center + hole.length * hole.axis
    if (figure.to_boxes(out[None]) < 2 * hole.radius).sum() < 2:
        return 0.0  # no other solid is near
    base, mine = hole.rim_points(48, hole.length), int(figure.owner(out[None])[0])
    one, rise = figure.solids[mine], np.linspace(-2.0, 2.0, 81)[:, None] * hole.radius
    own = comes_out(one, base, hole.axis, rise)
    at = base + own[:, None] * hole.axis
    if not (figure.level(at) < 0).any():  # the solid's own level there is nothing
        return 0.0
    return float(np.maximum(comes_out(figure, base, hole.axis, rise) - own, 0.0).mean())


def comes_out(wall: Wall, base: np.ndarray, axis: np.ndarray, rise: np.ndarray) -> np.ndarray:
    """Heights (n,), m, just before rays from `base` (n, 3) leave a solid, the first of those between `rise` (m, 1)."""
    level = wall.level((base[:, None] + rise * axis).reshape(-1, 3)).reshape(len(base), -1)
    out = np.maximum((level >= 0).argmax(axis=1), 1)
    low, high = rise[out - 1, 0], rise[out, 0]
    for _ in range(36):  # to the last digit of a step of a tenth of a millimetre
        middle = (low + high) / 2
        within = wall.level(base + middle[:, None] * axis) < 0
        low, high = np.where(within, middle, low), np.where(within, high, middle)
    return np.asarray(low)
