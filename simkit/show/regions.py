"""Pitch against breath, and at which breath each resonance would start by itself."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase

from simkit.show import look
from simkit.show.look import Panel
from simkit.sound.blowing.advice import rounded_hz
from simkit.sound.blowing.behaviour import growth_map, pitch_curve
from simkit.sound.blowing.growth import HIGHEST_PA
from simkit.sound.blowing.table import BlowingChamber

WIDTH_MM, HEAD_MM, FOOT_MM, LEFT_MM, RIGHT_MM = 150.0, 14.0, 20.5, 19.0, 12.0
PITCH_MM, ROW_MM, GAP_MM = 64.0, 4.2, 9.0
LEAST_PA, STEPS = 20.0, 90  # from which breath the curves are drawn, and in how many points
_BARS = "bars: where a resonance would start by itself; dark: on the jet's first wave, pale: on a later one"
_STEPS = "a small step in a curve: an overtone of the note meets a higher resonance and may whistle along"
PASCALS = (20, 50, 100, 200, 500, 1000, 2000, 5000)


def regions_panel(chamber: BlowingChamber) -> Panel:
    """Each note's pitch against breath; under it, for the lowest and highest note, where each resonance sounds."""
    blown, modes = chamber.blown, chamber.blown.loop.motion.modes
    lowest = blown.loop.motion.frequency[:, 0]
    shown = list(dict.fromkeys([int(np.argmin(lowest)), int(np.argmax(lowest))]))  # one of them where there is one note
    strip = ROW_MM * modes
    height = HEAD_MM + PITCH_MM + (GAP_MM + strip) * len(shown) + FOOT_MM

    def draw(figure: FigureBase) -> None:
        def panel(top: float, tall: float) -> Axes:
            axes = look.row(figure, (WIDTH_MM, height), (LEFT_MM, RIGHT_MM), top, tall)
            look.ratio_axis(axes, "x", PASCALS, ",g")
            axes.set_xlim(LEAST_PA, HIGHEST_PA)
            axes.tick_params(axis="x", labelbottom=False)
            return axes

        figure.text(LEFT_MM / WIDTH_MM, 1 - 7 / height, "pitch against breath", fontsize=10, va="center")
        pressures = np.geomspace(LEAST_PA, HIGHEST_PA, STEPS)
        _pitches(panel(HEAD_MM, PITCH_MM), chamber, pressures)
        top = HEAD_MM + PITCH_MM + GAP_MM
        for i in shown:
            axes = panel(top, strip)
            _strips(axes, chamber, i, pressures)
            top += strip + GAP_MM
        axes.tick_params(axis="x", labelbottom=True)
        axes.set_xlabel("breath, Pa (uncertain; ratios are surer)", color=look.QUIET)
        for up, caption in ((6.5, _BARS), (3, _STEPS)):
            figure.text(LEFT_MM / WIDTH_MM, up / height, caption, color=look.QUIET, fontsize=7)

    return Panel(WIDTH_MM, height, draw)


def _pitches(axes: Axes, chamber: BlowingChamber, pressures: np.ndarray) -> None:
    blown = chamber.blown
    curves = pitch_curve(blown, pressures)
    for note, curve, pressure, hz in zip(chamber.notes, curves, blown.pressure, blown.cycle.frequency, strict=True):
        if not note.blown.speaks:
            continue
        end = note.blown.overblow_at or np.inf  # beyond it another resonance sounds: dotted
        axes.plot(pressures, np.where(pressures <= end, curve, np.nan), color=look.CLAY, linewidth=1.0)
        axes.plot(pressures, np.where(pressures > end, curve, np.nan), ":", color=look.CLAY, linewidth=0.8)
        axes.plot(pressure, hz, "o", color=look.CLAY, markersize=4, zorder=3)
    low, high = _reach(curves)
    _names(axes, chamber, curves, (high / low) ** (2.8 / PITCH_MM))  # 2.8 mm of paper from name to name
    look.hertz_axis(axes, low, high)  # after the names: they are placed by the ratio of the whole
    axes.set_ylabel("sounding, Hz", color=look.QUIET)


def _names(axes: Axes, chamber: BlowingChamber, curves: np.ndarray, ratio: float) -> None:
    """Names of the notes at the ends of their curves, pushed up where they would touch."""
    ends = [(float(curve[np.isfinite(curve)][-1]), n) for n, curve in enumerate(curves) if np.isfinite(curve).any()]
    below = 0.0
    for hz, n in sorted(ends):
        below = max(hz, below * ratio)  # in order of pitch: a name is pushed up by the one under it alone
        axes.annotate(chamber.notes[n].pitch or "note", (1, below), (3, 0), xycoords=("axes fraction", "data"),
                      textcoords="offset points", va="center", fontsize=6.5, color=look.QUIET)  # fmt: skip


def _reach(curves: np.ndarray) -> tuple[float, float]:
    sounding = curves[np.isfinite(curves)]
    return (float(sounding.min()) / 1.04, float(sounding.max()) * 1.04) if sounding.size else (400.0, 800.0)


def _strips(axes: Axes, chamber: BlowingChamber, i: int, pressures: np.ndarray) -> None:
    loop, note = chamber.blown.loop, chamber.notes[i]
    rates, waves = (each[0] for each in growth_map(loop.motion.only(slice(i, i + 1)), loop.jet, pressures))
    edges = np.sqrt(pressures[1:] * pressures[:-1])  # geometric means: the axis is logarithmic
    edges = np.r_[pressures[0], edges, pressures[-1]]  # every pressure in a cell of its own
    for n, (rate, wave) in enumerate(zip(rates, waves, strict=True)):
        for mask, color in (((rate > 0) & (wave == 1), look.CLAY), ((rate > 0) & (wave > 1), look.BODY)):
            spans = [(edges[j], edges[j + 1] - edges[j]) for j in np.flatnonzero(mask)]
            axes.broken_barh(spans, (n - 0.36, 0.72), color=color, linewidth=0)
    hz = loop.motion.frequency[i]
    axes.set_ylim(len(rates) - 0.5, -0.5)  # downward: the note itself on top
    axes.set_yticks(range(len(rates)), [f"{hz[0]:.0f} Hz", *(f"{rounded_hz(f)} Hz" for f in hz[1:])])
    axes.tick_params(axis="y", length=0, labelsize=6.5)
    axes.spines["left"].set_visible(False)
    axes.set_title(f"resonances of {note.pitch or 'the note'}", fontsize=7.5, color=look.QUIET)
    if note.blown.pressure is not None:
        axes.axvline(note.blown.pressure, color=look.INK, linewidth=0.8)
    if note.blown.overblow_at is not None:
        axes.axvline(note.blown.overblow_at, color=look.INK, linewidth=0.8, linestyle=":")
