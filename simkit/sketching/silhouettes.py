"""Outlines of a body as profiles: height, width and rise, from its left end to its right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.frozen import frozen
from simkit.sketching.strokes import area, evenly

STATIONS = 1201  # of a hand's piece a tenth of a mm apart in its middle
_FLAT = 0.72  # height near an end over that five times as far from it: an ellipse has 0.45, a straight end 1


@frozen
class Profile:
    """An outline as its lowest and highest point at each place from left to right, mm.

    points (n, 2): the outline; share (m,): places as shares of the length, low and high (m,) there.
    """

    points: np.ndarray
    left: float
    length: float
    share: np.ndarray
    low: np.ndarray
    high: np.ndarray

    @property
    def middle(self) -> float:
        """Height of the area's centre, mm."""
        weight = np.gradient(self.share) * (self.high - self.low)  # an area: stations are not evenly spaced
        return float((weight * (self.high + self.low) / 2).sum() / weight.sum())

    def thick(self, share: np.ndarray) -> np.ndarray:
        """Distance from the lowest to the highest point at `share` (n,) of the length, mm (n,)."""
        return np.interp(share, self.share, self.high - self.low)

    def rise(self, share: np.ndarray) -> np.ndarray:
        """Height half way between them at `share` (n,), in the drawing's own frame, mm (n,)."""
        return np.interp(share, self.share, (self.high + self.low) / 2)

    def flat(self, right: bool) -> bool:
        """Whether it ends in a straight line across."""
        # An ellipse's height goes with the root of the distance from its end: sqrt(1/5) = 0.45.
        near, far = self.thick(np.array([0.99, 0.95] if right else [0.01, 0.05]))
        return bool(near > _FLAT * far)

    @property
    def folded(self) -> float:
        """The share of the area between lowest and highest points that the outline does not enclose: 0 to 1."""
        full = float(np.trapezoid(self.high - self.low, self.left + self.length * self.share))
        return max(0.0, 1 - area(self.points) / full) if full > 0 else 0.0


def profile(points: np.ndarray) -> Profile:
    """The profile of a closed outline (n, 2), mm."""
    left, right = float(points[:, 0].min()), float(points[:, 0].max())
    length = right - left
    # Drawn together towards both ends, where outlines turn.
    share = (1 - np.cos(np.linspace(0, np.pi, STATIONS))) / 2
    at = left + length * share
    low, high = np.full(STATIONS, np.inf), np.full(STATIONS, -np.inf)
    for a, b in zip(points, np.roll(points, -1, axis=0), strict=True):
        if a[0] > b[0]:
            a, b = b, a
        # Stations between the ends of a piece, and a little beyond: rounding would drop those at a corner.
        first, last = np.searchsorted(at, [a[0] - 1e-12 * length, b[0] + 1e-12 * length])
        steps = at[first:last]
        step = b[0] - a[0]
        if not len(steps):
            continue
        # An upright piece covers all heights between its ends.
        ends = (steps - a[0]) / step * (b[1] - a[1]) + a[1] if step > 1e-9 * length else np.array([[a[1]], [b[1]]])
        low[first:last] = np.minimum(low[first:last], ends if ends.ndim == 1 else ends.min(axis=0))
        high[first:last] = np.maximum(high[first:last], ends if ends.ndim == 1 else ends.max(axis=0))
    held = np.isfinite(low)  # stations that no piece covers, at the very tips
    low, high = (np.interp(share, share[held], each[held]) for each in (low, high))
    return Profile(points, left, length, share, low, high)


@dataclass(frozen=True)
class Misfit:
    """Distance of a drawn outline from that of the design, mm: root mean square, largest, and its place along."""

    rms: float
    most: float
    along: float


def misfit(drawn: np.ndarray, designed: np.ndarray) -> Misfit:
    """Distance of a closed outline (n, 2) from another as dense points (m, 2), both mm."""
    from scipy.spatial import cKDTree

    asked = evenly(drawn, 600)
    away, _ = cKDTree(evenly(designed, 20_000)).query(asked)  # points so dense that they stand for the line
    worst = int(away.argmax())
    return Misfit(float(np.sqrt((away**2).mean())), float(away[worst]), float(asked[worst, 0]))
