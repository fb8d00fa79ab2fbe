"""Lines as they were drawn, and the closed outline that they make. Points are (n, 2), x to the right, y up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from simkit.frozen import frozen

SIDE, ABOVE = "side", "above"
VIEWS = (SIDE, ABOVE)
LAYERS = tuple(f"{what} {view}" for what in ("inside", "outside") for view in VIEWS)
MARKS = ("window", "windway", "holes")
LEGS = "legs"  # each closed line of this layer is a leg, seen from the side
BEHIND = "behind"  # a mark's layer with this word: on the side that is not seen


@frozen
class Stroke:
    """A line from point to point; `closed` joins the last to the first; `name` is what its maker called it."""

    points: np.ndarray
    closed: bool
    name: str = ""

    @property
    def box(self) -> np.ndarray:
        """Least and greatest coordinates: (2, 2), mm."""
        return np.array([self.points.min(axis=0), self.points.max(axis=0)])

    @property
    def size(self) -> float:
        """Diagonal of its box, mm."""
        return float(np.linalg.norm(np.ptp(self.points, axis=0)))


@dataclass(frozen=True)
class MarkedStroke:
    """A mark for an opening: which layer of MARKS, whether it lies on the side that is not seen, its line."""

    layer: str
    behind: bool
    stroke: Stroke


@frozen
class Sketch:
    """A drawing in mm: an outline for each of LAYERS that is drawn, marks, and remarks on the reading.

    blur_mm: how far a traced line may lie from the drawn one.
    """

    source: str
    outlines: dict[str, Stroke]
    marks: tuple[MarkedStroke, ...]
    said: tuple[str, ...]
    blur_mm: float


class OutlineError(ValueError):
    """Lines that make no outline; the text says what is allowed."""


def area(points: np.ndarray) -> float:
    """Area within a closed line, by Gauss's formula of the trapezia."""
    x, y = points.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


Place = Callable[[np.ndarray], str]  # a point in words that its maker can find

SLACK = 0.5  # mm: ends as near as this are meant to meet
_MOST, _FINE = 300, 2000  # lines that are put together; points of an outline that are held against each other
_DECORATION = 0.3  # of the outline's area: what is smaller, or lies within it, is an eye or a feather


def outline_of(strokes: Sequence[Stroke], place: Place) -> tuple[Stroke, tuple[str, ...]]:
    """The one closed outline that a layer's lines make, and what is left out, in words.

    Open lines whose ends meet within SLACK are joined. Raises OutlineError where nothing closes, where two large
    outlines lie side by side, or where the outline crosses itself.
    """
    if len(strokes) > _MOST:
        raise OutlineError(f"at most {_MOST} lines in a layer; this one has {len(strokes)}: join them to one outline")
    whole = sorted(_joined(strokes), key=lambda stroke: -stroke.size)  # the largest first: what is to be the outline
    first = whole[0]
    if not first.closed:
        a, b = first.points[0], first.points[-1]
        gap = float(np.linalg.norm(a - b))
        raise OutlineError(
            f"one closed outline; this one is open, {gap:.1f} mm from {place(a)} to {place(b)}: join its ends"
        )
    crossing = crossed(first.points if len(first.points) <= _FINE else evenly(first.points, _FINE))
    if crossing is not None:
        raise OutlineError(f"an outline that does not cross itself; this one does at {place(crossing)}: pull it apart")
    if area(first.points) <= 0.02 * first.size**2:  # fifty times as long as wide
        raise OutlineError(f"an outline with room in it; the one near {place(first.points[0])} is a mere line")
    for other in whole[1:]:
        if other.closed and area(other.points) > _DECORATION * area(first.points) and not _within(other, first):
            raise OutlineError(
                f"one outline; there are two side by side, near {place(first.points[0])} and near "
                f"{place(other.points[0])}: draw each view in a layer of its own"
            )
    return first, _left_out(whole[1:], first, place)


def _left_out(rest: Sequence[Stroke], outline: Stroke, place: Place) -> tuple[str, ...]:
    """The smaller lines of a layer in words, and what to do with those that stand out of its outline as ears do."""
    outer = [stroke for stroke in rest if stroke.closed and not _within(stroke, outline)]
    said = []
    if drawn := len(rest) - len(outer):
        said.append(f"{drawn} smaller line{'s' if drawn > 1 else ''} beside the outline left out")
    if outer:
        where = " and ".join(f"near {place(ear.points[0])}" for ear in outer[:3]) + (" ..." if len(outer) > 3 else "")
        said.append(
            f"{len(outer)} smaller, out of the outline, {where}, left out: for clay there draw it closed in the layer "
            "legs, from the side, or write a [[part]]"
        )
    return tuple(said)


def _within(inner: Stroke, outer: Stroke) -> bool:
    (low, high), (a, b) = outer.box, inner.box
    return bool((a >= low).all() and (b <= high).all())  # by boxes: enough to tell an eye from a second view


def _joined(strokes: Sequence[Stroke]) -> list[Stroke]:
    """Open lines put together end to end while their ends meet; those that come round are closed."""
    done = [stroke for stroke in strokes if stroke.closed]
    left = [stroke.points for stroke in strokes if not stroke.closed]
    while left:
        line = left.pop()
        growing = True
        while growing and left and np.linalg.norm(line[0] - line[-1]) > SLACK:
            growing = False
            for n, other in enumerate(left):
                # All four ways in which two lines can follow each other.
                for a, b in ((line, other), (line, other[::-1]), (other, line), (other[::-1], line)):
                    if np.linalg.norm(a[-1] - b[0]) <= SLACK:
                        line, growing = np.concatenate([a, b]), True
                        break
                if growing:
                    left.pop(n)
                    break
        closes = len(line) > 2 and np.linalg.norm(line[0] - line[-1]) <= SLACK
        done.append(Stroke(line, bool(closes)))
    return done


_NO_STEP = 1e-9
_BLOCK = 400  # segments that are crossed with all others at once


def crossed(points: np.ndarray) -> np.ndarray | None:
    """First crossing of a closed line with itself (2,), or None.

    Two pieces cross where each one's ends lie on both sides of the other; neighbours share an end and do not count.
    """
    steps = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1)
    points = points[steps > _NO_STEP]  # a step of no length has no side
    a, b = points, np.roll(points, -1, axis=0)
    n = len(a)
    for low in range(0, n, _BLOCK):  # in blocks: all pairs at once would take much memory
        rows = np.arange(low, min(low + _BLOCK, n))
        p, q = a[rows, None], b[rows, None]
        first = _side(p, q, a[None]) * _side(p, q, b[None])
        second = _side(a[None], b[None], p) * _side(a[None], b[None], q)
        apart = np.abs(rows[:, None] - np.arange(n)[None])
        found = (first < 0) & (second < 0) & (apart > 1) & (apart < n - 1)
        if found.any():
            i, j = np.argwhere(found)[0]
            r, s = b[rows[i]] - a[rows[i]], b[j] - a[j]
            share = _cross(a[j] - a[rows[i]], s) / _cross(r, s)
            return np.asarray(a[rows[i]] + share * r)
    return None


def _cross(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]


def _side(p: np.ndarray, q: np.ndarray, r: np.ndarray) -> np.ndarray:
    """Sign of the side of the line from p to q on which the points r lie."""
    return _cross(q - p, r - p)


def evenly(points: np.ndarray, count: int) -> np.ndarray:
    """So many points at equal steps along a closed line: (count, 2)."""
    ring = np.concatenate([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    at = np.linspace(0, along[-1], count, endpoint=False)
    return np.stack([np.interp(at, along, ring[:, k]) for k in (0, 1)], axis=1)
