"""A piece cut open: the clay and the air on a level plane, and what is seen of the half below it."""

from __future__ import annotations

from typing import cast

import numpy as np
from contourpy import contour_generator
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path

from simkit.body import Body, ChamberBody
from simkit.body.walls.wall import distance
from simkit.show import look
from simkit.show.look import Panel
from simkit.show.views import MARGIN_MM, WIDTH_MM, bar, windway_level
from simkit.vessel import Vessel

FINE = 150  # points of the longer side, at which the distance to the walls is asked
_HEAD_MM = 10.0
_FOOT_MM = 13.0


def cut_open(vessel: Vessel, body: Body, up_mm: float = 0.0) -> Panel:
    """The body cut level at `up_mm` and seen from above: chambers, the walls between them, what lies underneath."""
    x, y, off = _distances(vessel, body, 1e-3 * up_mm)
    size = 1e3 * np.array([np.ptp(x), np.ptp(y)])
    scale = min((WIDTH_MM - 2 * MARGIN_MM) / size[0], 190 / size[1])
    width, height = WIDTH_MM, scale * size[1] + 2 * MARGIN_MM + _HEAD_MM + _FOOT_MM

    def draw(figure: FigureBase) -> None:
        paper = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
        paper.axis("off")
        left = (width - scale * size[0]) / 2
        origin = np.array([left - 1e3 * scale * x[0], MARGIN_MM + _FOOT_MM - 1e3 * scale * y[0]])
        for each in off:
            lines = contour_generator(x, y, each)
            clay, air = (
                _shape(cast("list[np.ndarray]", lines.lines(level)), scale, origin) for level in (body.thickness, 0.0)
            )
            # The clay's edge lies under all clay, so that only what is outside of every chamber's shows.
            paper.add_patch(PathPatch(clay, facecolor=look.CLAY_CUT, edgecolor=look.INK, linewidth=1.7, zorder=1))
            paper.add_patch(PathPatch(clay, facecolor=look.CLAY_CUT, linewidth=0, zorder=2))
            paper.add_patch(PathPatch(air, facecolor=look.AIR, edgecolor=look.INK, linewidth=0.7, zorder=3))
        for chamber in body.chambers:
            _underneath(paper, vessel, chamber, scale, origin)
        title = f"{vessel.title or 'vessel'}, cut level at up = {up_mm:g} mm, seen from above"
        paper.text(left, height - MARGIN_MM, look.short(title, width - 2 * left, 9), va="top", fontsize=9)
        bar(paper, scale, left, MARGIN_MM + 5)

    return Panel(width, height, draw)


def _shape(lines: list[np.ndarray], scale: float, origin: np.ndarray) -> Path:
    """Closed lines (n, 2), m, on the paper as one shape; empty where the plane misses it."""
    rings = [Path(1e3 * scale * ring + origin, closed=True) for ring in lines]
    return Path.make_compound_path(*rings) if rings else Path(np.zeros((0, 2)))


def _distances(vessel: Vessel, body: Body, up: float) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Axes x, y of the plane, m, and there the distance (y, x) to each chamber's wall, negative in its air."""
    boxes = np.array([chamber.wall.box for chamber in body.chambers])
    edge = body.thickness + 2e-3
    low, high = boxes[:, 0].min(axis=0) - edge, boxes[:, 1].max(axis=0) + edge
    plans = np.concatenate([windway_level(vessel, chamber, 0) for chamber in body.chambers] + [low[None], high[None]])
    low, high = plans.min(axis=0), plans.max(axis=0)
    step = float((high - low)[:2].max()) / FINE
    x, y = (np.arange(low[k], high[k] + step, step) for k in (0, 1))
    points = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), up)], axis=-1).reshape(-1, 3)
    off = []
    for chamber in body.chambers:
        box = chamber.wall.box
        near = ((points > box[0] - 2 * edge) & (points < box[1] + 2 * edge)).all(axis=1)
        mine = np.full(len(points), 2 * edge)
        mine[near] = distance(chamber.wall, points[near])
        off.append(mine.reshape(len(y), len(x)))
    return x, y, off


def _underneath(paper: Axes, vessel: Vessel, chamber: ChamberBody, scale: float, origin: np.ndarray) -> None:
    """The chamber's openings below the cut, its windway dashed, and its name, air and notes."""
    for opening in chamber.all_openings:
        if opening.axis[2] < -0.1:
            rim = 1e3 * scale * opening.rim_points(64)[:, :2] + origin
            colour = look.HOLLOW if opening.is_round else look.CLAY
            paper.add_patch(Polygon(rim, facecolor=colour, edgecolor=look.INK, linewidth=0.5, zorder=4))
    plan = windway_level(vessel, chamber, 0)
    if len(plan):
        dashes = {"linewidth": 0.7, "linestyle": (0, (3, 2)), "edgecolor": look.CLAY, "facecolor": "none"}
        paper.add_patch(Polygon(1e3 * scale * plan[:, :2] + origin, closed=False, zorder=5, **dashes))
    box = chamber.wall.box
    middle = 1e3 * scale * (0.4 * box[0, :2] + 0.6 * box[1, :2]) + origin
    middle[0] = 1e3 * scale * box[:, 0].mean() + origin[0]
    notes = [note.pitch for note in vessel.chamber(chamber.name).notes]
    words = [chamber.name, f"{1e6 * chamber.volume:.0f} ml", *([f"{notes[0]} to {notes[-1]}"] if notes else [])]
    room = 0.8 * 1e3 * scale * float(np.ptp(box[:, 0]))
    for n, word in enumerate(words):
        colour = look.INK if n == 0 else look.QUIET
        size = 8.5 if n == 0 else 7.0
        paper.text(
            middle[0], middle[1] - 4.2 * n, look.short(word, room, size), ha="center", va="center",
            color=colour, fontsize=size, parse_math=False, zorder=6,
        )  # fmt: skip
