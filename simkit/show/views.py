"""The vessel from three sides, to scale: outlines of its air and its clay, its holes as they are seen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import FigureBase
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path

from simkit.body import Body, ChamberBody, Opening
from simkit.body.mouthpiece import windway_of
from simkit.show import look
from simkit.show.labels import CLEAR_MM, Ground, along, beside, outward, parted
from simkit.show.look import Panel
from simkit.show.outline import ABOVE, MOUTH, RIGHT, Side, clay_outlines, is_hidden, outlines
from simkit.vessel import Vessel

OnPaper = Callable[[np.ndarray], np.ndarray]

GAP_MM = 16.0  # on paper, between two views
MARGIN_MM = 9.0
HEAD_MM = 7.0
WIDTH_MM = 180.0  # of the paper
LEGEND_MM, LINE_MM = 50.0, 6.0  # all that stands beside the view from above, and each further line of its title
TALLEST_MM = 230.0  # a sheet of letter paper is 279 mm high


def views(vessel: Vessel, body: Body) -> Panel:
    """Three views of a vessel on one sheet: from above, from the right, from the mouth end.

    The outer line is that of the clay: seen along any direction, moving a surface out by its thickness moves its
    outline out by the same, so the outline is drawn with a pen of twice the thickness.
    """
    low, high = _extent_mm(vessel, body)
    size = high - low
    scale = _scale(size)
    width = scale * (size[0] + size[1]) + GAP_MM + 2 * MARGIN_MM
    title = look.lines(vessel.title, scale * size[1], 13)
    upper = max(scale * size[1], LEGEND_MM + LINE_MM * (len(title) - 1))
    height = upper + scale * size[2] + GAP_MM + 2 * MARGIN_MM + HEAD_MM

    def draw(figure: FigureBase) -> None:
        # Its limits are set: no add_patch below, which would look for them.
        paper = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
        paper.axis("off")
        across, up = MARGIN_MM, MARGIN_MM
        along = across + scale * size[0] + GAP_MM
        above = up + scale * size[2] + GAP_MM
        _view(paper, vessel, body, MOUTH, scale, (across - scale * low[0], up - scale * low[2]))
        _view(paper, vessel, body, RIGHT, scale, (along - scale * low[1], up - scale * low[2]))
        _view(paper, vessel, body, ABOVE, scale, (across - scale * low[0], above + upper - scale * (size[1] + low[1])))
        _legend(paper, title, body, scale, along, above + upper)

    return Panel(width, height, draw)


def _extent_mm(vessel: Vessel, body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest coordinates of all that is drawn."""
    low, high = 1e3 * body.coat.box
    plans = [1e3 * windway_level(vessel, c, 0) for c in body.chambers]
    all_points = np.concatenate([[low, high], *plans])
    return all_points.min(axis=0), all_points.max(axis=0)


def _scale(size: np.ndarray) -> float:
    """Millimetres of paper for a millimetre of the piece: as large as the sheet allows, in a round ratio."""
    room = min(
        (WIDTH_MM - GAP_MM - 2 * MARGIN_MM) / (size[0] + size[1]),
        (TALLEST_MM - GAP_MM - 2 * MARGIN_MM - HEAD_MM) / (size[1] + size[2]),
    )
    # A reader may lay a ruler on it and multiply.
    ratios = [s * 10.0**e for e in range(-3, 3) for s in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9)]
    return max(ratio for ratio in ratios if ratio <= room)


def _view(paper: Axes, vessel: Vessel, body: Body, side: Side, scale: float, origin: tuple[float, float]) -> None:
    def on_paper(points: np.ndarray) -> np.ndarray:
        return 1e3 * scale * points + origin

    clay = 1e3 * scale * body.coat.offset
    ground = Ground()
    for line in _figure(paper, body, side, on_paper):
        ground.draw(line)
    low, high = _extent_mm(vessel, body)
    corners = scale * side.flat(np.array([low, high])) + origin
    # The view's own name, written last, is to stay clear.
    ground.draw(np.array([[corners[0, 0], corners[1, 1] + 5.0], [corners[0, 0] + 32.0, corners[1, 1] + 5.0]]))
    lines = [_chamber(paper, body, chamber, side, on_paper, rank) for rank, chamber in _from_behind(body, side)]
    for own in lines:
        for line in own:
            ground.draw(line)
            ground.draw(line + clay * outward(line))  # the clay's outline
    shown = [
        (chamber, opening, rim)
        for chamber in body.chambers
        for opening in chamber.all_openings
        if (rim := _opening(paper, body, opening, side, on_paper)) is not None
    ]
    for _, _, rim in shown:
        ground.draw(np.concatenate([rim, rim[:1]]))
    for rank, chamber in _from_behind(body, side):
        # From above what is underneath shows, dashed; elsewhere what lies behind another chamber does not.
        order = 5.0 if side is ABOVE else _order(body, rank) + 1.5 / len(body.chambers)
        for line in _windway(paper, vessel, chamber, side, on_paper, order):
            ground.draw(line)
    for _, opening, rim in shown:
        if opening.is_round:
            _name(paper, opening, rim, is_hidden(body, opening, side), float(opening.axis @ side.right) < 0, ground)
    if len(body.chambers) > 1:
        for (_, chamber), own in zip(_from_behind(body, side), lines, strict=True):
            _chamber_name(paper, chamber.name, max(own, key=len), clay, ground)
    paper.text(corners[0, 0], corners[1, 1] + 4.0, side.name, va="bottom", color=look.QUIET, fontsize=7.5)


def _from_behind(body: Body, side: Side) -> list[tuple[int, ChamberBody]]:
    """The chambers in the order in which they are drawn: those farthest from the eye first, with their ranks."""
    return list(enumerate(sorted(body.chambers, key=lambda c: float(c.wall.box.mean(axis=0) @ side.toward))))


def _order(body: Body, rank: int) -> float:
    """The zorder of a chamber's lowest layer: each has two layers, and all lie from 1 to 3."""
    return 1 + 2 * rank / len(body.chambers)


def _chamber(
    paper: Axes, body: Body, chamber: ChamberBody, side: Side, on_paper: OnPaper, rank: int
) -> list[np.ndarray]:
    """One chamber's clay and air over those behind it; where it is behind others, its outline dashed. Its lines."""
    lines = [on_paper(line) for line in outlines(Body((chamber,), body.thickness), side)]
    shape = Path.make_compound_path(*(Path(line, closed=True) for line in lines))
    if body.figure is not None:  # its clay is drawn already
        dots: dict[str, Any] = {"facecolor": "none", "edgecolor": look.QUIET, "linewidth": 0.5, "zorder": 3}
        for line in lines:
            paper.add_artist(Polygon(line, linestyle=(0, (1, 2)), **dots))
        return lines
    # A pen of twice the thickness along the air's outline covers the clay (see `views`).
    clay = 2 * (on_paper(np.array([[body.thickness, 0.0]])) - on_paper(np.zeros((1, 2))))[0, 0] * look.POINTS
    # round joins: at a corner the true outline is an arc too
    pen = {"facecolor": look.BODY, "joinstyle": "round", "capstyle": "round"}
    order = _order(body, rank)
    inked, plain = order, order + 1 / len(body.chambers)  # ink wider and below: what shows of it is the outline
    paper.add_artist(PathPatch(shape, edgecolor=look.INK, linewidth=clay + 1.6, zorder=inked, **pen))
    paper.add_artist(PathPatch(shape, edgecolor=look.BODY, linewidth=clay, zorder=plain, **pen))
    thin: dict[str, Any] = {"facecolor": "none", "edgecolor": look.QUIET, "linewidth": 0.5, "zorder": 3}
    if body.thickness > 0:
        paper.add_artist(PathPatch(shape, linestyle=(0, (1, 2)), **thin))
    if rank + 1 < len(body.chambers):
        for line in lines:
            paper.add_artist(Polygon(line + clay / 2 / look.POINTS * outward(line), linestyle=(0, (8, 6)), **thin))
    return lines


def _figure(paper: Axes, body: Body, side: Side, on_paper: OnPaper) -> list[np.ndarray]:
    """All the clay of a figure, and its outline; nothing of a body with an even wall."""
    if body.figure is None:
        return []
    lines = [on_paper(line) for line in clay_outlines(body.figure, side)]
    shape = Path.make_compound_path(*(Path(line, closed=True) for line in lines))
    paper.add_artist(PathPatch(shape, facecolor=look.BODY, edgecolor=look.INK, linewidth=0.8, zorder=0.9))
    return lines


def _opening(paper: Axes, body: Body, opening: Opening, side: Side, on_paper: OnPaper) -> np.ndarray | None:
    """The outer rim as it is seen: filled where it shows; seen from above, dashed where the body is in the way."""
    rim = on_paper(side.flat(opening.rim_points(96, out=opening.length)))
    hidden = is_hidden(body, opening, side)
    if hidden and side is not ABOVE:
        return None
    color = look.INK if opening.is_round else look.CLAY
    fill = "none" if hidden else look.HOLLOW if opening.is_round else look.CLAY
    paper.add_artist(
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
    return rim


def _breadth(rim: np.ndarray) -> float:
    """Narrow width of an ellipse of points (n, 2), in their unit; of a rectangle, about that."""
    # Points evenly round an ellipse of half axes a, b have variances a^2/2, b^2/2.
    return float(2 * np.sqrt(max(2 * np.linalg.eigvalsh(np.cov(rim.T))[0], 0.0)))


TYPE = 6.5  # points, of names


def _size_mm(name: str) -> tuple[float, float, str]:
    """Width and height of a name on paper, mm, and its vertical alignment; words have letters that hang."""
    width = look.width_mm(name.replace("$", "S"), TYPE)  # a lone $ would begin a formula where the width is measured
    plain = name.isdigit()  # figures have neither height above nor tails below
    return width, (0.75 if plain else 1.25) * TYPE / look.POINTS, "center_baseline" if plain else "center"


def _name(paper: Axes, opening: Opening, rim: np.ndarray, hidden: bool, left: bool, ground: Ground) -> None:
    """A hole's name inside its rim if it fits there, else beside it, clear of what is drawn, a line leading to it
    where it is far off."""
    # Room across, upright, and across the rim's narrow way where it is seen aslant; points.
    fits = 0.9 * look.POINTS * np.array([np.ptp(rim[:, 0]), np.ptp(rim[:, 1]), 1.1 * _breadth(rim)])
    name = opening.name
    inside = len(name) * 0.62 * TYPE < fits[0] and fits[1:].min() > TYPE  # 0.62: a letter's width over its height
    center, level = rim.mean(axis=0), "center_baseline"
    if not inside:
        width, height, level = _size_mm(name)
        half = width / 2, height / 2
        # Names point outward: to the upper right, upper left on the left side, below for what is underneath.
        first = (-1 if hidden else 1) * (135 if left else 45)
        places = beside(rim, width, height, first)
        center = places[ground.place(width, height, places)]
        if parted(center, rim, half) > FAR_MM:
            clear = np.array(half) + CLEAR_MM  # of the line's end from the name
            ends = np.array([center + np.clip(rim.mean(axis=0) - center, -clear, clear), rim.mean(axis=0)])
            paper.plot(*ends.T, color=look.QUIET, linewidth=0.4, zorder=5)
    paper.text(
        center[0],
        center[1],
        name,
        ha="center",
        va=level,
        color=look.QUIET if hidden else look.PAPER if inside else look.INK,
        fontsize=TYPE,
        zorder=7,
    )


FAR_MM = 1.5  # a name farther than this from what it names is led to it


def _chamber_name(paper: Axes, name: str, line: np.ndarray, clay: float, ground: Ground) -> None:
    """A chamber's name just outside its clay."""
    name = look.short(name, 30, TYPE)
    width, height, level = _size_mm(name)
    places = along(line + clay * outward(line), width, height)
    center = places[ground.place(width, height, places)]
    style: dict[str, Any] = {"ha": "center", "va": level, "color": look.CLAY, "fontsize": TYPE}
    paper.text(center[0], center[1], name, zorder=7, **style)


def windway_level(vessel: Vessel, chamber: ChamberBody, up: float) -> np.ndarray:
    """Corners (4, 3), m, of a level of the windway, its floor (-1), its middle (0) or its roof (1); (0, 3) without."""
    way = windway_of(chamber.window, vessel.chamber(chamber.name))
    if way is None:
        return np.zeros((0, 3))
    ends = (way.corners(0.0), way.corners(way.length))
    # Corners go round, two of the floor, two of the roof: [:1:-1] takes the roof's in the floor's order.
    near, far = ((1 - up) / 2 * end[:2] + (1 + up) / 2 * end[:1:-1] for end in ends)
    return np.array([near[0], far[0], far[1], near[1]])


def _windway(
    paper: Axes, vessel: Vessel, chamber: ChamberBody, side: Side, on_paper: OnPaper, order: float
) -> list[np.ndarray]:
    """Draw the windway's floor and roof, dashed, as they lie in the clay; their lines."""
    dashes = {"linewidth": 0.6, "linestyle": (0, (3, 2)), "edgecolor": look.CLAY, "facecolor": "none"}
    levels = [windway_level(vessel, chamber, up) for up in ((0,) if side is ABOVE else (-1, 1))]
    lines = [on_paper(side.flat(level)) for level in levels if len(level)]
    for line in lines:
        paper.add_artist(Polygon(line, closed=False, zorder=order, **dashes))
    return lines


def _legend(paper: Axes, title: Sequence[str], body: Body, scale: float, left: float, top: float) -> None:
    """Title in lines, the main sizes, what the marks mean, and a scale bar."""
    paper.text(left, top, "\n".join(title), va="top", fontsize=13)
    top -= LINE_MM * (len(title) - 1)
    rows = [("air", f"{1e6 * sum(c.volume for c in body.chambers):.1f} ml")]
    low, high = 1e3 * body.coat.box
    along, across, up = (high - low)[[1, 0, 2]]
    rows.append(("outside", f"{along:.0f} × {across:.0f} × {up:.0f} mm"))
    rows.append(("wall", f"{1e3 * body.thickness:g} mm" if body.figure is None else "what lies between"))
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
        paper.add_artist(Polygon(shape + (left + 2, y - 4.8 * n), linewidth=0.7, **style))
        paper.text(left + 7, y - 4.8 * n, word, va="center_baseline", fontsize=7.5)


def bar(paper: Axes, scale: float, left: float, y: float) -> None:
    """A scale bar: `scale` millimetres of paper for one of the piece."""
    length = max(n for n in (1, 2, 5, 10, 20, 50, 100, 200, 500) if n * scale <= 60)  # at most 60 mm of paper
    end = left + length * scale
    ends = ([left, left, left, end, end, end], [y + 1, y - 1, y, y, y - 1, y + 1])
    paper.plot(*ends, color=look.INK, linewidth=0.7, gid=f"{length} mm")
    paper.text((left + end) / 2, y - 1.6, f"{length} mm", ha="center", va="top", fontsize=7.5)
