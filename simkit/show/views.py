"""The vessel from three sides, to scale: outlines of its air and its clay, its holes as they are seen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path

from simkit.body import Body, ChamberBody, Opening
from simkit.show import look
from simkit.show.look import Panel
from simkit.show.outline import ABOVE, MOUTH, RIGHT, Side, is_hidden, outlines
from simkit.vessel import Vessel

OnPaper = Callable[[np.ndarray], np.ndarray]

GAP_MM = 16.0  # on paper, between two views
MARGIN_MM = 9.0
HEAD_MM = 6.0
WIDTH_MM = 180.0  # of the paper
TALLEST_MM = 230.0


def views(vessel: Vessel, body: Body) -> Panel:
    """Three views of a vessel on one sheet: from above, from the right, from the mouth end.

    The outer line is that of the clay: seen along any direction, moving a surface out by its thickness moves its
    outline out by the same, so the outline is drawn with a pen of twice the thickness.
    """
    low, high = _extent_mm(vessel, body)
    size = high - low
    scale = _scale(size)
    width = scale * (size[0] + size[1]) + GAP_MM + 2 * MARGIN_MM
    height = scale * (size[1] + size[2]) + GAP_MM + 2 * MARGIN_MM + HEAD_MM

    def draw(figure: FigureBase) -> None:
        paper = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
        paper.axis("off")
        across, up = MARGIN_MM, MARGIN_MM
        along = across + scale * size[0] + GAP_MM
        above = up + scale * size[2] + GAP_MM
        _view(paper, vessel, body, MOUTH, scale, (across - scale * low[0], up - scale * low[2]))
        _view(paper, vessel, body, RIGHT, scale, (along - scale * low[1], up - scale * low[2]))
        _view(paper, vessel, body, ABOVE, scale, (across - scale * low[0], above - scale * low[1]))
        _legend(paper, vessel, body, scale, along, above + scale * size[1])

    return Panel(width, height, draw)


def _clay_mm(body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest coordinates of the clay."""
    boxes = np.array([c.wall.box for c in body.chambers])
    return 1e3 * (boxes[:, 0].min(axis=0) - body.thickness), 1e3 * (boxes[:, 1].max(axis=0) + body.thickness)


def _extent_mm(vessel: Vessel, body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest coordinates of all that is drawn."""
    low, high = _clay_mm(body)
    plans = [1e3 * windway_plan(vessel, c) for c in body.chambers]
    all_points = np.concatenate([[low, high], *plans])
    return all_points.min(axis=0), all_points.max(axis=0)


def _scale(size: np.ndarray) -> float:
    """Millimetres of paper for a millimetre of the piece: as large as the sheet allows, in a round ratio."""
    room = min(
        (WIDTH_MM - GAP_MM - 2 * MARGIN_MM) / (size[0] + size[1]),
        (TALLEST_MM - GAP_MM - 2 * MARGIN_MM - HEAD_MM) / (size[1] + size[2]),
    )
    ratios = [s * 10.0**e for e in range(-3, 3) for s in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9)]
    return max(ratio for ratio in ratios if ratio <= room)


def _view(paper: Axes, vessel: Vessel, body: Body, side: Side, scale: float, origin: tuple[float, float]) -> None:
    def on_paper(points: np.ndarray) -> np.ndarray:
        return 1e3 * scale * points + origin

    lines = [on_paper(line) for line in outlines(body, side)]
    shape = Path.make_compound_path(*(Path(line, closed=True) for line in lines))
    clay = 2 * scale * 1e3 * body.thickness * look.POINTS
    pen = {"facecolor": look.BODY, "joinstyle": "round", "capstyle": "round"}
    paper.add_patch(PathPatch(shape, edgecolor=look.INK, linewidth=clay + 1.6, zorder=1, **pen))
    paper.add_patch(PathPatch(shape, edgecolor=look.BODY, linewidth=clay, zorder=2, **pen))
    if body.thickness > 0:
        paper.add_patch(
            PathPatch(shape, facecolor="none", edgecolor=look.QUIET, linewidth=0.5, linestyle=(0, (1, 2)), zorder=3)
        )
    for chamber in body.chambers:
        for opening in chamber.all_openings:
            _opening(paper, body, opening, side, on_paper)
        _windway(paper, vessel, chamber, side, on_paper)
    low, high = _extent_mm(vessel, body)
    corners = scale * side.flat(np.array([low, high])) + origin
    paper.text(corners[0, 0], corners[1, 1] + 2.0, side.name, va="bottom", color=look.QUIET, fontsize=7.5)


def _opening(paper: Axes, body: Body, opening: Opening, side: Side, on_paper: OnPaper) -> None:
    """The outer rim as it is seen: filled where it shows; seen from above, dashed where the body is in the way."""
    rim = on_paper(side.flat(opening.rim_points(96, out=opening.length)))
    hidden = is_hidden(body, opening, side)
    if hidden and side is not ABOVE:
        return
    color = look.INK if opening.is_round else look.CLAY
    fill = "none" if hidden else look.HOLLOW if opening.is_round else look.CLAY
    paper.add_patch(
        Polygon(
            rim,
            facecolor=fill,
            edgecolor=color,
            alpha=0.55 if hidden else 1.0,
            linewidth=0.7 if _breadth(rim) > 0.5 else 2.0,  # edge on it would be a hairline
            linestyle=(0, (2.2, 1.6)) if hidden else "-",
            zorder=4 if hidden else 6,
        )
    )
    if opening.is_round:
        _name(paper, opening.name, rim, hidden, float(opening.axis @ side.right) < 0)


def _breadth(rim: np.ndarray) -> float:
    """How wide an ellipse of points (n, 2) is across its narrow way; of a rectangle, about that."""
    return float(2 * np.sqrt(max(2 * np.linalg.eigvalsh(np.cov(rim.T))[0], 0.0)))


def _name(paper: Axes, name: str, rim: np.ndarray, hidden: bool, left: bool) -> None:
    """A hole's name inside its rim if it fits there, else beside it on the side that it looks to."""
    fontsize = 6.5
    fits = 0.9 * look.POINTS * np.array([np.ptp(rim[:, 0]), np.ptp(rim[:, 1]), 1.1 * _breadth(rim)])
    inside = len(name) * 0.62 * fontsize < fits[0] and fontsize < fits[1:].min()
    center = rim.mean(axis=0)
    beside = rim[:, 1].min() if hidden else rim[:, 1].max()
    paper.text(
        center[0] if inside else rim[:, 0].min() - 0.5 if left else rim[:, 0].max() + 0.5,
        center[1] if inside else beside,
        name,
        ha="center" if inside else "right" if left else "left",
        va="center_baseline" if inside else "top" if hidden else "bottom",
        color=look.QUIET if hidden else look.PAPER if inside else look.INK,
        fontsize=fontsize,
        parse_math=False,
        zorder=7,
    )


def windway_plan(vessel: Vessel, chamber: ChamberBody) -> np.ndarray:
    """Corners (4, 3) of the windway's floor behind the window, m; (0, 3) without a window."""
    window = chamber.window
    voicing = next(c.voicing for c in vessel.chambers if c.name == chamber.name)
    if window is None or voicing is None:
        return np.zeros((0, 3))
    exit_ = window.center - window.height / 2 * window.forward
    back = -1e-3 * voicing.windway_length_mm * window.forward
    half = window.width / 2 * window.across
    return np.array([exit_ - half, exit_ - half + back, exit_ + half + back, exit_ + half])


def _windway(paper: Axes, vessel: Vessel, chamber: ChamberBody, side: Side, on_paper: OnPaper) -> None:
    """Where the breath comes from: the windway's floor and roof, dashed, as they lie in the clay."""
    plan = windway_plan(vessel, chamber)
    voicing = next(c.voicing for c in vessel.chambers if c.name == chamber.name)
    if chamber.window is None or voicing is None:
        return
    half = 0.5e-3 * voicing.windway_height_mm * chamber.window.axis
    dashes = {"linewidth": 0.6, "linestyle": (0, (3, 2)), "edgecolor": look.CLAY, "facecolor": "none"}
    for level in (plan,) if side is ABOVE else (plan - half, plan + half):
        paper.add_patch(Polygon(on_paper(side.flat(level)), closed=False, zorder=5, **dashes))


def _legend(paper: Axes, vessel: Vessel, body: Body, scale: float, left: float, top: float) -> None:
    """Title, the sizes that a maker asks for first, what the marks mean, and a bar to measure with."""
    room = paper.get_xlim()[1] - left - MARGIN_MM
    title = look.lines(vessel.title, room, 13)
    paper.text(left, top, "\n".join(title), va="top", fontsize=13, parse_math=False)
    top -= 6 * (len(title) - 1)
    rows = [("air", f"{1e6 * sum(c.volume for c in body.chambers):.1f} ml")]
    low, high = _clay_mm(body)
    along, across, up = (high - low)[[1, 0, 2]]
    rows.append(("outside", f"{along:.0f} × {across:.0f} × {up:.0f} mm"))
    rows.append(("wall", f"{1e3 * body.thickness:g} mm"))
    y = top - 10
    for word, value in rows:
        paper.text(left, y, word, va="top", color=look.QUIET)
        paper.text(left + 17, y, value, va="top")
        y -= 4.6
    _marks(paper, left, y - 4)
    bar(paper, scale, left, y - 28)


def _marks(paper: Axes, left: float, y: float) -> None:
    t = np.linspace(0, 2 * np.pi, 48)
    circle = 1.5 * np.stack([np.cos(t), np.sin(t)], axis=1)
    dashed = {"linestyle": (0, (2.2, 1.6)), "facecolor": "none", "alpha": 0.55}
    square = np.array([[-2, -1], [2, -1], [2, 1], [-2, 1]])
    marks: list[tuple[np.ndarray, dict[str, Any], str]] = [
        (circle, {"facecolor": look.HOLLOW, "edgecolor": look.INK}, "hole"),
        (circle, {"edgecolor": look.INK, **dashed}, "hole underneath"),
        (square, {"facecolor": look.CLAY, "edgecolor": look.CLAY}, "window; its windway dashed"),
    ]
    for n, (shape, style, word) in enumerate(marks):
        paper.add_patch(Polygon(shape + (left + 2, y - 4.8 * n), linewidth=0.7, **style))
        paper.text(left + 7, y - 4.8 * n, word, va="center_baseline", fontsize=7.5)


def bar(paper: Axes, scale: float, left: float, y: float) -> None:
    """A bar to measure with: `scale` millimetres of paper for one of the piece."""
    length = max(n for n in (1, 2, 5, 10, 20, 50, 100, 200, 500) if n * scale <= 60)
    end = left + length * scale
    ends = ([left, left, left, end, end, end], [y + 1, y - 1, y, y, y - 1, y + 1])
    paper.plot(*ends, color=look.INK, linewidth=0.7, gid=f"{length} mm")
    paper.text((left + end) / 2, y - 1.6, f"{length} mm", ha="center", va="top", fontsize=7.5)
