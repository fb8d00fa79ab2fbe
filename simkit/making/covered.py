"""The part of a chamber's outside that a hand can reach: the rest is inside its neighbours' clay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from simkit.body import Body, ChamberBody
from simkit.making.slices import Outside, Plane

STEP = 0.5e-3  # a neighbour that covers less of a line than this may be passed over
_HALVINGS = 12  # of a step: to a tenth of a micron


@dataclass(frozen=True)
class Neighbours:
    """The other chambers of a piece, by their names, each with the outside of its own clay."""

    others: tuple[tuple[str, Outside], ...]

    @classmethod
    def of(cls, body: Body, chamber: ChamberBody) -> Neighbours:
        # Each as a body by itself: covered is what lies within its clay or air.
        others = [other for other in body.chambers if other is not chamber]
        return cls(tuple((other.name, Outside(Body((other,), body.thickness))) for other in others))

    def covering(self, points: np.ndarray) -> list[str]:
        """For each of the points (n, 3) the name of the chamber in whose clay it lies, empty where it is free."""
        names = [""] * len(points)
        for name, outside in self.others:
            for n in np.flatnonzero(outside.side(points) < 0):
                names[n] = names[n] or name  # the first of two that cover it
        return names


@dataclass(frozen=True)
class Stretch:
    """A part of a line that a hand can reach: its start on the line and its length, m.

    neighbours: the chambers at which it starts and ends, empty where the line itself ends; whole: all of the
    line.
    """

    start: float
    length: float
    neighbours: tuple[str, str] = ("", "")
    whole: bool = False

    def after(self, at: float, girth: float) -> float:
        """Distance of a place on a closed line after its start, m; what lies just before it is below zero."""
        after = (at - self.start) % girth
        # A place in the second half of what is left out counts as before the start.
        return after if after <= (self.length + girth) / 2 else after - girth

    def misses(self, at: float, girth: float) -> float:
        """Distance of a place on a closed line outside the stretch, m; 0 on it."""
        after = self.after(at, girth)
        return 0.0 if self.whole else max(0.0, -after, after - self.length)


def stretches(line: np.ndarray, plane: Plane, near: Neighbours, closed: bool) -> list[Stretch]:
    """The parts of a line (n, 2) in a plane that no neighbour covers; on a closed line also across its first point."""
    run = run_of(line)
    names = near.covering(plane.at(line)) if near.others else [""] * len(line)
    length = float(run[-1])
    if not any(names):
        return [Stretch(0.0, length, whole=True)]
    free = np.array([not name for name in names])
    if not free.any():
        return []

    def edge(inside: int, outside: int) -> float:
        """Place between a free point and a covered one where the neighbour begins, by halving."""
        # The free end stays free and the covered one covered, whichever lies first.
        low, high = float(run[inside]), float(run[outside])
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            # The place so far along the line, by straight pieces.
            flat = np.array([[np.interp(middle, run, line[:, axis]) for axis in (0, 1)]])
            low, high = (low, middle) if near.covering(plane.at(flat))[0] else (middle, high)
        return (low + high) / 2

    found = []
    for first, last in _runs(free):
        before, after = (names[first - 1] if first else ""), (names[last + 1] if last + 1 < len(line) else "")
        start = edge(first, first - 1) if first else 0.0
        end = edge(last, last + 1) if last + 1 < len(line) else length
        found.append(Stretch(start, end - start, (before, after)))
    if closed and len(found) > 1 and free[0] and free[-1]:  # the last one goes on as the first
        last_one, first_one = found.pop(), found.pop(0)
        joined = (last_one.neighbours[0], first_one.neighbours[1])
        found.append(Stretch(last_one.start, last_one.length + first_one.length, joined))
    return found


def _runs(free: np.ndarray) -> list[tuple[int, int]]:
    """First and last indices of the runs of true."""
    # +1 where a run begins, -1 just after it ends.
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(int), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


# --- lines as rows of points ---


def dense(line: np.ndarray, step: float = STEP) -> np.ndarray:
    """A line (n, 2) with points put between where they are farther apart than `step`, m."""
    parts: list[np.ndarray] = []
    for a, b in pairwise(line):
        count = max(1, int(np.ceil(float(np.linalg.norm(b - a)) / step)))  # pieces that each stretch becomes
        parts.append(a + np.arange(count)[:, None] / count * (b - a))  # each piece's end is the next one's start
    return np.concatenate([*parts, line[-1:]])


def run_of(line: np.ndarray) -> np.ndarray:
    """Length along a line (n, 2) at each of its points (n,), in the line's unit."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])


def _shares(line: np.ndarray, point: Sequence[float] | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Foot of a point on each piece of a line, as a fraction of the piece (0 to 1), and its distance."""
    a, d = line[:-1], np.diff(line, axis=0)
    share = np.clip(((point - a) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-300), 0, 1)
    return share, np.linalg.norm(a + share[:, None] * d - point, axis=1)


def nearest_piece(line: np.ndarray, point: np.ndarray) -> int:
    """Number of the piece of a line that is nearest to a point."""
    return int(_shares(line, point)[1].argmin())


def place_on(line: np.ndarray, point: np.ndarray) -> tuple[float, float]:
    """Distance along a line of its nearest point to `point`, and that point's distance."""
    share, away = _shares(line, point)
    near = int(away.argmin())
    run = run_of(line)
    return float(run[near] + share[near] * (run[near + 1] - run[near])), float(away[near])
