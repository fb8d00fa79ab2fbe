"""A picture of all combinations of holes: which pitches a vessel has, and which of them the design uses."""

from __future__ import annotations

from matplotlib.figure import FigureBase
from matplotlib.ticker import FuncFormatter, NullFormatter

from simkit.show import look
from simkit.show.look import Panel
from simkit.sound.answers.chart import Chart, ChartedChamber
from simkit.vessel import Vessel, tuning_of

WIDTH_MM, HEIGHT_MM = 150.0, 92.0
LEFT_MM, RIGHT_MM, HEAD_MM, FOOT_MM = 17.0, 8.0, 17.0, 17.0
MOST_NAMES = 27  # two octaves and a third: beyond it only the natural notes are named


def combinations_panel(vessel: Vessel, chart: Chart, chamber: ChartedChamber) -> Panel:
    """Pitch against the number of open holes; the design's own notes filled and named, note lines behind."""

    def draw(figure: FigureBase) -> None:
        tall = HEIGHT_MM - HEAD_MM - FOOT_MM
        axes = look.row(figure, (WIDTH_MM, HEIGHT_MM), (LEFT_MM, RIGHT_MM), HEAD_MM, tall)
        name = f", {chamber.name}" if len(chart.chambers) > 1 else ""
        heading = look.short(f"{vessel.title or 'vessel'}{name}: every combination", WIDTH_MM - LEFT_MM - RIGHT_MM, 12)
        figure.text(LEFT_MM / WIDTH_MM, 1 - 8 / HEIGHT_MM, heading, fontsize=12, va="center")
        hz = [f.frequency_hz for f in chamber.fingerings]
        low, high = min(hz) / 1.04, max(hz) * 1.05  # less than a semitone of room at either end
        axes.set_yscale("log")
        axes.set_ylim(low, high)
        axes.set_xlim(-0.6, len(chamber.holes) + 0.9)  # room for the names to the right of their points
        lines = _lines(vessel, low, high)
        for hertz, _ in lines:
            axes.axhline(hertz, color=look.FAINT, linewidth=0.6, zorder=0)
        for f in chamber.fingerings:
            used = bool(f.wanted)
            axes.plot(sum(f.openness), f.frequency_hz, "o", markersize=5 if used else 3.4, color=look.CLAY,
                      markerfacecolor=look.CLAY if used else "white", zorder=3 if used else 2,
                      clip_on=False)  # fmt: skip
            if used:
                axes.annotate(
                    f.wanted, (sum(f.openness), f.frequency_hz), (6, 0), textcoords="offset points",
                    va="center", fontsize=7.5, zorder=4,
                )  # fmt: skip
        named = lines if len(lines) <= MOST_NAMES else [line for line in lines if _is_natural(line[1])]
        axes.set_yticks([f for f, _ in named], [text for _, text in named])
        for label, (_, text) in zip(axes.get_yticklabels(), named, strict=True):
            # as on a keyboard: naturals stand out
            label.set(fontsize=7 if _is_natural(text) else 5.5, color=look.INK if _is_natural(text) else look.QUIET)
        axes.yaxis.set_minor_formatter(NullFormatter())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        axes.set_xticks(range(len(chamber.holes) + 1))
        axes.set_xlabel("open holes", color=look.QUIET)
        axes.tick_params(axis="y", which="both", length=0)
        caption = f"lowest resonance by {chart.model}; lines: semitones; filled: the design's own notes"
        figure.text(LEFT_MM / WIDTH_MM, 4 / HEIGHT_MM, caption, color=look.QUIET, fontsize=7)

    return Panel(WIDTH_MM, HEIGHT_MM, draw)


def _lines(vessel: Vessel, low: float, high: float) -> list[tuple[float, str]]:
    """Every note in the range, with its frequency by the design's tuning."""
    tuning = tuning_of(vessel)
    first, last = (tuning.nearest(hz)[0].key for hz in (low, high))
    notes = [tuning.spelled(key) for key in range(first, last + 1)]
    return [(f, str(note)) for note in notes if low < (f := tuning.frequency(note)) < high]


def _is_natural(name: str) -> bool:
    return "#" not in name and "b" not in name
