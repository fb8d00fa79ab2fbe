"""Cells of a lattice that count by their share within a surface: for volumes and centres that no formula gives."""

from __future__ import annotations

import numpy as np

from simkit.body.walls.wall import Wall
from simkit.frozen import frozen

_NEIGHBOURS = np.ones((3, 3, 3))  # corners too: a surface may pass a cell by one


@frozen
class Lattice:
    """Upright cells: axes' middles, and the step from one to the next, m."""

    axes: tuple[np.ndarray, np.ndarray, np.ndarray]
    step: float

    @staticmethod
    def over(box: np.ndarray, cells: int) -> Lattice:
        """About so many cells over a box (2, 3), one more on every side."""
        low, high = box
        step = float((np.prod(high - low) / cells) ** (1 / 3))
        counts = np.ceil((high - low) / step).astype(int) + 3
        # Both ends alike, so that what is symmetric is counted so.
        return Lattice(
            tuple((a + b) / 2 + step * (np.arange(n) - (n - 1) / 2) for a, b, n in zip(low, high, counts, strict=True)),
            step,
        )

    @property
    def middles(self) -> np.ndarray:
        """Middles of the cells (cells, 3), m."""
        return np.stack(np.meshgrid(*self.axes, indexing="ij"), axis=-1).reshape(-1, 3)

    def within(self, wall: Wall) -> np.ndarray:
        """Share (cells,) of each cell within a wall: whole or empty, but beside it by its middle's distance."""
        from scipy.ndimage import binary_dilation, binary_erosion  # here: a tenth of a second to load, for few

        middles = self.middles
        inside = (wall.level(middles) < 0).reshape(*map(len, self.axes))
        grown, shrunk = binary_dilation(inside, _NEIGHBOURS), binary_erosion(inside, _NEIGHBOURS)
        beside = np.flatnonzero(grown & ~shrunk)
        share = inside.ravel().astype(float)
        share[beside] = cell_share(wall.about_distance(middles[beside], 2 * self.step) / self.step)
        return share


def cell_share(steps_out: np.ndarray) -> np.ndarray:
    """Share of cells within a surface by how many steps their middles lie outside of it: 1/2 on it.

    1/2 - 9/8 s + 5/8 s^3 between -1 and 1 has no first moment: a surface bends without any cell's counting too much.
    """
    s = np.clip(steps_out, -1.0, 1.0)
    return np.asarray((4 - 9 * s + 5 * s**3) / 8)
