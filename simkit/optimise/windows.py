"""What a small change of a window does to its duct: smooth where the window's own numbers are not.

The relief that a sloping edge brings is solved on a small mesh of each window (`simkit.field.cell`) and jumps by about
a percent from one mesh to the next. Its slopes are therefore taken over a wide step, and kept for windows alike.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from simkit.body import Opening
from simkit.field.cell import Relief, slope_relief
from simkit.sound.openings import Aperture, aperture_of

_WIDE = 0.08  # of a size: half the step that a slope is taken over
_ALIKE = 0.1  # windows whose sizes lie in one step of so much, in proportion, share their slopes

_SIZES = ("width", "height", "length", "edge_deg", "inside_rim")


def aperture_beside(old: Opening, new: Opening) -> Aperture:
    """The aperture of an opening `new` that differs from `old` by a small step, to first order in what is meshed."""
    if new.is_round:
        return aperture_of(new)
    sizes, before = _sizes(new), _sizes(old)
    upright = aperture_of(replace(new, edge_deg=90.0))
    relief = slope_relief(*before)
    for which in np.flatnonzero(sizes != before):
        slope, step = _slope(tuple(_rounded(size) for size in before), int(which)), sizes[which] - before[which]
        relief = Relief(relief.inertance + slope.inertance * step, relief.friction + slope.friction * step)
    return replace(
        upright,
        outer=upright.outer + upright.area * relief.inertance,
        outer_rub=upright.outer_rub + upright.area**2 / upright.perimeter * relief.friction,
    )


def _sizes(opening: Opening) -> np.ndarray:
    return np.array([getattr(opening, name) for name in _SIZES])


def _rounded(size: float) -> float:
    """The size in steps of a tenth, in proportion."""
    return float(np.exp(_ALIKE * np.round(np.log(size) / _ALIKE))) if size > 0 else 0.0


@lru_cache(maxsize=256)
def _slope(sizes: tuple[float, ...], which: int) -> Relief:
    """How a window's relief changes with one of its sizes, per m or degree."""
    step = _WIDE * sizes[which]
    if step == 0:
        return Relief(0.0, 0.0)
    more, less = (slope_relief(*(s + sign * step * (n == which) for n, s in enumerate(sizes))) for sign in (1, -1))
    return Relief((more.inertance - less.inertance) / (2 * step), (more.friction - less.friction) / (2 * step))
