"""Places of the holes on the curved outside: paper strips round the piece and along it, with marks.

A strip lies in a plane square to the axis, on the outside of the clay, and starts on the top line: the lengthwise
line above the axis. Distances along it are measured on the clay itself, so a strip of paper laid round shows every
hole of that plane. Four strips along the piece show the place of the plane: on top, at the right,
underneath, at the left. All lengths are metres on the fired piece.

Where chambers are joined, each is measured on its own outside, as if it were alone: the outside of the whole is made
of just these, less what of each lies in the clay of another. There a strip ends, for no paper can follow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from simkit.body import Body, ChamberBody, Opening
from simkit.making.covered import Neighbours, Stretch, dense, nearest_piece, place_on, run_of, stretches
from simkit.making.slices import Frame, Outside, Plane, cut

SAME_PLANE = 0.25e-3  # openings nearer than this along the piece share a strip
UNDERNEATH = 0.05e-3  # of the middle underneath: nearer than this an opening counts as in the middle
STEEP = 0.75  # sine of the slope of the outside against the axis above which a strip will not lie flat
LINES = ("top", "right", "under", "left")
TOP_LINE = "top line"
_ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_LETTERS = (*_ALPHABET, *(a + b for a in _ALPHABET for b in _ALPHABET))  # of strips, from the mouth end on
EDGES = ("the strip's start", "the strip's end")  # counted from where no line of the piece is in reach
# Names of the right and the left side on the paper, with the mouth end below, seen from each line.
SIDES = {"top": ("right", "left"), "under": ("left", "right"), "right": ("down", "up"), "left": ("up", "down")}


@dataclass(frozen=True)
class StripOpening:
    """An opening on a strip: how far round from the top line, to the right, m (0 to the girth); how it is turned.

    turn: the breath's way on the paper for a window, radians from straight up (away from the mouth end) to the right.
    line, beside: the line in reach that it is nearest to, and how far from it, m, positive to the right on the paper.
    """

    opening: Opening
    around: float
    turn: float = 0.0
    line: str = "top"
    beside: float = 0.0


@dataclass(frozen=True)
class Wrap:
    """One strip round the piece: its letter, its place along the axis, the whole way round, what it shows.

    quarters: where it crosses the lines on top (0), right, under, left; those that it meets.
    starts: where distances start, in words; steep: the outside slopes so much that the paper will not lie flat.
    stretch: the part of the way round that it lies on, where neighbours cover the rest; None if it goes all round.
    """

    letter: str
    along: float
    girth: float
    quarters: tuple[tuple[str, float], ...]
    spots: tuple[StripOpening, ...]
    starts: str
    steep: bool
    stretch: Stretch | None = None


@dataclass(frozen=True)
class LineStrip:
    """One strip along the piece on a line of the outside: length, and marks from its mouth end, m.

    From the mouth tip to the far tip, or from or to where the neighbour begins that `neighbours` names.
    """

    line: str
    length: float
    marks: tuple[tuple[str, float], ...]
    neighbours: tuple[str, str] = ("", "")


@dataclass(frozen=True)
class Reach:
    """Place of an opening's middle, m.

    around: from the top line on the chamber's own outside, the shorter way, positive to the right; None where its plane
    does not meet that line. from_mouth, from_far: straight from the two tips of the outside, None from one that is in a
    neighbour's clay.
    """

    opening: Opening
    around: float | None
    from_mouth: float | None
    from_far: float | None


@dataclass(frozen=True)
class Places:
    """All that finds the openings of one chamber on the outside."""

    wraps: tuple[Wrap, ...]
    lines: tuple[LineStrip, ...]
    reaches: tuple[Reach, ...]

    def where(self, opening: Opening) -> tuple[Wrap, StripOpening]:
        """The strip that an opening is on, and its place there."""
        return next((wrap, spot) for wrap in self.wraps for spot in wrap.spots if spot.opening is opening)


def places_of(body: Body, chamber: ChamberBody) -> Places:
    """Strips and distances for the window and the holes of a chamber."""
    # A closed form has nothing to be placed.
    if not chamber.all_openings:
        return Places((), (), ())
    alone, near = Body((chamber,), body.thickness), Neighbours.of(body, chamber)
    frame, surface, box = Frame.of(chamber.wall), Outside(alone), alone.coat.box
    # A bent chamber's cuts fall to pieces: the one past its middle is the piece's own side.
    middle = float(frame.coordinates(chamber.wall.box.mean(axis=0))[0, 0])
    profile = _lengthwise(cut(surface, frame.upright_at(0.0), box), 0, middle)
    plan = _lengthwise(cut(surface, frame.level(), box), 1, middle)
    letters, strips = iter(_LETTERS), []
    for group in _groups(alone, frame):
        strips += _wraps(alone, surface, frame, box, letters, group, near)
    # Of the outside in the upright cut, nearest to and farthest from the player: along is the cut's first coordinate.
    near_tip, far_tip = (frame.upright_at(0.0).at(_tip(profile, 0, sign))[0] for sign in (-1, 1))
    tips = near_tip, far_tip
    free = [not name for name in near.covering(np.array(tips))]
    lines = [strip for name in LINES for strip in _line_strips(name, profile, plan, frame, tips, strips, near)]
    return Places(
        tuple(wrap for wrap, _ in strips),
        tuple(lines),
        tuple(_reach(alone, o, tips, free, [wrap for wrap, _ in strips]) for o in chamber.all_openings),
    )


def _reach(
    body: Body, opening: Opening, tips: tuple[np.ndarray, np.ndarray], free: Sequence[bool], wraps: Sequence[Wrap]
) -> Reach:
    wrap, spot = Places(tuple(wraps), (), ()).where(opening)
    # What lies underneath is as far to the right as to the left: then it counts as to the right.
    around = spot.around if spot.around <= wrap.girth / 2 + UNDERNEATH else spot.around - wrap.girth
    distances = [float(np.linalg.norm(outer_point(body, opening) - tip)) for tip in tips]
    mouth, far = (gap if is_free else None for gap, is_free in zip(distances, free, strict=True))
    return Reach(opening, around if wrap.starts == TOP_LINE else None, mouth, far)


def outer_point(body: Body, opening: Opening) -> np.ndarray:
    """Point where an opening's axis leaves the clay, before any thinning of its wall, m (3,)."""
    return opening.center + (body.thickness if opening.figure is None else opening.through) * opening.axis


def _groups(alone: Body, frame: Frame) -> list[list[Opening]]:
    """Openings that one plane holds, from the mouth end on."""

    def along(opening: Opening) -> float:
        return float(frame.coordinates(outer_point(alone, opening))[0, 0])

    groups: list[list[Opening]] = []
    for opening in sorted(alone.chambers[0].all_openings, key=along):
        if groups and along(opening) - along(groups[-1][0]) < SAME_PLANE:
            groups[-1].append(opening)
        else:
            groups.append([opening])
    return groups


# --- round the piece -------------------------------------------------------------------------------


def _wraps(
    body: Body,
    surface: Outside,
    frame: Frame,
    box: np.ndarray,
    letters: Iterator[str],
    group: Sequence[Opening],
    near: Neighbours,
) -> list[tuple[Wrap, np.ndarray]]:
    """The strips of one plane, and the points (4, 3) where each crosses the four lines, not a number where it does not.

    One strip, or where neighbours part the way round, one for each stretch with an opening on it.
    """
    spots = [outer_point(body, opening) for opening in group]
    along = float(np.mean([frame.coordinates(p)[0, 0] for p in spots]))
    plane = frame.across_at(along)
    loops = cut(surface, plane, box)
    # A plane may meet two legs of one chamber: the loop with the opening is the one to wrap.
    loop = min(loops, key=lambda line: place_on(line, plane.flat(spots[0])[0])[1])
    loop, starts = _from_the_top(loop)
    girth = float(run_of(loop)[-1])
    crossings = _crossings(loop) if starts == TOP_LINE else {}
    # Modulo the girth: the place where the loop closes is 0 and not its whole length.
    quarters = {name: place_on(loop, point)[0] % girth for name, point in crossings.items()}
    around = [place_on(loop, plane.flat(spot)[0])[0] % girth for spot in spots]
    parted = stretches(dense(loop), plane, near, closed=True) or [Stretch(0.0, girth, whole=True)]
    on = [int(np.argmin([part.misses(at, girth) for part in parted])) for at in around]
    strips = []
    for number, stretch in enumerate(parted):
        mine = [k for k, which in enumerate(on) if which == number]
        if not mine:
            continue
        reached = {name: at for name, at in quarters.items() if stretch.misses(at, girth) == 0}
        # Axes are square to the wall: their tilt is its slope.
        slope = max(abs(float(group[k].axis @ frame.along)) for k in mine)
        shown = tuple(
            StripOpening(group[k], around[k], _turn(group[k], frame), *_beside(around[k], reached, stretch, girth))
            for k in mine
        )
        where = np.full((4, 3), np.nan)  # lines that it does not meet
        for name in reached:
            where[LINES.index(name)] = plane.at(crossings[name])[0]
        part = None if stretch.whole else stretch
        strip = Wrap(next(letters), along, girth, tuple(reached.items()), shown, starts, slope > STEEP, part)
        strips.append((strip, where))
    return strips


def _beside(around: float, lines: dict[str, float], stretch: Stretch, girth: float) -> tuple[str, float]:
    """The line in reach from which a place is measured, top or under if possible, and how far to its right it is."""
    if stretch.whole:
        # The shorter way round, right positive.
        ways = {name: (around - at + girth / 2) % girth - girth / 2 for name, at in lines.items()}
    else:
        here = stretch.after(around, girth)
        ways = {name: here - stretch.after(at, girth) for name, at in lines.items()}
    first: list[str] = [name for name in ("top", "under") if name in ways] or list(ways)
    if first:
        line = min(first, key=lambda name: abs(ways[name]))
        return line, ways[line]
    if stretch.whole:
        return EDGES[0], around
    return min(zip(EDGES, (here, here - stretch.length), strict=True), key=lambda way: abs(way[1]))


def _turn(opening: Opening, frame: Frame) -> float:
    """The way of a window's breath on a strip, from straight up to the right."""
    around = np.cross(frame.along, opening.axis)
    return float(np.arctan2(opening.forward @ around, opening.forward @ frame.along))


def _from_the_top(loop: np.ndarray) -> tuple[np.ndarray, str]:
    """The loop, once round to the right, from where it crosses the upright through the axis highest up."""
    area = float(np.sum(loop[:-1, 0] * loop[1:, 1] - loop[1:, 0] * loop[:-1, 1]))  # twice the area, signed (shoelace)
    if area > 0:  # against the clock as seen from the mouth end
        loop = loop[::-1]
    top, starts = _crossing(loop, 0, sign=1), TOP_LINE
    if top is None:  # a leg that stands off to the side
        top, starts = loop[loop[:, 1].argmax()], "its highest point"
    near = nearest_piece(loop, top)
    return np.concatenate([[top], loop[near + 1 : -1], loop[: near + 1], [top]]), starts


def _crossings(loop: np.ndarray) -> dict[str, np.ndarray]:
    """Points where a loop crosses the upright (top, under) and the level (right, left) through the axis, outermost."""
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
    # A zero belongs to one side only, or it would count twice.
    through = np.flatnonzero((a[:, zero] <= 0) != (b[:, zero] <= 0))
    if not len(through):
        return None
    share = a[through, zero] / (a[through, zero] - b[through, zero])
    points = a[through] + share[:, None] * (b - a)[through]
    best = points[(sign * points[:, 1 - zero]).argmax()]
    return best if sign * best[1 - zero] > 0 else None


# --- along the piece -------------------------------------------------------------------------------


def _lengthwise(loops: list[np.ndarray], axis: int, middle: float) -> np.ndarray:
    """The longest of several lines that runs past the middle of the chamber's air; the longest if none does."""
    past = [loop for loop in loops if loop[:, axis].min() < middle < loop[:, axis].max()]
    return [*past, *loops][0]


def _tip(loop: np.ndarray, axis: int, sign: int) -> np.ndarray:
    """Outermost point (3,) of a line along an axis; the middle of a flat end."""
    reach = sign * loop[:, axis]
    end = loop[reach > reach.max() - 0.02e-3]  # m: a flat end is many points at the same place
    return (end.min(axis=0) + end.max(axis=0)) / 2


def _line_strips(
    name: str,
    profile: np.ndarray,
    plan: np.ndarray,
    frame: Frame,
    tips: tuple[np.ndarray, np.ndarray],
    strips: list[tuple[Wrap, np.ndarray]],
    near: Neighbours,
) -> list[LineStrip]:
    """One side of the upright or of the level cut from tip to tip with the strips' crossings, parted by neighbours."""
    upright = name in ("top", "under")
    plane: Plane = frame.upright_at(0.0) if upright else frame.level()
    loop, side = (profile, 1) if upright else (plan, 0)
    ends = [_tip(loop, 1 - side, sign) for sign in (-1, 1)]
    path = _between(loop, ends[0], ends[1], side, 1 if name in ("top", "right") else -1)
    row = LINES.index(name)  # crossings stand in the order of LINES
    marks = []
    for wrap, where in strips:
        if np.isfinite(where[row]).all():
            run, away = place_on(path, plane.flat(where[row])[0])
            if away < 0.3e-3:  # else the strip crosses the line on a loop that is not this path's
                marks.append((wrap.letter, run))
    found = []
    for part in stretches(dense(path), plane, near, closed=False):
        own = tuple((letter, run - part.start) for letter, run in marks if 0 <= run - part.start <= part.length)
        found.append(LineStrip(name, part.length, own, part.neighbours))
    return found


def _between(loop: np.ndarray, start: np.ndarray, stop: np.ndarray, side: int, sign: int) -> np.ndarray:
    """The way along a closed line from one point to another that keeps to the side `sign` of a coordinate."""
    a, b = nearest_piece(loop, start), nearest_piece(loop, stop)
    ring = loop[:-1]
    # Both ways round from the piece with `start` to that with `stop`, over the ring's end.
    ahead = ring[np.arange(a + 1, a + 1 + (b - a) % len(ring)) % len(ring)]
    back = ring[np.arange(a, a - (a - b) % len(ring), -1) % len(ring)]
    ways = [np.concatenate([[start], way, [stop]]) for way in (ahead, back)]
    return max(ways, key=lambda way: sign * float(way[:, side].mean()))
