"""The trade-off curve of two aims: how much of one is gained for how much of the other."""

from __future__ import annotations

from matplotlib.figure import FigureBase

from simkit.optimisation.compromises import TradeOff
from simkit.show import look
from simkit.show.look import Panel

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
IN_TUNE = 5.0  # cents: a design whose worst note is farther off is drawn hollow


def trade_off_panel(title: str, curve: TradeOff) -> Panel:
    """Every compromise as a point, joined in their order; hollow where a note is more than 5 cents off."""

    def draw(figure: FigureBase) -> None:
        axes = figure.add_axes((0.13, 0.15, 0.82, 0.71))
        across, up = ([getattr(point, name) for point in curve.points] for name in ("one", "other"))
        axes.plot(across, up, color=look.CLAY, linewidth=1.0, zorder=2)
        for point in curve.points:
            fill = look.CLAY if point.worst_cents <= IN_TUNE else look.PAPER
            axes.plot(point.one, point.other, "o", color=look.CLAY, markerfacecolor=fill, markersize=5, zorder=3,
                      clip_on=False)  # fmt: skip
        axes.set_xlabel(curve.one)
        axes.set_ylabel(curve.other)
        axes.margins(0.08)
        axes.set_title(title, fontsize=10, pad=8)
        caption = f"each point a best design; hollow: a note more than {IN_TUNE:g} cents off"
        figure.text(0.13, 0.02, caption, color=look.QUIET, fontsize=7)

    return Panel(WIDTH_MM, HEIGHT_MM, draw)
