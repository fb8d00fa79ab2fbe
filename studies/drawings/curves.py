"""A few curves on one pair of scales, each named at its end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import FigureBase
from matplotlib.ticker import FuncFormatter, NullFormatter

from simkit.show import look
from simkit.show.look import Panel

WIDTH_MM, HEIGHT_MM = 120.0, 84.0
LEFT_MM, RIGHT_MM, HEAD_MM, FOOT_MM = 17.0, 30.0, 14.0, 20.0


@dataclass(frozen=True)
class Curve:
    """Points joined by a line: how it is called, its colour, and which of its points are hollow, for doubted."""

    name: str
    x: Sequence[float]
    y: Sequence[float]
    color: str = look.CLAY
    shape: str = "o"
    line: str = "-"
    hollow: Sequence[bool] = ()


def curves_panel(
    title: str,
    across: str,
    up: str,
    curves: Sequence[Curve],
    caption: str = "",
    x_ticks: Sequence[float] = (),
    y_scale: str = "linear",
    y_ticks: Sequence[float] = (),
) -> Panel:
    """The curves, with their names at the right ends, pushed apart where they would touch."""
    right = max(RIGHT_MM, *(look.width_mm(curve.name, 7) + 5 for curve in curves))
    width = WIDTH_MM - RIGHT_MM + right

    def draw(figure: FigureBase) -> None:
        box = (
            LEFT_MM / width,
            FOOT_MM / HEIGHT_MM,
            1 - (LEFT_MM + right) / width,
            1 - (HEAD_MM + FOOT_MM) / HEIGHT_MM,
        )
        axes = figure.add_axes(box, yscale=y_scale)
        figure.text(LEFT_MM / width, 1 - 7 / HEIGHT_MM, title, fontsize=11, va="center", parse_math=False)
        for curve in curves:
            axes.plot(curve.x, curve.y, curve.line, color=curve.color, linewidth=1.1, zorder=2)
            for n, point in enumerate(zip(curve.x, curve.y, strict=True)):
                hollow = bool(curve.hollow) and curve.hollow[n]
                axes.plot(*point, curve.shape, color=curve.color, markersize=4.5, zorder=3,
                          markerfacecolor=look.PAPER if hollow else curve.color)  # fmt: skip
        axes.set_xlabel(across, color=look.QUIET)
        axes.set_ylabel(up, color=look.QUIET)
        if len(x_ticks):
            axes.set_xticks(x_ticks, [f"{x:g}" for x in x_ticks])
        if len(y_ticks):
            axes.set_yticks(y_ticks)
            axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,g}".replace("-", "−")))
            axes.yaxis.set_minor_formatter(NullFormatter())
            axes.tick_params(axis="y", which="minor", length=0)
        axes.margins(0.04, 0.08)
        low, high = axes.get_ylim()
        if low < 0 < high:
            axes.axhline(0, color=look.FAINT, linewidth=0.8, zorder=0)
        axes.set_ylim(low, high)
        shares = axes.transAxes.inverted().transform(
            axes.transData.transform([(curve.x[-1], curve.y[-1]) for curve in curves])
        )[:, 1]
        for curve, share in zip(curves, _apart(shares, 3.6 / (HEIGHT_MM - HEAD_MM - FOOT_MM)), strict=True):
            axes.annotate(curve.name, (1, share), (3, 0), xycoords="axes fraction", textcoords="offset points",
                          va="center", fontsize=7, color=curve.color)  # fmt: skip
        figure.text(LEFT_MM / width, 3.5 / HEIGHT_MM, caption, color=look.QUIET, fontsize=7, parse_math=False)

    return Panel(width, HEIGHT_MM, draw)


def _apart(shares: np.ndarray, least: float) -> np.ndarray:
    """The same heights, moved up where two are nearer than `least`.

    >>> _apart(np.array([0.5, 0.1, 0.52]), 0.1).round(2).tolist()
    [0.5, 0.1, 0.6]
    """
    placed = shares.copy()
    below = -np.inf
    for n in np.argsort(shares):
        placed[n] = below = max(shares[n], below + least)
    return placed
