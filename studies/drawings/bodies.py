"""Bodies side by side: one row each, its outline at the left, and beside it what was found of it as marks on scales."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.ticker import FuncFormatter, NullFormatter

from simkit.body import Body
from simkit.show import look
from simkit.show.look import Panel
from simkit.show.outline import Side, outlines

ROW_MM, OUTLINE_MM, NAME_MM, GAP_MM = 11.5, 19.0, 33.0, 9.0
HEAD_MM, FOOT_MM, MARGIN_MM = 25.0, 15.0, 7.0
SIZE_MM, FINE = 9.0, 64  # height of the tallest outline on paper; steps over an outline


@dataclass(frozen=True)
class Shown:
    """A body, the side that it is drawn from, and its name."""

    name: str
    body: Body
    side: Side


@dataclass(frozen=True)
class Mark:
    """One thing found: where on the scale, its colour and shape, its size in points; hollow for what is doubted."""

    at: float
    color: str = look.CLAY
    shape: str = "o"
    size: float = 4.0
    hollow: bool = False


@dataclass(frozen=True)
class Column:
    """One scale with the marks (rows of marks) and the bars (low, high) of every row.

    scale: "linear", "log", or "symlog", which is linear up to `threshold`. band: what is shaded behind all rows.
    numbers: texts at the right end of each row.
    """

    title: str
    unit: str
    limits: tuple[float, float]
    ticks: Sequence[float]
    marks: Sequence[Sequence[Mark]]
    bars: Sequence[tuple[float, float] | None] = ()
    scale: str = "linear"
    threshold: float = 1.0
    band: tuple[float, float] | None = None
    numbers: Sequence[str] = ()
    width_mm: float = 52.0


def bodies_panel(title: str, rows: Sequence[Shown], columns: Sequence[Column], key: Sequence[tuple[Mark, str]],
                 caption: str = "") -> Panel:  # fmt: skip
    """The rows under each other, all outlines to one scale; `key` says what the marks are."""
    left = MARGIN_MM + OUTLINE_MM + NAME_MM
    width = left + sum(c.width_mm + GAP_MM for c in columns) + MARGIN_MM
    height = HEAD_MM + ROW_MM * len(rows) + FOOT_MM
    largest = max(float(np.ptp(line, axis=0).max()) for row in rows for line in outlines(row.body, row.side, FINE))

    def draw(figure: FigureBase) -> None:
        paper = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
        paper.axis("off")
        paper.text(MARGIN_MM, height - 7, title, fontsize=12, va="center", parse_math=False)
        _key(paper, key, MARGIN_MM, height - 14)
        for n, row in enumerate(rows):
            y = height - HEAD_MM - (n + 0.5) * ROW_MM
            _outline(paper, row, (MARGIN_MM + OUTLINE_MM / 2, y), min(SIZE_MM, OUTLINE_MM - 2) / largest * 1.9)
            paper.text(MARGIN_MM + OUTLINE_MM + 2, y, row.name, va="center_baseline", fontsize=7.5, parse_math=False)
            if n:
                edge = y + ROW_MM / 2
                paper.plot([MARGIN_MM, width - MARGIN_MM], [edge] * 2, color=look.FAINT, linewidth=0.4)
        x = left
        for column in columns:
            box = (x / width, FOOT_MM / height, column.width_mm / width, ROW_MM * len(rows) / height)
            _column(figure.add_axes(box), column, len(rows))
            x += column.width_mm + GAP_MM
        paper.text(MARGIN_MM, 3.5, caption, color=look.QUIET, fontsize=7, va="center", parse_math=False)

    return Panel(width, height, draw)


def _outline(paper: Axes, row: Shown, middle: tuple[float, float], scale: float) -> None:
    """The air as seen from one side, lying along the row; scale in mm of paper for a metre."""
    lines = outlines(row.body, row.side, FINE)
    if np.ptp(np.concatenate(lines), axis=0)[1] > np.ptp(np.concatenate(lines), axis=0)[0]:
        lines = [line[:, ::-1] for line in lines]
    every = np.concatenate(lines)
    center = (every.min(axis=0) + every.max(axis=0)) / 2
    shape = Path.make_compound_path(*(Path(middle + scale * (line - center), closed=True) for line in lines))
    paper.add_patch(PathPatch(shape, facecolor=look.BODY, edgecolor=look.INK, linewidth=0.7))


def _key(paper: Axes, key: Sequence[tuple[Mark, str]], x: float, y: float) -> None:
    for mark, words in key:
        _mark(paper, mark, x + 1.2, y)
        paper.text(x + 3.4, y, words, va="center_baseline", fontsize=7, color=look.QUIET, parse_math=False)
        x += 3.4 + look.width_mm(words, 7) + 6


def _mark(axes: Axes, mark: Mark, x: float, y: float) -> None:
    fill = look.PAPER if mark.hollow else mark.color
    axes.plot(x, y, mark.shape, color=mark.color, markersize=mark.size, markerfacecolor=fill, markeredgewidth=0.8,
              zorder=3)  # fmt: skip


def _column(axes: Axes, column: Column, rows: int) -> None:
    axes.set_xscale(column.scale, **({"linthresh": column.threshold} if column.scale == "symlog" else {}))
    axes.set(xlim=column.limits, ylim=(rows - 0.5, -0.5))
    axes.patch.set_alpha(0)
    if column.band:
        axes.axvspan(*column.band, color=look.AIR, linewidth=0, zorder=0)
    for n, bar in enumerate(column.bars):
        if bar is not None:
            axes.plot(bar, [n, n], color=look.BODY, linewidth=5, solid_capstyle="butt", zorder=1)
    for n, marks in enumerate(column.marks):
        for mark in marks:
            _mark(axes, mark, mark.at, n)
    for n, text in enumerate(column.numbers):
        axes.annotate(text, (1, n), (2, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
                      va="center", fontsize=6.5, color=look.QUIET)  # fmt: skip
    if column.limits[0] < 0 < column.limits[1]:
        axes.axvline(0, color=look.FAINT, linewidth=0.8, zorder=0)
    axes.set_xticks(column.ticks)
    axes.xaxis.set_major_formatter(FuncFormatter(_written(signed=column.limits[0] < 0)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.tick_params(axis="x", which="minor", length=0)
    axes.tick_params(axis="x", labelsize=6.5)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_title(column.title, fontsize=8, pad=4)
    axes.set_xlabel(column.unit, color=look.QUIET, fontsize=7, labelpad=1)


def _written(signed: bool) -> Callable[[float, object], str]:
    def text(value: float, _: object) -> str:
        return (f"{value:+,g}" if signed and value else f"{value:,g}").replace("-", "−")

    return text
