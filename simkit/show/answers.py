"""Each command's answer, put together: the text it prints and the picture it draws."""

from __future__ import annotations

import math
from collections.abc import Iterable

from matplotlib.figure import Figure

from simkit.body import Body
from simkit.show.chart import scale_chart
from simkit.show.look import page
from simkit.show.pressure import Picture, pressure
from simkit.show.tables import note_table, printed, ring_table
from simkit.show.views import views
from simkit.sound.higher import Ring, Ringing
from simkit.sound.prediction import Prediction, tuning_of
from simkit.vessel import Vessel


def prediction_text(vessel: Vessel, prediction: Prediction) -> str:
    """The table of notes of each chamber, what it was computed for, and where physics leaves its validity."""
    parts = [vessel.title] if vessel.title else []
    for chamber in prediction.chambers:
        name = f"{chamber.name}: " if len(prediction.chambers) > 1 else ""
        table = note_table(vessel.chamber(chamber.name).holes, chamber.notes)
        parts += [f"{name}{1e6 * chamber.volume:.1f} ml of air, {_air_words(vessel)}", "", table, ""]
    return printed(*parts, *_cautions(prediction.cautions)).rstrip() + "\n"


def prediction_page(vessel: Vessel, body: Body, prediction: Prediction) -> Figure:
    """The vessel from three sides, and under it the scale of each chamber."""
    sides = views(vessel, body)
    charts = [
        scale_chart(
            chamber.name if len(prediction.chambers) > 1 else "scale",
            [hole.name for hole in vessel.chamber(chamber.name).holes],
            chamber.notes,
            f"{_air_words(vessel)}; bars: by how much the model may be wrong",
            sides.width_mm,
        )
        for chamber in prediction.chambers
        if any(note.pitch for note in chamber.notes)
    ]
    return page(sides, *charts)


def ringing_text(vessel: Vessel, ringing: Ringing) -> str:
    """The table of resonances of each chamber, what it was computed for, and where physics leaves its validity."""
    parts = [vessel.title] if vessel.title else []
    state = "closed" if ringing.closed else "all holes covered"
    for chamber in ringing.chambers:
        name = f"{chamber.name}: " if len(ringing.chambers) > 1 else ""
        parts += [f"{name}{1e6 * chamber.volume:.1f} ml of air, {state}, {_air_words(vessel)}", ""]
        parts += [ring_table(chamber.rings, tuning_of(vessel)), ""]
    return printed(*parts, *_cautions(ringing.cautions)).rstrip() + "\n"


def ringing_page(vessel: Vessel, ringing: Ringing) -> Figure:
    """The pressure of each mode on the wall of each closed chamber."""
    panels = []
    for chamber, solid in zip(ringing.chambers, ringing.body.chambers, strict=True):
        assert chamber.field is not None, "only closed chambers know their field"
        modes = [
            Picture(chamber.field.modes.shapes[:, n], _mode_words(n + 1, ring)) for n, ring in enumerate(chamber.rings)
        ]
        name = f", {chamber.name}" if len(ringing.chambers) > 1 else ""
        heading = f"{vessel.title or 'chamber'}{name}: closed chamber, {_air_words(vessel)}"
        panels.append(pressure(chamber.field.mesh, modes, heading, solid.all_openings))
    return page(*panels)


def _mode_words(n: int, ring: Ring) -> str:
    q = ring.resonance.q
    lasting = f"   Q {q:.0f}" if math.isfinite(q) else ""
    return f"mode {n}   {ring.resonance.frequency_hz:.0f} Hz{lasting}"


def _air_words(vessel: Vessel) -> str:
    air = vessel.air
    breath = f", {100 * air.breath_share:.0f} % breath" if air.breath_share else ""
    return f"{air.temperature_c:g} °C, {air.humidity_percent:g} % humidity{breath}"


def _cautions(cautions: Iterable[str]) -> list[str]:
    return [f"caution: {text}" for text in cautions]
