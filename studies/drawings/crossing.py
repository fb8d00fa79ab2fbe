"""The breath of several chambers over one range: does it run on where one takes over from the other?"""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from matplotlib.ticker import FuncFormatter, NullFormatter

from simkit.pitch import note
from simkit.show import look
from simkit.show.breath_picture import PASCALS
from simkit.show.look import Panel
from simkit.sound.blowing.growth import HIGHEST_PA
from simkit.sound.blowing.table import BlowingChamber, BlowTable
from simkit.sound.blowing.thresholds import HARD_PA

WIDTH_MM, TALL_MM = 180.0, 84.0
_LEFT, _RIGHT, _HEAD, _FOOT = 17.0, 16.0, 16.0, 17.0
_COLOURS = (look.CLAY, look.SLATE, look.HOLLOW, look.QUIET)
_MARKS = ("o", "s", "D", "^")


def crossing_panel(title: str, table: BlowTable) -> Panel:
    """Playing pressure over pitch, a line a chamber, and above each note where it jumps."""
    height = _HEAD + TALL_MM + _FOOT

    def draw(figure: FigureBase) -> None:
        box = (_LEFT / WIDTH_MM, _FOOT / height, 1 - (_LEFT + _RIGHT) / WIDTH_MM, TALL_MM / height)
        axes = figure.add_axes(box)
        heading = look.short(title, WIDTH_MM - _LEFT - _RIGHT, 12)
        figure.text(_LEFT / WIDTH_MM, 1 - 7 / height, heading, fontsize=12, va="center", parse_math=False)
        keys: dict[int, str] = {}
        for n, chamber in enumerate(table.chambers):
            _line(axes, chamber, _COLOURS[n % 4], _MARKS[n % 4], set(keys))
            keys |= {note(each.pitch).key: each.pitch for each in chamber.notes if each.pitch}
        axes.set_yscale("log")
        axes.set_yticks(PASCALS)
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,g}"))
        axes.yaxis.set_minor_formatter(NullFormatter())
        axes.tick_params(axis="y", which="minor", length=0)
        axes.set_ylabel("breath, Pa", color=look.QUIET)
        _names(axes, keys)
        asked = [n.blown.pressure for chamber in table.chambers for n in chamber.notes if n.blown.pressure]
        axes.set_ylim(min(asked, default=100.0) / 1.6, HIGHEST_PA * 1.4)
        axes.tick_params(axis="x", length=0)
        axes.axhline(HARD_PA, color=look.FAINT, linewidth=0.8, zorder=0)
        axes.annotate("hard\nabove", (1, HARD_PA), (3, 0), xycoords=("axes fraction", "data"),
                      textcoords="offset points", va="center", fontsize=6.5, color=look.QUIET)  # fmt: skip
        axes.legend(loc="upper left", ncols=len(table.chambers), borderaxespad=0, handlelength=1.6)
        caption = "points: breath that drives the note best; bars up to where it jumps (triangle), at most 5,000 Pa"
        figure.text(_LEFT / WIDTH_MM, 3 / height, caption, color=look.QUIET, fontsize=7, parse_math=False)

    return Panel(WIDTH_MM, height, draw)


def _names(axes: Axes, keys: dict[int, str]) -> None:
    """Names of the notes; one of two that stand close together is set lower."""
    low = False
    shown = []
    for key in sorted(keys):
        low = key - 1 in keys and not low
        shown.append(f"\n{keys[key]}" if low else keys[key])
    axes.set_xticks(sorted(keys), shown, fontsize=6.5)


def _line(axes: Axes, chamber: BlowingChamber, colour: str, mark: str, before: set[int]) -> None:
    """One chamber's notes; those that a chamber before has too a little to the right, so that both can be seen."""
    told = [
        (note(n.pitch).key + 0.2 * (note(n.pitch).key in before), n.blown.pressure, n.blown.overblow_at)
        for n in chamber.notes
        if n.pitch and n.blown.pressure
    ]
    for x, pressure, jump in told:
        end = jump or HIGHEST_PA
        axes.plot([x, x], [pressure, end], color=colour, alpha=0.16, linewidth=4, solid_capstyle="butt", zorder=1)
        if jump:
            axes.plot(x, end, "v", color=colour, markersize=3.5, zorder=2, clip_on=False)
    xs, pressures = [x for x, *_ in told], [pressure for _, pressure, _ in told]
    axes.plot(xs, pressures, color=colour, marker=mark, markersize=4, linewidth=0.9, label=chamber.name, zorder=3)
