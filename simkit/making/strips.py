"""Strips of paper to wrap round the piece and to lay along it, drawn to the size of the clay when it is cut."""

from __future__ import annotations

import numpy as np
from scipy.optimize import isotonic_regression

from simkit.making.paper import (
    Drawing,
    Fill,
    Ink,
    Mark,
    Pen,
    Text,
    circle,
    clipped,
    polygon,
    rectangle,
    stroke,
    width_of,
    wrapped_pairs,
)
from simkit.making.tables import Column, table
from simkit.making.wraps import SIDES, LineStrip, Places, StripOpening, Wrap

# Millimetres of paper.
TAB = 8.0  # to glue the ring shut
NARROW = 12.0
ALONG, MARKED = 20.0, 13.2  # height of a strip along the piece, and of its part with the marks


def wrap_strip(wrap: Wrap, scale: float) -> Drawing:
    """One strip round the piece; `scale` is mm on paper for a metre on the fired piece.

    Read with the printed side out and the mouth end of the piece below: right on the paper is right round the piece.
    The strip begins on the line that is farthest from any opening, or where a neighbour ends.
    """
    part = wrap.stretch
    girth, length = scale * wrap.girth, scale * (part.length if part else wrap.girth)
    start = scale * (part.start if part else _start(wrap))
    tallest = max(scale * _tall(spot) for spot in wrap.spots)
    height = max(NARROW, tallest + 7.0)  # with room for the words at the edge
    middle = height / 2
    # From the strip's start, round to the right.
    spots = [((scale * spot.around - start) % girth, spot) for spot in wrap.spots]
    marks: list[Mark] = [
        rectangle(0, 0, length, height, Pen.CUT, name=f"strip {wrap.letter}"),
        stroke((0, middle), (length, middle), pen=Pen.GUIDE),
        *(_neighbours(part.neighbours, length, height) if part else _tab(length, height)),
    ]
    quarters = [((scale * around - start) % girth, name) for name, around in wrap.quarters]
    # A line at the start shows at the end too.
    quarters += [(length, name) for x, name in quarters if x < 1e-6 and not part]
    for x, name in quarters:
        # the last name would run off the strip: it stands before its tick
        marks += _quarter(x, height, name, last=length - x < width_of(name, 1.9) + 1)
    for x, spot in spots:
        marks += _spot(spot, scale, x, middle, length)
    free = _free(length, [x for x, _ in spots] + [x for x, _ in quarters])
    letter = f"{wrap.letter} ~" if wrap.steep else wrap.letter
    marks.append(Text((free, middle), letter, 4.2, "center", "middle", ink=Ink.ACCENT, bold=True))
    return Drawing(length + (0.0 if part else TAB), height, tuple(marks), f"strip {wrap.letter}")


def _tab(length: float, height: float) -> list[Mark]:
    """The end that is glued under the start."""
    return [
        rectangle(length, 0, TAB, height, Pen.THIN, Fill.TINT),
        Text((length + TAB / 2, height / 2), "glue under", 1.8, "center", "middle", 90, Ink.QUIET),
    ]


def _neighbours(names: tuple[str, str], length: float, height: float) -> list[Mark]:
    """Names at each end of the chamber that the strip runs against, as far as there is room."""
    words = [clipped(f"at the {name}", 1.9, length / 2 - 2) for name in names]
    return [
        Text((0.8, height - 2.3), words[0], 1.9, ink=Ink.ACCENT),
        Text((length - 0.8, height - 2.3), words[1], 1.9, "right", ink=Ink.ACCENT),
    ]


def _start(wrap: Wrap) -> float:
    """Start of a strip, m from the top line: on the line farthest from the openings, underneath if alike."""
    lines = dict(wrap.quarters)
    order = [lines[name] for name in ("under", "top", "left", "right") if name in lines] or [0.0]

    def gap(start: float) -> float:
        around = [(spot.around - start) % wrap.girth for spot in wrap.spots]
        return min(min(x, wrap.girth - x) for x in around)

    best = max(gap(start) for start in order)  # a tenth worse is as good: the order above then decides
    return next(start for start in order if gap(start) > 0.9 * best)


def _tall(spot: StripOpening) -> float:
    """Part of the strip's height that an opening takes, m."""
    opening = spot.opening
    if opening.is_round:
        return 2 * opening.radius
    return abs(opening.height * np.cos(spot.turn)) + abs(opening.width * np.sin(spot.turn))


def _free(length: float, taken: list[float]) -> float:
    """A place on the strip well away from what is drawn on it."""
    places = np.linspace(0.04, 0.96, 93) * length
    # 15 mm clear is enough: of such places the first.
    return float(max(places, key=lambda x: (min(15.0, min(abs(x - t) for t in taken)), -x)))


def _quarter(x: float, height: float, name: str, last: bool) -> list[Mark]:
    """Ticks at both edges where the strip meets one of the four lines drawn on the piece."""
    tick = 2.4
    return [
        stroke((x, 0), (x, tick), pen=Pen.OUTLINE, name=f"quarter {name}"),
        stroke((x, height - tick), (x, height), pen=Pen.OUTLINE),
        Text((x - 0.8 if last else x + 0.8, 0.9), name, 1.9, "right" if last else "left", ink=Ink.QUIET),
    ]


def _spot(spot: StripOpening, scale: float, x: float, middle: float, length: float) -> list[Mark]:
    """The opening as it lies on the paper, its middle, its name, and how far it is from the line beside it."""
    opening = spot.opening
    name = opening.name if opening.is_round else "window"
    measure = _measure(spot, scale)
    half = scale * (opening.radius if opening.is_round else opening.reach) + 0.9
    room = max(width_of(name, 2.8), width_of(measure, 1.9))
    fits = x + half + room <= length or x - half < room  # right of it, or where it fits on neither side
    # 6 mm: three letters at least
    name = clipped(name, 2.8, max(length - x - half, 6.0) if fits else x - half)
    at, align = (x + half, "left") if fits else (x - half, "right")
    return [
        *_rim(spot, scale, x, middle),
        Text((at, middle + 1.0), name, 2.8, align, bold=True),
        Text((at, middle - 2.7), measure, 1.9, align, ink=Ink.QUIET),
    ]


def _measure(spot: StripOpening, scale: float) -> str:
    """Distance of a place from its line and the side of it, in words: `6.7 left`."""
    right, left = SIDES.get(spot.line, ("right", "left"))
    shown = f"{scale * abs(spot.beside):.1f}"
    return shown if float(shown) == 0 else f"{shown} {right if spot.beside > 0 else left}"


def _rim(spot: StripOpening, scale: float, x: float, middle: float) -> list[Mark]:
    opening = spot.opening
    if opening.is_round:
        outline = circle((x, middle), 2 * opening.radius * scale, Pen.MARK, name=f"hole {opening.name}")
    else:
        # Along the breath the window is high, across it wide; the breath's way is turned right from straight up.
        way = np.array([np.sin(spot.turn), np.cos(spot.turn)])
        side = np.array([way[1], -way[0]])
        half = scale * np.array([opening.width, opening.height]) / 2
        corners = [u * half[0] * side + v * half[1] * way for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        outline = polygon([(x + c[0], middle + c[1]) for c in corners], Pen.MARK, name="window")
    cross = 1.6
    return [outline, stroke((x - cross, middle), (x + cross, middle)), stroke((x, middle - cross), (x, middle + cross))]


def line_strips(places: Places, scale: float) -> list[Drawing]:
    """The strips along the piece; right and left, top and under share one where their marks agree to 0.1 mm."""
    done: list[tuple[str, LineStrip]] = []
    for strip in places.lines:
        twin = next((n for n, (_, other) in enumerate(done) if _alike(strip, other, scale)), None)
        if twin is None:  # else its name joins the strip that is there
            done.append((strip.line, strip))
        else:
            names, other = done.pop(twin)
            done.append((f"{names}, {strip.line}", other))
    return [_line_strip(names, strip, scale) for names, strip in done if strip.marks]


def _alike(a: LineStrip, b: LineStrip, scale: float) -> bool:
    if [letter for letter, _ in a.marks] != [letter for letter, _ in b.marks] or a.neighbours != b.neighbours:
        return False
    pairs = [(a.length, b.length), *((x, y) for (_, x), (_, y) in zip(a.marks, b.marks, strict=True))]
    return all(abs(scale * (x - y)) < 0.1 for x, y in pairs)  # mm: a pencil's line is thicker


def _line_strip(names: str, strip: LineStrip, scale: float) -> Drawing:
    length = scale * strip.length
    before, after = strip.neighbours
    marks: list[Mark] = [rectangle(0, 0, length, ALONG, Pen.CUT, name=f"line {names}")]
    at = [scale * run for _, run in strip.marks]
    from_far = bool(before) and not after  # a neighbour's edge is no place to measure from
    # Measured from the end that is free, or from the mouth end.
    for (letter, _), x, label in zip(strip.marks, at, _spread(at, length), strict=True):
        marks += _line_mark(letter, x, label, length - x if from_far else x)
    ends = (f"at the {before}" if before else "mouth tip", f"at the {after}" if after else "far tip")
    inks = (Ink.ACCENT if before else Ink.QUIET, Ink.ACCENT if after else Ink.QUIET)
    title = f"{names}, mm from the far tip" if from_far else names
    marks += [
        Text((1.2, MARKED + 0.9), clipped(title, 2.6, length - 2), 2.6, bold=True),
        Text((1.2, ALONG - 2.4), ends[0], 1.9, ink=inks[0]),
        Text((length - 1.2, ALONG - 2.4), ends[1], 1.9, "right", ink=inks[1]),
    ]
    return Drawing(length, ALONG, tuple(marks), f"line {names}")


LABEL = 3.8  # room that a letter and its figure take beside each other


def _spread(at: list[float], length: float) -> list[float]:
    """Places of the labels of marks: right of their marks, as near as possible where marks are close together.

    The nearest places that keep a gap are an isotonic regression of the places less the gaps before them; that the last
    stays on the strip, of this length, cuts it off above.
    """
    if not at:
        return []
    gaps = LABEL * np.arange(len(at))
    nearest = isotonic_regression(np.array(at) + LABEL / 2 - gaps).x
    # the last first: it may not leave the strip, and pushes the others back
    return [float(x) for x in np.minimum(nearest, length - LABEL / 2 - gaps[-1]) + gaps]


def _line_mark(letter: str, x: float, label: float, figure: float) -> list[Mark]:
    """A mark at the strip's lower edge with its letter and its figure: beside it, or led to where there is room."""
    led = abs(label - x - LABEL / 2) > 0.05  # its label had to give way
    line = [(x, 0.0), (x, 2.0), (label, 4.2)] if led else [(x, 0.0), (x, MARKED)]
    return [
        stroke(*line, pen=Pen.OUTLINE, name=f"mark {letter}"),
        Text((label, MARKED - 2.6), letter, 3.0, "center", ink=Ink.ACCENT, bold=True),
        Text((label + 0.7, 4.8 if led else 1.0), f"{figure:.1f}", 1.9, turn_deg=90, ink=Ink.QUIET),
    ]


def place_table(places: Places, scale: float) -> Drawing:
    """Table of the openings' places: beside the line that each is nearest to, and by dividers from the two tips."""
    columns = [
        Column("", 16, "left", strong=True),
        Column("strip", 12, "center"),
        Column("beside\nthe line", 14),
        Column("mm to its right\nor left", 24, "left"),
        Column("dividers from\nthe mouth tip", 24),
        Column("dividers from\nthe far tip", 24),
    ]
    rows = []
    for reach in places.reaches:
        wrap, spot = places.where(reach.opening)
        rows.append(
            (
                reach.opening.name if reach.opening.is_round else "window",
                wrap.letter,
                spot.line if spot.line in SIDES else "",
                _measure(spot, scale) + ("" if spot.line in SIDES else f" of {spot.line}"),
                *("-" if gap is None else f"{scale * gap:.1f}" for gap in (reach.from_mouth, reach.from_far)),
            )
        )
    return table(columns, rows, "places")


HOW = (
    "Draw four lines on the piece: on top, at the right, underneath, at the left, from the mouth tip to the far tip. "
    "Right and left are always those of the piece, its top up and its mouth end towards you.",
    "Lay the line strips along them and mark the letters. Wrap each strip through its marks, print outside, the "
    "mouth end below, its ends on the line that they name.",
    "Ends that do not meet tell how far your piece is from the drawing: share the difference out. Prick the crosses, "
    "check them with dividers.",
)


STEEP_STRIPS = "A strip marked ~ lies on a steep slope: there, trust the dividers."
JOINED_STRIPS = "Some strips end at a neighbour: lay them by the lines that they cross, not by that end."


def how_to(width: float, steep: bool, joined: bool = False) -> Drawing:
    """Instructions for the strips, in a few steps."""
    steps = [*HOW, *[STEEP_STRIPS] * steep, *[JOINED_STRIPS] * joined]
    lines = wrapped_pairs([(f"{number}", step) for number, step in enumerate(steps, 1)], 2.4, width - 6)
    height = 3.6 * len(lines) + 1
    marks: list[Mark] = []
    for row, (count, words) in enumerate(lines):
        y = height - 3.6 * (row + 0.7)
        marks.append(Text((5.0, y), words, 2.4))
        if count:
            marks.append(Text((0.6, y), count, 2.4, ink=Ink.ACCENT, bold=True))
    return Drawing(width, height, tuple(marks), "how to")
