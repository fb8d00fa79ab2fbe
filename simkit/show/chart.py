"""The scale at a glance: where each note should be, where it is, how sure that is, and how it is fingered."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from simkit.show import look
from simkit.show.lines import IN_TUNE_CENTS, Line

COLORS = {"lumped": look.QUIET, "ports": look.CLAY, "resolved": look.INK}
MARKS = {"lumped": "D", "ports": "o", "resolved": "s"}
STEP_MM = 11.0  # from note to note
LEFT_MM, RIGHT_MM, HEAD_MM, FOOT_MM = 17.0, 6.0, 15.0, 8.0
PITCH_MM, CENTS_MM, HOLE_MM, GAP_MM = 42.0, 42.0, 3.6, 6.0


def scale_chart(title: str, holes: Sequence[str], notes: Sequence[Line], caption: str = "") -> Figure:
    """Three panels over the notes: pitch in Hz, cents off the target with uncertainty, and the fingering."""
    models = [model for model in COLORS if any(model in note.heard for note in notes)]
    with look.styled():
        width = max(90.0, LEFT_MM + RIGHT_MM + STEP_MM * max(len(notes), 1))
        fingers = HOLE_MM * len(holes)
        height = HEAD_MM + PITCH_MM + GAP_MM + CENTS_MM + GAP_MM + fingers + FOOT_MM + (5 if caption else 0)
        figure = look.sheet(width, height)

        def panel(top: float, tall: float) -> Axes:
            box = (LEFT_MM / width, 1 - (top + tall) / height, 1 - (LEFT_MM + RIGHT_MM) / width, tall / height)
            axes = figure.add_axes(box, xlim=(-0.6, max(len(notes), 1) - 0.4))
            axes.set_xticks(range(len(notes)), [note.name for note in notes])
            axes.tick_params(axis="x", length=0, labelbottom=False)
            axes.spines["bottom"].set_visible(False)
            return axes

        room = width - LEFT_MM - RIGHT_MM - _key(figure, models, width, height)
        figure.text(
            LEFT_MM / width, 1 - 7 / height, look.short(title, room, 12), fontsize=12, va="center", parse_math=False
        )
        _pitch(panel(HEAD_MM, PITCH_MM), notes, models)
        _cents(panel(HEAD_MM + PITCH_MM + GAP_MM, CENTS_MM), notes, models)
        lowest = panel(HEAD_MM + PITCH_MM + CENTS_MM + 2 * GAP_MM, max(fingers, 1.0))
        lowest.tick_params(axis="x", labelbottom=True)
        _fingers(lowest, holes, notes)
        figure.text(LEFT_MM / width, 3 / height, caption, color=look.QUIET, fontsize=7, parse_math=False)
    return figure


def _key(figure: Figure, models: Sequence[str], width: float, height: float) -> float:
    """Draws which mark is which model, and returns the width that it takes, mm."""
    axes = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
    axes.axis("off")
    right = width - RIGHT_MM
    for model in reversed(models):
        axes.text(right, height - 7, model, ha="right", va="center_baseline", fontsize=7.5)
        right -= look.width_mm(model, 7.5) + 2.6
        axes.plot(right, height - 6.8, MARKS[model], color=COLORS[model], markersize=4)
        right -= 5.0
    return width - RIGHT_MM - right


def _pitch(axes: Axes, notes: Sequence[Line], models: Sequence[str]) -> None:
    axes.set_yscale("log")
    axes.set_ylabel("pitch, Hz", color=look.QUIET)
    for n, note in enumerate(notes):
        if note.target_hz:
            axes.plot([n - 0.32, n + 0.32], [note.target_hz] * 2, color=look.FAINT, linewidth=3, zorder=1)
        best = next((model for model in reversed(models) if model in note.heard), None)
        if best is None:
            continue
        hz = note.heard[best].frequency_hz
        axes.plot(n, hz, MARKS[best], color=COLORS[best], markersize=4, zorder=3)
        above = max(hz, note.target_hz or 0)
        axes.annotate(
            f"{hz:.0f}", (n, above), (0, 5), textcoords="offset points", ha="center", fontsize=6.5, color=look.QUIET
        )
    low, high = axes.get_ylim()
    axes.set_ylim(low / 1.03, high * 1.06)
    steps = [s * 10.0**e for e in (1, 2, 3) for s in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9)]
    axes.set_yticks([s for s in steps if low / 1.03 <= s <= high * 1.06])
    axes.yaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.tick_params(axis="y", which="minor", length=0)


def _cents(axes: Axes, notes: Sequence[Line], models: Sequence[str]) -> None:
    axes.axhspan(-IN_TUNE_CENTS, IN_TUNE_CENTS, color=look.AIR, zorder=0)
    axes.axhline(0, color=look.FAINT, linewidth=0.8, zorder=1)
    axes.set_ylabel("cents off target", color=look.QUIET)
    reach = 20.0
    for k, model in enumerate(models):
        shift = 0.18 * (k - (len(models) - 1) / 2)
        for n, note in enumerate(notes):
            heard = note.heard.get(model)
            if heard is None or heard.cents is None:
                continue
            unsure = heard.uncertainty_cents or 0.0
            color, span = COLORS[model], [heard.cents - unsure, heard.cents + unsure]
            axes.plot([n + shift] * 2, span, color=color, alpha=0.45, linewidth=1.6)
            axes.plot(n + shift, heard.cents, MARKS[model], color=color, markersize=4, zorder=3)
            reach = max(reach, abs(heard.cents) + unsure)
    axes.set_ylim(-1.1 * reach, 1.1 * reach)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda cents, _: f"{cents:+.0f}".replace("-", "−") if cents else "0"))


def _fingers(axes: Axes, holes: Sequence[str], notes: Sequence[Line]) -> None:
    axes.set_ylim(max(len(holes), 1) - 0.5, -0.5)
    axes.set_yticks(range(len(holes)), list(holes))
    axes.tick_params(axis="y", length=0, labelsize=6.5)
    axes.spines["left"].set_visible(False)
    for n, note in enumerate(notes):
        is_open = np.array([name in note.opened for name in holes], bool)
        for rows, fill in ((np.flatnonzero(is_open), look.PAPER), (np.flatnonzero(~is_open), look.HOLLOW)):
            style = {"markerfacecolor": fill, "markeredgecolor": look.HOLLOW, "markeredgewidth": 0.8}
            axes.plot([n] * len(rows), rows, "o", markersize=5.5, **style)
