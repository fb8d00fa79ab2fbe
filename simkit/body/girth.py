"""Length of a chamber, width of its waist and at its openings: what a maker would measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.body.chambers import Opening
from simkit.body.walls.wall import Wall

SLICES, FINE = 96, 256
WAISTED = 0.85  # of the narrower of the two widest places on either side: less is a waist
_WAYS = 8  # directions in which a width is measured
_STEPS = 300  # samples of a ray


@dataclass(frozen=True)
class Waist:
    """The narrowest place between two wider parts: its diameter as a circle, and its place on the longest side, m."""

    diameter: float
    along: float


def elongation(wall: Wall) -> float:
    """The longest side of the air over the geometric mean of the other two.

    >>> from simkit.body.walls.formulas import EggWall
    >>> round(elongation(EggWall(0.09, 0.03, 0.03)), 6)
    3.0
    """
    sides = np.sort(np.ptp(wall.box, axis=0))
    return float(sides[2] / np.sqrt(sides[0] * sides[1]))


def waist(wall: Wall, fine: int = FINE) -> Waist | None:
    """The narrowest of the waists along the longest side, or None where there is none.

    fine: points either way across it; a quarter of them where it is looked for.
    """
    low, high = wall.box
    long = int((high - low).argmax())
    places = low[long] + (high - low)[long] * (np.arange(SLICES) + 0.5) / SLICES
    wide = np.array([_width(wall, long, place, fine // 4) for place in places])
    # The widest place so far from either end: a waist has a wider one on both sides.
    before, after = np.maximum.accumulate(wide), np.maximum.accumulate(wide[::-1])[::-1]
    share = wide / np.minimum(before, after)
    n = int(share.argmin())
    if share[n] > WAISTED:
        return None
    near = np.linspace(places[max(n - 1, 0)], places[min(n + 1, SLICES - 1)], 9)
    widths = [_width(wall, long, place, fine) for place in near]
    best = int(np.argmin(widths))
    return Waist(float(widths[best]), float(near[best]))


def _width(wall: Wall, axis: int, place: float, fine: int) -> float:
    """Diameter of the circle as large as the section across an axis at a place, m."""
    others = [n for n in range(3) if n != axis]
    low, high = wall.box
    points = np.empty((fine, fine, 3))
    points[..., axis] = place
    steps = [low[n] + (high - low)[n] * (np.arange(fine) + 0.5) / fine for n in others]
    points[..., others[0]], points[..., others[1]] = steps[0][:, None], steps[1][None, :]
    # The section's area, by the share of a grid over the box that is air.
    share = float((wall.level(points.reshape(-1, 3)) < 0).mean())
    return float(np.sqrt(4 / np.pi * share * np.prod((high - low)[others])))


def width_at(wall: Wall, opening: Opening) -> float:
    """Width of the chamber where an opening sits, m: the narrowest across the air, half as deep as it reaches.

    Measured across the opening's axis.
    """
    deep = float(_reach(wall, opening.center, -opening.axis[None])[0])
    turns = np.pi * np.arange(_WAYS)[:, None] / _WAYS  # half a turn: the other half is the same widths
    ways = np.cos(turns) * opening.across + np.sin(turns) * opening.forward
    # Both ways at once from the middle of the air: a width is the sum of the two.
    both = _reach(wall, opening.center - deep / 2 * opening.axis, np.concatenate([ways, -ways]))
    return float((both[:_WAYS] + both[_WAYS:]).min())


def _reach(wall: Wall, start: np.ndarray, ways: np.ndarray) -> np.ndarray:
    """Distance to the wall from a point in the air along unit `ways` (n, 3), m (n,): by samples and one secant."""
    # From one step on: at the very start the level may be 0, on the wall.
    steps = float(np.linalg.norm(np.ptp(wall.box, axis=0))) * np.linspace(1 / _STEPS, 1, _STEPS)
    level = wall.level((start + steps[:, None, None] * ways).reshape(-1, 3)).reshape(_STEPS, -1)
    last = np.maximum((level > 0).argmax(axis=0), 1)  # the first sample beyond the wall; the wall lies before it
    rays = np.arange(len(ways))
    low, high = level[last - 1, rays], level[last, rays]
    # The secant's zero between the last sample inside and the first beyond.
    share = np.clip(low / np.where(low == high, 1.0, low - high), 0.0, 1.0)
    return steps[last - 1] + share * (steps[last] - steps[last - 1])
