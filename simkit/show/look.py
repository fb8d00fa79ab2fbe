"""Style of our pictures: one accent of fired clay, ink on paper, units in every caption."""

from __future__ import annotations

import warnings
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal, NamedTuple

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure, FigureBase
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from matplotlib.ticker import FuncFormatter, NullFormatter

from simkit.errors import Fault, InputError
from simkit.files import MARK, whole

CLAY = "#b4532a"  # the accent: fired clay
BODY = "#ecd9c9"  # clay seen as a surface
CLAY_CUT = "#d8ab8c"  # clay cut through
AIR = "#f8f1ea"  # the air inside, seen through the wall
HOLLOW = "#4a342a"  # an open hole
INK = "#2a2522"
QUIET = "#8b8279"
FAINT = "#d9d2ca"
PAPER = "#ffffff"
SLATE = "#2f5d7c"  # the cold end of the diverging map
PAGE = "clay", "body", "ink", "quiet", "faint", "paper", "air", "hollow"  # for a page's style

MM = 1 / 25.4  # inches
POINTS = 72 / 25.4  # points in a millimetre

PRESSURE = LinearSegmentedColormap.from_list(
    "pressure", ["#27506d", "#4d7a97", "#9bb9ca", "#f6f1eb", "#e0a98c", "#c2683f", "#93401c"]
)

FORMATS = ("png", "svg", "pdf")

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same on every machine
    "font.size": 8.0,
    "text.color": INK,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 8.0,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "savefig.dpi": 200,  # of PNG: sharp when printed at its size
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "lines.solid_capstyle": "round",
    "svg.hashsalt": "simkit",  # the same drawing gives the same file
    "svg.fonttype": "path",  # letters as outlines: alike on every machine
    "text.parse_math": False,  # names and titles are anybody's; a $ is a $
}


@contextmanager
def styled() -> Iterator[None]:
    """Our style inside the block; the caller's own settings are restored after it."""
    with mpl.rc_context(STYLE), warnings.catch_warnings():
        # A title in a script that our one font lacks shows boxes; that is seen, and no reason to stop.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


class Panel(NamedTuple):
    """A piece of a picture: its size on paper, and what draws it on a figure of that size."""

    width_mm: float
    height_mm: float
    draw: Callable[[FigureBase], None]


def page(*panels: Panel) -> Figure:
    """The panels one under the other, without any window toolkit."""
    width = max(panel.width_mm for panel in panels)  # narrower panels stand at the left
    figure = Figure(figsize=(width * MM, sum(panel.height_mm for panel in panels) * MM))
    FigureCanvasAgg(figure)  # else saving would look for a backend, and perhaps a display
    with styled():
        # Drawn in our look, so made in it too: a figure takes its colours when it is made.
        figure.set_facecolor(PAPER)
        rows = figure.subfigures(len(panels), 1, squeeze=False, height_ratios=[panel.height_mm for panel in panels])
        for panel, row in zip(panels, rows[:, 0], strict=True):
            # A ratio of 0 is refused.
            left, _ = row.subfigures(1, 2, width_ratios=[panel.width_mm, max(width - panel.width_mm, 1e-6)])
            panel.draw(left)
    return figure


def ratio_axis(axes: Axes, axis: Literal["x", "y"], ticks: Sequence[float], form: str = "g") -> None:
    """Make an axis one of equal steps for equal ratios, with these ticks alone, their numbers written by `form`."""
    axes.set(**{f"{axis}scale": "log", f"{axis}ticks": ticks})
    own = axes.xaxis if axis == "x" else axes.yaxis
    own.set_major_formatter(FuncFormatter(lambda value, _: f"{value:{form}}"))
    own.set_minor_formatter(NullFormatter())
    axes.tick_params(axis=axis, which="minor", length=0)  # a logarithmic axis would have its own between ours


def hertz_axis(axes: Axes, low: float, high: float) -> None:
    """Make the upright axis one of pitch: Hz, equal steps for equal intervals, round numbers at the ticks."""
    axes.set_ylim(low, high)
    steps = [s * 10.0**e for e in (1, 2, 3) for s in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9)]
    ratio_axis(axes, "y", [s for s in steps if low <= s <= high])


def row(figure: FigureBase, paper: tuple[float, float], sides: tuple[float, float], top: float, tall: float) -> Axes:
    """Axes from the left to the right margin of a panel of this width and height, `top` below its upper edge, mm."""
    (width, height), (left, right) = paper, sides
    return figure.add_axes((left / width, 1 - (top + tall) / height, 1 - (left + right) / width, tall / height))


def pressure_key(figure: FigureBase, left: float, width: float, height: float, most: str) -> Axes:
    """The colours of a pressure from -1 to 1 at the foot of a panel of this width and height, mm."""
    axes = figure.add_axes((left / width, 7.6 / height, 32 / width, 1.8 / height))
    axes.imshow(np.linspace(-1, 1, 256)[None], aspect="auto", cmap=PRESSURE, extent=(-1, 1, 0, 1))
    axes.set_yticks([])
    axes.set_xticks([-1, 0, 1], ["−1", "0", most])
    axes.tick_params(length=0, pad=1.5, labelsize=7)
    return axes


def width_mm(text: str, size: float) -> float:
    """Width of a text on paper at this size in points, mm."""
    outline = TextPath((0, 0), text, size=size, prop=FontProperties(family=STYLE["font.family"]), usetex=False)
    return float(np.ptp(outline.vertices[:, 0])) / POINTS if len(outline.vertices) else 0.0


def short(text: str, room_mm: float, size: float) -> str:
    """The text, or as much of its beginning as fits in the room, with an ellipsis."""
    # No letter is wider than its size: most texts need no measuring, which takes a millisecond.
    if len(text) * size < room_mm * POINTS or width_mm(text.replace("$", "S"), size) <= room_mm:
        return text

    def width_of(letters: int) -> float:
        return width_mm(f"{text[:letters]}…".replace("$", "S"), size)

    fits = bisect_right(range(len(text)), room_mm, key=width_of) - 1  # widths grow with the letters
    return text[: max(fits, 0)].rstrip() + "…"


def lines(text: str, room_mm: float, size: float) -> list[str]:
    """The text in two lines at most that fit in the room, broken between words, cut short where they must be."""
    words, count = text.split(), 1
    while count < len(words) and short(line := " ".join(words[: count + 1]), room_mm, size) == line:
        count += 1
    found = " ".join(words[:count]), " ".join(words[count:])
    return [short(line, room_mm, size) for line in found if line]


def check_format(path: str | Path, argument: str = "path") -> None:
    """Refuse a picture whose suffix names no format that we draw."""
    if Path(path).suffix.lower().lstrip(".") not in FORMATS:
        raise InputError([Fault.of(argument, None, "a name that ends in .png, .svg or .pdf", file=str(path))])


def save(figure: Figure, path: str | Path, argument: str = "path") -> None:
    """Write the picture, whole or not at all, in the format that its suffix names."""
    check_format(path, argument)
    kind = Path(path).suffix.lower().lstrip(".")
    # No date and no version inside: the same picture is the same file.
    metadata: dict[str, dict[str, Any]] = {
        "png": {"Software": MARK},
        "svg": {"Date": None, "Creator": MARK},
        "pdf": {"CreationDate": None, "Producer": None, "Creator": MARK},
    }
    with styled(), whole(path, argument) as half:
        figure.savefig(half, format=kind, metadata=metadata[kind])
