"""Many makers of one design, each with errors of his own: how in tune their pieces end, way by way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase

from simkit.show import look
from simkit.show.look import Panel

WIDTH_MM, HEIGHT_MM = 170.0, 82.0
TOLERANCE_CENTS = 10.0
FARTHEST_CENTS = 50.0
COLOURS = (look.CLAY, look.SLATE, look.QUIET)
MIDDLE = 0.9  # of the makers: what a bar spans


def makers_panel(title: str, notes: Sequence[str], ways: Mapping[str, np.ndarray]) -> Panel:
    """Left the share of makers whose worst note is within so many cents, right where each note of most makers ends.

    ways: by name, cents from the piece's own pitch (makers, notes).
    """

    def draw(figure: FigureBase) -> None:
        figure.text(0.08, 0.93, title, fontsize=11, va="center", parse_math=False)
        shares = figure.add_axes((0.08, 0.19, 0.335, 0.64))
        spread = figure.add_axes((0.505, 0.19, 0.475, 0.64))
        _shares(shares, ways)
        _spread(spread, notes, ways)
        count = len(next(iter(ways.values())))
        caption = (
            f"{count} makers; cents from each piece's own pitch, the mean of its notes; bars: the middle "
            f"{100 * MIDDLE:.0f} % of makers, dot: the median"
        )
        figure.text(0.08, 0.025, caption, color=look.QUIET, fontsize=7, parse_math=False)

    return Panel(WIDTH_MM, HEIGHT_MM, draw)


def _shares(axes: Axes, ways: Mapping[str, np.ndarray]) -> None:
    for (name, cents), colour in zip(ways.items(), COLOURS, strict=False):
        worst = np.sort(np.abs(cents).max(axis=1))
        shown = np.append(worst, FARTHEST_CENTS) if worst[-1] < FARTHEST_CENTS else worst
        share = np.minimum(np.arange(1, len(shown) + 1) / len(worst), 1.0)
        axes.step(
            np.insert(shown, 0, 0), 100 * np.insert(share, 0, 0), where="post", color=colour, linewidth=1.4, label=name
        )
    axes.axvline(TOLERANCE_CENTS, color=look.FAINT, linewidth=0.8, zorder=0)
    axes.set(xlim=(0, FARTHEST_CENTS), ylim=(0, 102), xlabel="worst note, cents", ylabel="makers within, %")
    axes.legend(loc="lower right", handlelength=1.4)


def _spread(axes: Axes, notes: Sequence[str], ways: Mapping[str, np.ndarray]) -> None:
    axes.axhspan(-TOLERANCE_CENTS, TOLERANCE_CENTS, color=look.AIR, zorder=0)
    axes.axhline(0, color=look.FAINT, linewidth=0.8, zorder=1)
    apart = 0.8 / max(1, len(ways))
    low, high = (1 - MIDDLE) / 2, (1 + MIDDLE) / 2
    for k, (cents, colour) in enumerate(zip(ways.values(), COLOURS, strict=False)):
        at = np.arange(len(notes)) + (k - (len(ways) - 1) / 2) * apart
        bottom, middle, top = np.quantile(cents, [low, 0.5, high], axis=0)
        axes.vlines(at, bottom, top, color=colour, linewidth=3.0, zorder=2)
        axes.plot(at, middle, "o", color=look.PAPER, markersize=2.0, zorder=3)
    axes.set_xticks(range(len(notes)), notes)
    axes.tick_params(axis="x", length=0)
    axes.set_xlim(-0.6, len(notes) - 0.4)
    axes.set_ylabel("cents when fired")


def session_panel(title: str, visits: Sequence[tuple[str, str, float, float, float]]) -> Panel:
    """One maker at the bench: after each cut how far its judge is from its mark, true and as believed with its doubt.

    visits: hole, note, true cents, believed cents and one standard deviation, in the order of the cuts.
    """

    def draw(figure: FigureBase) -> None:
        axes = figure.add_axes((0.1, 0.2, 0.88, 0.62))
        figure.text(0.1, 0.92, title, fontsize=11, va="center", parse_math=False)
        axes.axhspan(-TOLERANCE_CENTS, TOLERANCE_CENTS, color=look.AIR, zorder=0)
        axes.axhline(0, color=look.FAINT, linewidth=0.8, zorder=1)
        at = np.arange(len(visits))
        true, believed, doubt = (np.array([visit[k] for visit in visits]) for k in (2, 3, 4))
        for hole in dict.fromkeys(visit[0] for visit in visits):
            own = np.array([visit[0] == hole for visit in visits])
            axes.plot(at[own], true[own], color=look.FAINT, linewidth=0.9, zorder=1)
        axes.vlines(at, believed - 2 * doubt, believed + 2 * doubt, color=look.BODY, linewidth=5, zorder=2)
        axes.plot(
            at, believed, "_", color=look.CLAY, markersize=9, markeredgewidth=1.4, zorder=3, label="believed, ± 2 s.d."
        )
        axes.plot(at, true, "o", color=look.INK, markersize=3.2, zorder=4, label="true")
        axes.set_xticks(at, [f"{hole}\n{note}" for hole, note, *_ in visits])
        axes.tick_params(axis="x", length=0)
        axes.set_xlim(-0.6, len(visits) - 0.4)
        axes.set_ylabel("cents from the mark")
        axes.legend(loc="lower right", ncols=2, handlelength=1.2)
        caption = (
            "below, after each cut: the hole that was cut, and the note that judges it; lines join the cuts of one hole"
        )
        figure.text(0.1, 0.025, caption, color=look.QUIET, fontsize=7, parse_math=False)

    return Panel(WIDTH_MM, 76.0, draw)
