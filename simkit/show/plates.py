"""The picture that each command draws of its answer."""

from __future__ import annotations

import math

from matplotlib.figure import Figure, FigureBase

from simkit.body import body_of
from simkit.errors import OutOfReach
from simkit.optimisation.compromises import TradeOff
from simkit.show import look
from simkit.show.as_text import air_words, state_words
from simkit.show.breath_picture import breath_panel
from simkit.show.combinations import combinations_panel
from simkit.show.in_the_round import in_the_round
from simkit.show.lines import IN_TUNE_CENTS
from simkit.show.look import Panel, page
from simkit.show.pressure import ModePicture, pressure
from simkit.show.regions import regions_panel
from simkit.show.scale import scale_chart
from simkit.show.thickness import thickness_map
from simkit.show.views import views
from simkit.sound.answers.chart import Chart
from simkit.sound.answers.higher import Ring, Ringing
from simkit.sound.answers.prediction import Prediction
from simkit.sound.blowing.table import BlowingChamber, BlowTable
from simkit.vessel import Vessel


def prediction_page(vessel: Vessel, prediction: Prediction) -> Figure:
    """The vessel from three sides, in the round and cut open, and under it the scale of each chamber."""
    body = body_of(vessel)
    sides = views(vessel, body)
    charts = [
        scale_chart(
            chamber.name if len(prediction.chambers) > 1 else "scale",
            [hole.name for hole in vessel.chamber(chamber.name).holes],
            chamber.notes,
            f"{air_words(vessel, prediction.state)}; bars: by how much the model may be wrong",
            sides.width_mm,
        )
        for chamber in prediction.chambers
        if any(note.pitch for note in chamber.notes)  # a chamber without written notes has no scale to draw
    ]
    clay = thickness_map(body)
    return page(sides, in_the_round(vessel, body), *([clay] if clay else []), *charts)


def ringing_panels(vessel: Vessel, ringing: Ringing) -> list[Panel]:
    """The pressure of each mode on the wall, a panel for each chamber."""
    panels = []
    for chamber, solid in zip(ringing.chambers, ringing.body.chambers, strict=True):
        modes = [ModePicture(chamber.pressures[:, n], _mode_words(n + 1, ring)) for n, ring in enumerate(chamber.rings)]
        name = f", {chamber.name}" if len(ringing.chambers) > 1 else ""
        heading = f"{vessel.title or 'chamber'}{name}: {state_words(ringing)}, {air_words(vessel, ringing.state)}"
        if chamber.mesh is None:  # a model of another package may have none
            raise OutOfReach(f"{chamber.name}: the model knows no pressure to draw; ask ports, or do without a picture")
        panels.append(pressure(chamber.mesh, modes, heading, solid.all_openings))
    return panels


def chart_panels(vessel: Vessel, chart: Chart) -> list[Panel]:
    """Panels of the chart, one for each chamber."""
    return [combinations_panel(vessel, chart, chamber) for chamber in chart.chambers]


def blow_page(vessel: Vessel, table: BlowTable) -> Figure:
    """Each chamber's breath over its notes with their margins, and pitch against breath with what else may sound."""
    return page(*(panel for chamber in table.chambers for panel in blow_panels(vessel, chamber)))


def blow_panels(vessel: Vessel, chamber: BlowingChamber) -> list[Panel]:
    """One chamber's two panels of these."""
    name = f", {chamber.name}" if len(vessel.chambers) > 1 else ""
    holes = [hole.name for hole in vessel.chamber(chamber.name).holes]
    return [breath_panel(f"{vessel.title or 'vessel'}{name}: breath", holes, chamber), regions_panel(chamber)]


def _mode_words(n: int, ring: Ring) -> str:
    q = ring.resonance.q
    lasting = f"   Q {q:.0f}" if math.isfinite(q) else ""  # closed and lossless: endless
    return f"mode {n}   {ring.resonance.frequency_hz:.0f} Hz{lasting}"


def trade_off_panel(title: str, curve: TradeOff) -> Panel:
    """Every compromise as a point, joined in their order; hollow where a note is out of tune."""

    def draw(figure: FigureBase) -> None:
        axes = figure.add_axes((0.13, 0.15, 0.82, 0.71))
        across, up = ([getattr(point, name) for point in curve.points] for name in ("one", "other"))
        axes.plot(across, up, color=look.CLAY, linewidth=1.0, zorder=2)
        for point in curve.points:
            fill = look.CLAY if point.worst_cents <= IN_TUNE_CENTS else look.PAPER
            axes.plot(point.one, point.other, "o", color=look.CLAY, markerfacecolor=fill, markersize=5, zorder=3,
                      clip_on=False)  # fmt: skip
        axes.set_xlabel(curve.one)
        axes.set_ylabel(curve.other)
        axes.margins(0.08)
        axes.set_title(title, fontsize=10, pad=8)
        caption = f"each point a best design; hollow: a note more than {IN_TUNE_CENTS:g} cents off"
        figure.text(0.13, 0.02, caption, color=look.QUIET, fontsize=7)

    return Panel(120.0, 90.0, draw)
