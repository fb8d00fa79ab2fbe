"""Drawings put on sheets of paper: rows from the top, a head, and rulers to check the printer by.

What is larger than a sheet is laid over several, with an edge to glue and marks that must meet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from simkit.making.paper import (
    Drawing,
    Fill,
    Ink,
    Line,
    Mark,
    Page,
    Paper,
    Pen,
    Point,
    Text,
    clipped,
    points,
    polygon,
    rectangle,
    stroke,
    width_of,
)  # fmt: skip

EDGE = 10.0  # left free by any printer
# Millimetres of paper, as all sizes here.
HEAD = 18.0
FOOT = 13.0
LEFT = 17.0  # room for the upright ruler
GAP = 6.0
OVERLAP = 10.0  # shared by neighbouring pieces, for glue
SHORTEST = 60.0  # of the last piece of what is laid over several sheets
RULER = 100.0  # long enough that 1 % of false scaling shows as 1 mm


@dataclass(frozen=True)
class Heading:
    """The head of a sheet: the piece, what the sheet is for, the stage of the clay it is drawn for."""

    piece: str
    purpose: str
    stage: str
    note: str = ""


@dataclass
class Flow:
    """Fills sheets with drawings, one row under the other; a new sheet when one is full."""

    paper: Paper
    heading: Heading
    gap: float = GAP
    done: list[list[Mark]] = field(default_factory=list)
    _right: float = 0.0
    _top: float = 0.0
    _row: float = 0.0

    @property
    def width(self) -> float:
        """Room on the paper from left to right, mm."""
        return self.paper.width - LEFT - EDGE

    @property
    def height(self) -> float:
        """Room on the paper from the foot to the head, mm."""
        return self.paper.height - EDGE - HEAD - EDGE - FOOT

    def fits(self, drawing: Drawing) -> bool:
        return drawing.width <= self.width and drawing.height <= self.height

    def put(self, *drawings: Drawing, break_row: bool = True) -> None:
        """Drawings side by side as long as there is room, in a new row unless `break_row` is false."""
        if break_row:
            self._next_row()
        for drawing in drawings:
            # what is larger than a sheet comes in pieces
            for part in [drawing] if self.fits(drawing) else laid_over(drawing, self.width, self.height):
                self._place(part)

    def has_room(self, *drawings: Drawing) -> bool:
        """True if the drawings, begun in a new row, still fit on the sheet."""
        total, right, row = 0.0, 0.0, 0.0
        for drawing in drawings:
            if right > 0 and right + drawing.width > self.width:
                total, right, row = total + row + self.gap, 0.0, 0.0
            right, row = right + drawing.width + GAP, max(row, drawing.height)
        used = self._row + self.gap if self._row else 0.0  # of the row that would be closed first
        # no sheet begun yet has no room either: the first drawing opens it
        return bool(self.done) and total + row <= self._top - used

    def _place(self, drawing: Drawing) -> None:
        if not self.done:
            self._next_sheet()
        if self._right > 0 and self._right + drawing.width > self.width + 1e-6:
            self._next_row()
        if drawing.height > self._top + 1e-6:  # rounding is no reason for a new sheet
            self._next_sheet()
        self.done[-1] += drawing.moved(LEFT + self._right, EDGE + FOOT + self._top - drawing.height)
        self._right += drawing.width + GAP
        self._row = max(self._row, drawing.height)

    def _next_row(self) -> None:
        if self._row:
            self._top -= self._row + self.gap
        self._right = self._row = 0.0

    def _next_sheet(self) -> None:
        self.done.append([])
        self._right = self._row = 0.0
        self._top = self.height

    def pages(self, first: int, count: int) -> list[Page]:
        """The sheets with head, foot and rulers; `first` is the number of the first of `count` in all."""
        made = []
        for number, marks in enumerate(self.done):
            frame = _frame(self.paper, self.heading, first + number, count)
            made.append(Page(self.heading.purpose, self.paper, (*frame, *marks)))
        return made


# --- head, foot and rulers -------------------------------------------------------------------------


def _frame(paper: Paper, heading: Heading, number: int, count: int) -> list[Mark]:
    top, right = paper.height - EDGE, paper.width - EDGE
    marks: list[Mark] = [
        Text((LEFT, top - 1), clipped(heading.purpose, 5.2, right - LEFT - 45), 5.2, level="top", bold=True),
        Text((LEFT, top - 9.3), clipped(heading.piece, 2.6, right - LEFT - 70), 2.6, level="top", ink=Ink.QUIET),
        stroke((LEFT, top - HEAD + 4.4), (right, top - HEAD + 4.4)),
        # a sheet that is missing from a pile is noticed
        Text((right, EDGE), f"{number} / {count}", 2.6, "right", ink=Ink.QUIET),
    ]
    if heading.stage:
        marks += _badge(heading.stage, right, top)
    if heading.note:
        marks.append(Text((right, top - 9.3), heading.note, 2.3, "right", "top", ink=Ink.QUIET))
    return [*marks, *rulers(paper)]


def _badge(stage: str, right: float, top: float) -> list[Mark]:
    """The stage of the clay, white on the accent, in the upper right corner."""
    wide = width_of(stage.upper(), 3.0) * 1.28 + 6  # capitals are wider than letters on the mean
    return [
        rectangle(right - wide, top - 6.6, wide, 6.0, Pen.NONE, Fill.ACCENT),
        Text((right - wide / 2, top - 3.65), stage.upper(), 3.0, "center", "middle", ink=Ink.PAPER, bold=True),
    ]


def rulers(paper: Paper) -> list[Mark]:
    """100 mm across along the foot and 100 mm up along the left edge, with what to do about them."""
    marks: list[Mark] = []
    for upright in (False, True):

        def at(along: float, out: float, upright: bool = upright) -> Point:
            return (EDGE - out, EDGE + FOOT + along) if upright else (LEFT + along, EDGE + out)

        name = "ruler up" if upright else "ruler across"
        sign = -1.0 if upright else 1.0  # ticks into the sheet, away from its edge
        comb: list[Point] = []
        for mm in range(int(RULER) + 1):
            tick = 3.2 if mm % 10 == 0 else 2.2 if mm % 5 == 0 else 1.3
            comb += [at(mm, 0), at(mm, sign * tick), at(mm, 0)]  # one line for all ticks
            if mm % 20 == 0 and mm:
                turn = 90.0 if upright else 0.0
                out = sign * (5.4 if upright else 3.9)
                marks.append(Text(at(mm, out), str(mm), 1.9, "center", turn_deg=turn, ink=Ink.QUIET))
        marks += [Line(points(comb), Pen.THIN), stroke(at(0, 0), at(RULER, 0), pen=Pen.OUTLINE, name=name)]
    advice = f"{paper.name}, printed at 100 %: both rulers measure 100 mm"
    return [*marks, Text((LEFT + RULER + 5, EDGE), advice, 2.0, ink=Ink.QUIET)]


# --- larger than a sheet ---------------------------------------------------------------------------


def laid_over(drawing: Drawing, width: float, height: float) -> list[Drawing]:
    """A drawing in pieces of at most `width` by `height`, neighbours sharing an edge of 10 mm to glue."""
    columns, rows = _steps(drawing.width, width), _steps(drawing.height, height)
    sheets = []
    for row, (bottom, high) in reversed(list(enumerate(rows))):  # the upper pieces first, as one reads
        for column, (left, wide) in enumerate(columns):
            part = windowed(drawing.moved(-left, -bottom), wide, high)
            joins = _joins(wide, high, column > 0, column < len(columns) - 1, row > 0, row < len(rows) - 1)
            code = f"{drawing.name}, piece {column + 1}" + (f" of row {row + 1} from below" if len(rows) > 1 else "")
            label = Text((_free_from(part, width_of(code, 2.0), wide), 1.2), code, 2.0, ink=Ink.ACCENT)
            sheets.append(Drawing(wide, high, (*part, *joins, label), code))
    return sheets


def _steps(whole: float, room: float) -> list[tuple[float, float]]:
    """Starts and lengths of the pieces: as long as there is room, but the last not too short to handle."""
    if whole <= room:
        return [(0.0, whole)]
    count = math.ceil((whole - OVERLAP) / (room - OVERLAP))  # all but the last give an overlap to the next
    starts = [k * (room - OVERLAP) for k in range(count)]
    # The last piece starts earlier, and overlaps more, rather than be too short to handle.
    starts[-1] = min(starts[-1], whole - min(SHORTEST, room))
    return [(start, end + OVERLAP - start) for start, end in pairwise([*starts, whole - OVERLAP])]


def _free_from(marks: Sequence[Mark], length: float, wide: float) -> float:
    """A place at the lower edge for words of this length, clear of others; beside the join if there is none."""
    taken = []
    for mark in marks:
        # 3.6 mm: the label's own line; turned words may reach down to it
        if isinstance(mark, Text) and mark.at[1] < 3.6 + (width_of(mark.words, mark.size) if mark.turn_deg else 0):
            long = mark.size if mark.turn_deg else width_of(mark.words, mark.size)
            start = mark.at[0] - (
                long if mark.align == "right" or mark.turn_deg else long / 2 * (mark.align == "center")
            )
            taken.append((start - 1, start + long + 1))
    places = [OVERLAP + step for step in range(int(max(wide - 2 * OVERLAP - length, 0)) + 1)]
    return next((x for x in places if all(x + length < low or x > high for low, high in taken)), OVERLAP)


def _joins(width: float, height: float, left: bool, right: bool, below: bool, above: bool) -> list[Mark]:
    """Lines to cut each shared edge along, and dashed in its middle the lines to be laid on one another."""
    half = OVERLAP / 2
    lines = []
    for out, pen in ((0.0, Pen.CUT), (half, Pen.HIDDEN)):
        name = "join" if out else "edge"
        for x in [out] * left + [width - out] * right:
            lines.append(stroke((x, 0), (x, height), pen=pen, name=name))
        for y in [out] * below + [height - out] * above:
            lines.append(stroke((0, y), (width, y), pen=pen, name=name))
    hint = next((text for text in ("lay on the next piece", "lay on next") if width_of(text, 1.9) < height - 2), "")
    words = Text((width - half - 0.8, height / 2), hint, 1.9, "center", "base", 90, Ink.QUIET)
    return [*lines, *([words] if right and hint else [])]


HAIR = 1e-6  # rounding must not take away a line that lies on the window's edge


def windowed(marks: Sequence[Mark], width: float, height: float) -> list[Mark]:
    """The parts of the marks between (0, 0) and (width, height)."""
    kept: list[Mark] = []
    for mark in marks:
        if isinstance(mark, Text):  # kept or dropped whole: half a word says nothing
            if -0.01 <= mark.at[0] <= width and -0.01 <= mark.at[1] <= height:
                kept.append(mark)
        else:
            kept += _clipped_line(mark, width, height)
    return kept


def _clipped_line(line: Line, width: float, height: float) -> list[Mark]:
    """The pieces of a line inside the window, and its area where it has one."""
    if all(-HAIR <= x <= width + HAIR and -HAIR <= y <= height + HAIR for x, y in line.points):
        return [line]
    inside_marks: list[Mark] = []
    if line.fill and line.closed:
        area = _clipped_area(list(line.points), width, height)
        # Of an area that lies outside fewer than three corners are left.
        if len(area) > 2:
            inside_marks.append(polygon(area, Pen.NONE, line.fill))
    if line.pen is Pen.NONE:
        return inside_marks
    run: list[Point] = []
    for a, b in pairwise(line.path):
        inside = _clipped_piece(a, b, width, height)
        # The line has left the window since the last piece: what was collected is a line of its own.
        if inside is None or (run and run[-1] != inside[0]):
            if len(run) > 1:
                inside_marks.append(Line(points(run), line.pen, name=line.name))
            run = []
        if inside is not None:
            run = [*(run or [inside[0]]), inside[1]]
    if len(run) > 1:
        inside_marks.append(Line(points(run), line.pen, name=line.name))
    return inside_marks


def _clipped_piece(a: Point, b: Point, width: float, height: float) -> tuple[Point, Point] | None:
    """The part of a straight piece inside the window (Liang & Barsky 1984, ACM Trans. Graph. 3:1 [memory])."""
    low, high = 0.0, 1.0
    for start, step, most in ((a[0], b[0] - a[0], width), (a[1], b[1] - a[1], height)):
        if step == 0:
            if not -HAIR <= start <= most + HAIR:
                return None
            continue
        # As shares of the piece, whichever way it runs.
        enter, leave = sorted(((-HAIR - start) / step, (most + HAIR - start) / step))
        low, high = max(low, enter), min(high, leave)
    if low >= high:
        return None

    def at(t: float) -> Point:
        return a if t == 0 else b if t == 1 else (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]))

    return at(low), at(high)


def _clipped_area(ring: list[Point], width: float, height: float) -> list[Point]:
    """An area inside the window (Sutherland & Hodgman 1974 [Sutherland1974], Commun. ACM 17:32 [memory])."""
    # One border after the other; each may add a corner.
    for axis, limit, sign in ((0, 0.0, 1), (0, width, -1), (1, 0.0, 1), (1, height, -1)):
        kept: list[Point] = []
        for a, b in zip(ring, [*ring[1:], *ring[:1]], strict=True):
            over_a, over_b = sign * (a[axis] - limit), sign * (b[axis] - limit)
            if over_a >= 0:
                kept.append(a)
            if (over_a >= 0) != (over_b >= 0):
                t = over_a / (over_a - over_b)  # where the edge crosses the border
                kept.append((a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])))
        ring = kept
    return ring
