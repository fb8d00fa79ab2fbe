"""A picture of the scale: target, prediction and uncertainty of each note, and its fingering."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from matplotlib.ticker import FuncFormatter, NullLocator

from simkit.show import look
from simkit.show.lines import IN_TUNE_CENTS
from simkit.show.look import Panel
from simkit.sound.answers.prediction import Answer, PredictedNote
from simkit.sound.catalogue import BUILT_IN, model_of
from simkit.sound.catalogue import names as model_names

FREE_COLOURS = (look.SLATE, "#6b7f3a", "#7a4b7e", "#b08a2e")  # for models that ask for none
FREE_MARKS = ("^", "v", "P", "X")
STEP_MM = 11.0  # from note to note
LEFT_MM, RIGHT_MM, HEAD_MM, FOOT_MM = 17.0, 6.0, 15.0, 8.0
PITCH_MM, CENTS_MM, HOLE_MM, GAP_MM = 42.0, 42.0, 3.6, 6.0
_WIDE_CENTS = 40.0  # from which on the axis of cents closes up outwards
# Ticks of the axis of cents where some note is far off.
_FAR_CENTS = (0, 5, 10, 20, 50, 100, 200, 500, 1000)


def colour(model: str) -> str:
    """A model's colour: the one of `look` that it names, or one of those that are free."""
    named = model_of(model).colour
    return str(getattr(look, named)) if named else FREE_COLOURS[_free(model) % len(FREE_COLOURS)]


def mark(model: str) -> str:
    """A model's mark, the one that it names, or one of those that are free."""
    return model_of(model).mark or FREE_MARKS[_free(model) % len(FREE_MARKS)]


def _free(model: str) -> int:
    """The place of a model among those that other packages add."""
    return [name for name in model_names() if all(name != own.name for own in BUILT_IN)].index(model)


def scale_chart(
    title: str, holes: Sequence[str], notes: Sequence[PredictedNote], caption: str = "", least_width_mm: float = 90.0
) -> Panel:
    """Three panels over the notes: pitch in Hz, cents off the target with uncertainty, and the fingering."""
    answering = {answer.model for note in notes for answer in note.answers if answer.frequency_hz is not None}
    models = sorted(answering, key=lambda model: model_of(model).order)
    width = max(least_width_mm, LEFT_MM + RIGHT_MM + STEP_MM * max(len(notes), 1))
    fingers = max(HOLE_MM * len(holes), 1.0)
    height = HEAD_MM + PITCH_MM + GAP_MM + CENTS_MM + GAP_MM + fingers + FOOT_MM + (5 if caption else 0)

    def draw(figure: FigureBase) -> None:
        room = width - LEFT_MM - RIGHT_MM - _key(figure, models, width, height)
        heading = look.short(title, room, 12)
        figure.text(LEFT_MM / width, 1 - 7 / height, heading, fontsize=12, va="center")
        names, tall = [note.pitch or "" for note in notes], (PITCH_MM, CENTS_MM, fingers)
        rows = over_notes(figure, (width, height), (LEFT_MM, RIGHT_MM), HEAD_MM, tall, GAP_MM, names)
        _pitch(rows[0], notes, models)
        _cents(rows[1], notes, models)
        draw_fingers(rows[2], holes, [note.open for note in notes])
        figure.text(LEFT_MM / width, 3 / height, caption, color=look.QUIET, fontsize=7)

    return Panel(width, height, draw)


def _by(note: PredictedNote, model: str) -> Answer | None:
    """The model's answer, if it was asked and found a resonance."""
    return next((a for a in note.answers if a.model == model and a.frequency_hz is not None), None)


def _key(figure: FigureBase, models: Sequence[str], width: float, height: float) -> float:
    """Draw which mark is which model and what the grey bars are, and return the width that it takes, mm."""
    axes = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
    axes.axis("off")
    right = width - RIGHT_MM
    for name in [*reversed(models), "target"]:
        axes.text(right, height - 7, name, ha="right", va="center_baseline", fontsize=7.5)
        right -= look.width_mm(name, 7.5) + 2.6  # from the right margin leftward
        if name in models:
            axes.plot(right, height - 6.8, mark(name), color=colour(name), markersize=4)
        else:
            axes.plot([right - 2.0, right + 1.0], [height - 6.8] * 2, color=look.FAINT, linewidth=3)
        right -= 5.0
    return width - RIGHT_MM - right


def _pitch(axes: Axes, notes: Sequence[PredictedNote], models: Sequence[str]) -> None:
    """Targets as grey bars; the best model's answers as marks, the number of each on the side away from its bar."""
    axes.set_ylabel("pitch, Hz", color=look.QUIET)
    for n, note in enumerate(notes):
        if note.target_hz:
            axes.plot([n - 0.32, n + 0.32], [note.target_hz] * 2, color=look.FAINT, linewidth=3, zorder=1)
        # Models come quickest first: the last one that answers is the most accurate.
        best = next((answer for model in reversed(models) if (answer := _by(note, model))), None)
        if best is None:
            continue
        hz = best.frequency_hz or 0.0
        color = colour(best.model)
        axes.plot(n, hz, mark(best.model), color=color, markersize=4, zorder=3, clip_on=False)
        below = note.target_hz is not None and hz < note.target_hz
        style: dict[str, Any] = {"ha": "center", "va": "top" if below else "bottom", "fontsize": 6.5, "color": color}
        axes.annotate(f"{hz:.0f}", (n, hz), (0, -4 if below else 4), textcoords="offset points", **style)
    # Whatever has been drawn sets the axis.
    drawn = [float(hz) for line in axes.lines for hz in np.asarray(line.get_ydata(), float)]
    # a tenth of room: 1.65 semitones, for the numbers beside the marks
    low, high = min(drawn, default=400.0) / 1.1, max(drawn, default=800.0) * 1.1
    look.hertz_axis(axes, low, high)


def _cents(axes: Axes, notes: Sequence[PredictedNote], models: Sequence[str]) -> None:
    axes.axhspan(-IN_TUNE_CENTS, IN_TUNE_CENTS, color=look.AIR, zorder=0)
    axes.axhline(0, color=look.FAINT, linewidth=0.8, zorder=1)
    axes.set_ylabel("cents off target", color=look.QUIET)
    reach = 20.0  # cents: a tuned scale is not blown up to look bad
    for k, model in enumerate(models):
        shift = 0.18 * (k - (len(models) - 1) / 2)  # side by side about the note
        for n, note in enumerate(notes):
            answer = _by(note, model)
            if answer is None or answer.cents is None:
                continue
            unsure = answer.uncertainty_cents
            color, span = colour(model), [answer.cents - unsure, answer.cents + unsure]
            axes.plot([n + shift] * 2, span, color=color, alpha=0.45, linewidth=1.6, solid_capstyle="butt")
            axes.plot(n + shift, answer.cents, mark(model), color=color, markersize=3.2, zorder=3, clip_on=False)
            reach = max(reach, abs(answer.cents) + unsure)
    if reach > _WIDE_CENTS:
        # Even near the target and closing up outwards, so that a rough model's bars do not hide a sure one's.
        axes.set_yscale("asinh", linear_width=IN_TUNE_CENTS)
        axes.set_yticks([sign * cents for cents in _FAR_CENTS if cents <= reach for sign in (-1, 1)])
        axes.yaxis.set_minor_locator(NullLocator())
    axes.set_ylim(-1.1 * reach, 1.1 * reach)  # as much above as below: flat and sharp weigh alike to the eye
    axes.yaxis.set_major_formatter(FuncFormatter(lambda cents, _: f"{cents:+.0f}".replace("-", "−") if cents else "0"))


def over_notes(
    figure: FigureBase,
    paper: tuple[float, float],
    sides: tuple[float, float],
    head: float,
    tall: Sequence[float],
    gap: float,
    names: Sequence[str],
) -> list[Axes]:
    """Axes `tall` mm high one under the other, from `head` mm down, `gap` apart, a column a note; named in the last."""
    rows: list[Axes] = []
    for each in tall:
        axes = look.row(figure, paper, sides, head, each)
        axes.set_xlim(-0.6, max(len(names), 1) - 0.4)
        axes.set_xticks(range(len(names)), names)
        axes.tick_params(axis="x", length=0, labelbottom=len(rows) + 1 == len(tall))
        axes.spines["bottom"].set_visible(False)
        rows.append(axes)
        head += each + gap
    return rows


def draw_fingers(axes: Axes, holes: Sequence[str], opened: Sequence[Collection[str]]) -> None:
    """Covered and open circles under each note, one row a hole."""
    axes.set_ylim(max(len(holes), 1) - 0.5, -0.5)  # the first hole of the file on top
    axes.set_yticks(range(len(holes)), list(holes))
    axes.tick_params(axis="y", length=0, labelsize=6.5)
    axes.spines["left"].set_visible(False)
    for n, names in enumerate(opened):
        is_open = np.array([name in names for name in holes], bool)
        for rows, fill in ((np.flatnonzero(is_open), look.PAPER), (np.flatnonzero(~is_open), look.HOLLOW)):
            axes.plot(
                [n] * len(rows),
                rows,
                "o",
                markersize=5.5,
                markerfacecolor=fill,
                markeredgecolor=look.HOLLOW,
                markeredgewidth=0.8,
                clip_on=False,
            )
