"""Each command's answer, put together: the text it prints and the picture it draws."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from matplotlib.figure import Figure
from rich.table import Table
from rich.text import Text

from simkit.body import Body
from simkit.optimise.handmade import HandError
from simkit.show.breath import breath_panel
from simkit.show.chart import scale_chart
from simkit.show.chords import blown_chord_table, chord_table
from simkit.show.combinations import combinations_panel
from simkit.show.lines import IN_TUNE_CENTS, signed
from simkit.show.look import page
from simkit.show.pressure import Picture, pressure
from simkit.show.regions import regions_panel
from simkit.show.tables import blow_table, combination_table, note_table, printed, ring_table
from simkit.show.views import views
from simkit.sound.blowing.advice import HARD_PA
from simkit.sound.blowing.fingerings import NoteBlown
from simkit.sound.blowing.table import BlowTable
from simkit.sound.chart import Chart
from simkit.sound.comparison import Comparison
from simkit.sound.higher import Ring, Ringing
from simkit.sound.prediction import PredictedNote, Prediction
from simkit.vessel import Vessel, tuning_of

Part = Table | Text | str


def prediction_text(vessel: Vessel, prediction: Prediction, hand: HandError | None = None) -> str:
    """The table of notes of each chamber, what it was computed for, and where physics leaves its validity.

    hand: what hand-made error does to the notes, shown beside the models' own uncertainty.
    """
    parts: list[Part] = [vessel.title] if vessel.title else []
    for chamber in prediction.chambers:
        name = f"{chamber.name}: " if len(prediction.chambers) > 1 else ""
        by_hand = hand.of(chamber.name) if hand else ()
        table = note_table(vessel.chamber(chamber.name).holes, chamber.notes, by_hand)
        parts += [f"{name}{1e6 * chamber.volume:.1f} ml of air, {air_words(vessel)}", "", table, ""]
        parts += [*_pull_words(chamber.notes), *_neighbour_words(chamber.notes), ""]
    parts += chord_table(prediction.chords) if prediction.chords else []
    if any(note.pitch for note in prediction.notes):
        parts.append(_READING.format(cents=IN_TUNE_CENTS))
    if hand:
        parts.append(hand.words)
    return printed(*parts, *_cautions(prediction.cautions)).rstrip() + "\n"


_READING = "cents: off the target, ± what the computation itself may be wrong by; in tune: within {cents:g} cents"


def _pull_words(notes: Sequence[PredictedNote]) -> list[str]:
    """What an open windway would do to the notes that it moves most and least."""
    pulled = [(n.answer.windway_cents, n.pitch or "the note") for n in notes if n.answer.windway_cents is not None]
    if not pulled:
        return []
    (most, first), (least, last) = max(pulled), min(pulled)
    rest = f", {last} by {least:.0f}" if last != first else ""
    opened = "windway taken as closed; open, as a player has it (--windway mouth)"
    return [f"{opened}, it would raise {first} by {most:.0f} cents{rest}"]


def _neighbour_words(notes: Sequence[PredictedNote]) -> list[str]:
    """How far the silent chambers beside this one pull its notes."""
    words = []
    for key, what in (("neighbours_cents", "covered"), ("neighbours_open_cents", "open too")):
        pulled = [(getattr(n.answer, key), n.pitch or "the note") for n in notes if getattr(n.answer, key) is not None]
        if pulled:
            cents, pitch = max(pulled, key=lambda pair: abs(pair[0]))
            words.append(f"{signed(cents)} cents ({pitch}) with their holes {what}")
    return [f"the silent windows beside pull at most {', '.join(words)}"] if words else []


def prediction_page(vessel: Vessel, body: Body, prediction: Prediction) -> Figure:
    """The vessel from three sides, and under it the scale of each chamber."""
    sides = views(vessel, body)
    charts = [
        scale_chart(
            chamber.name if len(prediction.chambers) > 1 else "scale",
            [hole.name for hole in vessel.chamber(chamber.name).holes],
            chamber.notes,
            f"{air_words(vessel)}; bars: by how much the model may be wrong",
            sides.width_mm,
        )
        for chamber in prediction.chambers
        if any(note.pitch for note in chamber.notes)
    ]
    return page(sides, *charts)


def ringing_text(vessel: Vessel, ringing: Ringing) -> str:
    """The table of resonances of each chamber, what it was computed for, and where physics leaves its validity."""
    parts: list[Part] = [vessel.title] if vessel.title else []
    state = _state(ringing)
    for chamber in ringing.chambers:
        name = f"{chamber.name}: " if len(ringing.chambers) > 1 else ""
        parts += [f"{name}{1e6 * chamber.volume:.1f} ml of air, {state}, {air_words(vessel)}", ""]
        parts += [ring_table(chamber.rings, tuning_of(vessel)), ""]
    return printed(*parts, *_cautions(ringing.cautions)).rstrip() + "\n"


def ringing_page(vessel: Vessel, ringing: Ringing) -> Figure:
    """The pressure of each mode on the wall of each chamber."""
    panels = []
    for chamber, solid in zip(ringing.chambers, ringing.body.chambers, strict=True):
        modes = [Picture(chamber.pressures[:, n], _mode_words(n + 1, ring)) for n, ring in enumerate(chamber.rings)]
        name = f", {chamber.name}" if len(ringing.chambers) > 1 else ""
        heading = f"{vessel.title or 'chamber'}{name}: {_state(ringing)}, {air_words(vessel)}"
        panels.append(pressure(chamber.mesh, modes, heading, solid.all_openings))
    return page(*panels)


def _state(ringing: Ringing) -> str:
    if ringing.closed:
        return "closed chamber"
    return f"open: {', '.join(ringing.opened)}" if ringing.opened else "all holes covered"


def chart_text(vessel: Vessel, chart: Chart) -> str:
    """Every combination of holes of each chamber, ascending, with the note that it comes nearest to."""
    parts: list[Part] = [vessel.title] if vessel.title else []
    for chamber in chart.chambers:
        name = f"{chamber.name}: " if len(chart.chambers) > 1 else ""
        count, holes = len(chamber.fingerings), len(chamber.holes)
        what = f"{count} combinations of {holes} hole{'s' * (holes > 1)}" if holes else "a chamber without holes"
        parts += [f"{name}{what} by {chart.model}, {air_words(vessel)}", ""]
        parts += [combination_table(vessel.chamber(chamber.name).holes, chamber), ""]
    return printed(*parts, *_cautions(chart.cautions)).rstrip() + "\n"


def chart_page(vessel: Vessel, chart: Chart) -> Figure:
    """The combinations of each chamber as a picture."""
    return page(*(combinations_panel(vessel, chart, chamber) for chamber in chart.chambers))


def blow_text(vessel: Vessel, table: BlowTable) -> str:
    """How each note of each chamber blows, and under the table what may help."""
    parts: list[Part] = [vessel.title] if vessel.title else []
    for chamber in table.chambers:
        name = f"{chamber.name}: " if len(table.chambers) > 1 else ""
        rows = blow_table(vessel.chamber(chamber.name).holes, chamber.notes)
        parts += [f"{name}{1e6 * chamber.volume:.1f} ml of air, {air_words(vessel)}, by {table.model}", "", rows, ""]
        parts += [_all_open_words(chamber.all_open)] if chamber.all_open else []
        for note in chamber.notes:
            parts += [f"{note.pitch or 'all covered'}: {text}" for text in note.advice]
        parts += ["", *_BLOW_WORDS, ""]
    parts += blown_chord_table(table.chords) if table.chords else []
    return printed(*parts, *_cautions(table.cautions)).rstrip() + "\n"


def _all_open_words(blown: NoteBlown) -> str:
    """Whether the jet still has strength to spare where the window drives least."""
    if blown.gain is None or blown.airiness_db is None:
        return "all holes open: silent, the jet cannot make up for the losses"
    return (
        f"all holes open: the jet gives a small swing {blown.gain:.1f} times what it loses, so it speaks; "
        f"airy {blown.airiness_db:.0f} dB"
    )


# A centimetre of water is 98 Pa (hydrostatics). Soft and firm: common practice, no source; hard: see `HARD_PA`.
FEELING = (
    "to feel it: a straw 1 cm deep in water bubbles at 100 Pa, 5 cm deep at 500; 100 to 300 is soft, to 800 firm, "
    f"above {HARD_PA:,.0f} hard"
)
_BLOW_WORDS = (
    "Pa: breath at which the jet drives the note best; Hz: what sounds then; bend: cents for 10 % more breath",
    FEELING,
    "starts at: at least this much breath; margin: how many times the breath until it jumps up (>: none to 5,000 Pa;",
    "dies: until it falls silent instead)",
    "airy: breath power over tone power, to compare notes by",
)


def blow_page(vessel: Vessel, table: BlowTable) -> Figure:
    """Each chamber's breath over its notes with their margins, and pitch against breath with what else may sound."""
    panels = []
    for chamber in table.chambers:
        name = f", {chamber.name}" if len(vessel.chambers) > 1 else ""
        holes = [hole.name for hole in vessel.chamber(chamber.name).holes]
        panels += [breath_panel(f"{vessel.title or 'vessel'}{name}: breath", holes, chamber), regions_panel(chamber)]
    return page(*panels)


def comparison_text(vessel: Vessel, comparison: Comparison) -> str:
    """The models side by side, and under each chamber's table why they part."""
    prediction = comparison.prediction
    parts: list[Part] = [vessel.title] if vessel.title else []
    for chamber, reasons, window in zip(prediction.chambers, comparison.reasons, comparison.windows, strict=True):
        name = f"{chamber.name}: " if len(prediction.chambers) > 1 else ""
        table = note_table(vessel.chamber(chamber.name).holes, chamber.notes)
        parts += [f"{name}{1e6 * chamber.volume:.1f} ml of air, {air_words(vessel)}", "", table, ""]
        for note, said in zip(chamber.notes, reasons, strict=True):
            parts += [f"{note.pitch or 'all covered'}:", *(f"  {reason}" for reason in said)] if said else []
        parts += ["", *([str(window), ""] if window else [])]
    return printed(*parts, *_cautions(prediction.cautions)).rstrip() + "\n"


def _mode_words(n: int, ring: Ring) -> str:
    q = ring.resonance.q
    lasting = f"   Q {q:.0f}" if math.isfinite(q) else ""
    return f"mode {n}   {ring.resonance.frequency_hz:.0f} Hz{lasting}"


def air_words(vessel: Vessel) -> str:
    """The air that a design is computed for."""
    air = vessel.air
    breath = f", {100 * air.breath_share:.0f} % breath" if air.breath_share else ""
    return f"{air.temperature_c:g} °C, {air.humidity_percent:g} % humidity{breath}"


def _cautions(cautions: Iterable[str]) -> list[str]:
    return [f"caution: {text}" for text in cautions]
