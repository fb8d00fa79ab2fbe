"""Tables on paper: a head, a rule, rows; numbers to the right, and fingerings as rows of circles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simkit.making.paper import Drawing, Fill, Ink, Mark, Pen, Text, circle, clipped, stroke

# Millimetres of paper: a row's height, and the type of the rows and of the head.
ROW = 4.9
TYPE = 2.65
HEAD = 2.2
MOST = 40  # rows of a piece of a table


@dataclass(frozen=True)
class Column:
    """A column: its title, its width in mm, the side its words keep to; `strong` for the one that is looked up."""

    title: str
    width: float
    align: str = "right"
    strong: bool = False


Cell = str | tuple[bool, ...]


def table(columns: Sequence[Column], rows: Sequence[Sequence[Cell]], name: str = "") -> Drawing:
    """A table as a drawing; a cell that is a row of truths is a fingering, true for an open hole."""
    heads = max(column.title.count("\n") for column in columns) + 1  # a title of two lines makes room for all
    width = sum(column.width for column in columns)
    height = ROW * len(rows) + heads * HEAD * 1.25 + 2.2
    marks: list[Mark] = []
    left = 0.0
    for column in columns:
        for place, line in enumerate(reversed(column.title.split("\n"))):  # heads of several lines stand on the rule
            at = (_anchor(column, left), height - heads * HEAD * 1.25 + place * HEAD * 1.25)
            marks.append(Text(at, line, HEAD, column.align, ink=Ink.QUIET))
        left += column.width
    top = height - heads * HEAD * 1.25 - 1.2
    marks.append(stroke((0, top), (width, top)))
    for number, row in enumerate(rows):
        middle = top - 0.4 - (number + 0.5) * ROW
        left = 0.0
        for column, cell in zip(columns, row, strict=True):
            marks += _cell(column, cell, left, middle)
            left += column.width
    return Drawing(width, height, tuple(marks), name)


def _anchor(column: Column, left: float) -> float:
    return {"left": left + 0.6, "center": left + column.width / 2, "right": left + column.width - 1.6}[column.align]


def _cell(column: Column, cell: Cell, left: float, middle: float) -> list[Mark]:
    if isinstance(cell, str):
        words = clipped(cell, TYPE, column.width - 1.0)
        ink = Ink.ACCENT if column.strong else Ink.INK
        return [Text((_anchor(column, left), middle), words, TYPE, column.align, "middle", ink=ink, bold=column.strong)]
    step = min(3.0, (column.width - 3.0) / max(1, len(cell)))  # circles shrink where many holes share a column
    size = 0.72 * step
    return [
        # as on the player's charts: filled is covered
        circle((left + 1.6 + (k + 0.5) * step, middle), size, Pen.THIN, None if is_open else Fill.INK)
        for k, is_open in enumerate(cell)
    ]


def parts(columns: Sequence[Column], rows: Sequence[Sequence[Cell]], name: str) -> list[Drawing]:
    """The table in pieces that fit on a sheet, each with its head."""
    return [table(columns, rows[start : start + MOST], name) for start in range(0, max(1, len(rows)), MOST)]
