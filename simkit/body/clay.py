"""Clay of a body: the volume within its outer surface, less its chambers."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.spatial import cKDTree

from simkit.body.chambers import Body
from simkit.body.walls.lattice import cell_share
from simkit.body.walls.wall import Wall, box_around, feet, on_wall

FIRED_G_PER_ML = 1.9  # fired earthenware: common practice, no source
_CELLS = 20_000  # about so many cells fill the body's box


def clay_volume(body: Body) -> float:
    """The clay of a body, m^3, without openings or unwritten mouthpieces; right to two parts in a thousand."""
    walls = tuple(chamber.wall for chamber in body.chambers)
    if body.figure is not None:
        return body.figure.volume - sum(wall.volume for wall in walls)
    return outer_volume(walls, body.thickness) - sum(wall.volume for wall in walls)


def fired_g(body: Body) -> float:
    """Mass of a body's fired clay, g."""
    return float(1e6 * clay_volume(body) * FIRED_G_PER_ML)  # ml in a cubic metre


@lru_cache(maxsize=256)
def outer_volume(walls: tuple[Wall, ...], thickness: float) -> float:
    """The volume within the outer surface of chambers with so much clay around them (m), overlaps counted once, m^3.

    Cells of a lattice count by how far their middles lie from the surface (`cell_share`), so that small changes of
    the walls give small changes of the sum.
    """
    if thickness == 0:
        return sum(wall.volume for wall in walls)
    low, high = box_around(walls) + np.array([[-thickness], [thickness]])
    # A power of the square root of two, so that small changes of the box leave the lattice alone; no step is longer
    # than the clay is thick, so that all cells in the air are whole.
    step = min((float(np.prod(high - low)) / _CELLS) ** (1 / 3), thickness)
    step = 2.0 ** (np.floor(2 * np.log2(step)) / 2)
    axes = [step * np.arange(np.floor(a / step) - 1, np.ceil(b / step) + 2) for a, b in zip(low, high, strict=True)]
    cells = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    # Air cells are whole, so only those outside the chambers are measured.
    inside = np.min([wall.level(cells) for wall in walls], axis=0) < 0
    cells, count = cells[~inside], float(inside.sum())
    tree = cKDTree(np.concatenate([on_wall(wall, 2) for wall in walls]))
    # Points all over the walls pick the cells whose distance may matter; the foot then measures these exactly.
    near, _ = tree.query(cells, distance_upper_bound=2 * thickness + 2 * step + _spacing(walls))
    cells = cells[np.isfinite(near)]
    away = np.linalg.norm(cells - feet(walls, cells)[0], axis=1)
    return step**3 * (count + float(cell_share((away - thickness) / step).sum()))


def _spacing(walls: tuple[Wall, ...]) -> float:
    """Distance of a place on the walls from the nearest of the points all over them, at most about, m."""
    return max(0.05 * float(np.ptp(wall.box, axis=0).max()) for wall in walls)
