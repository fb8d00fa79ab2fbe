"""Where the holes go on the curved outside: paper strips round the piece and along it, with marks.

A strip lies in a plane square to the axis, on the outside of the clay, and starts on the top line: the lengthwise
line above the axis. Distances along it are measured on the clay itself, so a strip of paper laid round shows every
hole of that plane. Where the plane goes, four strips along the piece tell: on top, at the right, underneath, at the
left. All lengths are metres on the fired piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simkit.body import Body, ChamberBody, Opening
from simkit.making.slices import Frame, Outside, Plane, cut, grown

SAME_PLANE = 0.25e-3  # openings nearer than this along the piece share a strip
STEEP = 0.75  # sine of the slope of the outside against the axis above which a strip will not lie flat
LINES = ("top", "right", "under", "left")


@dataclass(frozen=True)
class Spot:
    """An opening on a strip: how far round from the strip's start, to the right, m; how it is turned; its size.

    turn: the breath's way on the paper for a window, radians from straight up (away from the mouth end) to the right.
    """

    opening: Opening
    around: float
    turn: float = 0.0


@dataclass(frozen=True)
class Wrap:
    """One strip round the piece: its letter, its place along the axis, its whole length, what it shows.

    quarters: where it crosses the lines on top (0), right, under, left; those that it meets.
    starts: where it starts, in words; steep: the outside slopes so much that the paper will not lie flat.
    """

    letter: str
    along: float
    girth: float
    quarters: tuple[tuple[str, float], ...]
    spots: tuple[Spot, ...]
    starts: str
    steep: bool


@dataclass(frozen=True)
class LineStrip:
    """One strip along the piece on a line of the outside, from the mouth tip to the far tip: length and marks, m."""

    line: str
    length: float
    marks: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Reach:
    """How far an opening's middle is from the two tips of the outside, straight through the air, m."""

    opening: Opening
    from_mouth: float
    from_far: float


@dataclass(frozen=True)
class Places:
    """All that finds the openings of one chamber on the outside."""

    wraps: tuple[Wrap, ...]
    lines: tuple[LineStrip, ...]
    reaches: tuple[Reach, ...]


def places_of(body: Body, chamber: ChamberBody) -> Places:
    """Strips and distances for the window and the holes of a chamber."""
    if not chamber.all_openings:
        return Places((), (), ())
    frame, surface, box = Frame.of(chamber.wall), Outside(body), grown(body)
    middle = float(frame.coordinates(chamber.wall.box.mean(axis=0))[0, 0])
    profile = _lengthwise(cut(surface, frame.upright_at(0.0), box), 0, middle)
    plan = _lengthwise(cut(surface, frame.level_at(0.0), box), 1, middle)
    strips = []
    for letter, group in zip(_letters(), _groups(chamber, frame), strict=False):
        strips.append(_wrap(body, surface, frame, box, letter, group))
    tips = _tips(frame, profile)
    return Places(
        tuple(wrap for wrap, _ in strips),
        tuple(_line_strip(name, profile, plan, frame, tips, strips) for name in LINES),
        tuple(
            Reach(o, *(float(np.linalg.norm(outer_point(body, o) - tip)) for tip in tips)) for o in chamber.all_openings
        ),
    )


def outer_point(body: Body, opening: Opening) -> np.ndarray:
    """Where an opening's axis leaves the clay, before any thinning of its wall, m (3,)."""
    return opening.center + body.thickness * opening.axis


def _letters() -> list[str]:
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return [*alphabet, *(a + b for a in alphabet for b in alphabet)]


def _groups(chamber: ChamberBody, frame: Frame) -> list[list[Opening]]:
    """Openings that one strip can show, from the mouth end on."""
    body = Body((chamber,), chamber.thickness)

    def along(opening: Opening) -> float:
        return float(frame.coordinates(outer_point(body, opening))[0, 0])

    groups: list[list[Opening]] = []
    for opening in sorted(chamber.all_openings, key=along):
        if groups and along(opening) - along(groups[-1][0]) < SAME_PLANE:
            groups[-1].append(opening)
        else:
            groups.append([opening])
    return groups


# --- round the piece -------------------------------------------------------------------------------


def _wrap(
    body: Body, surface: Outside, frame: Frame, box: np.ndarray, letter: str, group: Sequence[Opening]
) -> tuple[Wrap, np.ndarray]:
    """A strip, and the points (4, 3) where it crosses the four lines (not a number where it does not)."""
    spots = [outer_point(body, opening) for opening in group]
    along = float(np.mean([frame.coordinates(p)[0, 0] for p in spots]))
    plane = frame.across_at(along)
    loops = cut(surface, plane, box)
    loop = min(loops, key=lambda line: _foot(line, plane.flat(spots[0])[0])[1])
    loop, starts = _from_the_top(loop)
    girth = float(_run(loop)[-1])
    crossings = _crossings(loop) if starts == "top line" else {}
    slope = max(abs(float(opening.axis @ frame.along)) for opening in group)
    shown = tuple(
        Spot(opening, _foot(loop, plane.flat(spot)[0])[0], _turn(opening, frame))
        for opening, spot in zip(group, spots, strict=True)
    )
    quarters = tuple((name, _foot(loop, point)[0] % girth) for name, point in crossings.items())
    where = np.full((4, 3), np.nan)
    for name, point in crossings.items():
        where[LINES.index(name)] = plane.at(point)[0]
    return Wrap(letter, along, girth, quarters, shown, starts, slope > STEEP), where


def _turn(opening: Opening, frame: Frame) -> float:
    """The way of a window's breath on a strip, from straight up to the right."""
    around = np.cross(frame.along, opening.axis)
    return float(np.arctan2(opening.forward @ around, opening.forward @ frame.along))


def _from_the_top(loop: np.ndarray) -> tuple[np.ndarray, str]:
    """The loop, once round to the right, from where it crosses the upright through the axis highest up."""
    area = float(np.sum(loop[:-1, 0] * loop[1:, 1] - loop[1:, 0] * loop[:-1, 1]))
    if area > 0:  # against the clock as seen from the mouth end
        loop = loop[::-1]
    top, starts = _crossing(loop, 0, sign=1), "top line"
    if top is None:  # a leg that stands off to the side
        top, starts = loop[loop[:, 1].argmax()], "its highest point"
    near = _nearest_piece(loop, top)
    return np.concatenate([[top], loop[near + 1 : -1], loop[: near + 1], [top]]), starts


def _crossings(loop: np.ndarray) -> dict[str, np.ndarray]:
    """Where a loop crosses the upright (top, under) and the level (right, left) through the axis, outermost."""
    found = {
        "top": _crossing(loop, 0, sign=1),
        "right": _crossing(loop, 1, sign=1),
        "under": _crossing(loop, 0, sign=-1),
        "left": _crossing(loop, 1, sign=-1),
    }
    return {name: point for name, point in found.items() if point is not None}


def _crossing(loop: np.ndarray, zero: int, sign: int) -> np.ndarray | None:
    """The point farthest out on the side `sign` of the other coordinate where coordinate `zero` vanishes."""
    a, b = loop[:-1], loop[1:]
    through = np.flatnonzero((a[:, zero] <= 0) != (b[:, zero] <= 0))
    if not len(through):
        return None
    share = a[through, zero] / (a[through, zero] - b[through, zero])
    points = a[through] + share[:, None] * (b - a)[through]
    best = points[(sign * points[:, 1 - zero]).argmax()]
    return best if sign * best[1 - zero] > 0 else None


def _run(loop: np.ndarray) -> np.ndarray:
    """Length along a line at each of its points."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(loop, axis=0), axis=1))])


def _shares(loop: np.ndarray, point: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where on each piece of a line a point's foot is (0 to 1), and how far away."""
    a, d = loop[:-1], np.diff(loop, axis=0)
    share = np.clip(((point - a) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-300), 0, 1)
    return share, np.linalg.norm(a + share[:, None] * d - point, axis=1)


def _nearest_piece(loop: np.ndarray, point: np.ndarray) -> int:
    return int(_shares(loop, point)[1].argmin())


def _foot(loop: np.ndarray, point: np.ndarray) -> tuple[float, float]:
    """How far along a line its nearest point to `point` is, and how far away that is."""
    share, away = _shares(loop, point)
    near = int(away.argmin())
    run = _run(loop)
    return float(run[near] + share[near] * (run[near + 1] - run[near])), float(away[near])


# --- along the piece -------------------------------------------------------------------------------


def _lengthwise(loops: list[np.ndarray], axis: int, middle: float) -> np.ndarray:
    """The longest of several lines that runs past the middle of the chamber's air; the longest if none does."""
    past = [loop for loop in loops if loop[:, axis].min() < middle < loop[:, axis].max()]
    return [*past, *loops][0]


def _tips(frame: Frame, profile: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The points of the outside, in the upright cut, that are nearest to and farthest from the player, m (3,) each."""
    return tuple(frame.upright_at(0.0).at(_tip(profile, 0, sign))[0] for sign in (-1, 1))


def _tip(loop: np.ndarray, axis: int, sign: int) -> np.ndarray:
    """The outermost point of a line along an axis; the middle of a flat end."""
    reach = sign * loop[:, axis]
    end = loop[reach > reach.max() - 0.02e-3]
    return (end.min(axis=0) + end.max(axis=0)) / 2


def _line_strip(
    name: str,
    profile: np.ndarray,
    plan: np.ndarray,
    frame: Frame,
    tips: tuple[np.ndarray, np.ndarray],
    strips: list[tuple[Wrap, np.ndarray]],
) -> LineStrip:
    """One side of the upright or of the level cut, from tip to tip, with the strips' crossings."""
    upright = name in ("top", "under")
    plane: Plane = frame.upright_at(0.0) if upright else frame.level_at(0.0)
    loop, side = (profile, 1) if upright else (plan, 0)
    ends = [_tip(loop, 1 - side, sign) for sign in (-1, 1)]
    path = _between(loop, ends[0], ends[1], side, 1 if name in ("top", "right") else -1)
    row = LINES.index(name)
    marks = []
    for wrap, where in strips:
        if np.isfinite(where[row]).all():
            run, away = _foot(path, plane.flat(where[row])[0])
            if away < 0.3e-3:
                marks.append((wrap.letter, run))
    return LineStrip(name, float(_run(path)[-1]), tuple(marks))


def _between(loop: np.ndarray, start: np.ndarray, stop: np.ndarray, side: int, sign: int) -> np.ndarray:
    """The way along a closed line from one point to another that keeps to the side `sign` of a coordinate."""
    a, b = _nearest_piece(loop, start), _nearest_piece(loop, stop)
    ring = loop[:-1]
    ahead = ring[np.arange(a + 1, a + 1 + (b - a) % len(ring)) % len(ring)]
    back = ring[np.arange(a, a - (a - b) % len(ring), -1) % len(ring)]
    ways = [np.concatenate([[start], way, [stop]]) for way in (ahead, back)]
    return max(ways, key=lambda way: sign * float(way[:, side].mean()))
