"""Maps: how several numbers move when two sizes are changed together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import FigureBase

from simkit.show import look
from simkit.show.look import Panel

SIDE_MM, ACROSS_MM, DOWN_MM = 36.0, 15.0, 14.0
LEFT_MM, RIGHT_MM, HEAD_MM, FOOT_MM = 16.0, 5.0, 24.0, 19.0
TINTS = LinearSegmentedColormap.from_list("clay", [look.AIR, look.BODY, look.CLAY])


def maps_panel(
    title: str,
    x: tuple[str, Sequence[float]],
    y: tuple[str, Sequence[float]],
    rows: Mapping[str, Mapping[str, np.ndarray]],
) -> Panel:
    """One row of maps for each name in `rows`, one map (y, x) for each name in it; every cell with its number."""
    most = max(len(row) for row in rows.values())
    width = LEFT_MM + RIGHT_MM + most * SIDE_MM + (most - 1) * ACROSS_MM
    height = HEAD_MM + FOOT_MM + len(rows) * SIDE_MM + (len(rows) - 1) * DOWN_MM

    def draw(figure: FigureBase) -> None:
        figure.text(LEFT_MM / width, 1 - 7 / height, title, fontsize=12, va="center", parse_math=False)
        for r, (row, maps) in enumerate(rows.items()):
            for c, (name, values) in enumerate(maps.items()):
                left, top = LEFT_MM + c * (SIDE_MM + ACROSS_MM), HEAD_MM + r * (SIDE_MM + DOWN_MM)
                box = (left / width, 1 - (top + SIDE_MM) / height, SIDE_MM / width, SIDE_MM / height)
                axes = figure.add_axes(box)
                axes.imshow(np.log(values), cmap=TINTS, origin="lower", aspect="auto")
                for (i, j), value in np.ndenumerate(values):
                    said = f"{value:.{0 if value >= 20 else 1}f}" if np.isfinite(value) else "silent"
                    axes.text(j, i, said, ha="center", va="center", fontsize=6)
                axes.set_xticks(range(len(x[1])), [f"{size:.3g}" for size in x[1]])
                axes.set_yticks(range(len(y[1])), [f"{size:.3g}" for size in y[1]])
                axes.tick_params(length=0, labelsize=6.5)
                axes.spines[:].set_visible(False)
                axes.set_title(f"{row}: {name}", fontsize=7.5)
                if r == len(rows) - 1:
                    axes.set_xlabel(x[0], color=look.QUIET, fontsize=7)
                if c == 0:
                    axes.set_ylabel(y[0], color=look.QUIET, fontsize=7)
        caption = "Pa are uncertain; ratios between cells are surer"
        figure.text(LEFT_MM / width, 4 / height, caption, color=look.QUIET, fontsize=7)

    return Panel(width, height, draw)
