"""The breath that a scale needs, as a picture: each note's playing pressure, where it starts and where it jumps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase

from simkit.show import look
from simkit.show.look import Panel
from simkit.show.scale import draw_fingers, over_notes
from simkit.show.terminal import margin_words
from simkit.sound.blowing.growth import HIGHEST_PA
from simkit.sound.blowing.table import BlowingChamber, BlowingNote
from simkit.sound.blowing.thresholds import HARD_PA, NARROW

WIDTH_MM, STEP_MM = 150.0, 11.0
LEFT_MM, RIGHT_MM, HEAD_MM, FOOT_MM = 19.0, 14.0, 15.0, 16.0
BREATH_MM, MARGIN_MM, HOLE_MM, GAP_MM = 52.0, 34.0, 3.6, 7.0
PASCALS = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
TIMES = (1, 1.5, 2, 3, 5, 10, 20, 50, 100, 200, 500)


def breath_panel(title: str, holes: Sequence[str], chamber: BlowingChamber) -> Panel:
    """Three panels over the notes: breath in Pa from onset to jump, the margin between, and the fingering."""
    notes = chamber.notes
    width = max(WIDTH_MM, LEFT_MM + RIGHT_MM + STEP_MM * len(notes))  # few notes still leave room for the caption
    fingers = max(HOLE_MM * len(holes), 1.0)
    height = HEAD_MM + BREATH_MM + GAP_MM + MARGIN_MM + GAP_MM + fingers + FOOT_MM

    def draw(figure: FigureBase) -> None:
        heading = look.short(title, width - LEFT_MM - RIGHT_MM, 12)
        figure.text(LEFT_MM / width, 1 - 7 / height, heading, fontsize=12, va="center")
        names, tall = [note.pitch or "all covered" for note in notes], (BREATH_MM, MARGIN_MM, fingers)
        rows = over_notes(figure, (width, height), (LEFT_MM, RIGHT_MM), HEAD_MM, tall, GAP_MM, names)
        _breath(rows[0], chamber)
        _margins(rows[1], notes)
        draw_fingers(rows[2], holes, [note.open for note in notes])
        caption = "bars: from where a note can start to where it jumps (triangle) or dies, up to 5,000 Pa"
        feeling = "100 Pa: a straw 1 cm deep in water just bubbles; 500 Pa: 5 cm deep"
        for y, words in ((6.4, caption), (3, feeling)):
            figure.text(LEFT_MM / width, y / height, words, color=look.QUIET, fontsize=7)

    return Panel(width, height, draw)


_BELOW_FROM = 0.55  # of the hard breath: from there on a figure above its dot reaches up to the line


def _breath(axes: Axes, chamber: BlowingChamber) -> None:
    notes = chamber.notes
    look.ratio_axis(axes, "y", PASCALS, ",g")
    axes.set_ylabel("breath, Pa", color=look.QUIET)
    axes.axhline(HARD_PA, color=look.FAINT, linewidth=0.8, zorder=0)
    _beside(axes, HARD_PA, "hard\nabove")
    low, ends = HARD_PA, _ends(chamber)
    for n, note in enumerate(notes):
        b = note.blown
        if b.pressure is None:
            axes.annotate("silent", (n, 0.5), xycoords=("data", "axes fraction"), ha="center", va="center", rotation=90,
                          fontsize=7, color=look.CLAY)  # fmt: skip
            continue
        # a note that starts only above its best breath: the bar begins there
        start = min(b.threshold or b.pressure, b.pressure)
        axes.plot([n, n], [start, ends[n]], color=look.BODY, linewidth=6, zorder=1,
                  solid_capstyle="butt")  # fmt: skip
        if b.overblow_at and b.lasts is None:
            axes.plot(n, b.overblow_at, "v", color=look.INK, markersize=4, zorder=3, clip_on=False)
        fill = look.CLAY if b.in_phase else look.PAPER  # hollow: the jet drives it out of step, and weakly
        axes.plot(n, b.pressure, "o", color=look.CLAY, markerfacecolor=fill, markersize=5, zorder=4, clip_on=False)
        below = _BELOW_FROM * HARD_PA < b.pressure < HARD_PA  # above the dot the line would strike it
        axes.annotate(f"{b.pressure:.0f}", (n, b.pressure), (0, -5 if below else 5), textcoords="offset points",
                      ha="center", va="top" if below else "bottom", fontsize=6.5, color=look.INK,
                      zorder=5)  # fmt: skip
        low = min(low, start)
    axes.set_ylim(low / 1.2, HIGHEST_PA * 1.1)  # a little air at both ends, where marks would be cut
    joined = [(n, note.blown.pressure) for n, note in enumerate(notes) if note.blown.pressure is not None]
    axes.plot([n for n, _ in joined], [p for _, p in joined], color=look.CLAY, linewidth=0.8, alpha=0.5, zorder=2)


def _ends(chamber: BlowingChamber) -> np.ndarray:
    """Breath (F,) in Pa at which each note jumps, or else dies; the highest pressure computed if it does neither."""
    over = chamber.blown.takeover
    return np.fmin(np.fmin(over.dies, over.pressure), HIGHEST_PA)  # fmin passes over nan


def _margins(axes: Axes, notes: Sequence[BlowingNote]) -> None:
    look.ratio_axis(axes, "y", TIMES, ",g")
    axes.set_ylabel("margin, times\nthe breath", color=look.QUIET)
    axes.axhline(NARROW, color=look.FAINT, linewidth=0.8, zorder=0)
    _beside(axes, NARROW, "narrow\nbelow")
    most = 2.0  # an axis from 1 to 2 at least, so that narrow margins look narrow
    for n, note in enumerate(notes):
        margin = note.blown.lasts or note.blown.overblow_margin
        if margin is None:
            continue
        jumps = note.blown.overblow_at is not None and note.blown.lasts is None
        # From 1, the breath it plays at, on a logarithmic axis.
        axes.bar(n, margin - 1, bottom=1, width=0.5, color=look.CLAY if jumps else look.PAPER, edgecolor=look.CLAY,
                 linewidth=0.8)  # fmt: skip
        axes.annotate(margin_words(note.blown), (n, max(margin, 1)), (0, 2),
                      textcoords="offset points", ha="center", fontsize=6.5, color=look.QUIET)  # fmt: skip
        most = max(most, margin)
    axes.set_ylim(1, most * 1.4)  # room for the numbers on the bars


def _beside(axes: Axes, value: float, text: str) -> None:
    axes.annotate(text, (1, value), (3, 0), xycoords=("axes fraction", "data"), textcoords="offset points", va="center",
                  fontsize=6.5, color=look.QUIET)  # fmt: skip
