"""A body of sections from its profiles: as few rows as keep to the drawn outlines."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simkit.body.walls.sections import SectionsWall
from simkit.frozen import frozen
from simkit.sketching.silhouettes import Misfit, Profile, misfit

Row = tuple[float, float, float, float, float]  # along, width, height, rise (mm), squareness

FEWEST, MOST_ROWS = 5, 16  # more than a person would change by hand
CLOSE_MM = 0.15  # of the outlines: rows are added until they are as near
_WINDOW = 0.02  # share of the length over which a row's sizes are averaged, to either side
_LEAST_MM = 1.0  # a section's sizes: the design file's least
ROUND = 2.0  # squareness of an ellipse; a sketch from two sides says nothing of corners


@frozen
class Profiles:
    """Both views of one body; a missing one is None, and the body is round there.

    zero: the drawing's height at which `up` is 0, mm; length of the body, mm, that of the side view where it is drawn.
    """

    side: Profile | None
    above: Profile | None

    @property
    def first(self) -> Profile:
        """The view that gives the length: from the side, where it is drawn."""
        found = self.side or self.above
        assert found is not None
        return found

    @property
    def length(self) -> float:
        return self.first.length

    @cached_property
    def zero(self) -> float:
        """Height in the side view that becomes `up` = 0, mm."""
        return self.side.middle if self.side else 0.0

    def width(self, share: np.ndarray) -> np.ndarray:
        return (self.above or self.first).thick(share)

    def height(self, share: np.ndarray) -> np.ndarray:
        return (self.side or self.first).thick(share)

    def rise(self, share: np.ndarray) -> np.ndarray:
        return self.side.rise(share) - self.zero if self.side else np.zeros_like(share)

    def flat(self, right: bool) -> bool:
        """Whether the body ends flat: where every drawn view does."""
        return all(each.flat(right) for each in (self.side, self.above) if each)

    @property
    def views(self) -> tuple[tuple[str, Profile], ...]:
        return tuple((name, each) for name, each in (("side", self.side), ("above", self.above)) if each)


@dataclass(frozen=True)
class FittedRows:
    """The rows of a design, and the misfit of each drawn view to their body."""

    rows: tuple[Row, ...]
    misfits: tuple[tuple[str, Misfit], ...]

    @property
    def worst(self) -> float:
        return max(found.most for _, found in self.misfits)


def fitted(profiles: Profiles, close_mm: float = CLOSE_MM) -> FittedRows:
    """Rows are added where the outlines are farthest off, until all are as near as `close_mm` or rows are many."""
    ends = profiles.flat(False), profiles.flat(True)
    inner = (1 - np.cos(np.linspace(0, np.pi, FEWEST + 2))) / 2  # closer towards the ends, where outlines turn
    shares = [float(share) for share in inner[1:-1]]
    best = _with(profiles, shares, ends)
    found = best
    while found.worst > close_mm and len(found.rows) < MOST_ROWS:
        place = _wanted(profiles, found, shares)
        if place is None:
            break
        shares = sorted([*shares, place])
        found = _with(profiles, shares, ends)
        best = min(best, found, key=lambda each: each.worst)  # a row more may ripple, and lie farther off
    return best


def _wanted(profiles: Profiles, found: FittedRows, shares: list[float]) -> float | None:
    """Place (0 to 1) where one more row does most: in the middle of the gap beside the worst place."""
    _, worst = max(found.misfits, key=lambda pair: pair[1].most)
    at = worst.along / profiles.length
    stops = [0.0, *shares, 1.0]
    gap = int(np.clip(np.searchsorted(stops, at) - 1, 0, len(stops) - 2))
    low, high = stops[gap], stops[gap + 1]
    if (high - low) * profiles.length < 1.5:  # mm: rows so near to each other follow a hand's shake
        return None
    # Near a tip outlines turn like a root: the middle between the roots of the places.
    if gap == 0:
        return high / 4  # (sqrt(0) + sqrt(high))/2, squared
    return 1 - (1 - low) / 4 if gap == len(stops) - 2 else (low + high) / 2


def _with(profiles: Profiles, shares: list[float], ends: tuple[bool, bool]) -> FittedRows:
    length = profiles.length
    rows = [_row(profiles, round(share * length, 1) / length, False) for share in shares]
    first, last = _row(profiles, 0.0, not ends[0]), _row(profiles, 1.0, not ends[1])
    # What lies within half a millimetre of an end is the end.
    rows = [row for row in rows if 0.5 < row[0] < length - 0.5 and min(row[1:3]) > _LEAST_MM]
    made = (first, *rows, last)
    wall = SectionsWall(tuple((a / 1e3, w / 1e3, h / 1e3, r / 1e3, n) for a, w, h, r, n in made))
    return FittedRows(made, tuple((name, _missed(profiles, wall, name)) for name, _ in profiles.views))


def _row(profiles: Profiles, share: float, closed: bool) -> Row:
    """The section at a share of the length: squares of its sizes and its rise by parabolas over the neighbourhood.

    For an ellipsoid the squares are a parabola, so that averaging costs nothing; a shaking hand is smoothed.
    """
    window = np.linspace(share - _WINDOW, share + _WINDOW, 21)
    window = window[(window >= 0) & (window <= 1)]  # at an end one-sided
    here = window - share

    def smooth(values: np.ndarray) -> float:
        return float(np.polynomial.polynomial.polyfit(here, values, 2)[0])  # the parabola's value in the middle

    rise = smooth(profiles.rise(window)) if not closed else float(profiles.rise(np.array([share]))[0])
    along = round(share * profiles.length, 2)
    if closed:
        return along, 0.0, 0.0, round(rise, 2), ROUND
    width, height = (
        max(np.sqrt(max(smooth(sizes(window) ** 2), 0.0)), _LEAST_MM) for sizes in (profiles.width, profiles.height)
    )
    return along, round(float(width), 2), round(float(height), 2), round(rise, 2), ROUND


def _missed(profiles: Profiles, wall: SectionsWall, view: str) -> Misfit:
    """Misfit of one drawn view, laid over the design's: the length to the design's length, heights as drawn."""
    drawn = profiles.side if view == "side" else profiles.above
    assert drawn is not None
    points = drawn.points - [drawn.left, drawn.middle if view == "above" else profiles.zero]
    return misfit(points * [profiles.length / drawn.length, 1.0], 1e3 * silhouette(wall, view))


def silhouette(wall: SectionsWall, view: str) -> np.ndarray:
    """The outline (n, 2), m, of a body of sections as it is drawn: along to the right, mouth end at the left.

    From the side `up` is up; from above the piece's left is up.
    """
    rings = wall.grids(6)[0]  # the curved side alone: flat ends stand upright in either view
    across = rings[..., 2] if view == "side" else -rings[..., 0]
    low, high = across.min(axis=1), across.max(axis=1)
    along = rings[:, 0, 1]
    return np.concatenate([np.stack([along, high], axis=1), np.stack([along, low], axis=1)[::-1]])
