"""Thickness of a figure's clay as a map on its air, seen from above and from underneath, extremes marked."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import FigureBase
from matplotlib.patches import Circle, Polygon
from matplotlib.tri import Triangulation

from simkit.body import Body
from simkit.body.figures import thinnest_clay
from simkit.body.mass import outer_distance, thickest_clay
from simkit.body.walls.wall import normals, on_wall
from simkit.frozen import frozen
from simkit.show import look
from simkit.show.look import Panel
from simkit.show.outline import ABOVE, Side, clay_outlines

UNDER = Side("from underneath", (-1, 0, 0), (0, 1, 0))
_SIDES = (ABOVE, UNDER)
_ROOM_MM, _MARGIN_MM, _HEAD_MM, _FOOT_MM = 78.0, 9.0, 8.0, 10.0
_CLAY = LinearSegmentedColormap.from_list("clay", [look.AIR, look.BODY, look.CLAY_CUT, look.CLAY])
_SLANT = 0.12  # cosine between a wall and the line of sight: what is seen more aslant is left out


@frozen
class Thickness:
    """Clay over places of the air's wall (n, 3) with normals (n, 3): its thickness there (n,), and the two extremes."""

    places: np.ndarray
    normals: np.ndarray
    clay: np.ndarray
    thinnest: tuple[float, np.ndarray]
    thickest: tuple[float, np.ndarray]


def thickness_of(body: Body) -> Thickness:
    """The clay from places all over the air's wall to the nearest of the outside, m.

    thinnest: the least of it; thickest: the largest ball of clay anywhere, in a leg, say; each with its place.
    """
    each = [on_wall(chamber.wall, 2) for chamber in body.chambers]
    places = np.concatenate(each)
    out = np.concatenate([normals(c.wall, p) for c, p in zip(body.chambers, each, strict=True)])
    thin = min((thinnest_clay(chamber.wall, body.coat) for chamber in body.chambers), key=lambda pair: pair[0])
    return Thickness(places, out, -outer_distance(body.coat)(places), thin, thickest_clay(body))


def thickness_map(body: Body) -> Panel | None:
    """The map as a panel; None of an even wall, which is as thick everywhere."""
    if body.figure is None:
        return None
    found = thickness_of(body)
    width = 3 * _MARGIN_MM + 2 * _ROOM_MM
    height = _HEAD_MM + _ROOM_MM + _FOOT_MM

    def draw(figure: FigureBase) -> None:
        for n, side in enumerate(_SIDES):
            left = _MARGIN_MM + n * (_ROOM_MM + _MARGIN_MM)
            paper = figure.add_axes((left / width, _FOOT_MM / height, _ROOM_MM / width, _ROOM_MM / height))
            _drawn(paper, body, found, side)
        (thin, _), (thick, _) = found.thinnest, found.thickest
        words = f"clay over the air, mm, fired: a line each mm. Thinnest {1e3 * thin:.1f} mm (cross); the largest ball "
        words += f"of clay {1e3 * thick:.1f} mm across (ring)"
        figure.text(_MARGIN_MM / width, 3.5 / height, words, color=look.QUIET, fontsize=7)

    return Panel(width, height, draw)


def _drawn(paper: Axes, body: Body, found: Thickness, side: Side) -> None:
    assert body.figure is not None
    paper.axis("off")
    paper.set_aspect("equal")  # a ball of clay is to look round
    for line in clay_outlines(body.figure, side):
        paper.add_patch(Polygon(1e3 * line, facecolor="none", edgecolor=look.INK, linewidth=0.7))
    seen = found.normals @ side.toward > _SLANT
    flat, clay = 1e3 * side.flat(found.places[seen]), 1e3 * found.clay[seen]  # mm
    # Seams of the wall's parts give places twice, which a triangulation refuses.
    _, once = np.unique(np.round(flat, 3), axis=0, return_index=True)
    triangles = Triangulation(*flat[once].T)
    levels = np.arange(np.floor(clay.min()), np.ceil(clay.max()) + 1.01)  # a level each millimetre, both ends included
    paper.tricontourf(triangles, clay[once], levels=levels, cmap=_CLAY)
    lines = paper.tricontour(triangles, clay[once], levels=levels, colors=look.QUIET, linewidths=0.4)
    paper.clabel(lines, fmt="%g", fontsize=5.5)
    (thin, at_thin), (thick, at_thick) = found.thinnest, found.thickest
    _mark(paper, 1e3 * side.flat(at_thin), f"{1e3 * thin:.1f} mm", side is _nearer(body, at_thin))
    # Radius, mm: the ball is `thick` m across.
    ring = Circle(tuple(1e3 * side.flat(at_thick)), 500 * thick, fill=False, edgecolor=look.INK, linewidth=0.8)
    ring.set_linestyle("-" if side is _nearer(body, at_thick) else (0, (2, 2)))
    paper.add_patch(ring)
    x, y = 1e3 * side.flat(at_thick)
    paper.text(x, y, f"{1e3 * thick:.1f}", ha="center", va="center", fontsize=6.5)
    paper.autoscale_view()
    paper.set_title(side.name, loc="left", color=look.QUIET, fontsize=7.5)


def _mark(paper: Axes, at: np.ndarray, words: str, near: bool) -> None:
    paper.plot(*at, marker="x", color=look.INK, markersize=5, markeredgewidth=1.0, alpha=1.0 if near else 0.4)
    paper.text(at[0] + 1.5, at[1] + 1.5, words, fontsize=6.5, color=look.INK if near else look.QUIET)


def _nearer(body: Body, at: np.ndarray) -> Side:
    """The side that a place lies nearer to."""
    return ABOVE if at[2] > body.coat.box[:, 2].mean() else UNDER
