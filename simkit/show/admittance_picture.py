"""Picture of the input admittance at the window over frequency: its size and phase, and its peaks in words."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import FigureBase
from matplotlib.ticker import FuncFormatter, NullFormatter

from simkit.columns import text_table
from simkit.pitch import in_cents
from simkit.show import look
from simkit.show.as_text import air_words
from simkit.show.look import Panel
from simkit.sound.models.resonator import Fingering
from simkit.vessel import Vessel, tuning_of

WIDTH_MM, HEIGHT_MM = 130.0, 104.0
LEFT_MM, RIGHT_MM, HEAD_MM, FOOT_MM, BETWEEN_MM = 20.0, 6.0, 14.0, 16.0, 4.0
_TICKS = np.array([1, 2, 3, 5])


def peaks(frequencies_hz: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Numbers of the frequencies at which |Y| peaks, larger than at both neighbours.

    >>> peaks(np.arange(5.0), np.array([1, 3j, 2, 4, 1])).tolist()
    [1, 3]
    """
    size = np.abs(found)  # strict on both sides: a flat top or an end of the range is no peak
    # + 1: size[1:-1] begins at the second.
    return np.flatnonzero((size[1:-1] > size[:-2]) & (size[1:-1] > size[2:])) + 1


def admittance_text(vessel: Vessel, holes: Fingering, frequencies_hz: np.ndarray, found: np.ndarray, state: str) -> str:
    """The peaks as a table."""
    rows = []
    for n in peaks(frequencies_hz, found):
        near, cents = tuning_of(vessel).nearest(float(frequencies_hz[n]))
        size, turn = np.abs(found[n]), np.degrees(np.angle(found[n]))
        rows.append((f"{frequencies_hz[n]:.1f}", f"{near} {in_cents(cents, sign=True)}", f"{size:.3g}", f"{turn:+.0f}"))
    table = text_table(("peak at Hz", "nearest note", "|Y|, m³/(s Pa)", "phase, °"), rows)
    low, high = frequencies_hz[0], frequencies_hz[-1]
    lines = [vessel.title, f"{_state(holes)}, {low:g} to {high:g} Hz, {air_words(vessel, state)}", "", table]
    return "\n".join(lines).lstrip("\n") + "\n"


def _state(holes: Fingering) -> str:
    return f"open: {', '.join(holes)}" if list(holes) else "all holes covered"


def admittance_panel(
    vessel: Vessel, holes: Fingering, frequencies_hz: np.ndarray, found: np.ndarray, state: str
) -> Panel:
    """|Y| over frequency, both in equal steps for equal ratios, and under it the phase."""

    def draw(figure: FigureBase) -> None:
        inner = HEIGHT_MM - HEAD_MM - FOOT_MM - BETWEEN_MM
        wide = (WIDTH_MM - LEFT_MM - RIGHT_MM) / WIDTH_MM
        upper = 0.66 * inner  # |Y| gets two thirds, the phase the rest
        boxes = ((FOOT_MM + inner - upper + BETWEEN_MM, upper), (FOOT_MM, inner - upper))
        size, phase = (
            figure.add_axes((LEFT_MM / WIDTH_MM, low / HEIGHT_MM, wide, tall / HEIGHT_MM)) for low, tall in boxes
        )
        title = look.short(f"{vessel.title or 'vessel'}: {_state(holes)}", WIDTH_MM - LEFT_MM, 11)
        figure.text(LEFT_MM / WIDTH_MM, 1 - 7 / HEIGHT_MM, title, fontsize=11, va="center")
        size.plot(frequencies_hz, np.abs(found), color=look.CLAY, linewidth=1.1)
        size.set_yscale("log")
        # A true minus, as in words.
        size.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{y:.0e}".replace("-", "−")))
        size.yaxis.set_minor_formatter(NullFormatter())
        size.set_ylabel("|Y|, m³/(s Pa)", color=look.QUIET)
        phase.axhline(0, color=look.FAINT, linewidth=0.8, zorder=0)
        phase.plot(frequencies_hz, np.degrees(np.angle(found)), color=look.SLATE, linewidth=1.1)
        phase.set_ylim(-100, 100)  # passive: the phase keeps within 90 degrees
        phase.set_yticks([-90, 0, 90])
        phase.set_ylabel("phase, °", color=look.QUIET)
        phase.set_xlabel("Hz", color=look.QUIET)
        for axes in (size, phase):
            low, high = frequencies_hz[0], frequencies_hz[-1]
            # from a tenth of a hertz on: whatever range was asked for
            look.ratio_axis(axes, "x", [t for e in range(-1, 6) for t in _TICKS * 10.0**e if low <= t <= high])
            axes.set_xlim(low, high)
        size.tick_params(labelbottom=False)  # one row of hertz serves both
        caption = f"flow into the chamber for unit pressure at the window; {air_words(vessel, state)}"
        figure.text(LEFT_MM / WIDTH_MM, 3.5 / HEIGHT_MM, caption, color=look.QUIET, fontsize=7)

    return Panel(WIDTH_MM, HEIGHT_MM, draw)
