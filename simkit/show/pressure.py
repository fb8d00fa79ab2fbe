"""Picture of a mode: its pressure on the wall, seen from two opposite sides."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PathCollection, TriMesh
from matplotlib.colors import Normalize
from matplotlib.figure import FigureBase
from matplotlib.patches import Polygon
from matplotlib.path import Path
from matplotlib.tri import Triangulation

from simkit.body import AirMesh, Opening
from simkit.frozen import frozen
from simkit.show import look
from simkit.show.look import Panel
from simkit.show.shading import Eye, SurfaceView, fine_surface

EYES = (Eye("from above, mouth end near", (0.85, -1.1, 0.9)), Eye("from underneath, mouth end far", (-0.85, 1.1, -0.9)))
LIGHT = np.array([-0.45, 0.65, 0.61])  # in the eye's frame: from the upper left

VIEW_MM = 41.0  # the widest view; all are drawn to one scale
CAPTION_MM = 9.0
MARGIN_MM = 7.0
HEAD_MM = 14.0
FOOT_MM = 15.0
KEY_MM = 126.0


@frozen
class ModePicture:
    """A mode to be drawn: its pressure at the nodes of the mesh (n,), in any unit, and what to say under it."""

    pressure: np.ndarray
    caption: str


def pressure(mesh: AirMesh, modes: Sequence[ModePicture], title: str, openings: Sequence[Opening] = ()) -> Panel:
    """One picture for each mode, from two sides; openings are drawn as thin rims where they show."""
    columns = min(2, max(len(modes), 1))  # two pairs of views fill the width of a page
    rows = -(-len(modes) // columns)  # rounded up
    wide, tall = np.ptp([eye.seen(mesh.points)[:, :2] for eye in EYES], axis=1).max(axis=0)
    scale = VIEW_MM / max(wide, tall)
    cell = (2 * VIEW_MM + 6, scale * tall + CAPTION_MM + 4)
    width = max(columns * cell[0], KEY_MM) + 2 * MARGIN_MM
    height = rows * cell[1] + HEAD_MM + FOOT_MM

    def draw(figure: FigureBase) -> None:
        paper = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
        paper.axis("off")
        shown = look.short(title, width - 2 * MARGIN_MM, 12)
        paper.text(MARGIN_MM, height - 8.5, shown, fontsize=12, va="center")
        for n, mode in enumerate(modes):
            row, column = divmod(n, columns)
            corner = (MARGIN_MM + column * cell[0], height - HEAD_MM - (row + 1) * cell[1])
            _cell(paper, mesh, mode, openings, corner, scale)
        _key(figure, paper, width, height)

    return Panel(width, height, draw)


def _cell(
    paper: Axes,
    mesh: AirMesh,
    mode: ModePicture,
    openings: Sequence[Opening],
    corner: tuple[float, float],
    scale: float,
) -> None:
    surface = fine_surface(mesh.points, mesh.facets, _signed(mode.pressure))
    for n, eye in enumerate(EYES):
        flat = eye.seen(surface.points)[:, :2]
        # On the ground line of the cell, in the middle of its half.
        middle = corner[0] + (n + 0.5) * VIEW_MM + 2 * n
        origin = np.array([middle - scale * (flat[:, 0].min() + flat[:, 0].max()) / 2, corner[1] + CAPTION_MM])
        origin[1] -= scale * flat[:, 1].min()
        _paint(paper, SurfaceView(surface, eye), origin, scale)
        for opening in openings:
            if opening.axis @ eye.frame[2] > 0.02:  # it faces the eye
                _rim(paper, origin + scale * eye.seen(opening.rim_points(64))[:, :2])
    paper.text(corner[0], corner[1] + 3.6, mode.caption)


def _signed(pressure: np.ndarray) -> np.ndarray:
    """Scaled to a largest magnitude of 1, and positive there: a mode has no sign of its own."""
    largest = pressure[np.argmax(np.abs(pressure))]  # with its sign
    return pressure / largest if largest else pressure


def _paint(paper: Axes, sight: SurfaceView, origin: np.ndarray, scale: float) -> None:
    surface = sight.surface
    # From 0.73 to 1: stronger shading would falsify the colours, which carry the pressure.
    shade = 0.82 + 0.18 * np.clip(surface.normals @ sight.eye.frame.T @ LIGHT, -0.5, 1)
    colors = look.PRESSURE(Normalize(-1, 1)(surface.values))
    colors[:, :3] = np.clip(colors[:, :3] * shade[:, None], 0, 1)
    flat = origin + scale * sight.points[:, :2]
    # Drawn a little wider than the surface that covers it: what is left of it is the outline.
    behind = PathCollection([_union(flat, sight.triangles)], facecolor=look.INK, edgecolor=look.INK, linewidth=1.2)
    behind.set_rasterized(True)
    paper.add_collection(behind, autolim=False)
    mesh = TriMesh(Triangulation(flat[:, 0], flat[:, 1], sight.triangles), zorder=2, rasterized=True)
    mesh.set_facecolor(colors)
    paper.add_collection(mesh, autolim=False)
    line = LineCollection(list(origin + scale * sight.level_line()), colors=look.INK, linewidths=0.7, zorder=3)
    paper.add_collection(line, autolim=False)


def _union(flat: np.ndarray, triangles: np.ndarray) -> Path:
    """All triangles as one path; they turn the same way, so it is filled without seams."""
    corners = flat[triangles[:, [0, 1, 2, 0]]].reshape(-1, 2)
    codes = np.tile([Path.MOVETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], len(triangles))
    return Path(corners, codes)


def _rim(paper: Axes, rim: np.ndarray) -> None:
    for color, linewidth in ((look.PAPER, 1.3), (look.INK, 0.6)):
        paper.add_artist(Polygon(rim, facecolor="none", edgecolor=color, linewidth=linewidth, zorder=4, alpha=0.8))


def _key(figure: FigureBase, paper: Axes, width: float, height: float) -> None:
    """The colours, what they stand for, and where the two eyes are."""
    axes = look.pressure_key(figure, MARGIN_MM, width, height, "+1")
    axes.axvline(0, color=look.INK, linewidth=0.7)
    axes.spines[:].set_visible(False)
    words = f"pressure over its largest; on the line it stays zero\nleft: {EYES[0].name}; right: {EYES[1].name}"
    paper.text(MARGIN_MM + 37, 7.0, words, va="center", fontsize=7, color=look.QUIET, linespacing=1.5)
