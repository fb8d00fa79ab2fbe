"""The pressure of a field where the piece is cut along its middle, seen from the right."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import FigureBase
from matplotlib.tri import Triangulation

from simkit.show import look
from simkit.show.look import Panel
from simkit.sound.answers.air_field import AirField

WIDTH_MM, HEAD_MM, FOOT_MM, MARGIN_MM, TALLEST_MM = 130.0, 14.0, 17.0, 7.0, 130.0
_EIGHT = np.array([[0, 4, 6, 7], [4, 1, 5, 8], [6, 5, 2, 9], [7, 8, 9, 3], [6, 8, 4, 5], [6, 8, 5, 9], [6, 8, 9, 7],
                   [6, 8, 7, 4]])  # a curved tetrahedron as eight straight ones  # fmt: skip
_EDGES = np.array([[0, 1], [0, 2], [0, 3], [1, 2], [1, 3], [2, 3]])
# The edges that a plane cuts, in order round the cut, by which corners (bits 1, 2, 4, 8) lie beyond it.
_ROUND = {1: (0, 1, 2), 2: (0, 3, 4), 4: (1, 3, 5), 8: (2, 4, 5), 3: (1, 2, 4, 3), 5: (0, 2, 5, 3), 9: (0, 1, 5, 4)}
_CUTS = {code: cut for one, cut in _ROUND.items() for code in (one, 15 - one)}  # 15 - one: the other side, same cut


def cut(field: AirField, across: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Intersection of a field's tetrahedra, each as eight, with the plane at `across`, m.

    Points (p, 2) along and up, triangles (t, 3), and the real part of the pressure at the points, straight along edges.
    """
    corners = field.cells[:, _EIGHT].reshape(-1, 4)
    beyond = field.points[:, 0] - across
    code = (beyond[corners] > 0) @ np.array([1, 2, 4, 8])  # one bit a corner
    points, values, triangles, first = [], [], [], 0
    # Three or four edges are cut: a triangle, or a quadrilateral drawn as a fan of two triangles.
    for beyond_ones, edges in _CUTS.items():
        cells = corners[code == beyond_ones]
        ends = cells[:, _EDGES[list(edges)]]
        low, high = beyond[ends[..., 0]], beyond[ends[..., 1]]
        share = (low / (low - high))[..., None]  # where the distance from the plane is zero between two ends
        at, level = (
            (1 - share) * each[ends[..., 0]] + share * each[ends[..., 1]]
            for each in (field.points, field.pressure.real[:, None])
        )
        points.append(at[..., 1:].reshape(-1, 2))
        values.append(level.ravel())
        number = first + np.arange(len(cells) * len(edges)).reshape(-1, len(edges))
        triangles += [number[:, [0, n, n + 1]] for n in range(1, len(edges) - 1)]
        first += number.size
    return np.concatenate(points), np.concatenate(triangles), np.concatenate(values)


def plane_panel(title: str, field: AirField) -> Panel:
    """The cut, with the colours' key."""
    within = field.points[np.unique(field.cells[~field.outside])]
    # A hair off the middle: nodes of a symmetric mesh would lie exactly in the plane.
    middle = float(within[:, 0].min() + within[:, 0].max()) / 2 + 1e-7
    points, triangles, values = cut(field, middle)
    low, high = points.min(axis=0), points.max(axis=0)
    scale = min((WIDTH_MM - 2 * MARGIN_MM) / (high - low)[0], TALLEST_MM / (high - low)[1])
    tall = scale * (high - low)[1]
    height = tall + HEAD_MM + FOOT_MM

    def draw(figure: FigureBase) -> None:
        wide = scale * (high - low)[0]
        box = (MARGIN_MM / WIDTH_MM, FOOT_MM / height, wide / WIDTH_MM, tall / height)
        axes = figure.add_axes(box, xlim=(low[0], high[0]), ylim=(low[1], high[1]))
        axes.axis("off")
        # points are not shared between cells, which a picture does not show
        shape = Triangulation(points[:, 0], points[:, 1], triangles)
        drawn = axes.tripcolor(shape, values, shading="gouraud", cmap=look.PRESSURE, vmin=-1, vmax=1)
        drawn.set_rasterized(True)  # thousands of shaded triangles: as vectors the file would have megabytes
        axes.tricontour(shape, values, np.arange(-0.9, 0.95, 0.1), colors=look.INK, linewidths=0.3)
        said = look.short(f"{title or 'vessel'}: {field.title}", WIDTH_MM - 2 * MARGIN_MM, 11)
        figure.text(MARGIN_MM / WIDTH_MM, 1 - 7 / height, said, fontsize=11, va="center")
        look.pressure_key(figure, MARGIN_MM, WIDTH_MM, height, "+1 Pa")
        words = (
            f"{field.frequency_hz:.1f} Hz, pressure in the plane along the middle, by {field.model}\n"
            "a line each 0.1 Pa; mouth end to the left, top up"
        )
        figure.text((MARGIN_MM + 37) / WIDTH_MM, 8.0 / height, words, va="center", fontsize=7, color=look.QUIET)

    return Panel(WIDTH_MM, height, draw)
