"""A sheet of paper as plain lines and words in millimetres, without any drawing library.

The origin is the lower left corner, x to the right, y up. Nothing here depends on a printer or a picture format.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

Point = tuple[float, float]  # x and y, mm


class Pen(StrEnum):
    """Meaning of a line; how it looks is up to the renderer."""

    CUT = "cut"  # where the knife goes
    OUTLINE = "outline"  # an edge that is looked at
    THIN = "thin"  # frames, ticks, dimensions
    GUIDE = "guide"  # centre lines, stations
    HIDDEN = "hidden"  # what lies behind
    MARK = "mark"  # what is marked on the clay
    FAINT = "faint"  # for the eye alone: a photograph shows it no darker than paper in shadow
    NONE = "none"  # a fill without an edge


class Fill(StrEnum):
    """The material or colour of an area."""

    CLAY = "clay"
    TINT = "tint"
    INK = "ink"
    BLACK = "black"
    ACCENT = "accent"
    PAPER = "paper"


class Ink(StrEnum):
    """The colour of words."""

    INK = "ink"
    QUIET = "quiet"
    ACCENT = "accent"
    PAPER = "paper"
    FAINT = "faint"


@dataclass(frozen=True)
class Line:
    """Straight pieces from point to point, mm; `closed` joins the last to the first; `name` finds it again."""

    points: tuple[Point, ...]
    pen: Pen = Pen.OUTLINE
    closed: bool = False
    fill: Fill | None = None
    name: str = ""

    @property
    def path(self) -> tuple[Point, ...]:
        """Its points, of a closed line the first once more."""
        return (*self.points, self.points[0]) if self.closed else self.points

    @property
    def length(self) -> float:
        """Along the line, mm."""
        return sum(math.dist(a, b) for a, b in pairwise(self.path))

    def moved(self, dx: float, dy: float) -> Line:
        return replace(self, points=tuple((x + dx, y + dy) for x, y in self.points))


@dataclass(frozen=True)
class Text:
    """Words at a point; `size` is that of the type in mm; `align` left, center, right; `level` top, middle, base."""

    at: Point
    words: str
    size: float = 2.7  # mm: 7.7 points, small print that is still read at arm's length
    align: str = "left"
    level: str = "base"
    turn_deg: float = 0.0
    ink: Ink = Ink.INK
    bold: bool = False

    def moved(self, dx: float, dy: float) -> Text:
        return replace(self, at=(self.at[0] + dx, self.at[1] + dy))


Mark = Line | Text


@dataclass(frozen=True)
class Drawing:
    """Marks that belong together, with the room they take: from (0, 0) to (width, height)."""

    width: float
    height: float
    marks: tuple[Mark, ...]
    name: str = ""

    def moved(self, dx: float, dy: float) -> tuple[Mark, ...]:
        return tuple(mark.moved(dx, dy) for mark in self.marks)


@dataclass(frozen=True)
class Paper:
    """A size of paper, mm, upright or lying."""

    name: str
    width: float
    height: float

    @property
    def lying(self) -> Paper:
        """The same paper turned by a quarter."""
        return Paper(self.name, self.height, self.width)


A4 = Paper("A4", 210.0, 297.0)  # ISO 216
LETTER = Paper("Letter", 215.9, 279.4)  # ANSI/ASME Y14.1, size A: 8 1/2 by 11 inches
PAPERS = (A4, LETTER)


@dataclass(frozen=True)
class Page:
    """One sheet at exactly 1:1."""

    title: str
    paper: Paper
    marks: tuple[Mark, ...]

    def line(self, name: str) -> Line:
        """The first line of that name; a KeyError if there is none."""
        for mark in self.marks:
            if isinstance(mark, Line) and mark.name == name:
                return mark
        raise KeyError(f"no line {name!r} on this page")


def points(pairs: Iterable[Sequence[float]]) -> tuple[Point, ...]:
    """Points of a line from any pairs of numbers, to a ten-thousandth of a mm."""
    return tuple((round(float(x), 4), round(float(y), 4)) for x, y in pairs)


def polygon(pairs: Iterable[Sequence[float]], pen: Pen = Pen.OUTLINE, fill: Fill | None = None, name: str = "") -> Line:
    """A closed line."""
    return Line(points(pairs), pen, True, fill, name)


def stroke(*pairs: Sequence[float], pen: Pen = Pen.THIN, name: str = "") -> Line:
    """An open line."""
    return Line(points(pairs), pen, name=name)


def rectangle(
    x: float, y: float, width: float, height: float, pen: Pen = Pen.THIN, fill: Fill | None = None, name: str = ""
) -> Line:
    """An upright rectangle by its lower left corner."""
    return polygon(((x, y), (x + width, y), (x + width, y + height), (x, y + height)), pen, fill, name)


def circle(
    center: Sequence[float], diameter: float, pen: Pen = Pen.OUTLINE, fill: Fill | None = None, name: str = ""
) -> Line:
    """A circle as a polygon of 96 sides with the circle's own area."""
    count, turn = 96, 2 * math.pi / 96  # 96 sides: a disc of 12 mm is then true to 0.01 mm
    # n/2 r^2 sin(2 pi/n) = pi R^2
    radius = diameter / 2 * math.sqrt(turn / math.sin(turn))
    x, y = center
    return polygon(
        ((x + radius * math.cos(k * turn), y + radius * math.sin(k * turn)) for k in range(count)), pen, fill, name
    )


CHARACTER = 0.56  # mean width of a letter of the type that we draw with, over its size


def width_of(words: str, size: float) -> float:
    """Width of words on paper, mm, approximately."""
    return CHARACTER * size * len(words)


def clipped(words: str, size: float, width: float) -> str:
    """The words, or their beginning with an ellipsis where they would be wider than `width` mm."""
    most = max(1, int(width / (CHARACTER * size)))
    # a letter stays even where nothing fits: a name must be told from another
    return words if len(words) <= most else words[: max(1, most - 1)].rstrip() + "…"


def wrapped(words: str, size: float, width: float) -> list[str]:
    """The words broken into lines of at most about `width` mm."""
    # Without breaking words: a longer one runs over rather than be torn.
    most = max(8, int(width / (CHARACTER * size)))  # in a very narrow column at least a short word
    return textwrap.wrap(" ".join(words.split()), most, break_long_words=False, break_on_hyphens=False)


def wrapped_pairs(rows: Iterable[tuple[str, str]], size: float, width: float) -> list[tuple[str, str]]:
    """Words and what they mean, broken into lines of about `width` mm at most; each word before its first line."""
    return [
        (word if k == 0 else "", line) for word, meaning in rows for k, line in enumerate(wrapped(meaning, size, width))
    ]
