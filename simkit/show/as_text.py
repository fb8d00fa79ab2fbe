"""The text that each command prints of its answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.table import Column, Table
from rich.text import Text

from simkit.show.lines import IN_TUNE_CENTS, signed
from simkit.show.terminal import (
    ACCENT,
    blow_table,
    chamber_head,
    combination_table,
    note_table,
    numbers,
    plain_table,
    ring_table,
    titled,
)  # fmt: skip
from simkit.sound.blowing.thresholds import HARD_PA
from simkit.vessel import Vessel, tuning_of

if TYPE_CHECKING:  # what a command does not ask for need not be loaded
    from simkit.optimisation.aims.handmade import HandError
    from simkit.sound.answers.chart import Chart
    from simkit.sound.answers.chords import Chord
    from simkit.sound.answers.comparison import Comparison
    from simkit.sound.answers.higher import Ringing
    from simkit.sound.answers.prediction import PredictedChamber, PredictedNote, Prediction
    from simkit.sound.blowing.behaviour import NoteBlown
    from simkit.sound.blowing.table import BlownChord, BlowTable

Part = Table | Text | str
MOST_CHORDS = 60  # rows of a table: about a page


def prediction_text(
    vessel: Vessel, prediction: Prediction, hand: HandError | None = None, with_parts: bool = False
) -> str:
    """The table of notes of each chamber, what it was computed for, and where physics leaves its validity.

    hand: what hand-made error does to the notes, shown beside the models' own uncertainty; with_parts: also what each
    part of playing moves.
    """
    parts: list[Part] = []
    for chamber in prediction.chambers:
        by_hand = hand.of(chamber.name) if hand else ()  # asked of ports alone; other models show no such column
        table = note_table(vessel.chamber(chamber.name).holes, chamber.notes, by_hand, with_parts)
        parts += [chamber_head(chamber, prediction.chambers, air_words(vessel, prediction.state)), "", table, ""]
        parts += [*_playing_words(chamber), *_neighbour_words(chamber.notes), ""]
    parts += _chord_table(prediction.chords) if prediction.chords else []
    parts += [_STILL] * (prediction.state == "still")  # as played needs no word: it is what is asked
    if any(note.pitch for note in prediction.notes):
        parts.append(_READING.format(doubt=_DOUBT[prediction.state], cents=IN_TUNE_CENTS))
    if hand:
        parts.append(hand.words)
    return titled(vessel.title, parts, prediction.cautions)


_STILL = "still: windway shut, the room's air, nobody near"
_DOUBT = {
    "played": "± what computation, breath, mouth, clay and fingers leave open against the other notes",
    "still": "± what the computation itself may be wrong by",
}
_READING = "cents: off the target, {doubt}; in tune: within {cents:g} cents"


def _playing_words(chamber: PredictedChamber) -> list[str]:
    """Least and largest change of the notes by playing, and the uncertainty common to all."""
    answers = [note.answer for note in chamber.notes if note.answer.parts_cents]
    if not answers:
        return []
    # Of each note: all parts of playing together.
    moved = [sum(answer.parts_cents.values()) for answer in answers if answer.parts_cents]
    low, high = min(moved), max(moved)
    span = f"{signed(low)} to {signed(high)}" if high - low > 0.5 else signed(high)
    floor = ", and the clay under the windway," if answers[0].parts_cents and "floor" in answers[0].parts_cents else ""
    words = [f"playing{floor} moves the notes by {span} cents (--parts says what does, --still leaves it out)"]
    piece = chamber.piece_cents.get(answers[-1].model, 0.0)  # the last model is the most exact
    return [*words, f"all notes together may be off by ± {piece:.0f} cents more: breath, clay, mouth and hands differ"]


def _neighbour_words(notes: Sequence[PredictedNote]) -> list[str]:
    """Largest pull of the silent chambers beside this one on its notes."""
    words = []
    for key, what in (("neighbours_cents", "covered"), ("neighbours_open_cents", "open too")):
        pulled = [(getattr(n.answer, key), n.pitch or "the note") for n in notes if getattr(n.answer, key) is not None]
        if pulled:
            cents, pitch = max(pulled, key=lambda pair: abs(pair[0]))  # either way
            words.append(f"{signed(cents)} cents ({pitch}) with their holes {what}")
    return [f"the silent windows beside pull at most {', '.join(words)}"] if words else []


def ringing_text(vessel: Vessel, ringing: Ringing) -> str:
    """The table of resonances of each chamber, what it was computed for, and where physics leaves its validity."""
    parts: list[Part] = []
    state = state_words(ringing)
    for chamber in ringing.chambers:
        parts += [chamber_head(chamber, ringing.chambers, state, air_words(vessel, ringing.state)), ""]
        parts += [ring_table(chamber.rings, tuning_of(vessel), chamber.note), ""]
    return titled(vessel.title, parts, ringing.cautions)


def state_words(ringing: Ringing) -> str:
    """Openings that were open as a chamber rang, in words."""
    if ringing.closed:
        return "closed chamber"
    return f"open: {', '.join(ringing.opened)}" if ringing.opened else "all holes covered"


def chart_text(vessel: Vessel, chart: Chart) -> str:
    """Every combination of holes of each chamber, ascending, with the note that it comes nearest to."""
    parts: list[Part] = []
    for chamber in chart.chambers:
        name = f"{chamber.name}: " if len(chart.chambers) > 1 else ""
        count, holes = len(chamber.fingerings), len(chamber.holes)
        what = f"{count} combinations of {holes} hole{'s' * (holes > 1)}" if holes else "a chamber without holes"
        parts += [f"{name}{what} by {chart.model}, {air_words(vessel, chart.state)}", ""]
        parts += [combination_table(vessel.chamber(chamber.name).holes, chamber), ""]
    return titled(vessel.title, parts, chart.cautions)


def blow_text(vessel: Vessel, table: BlowTable) -> str:
    """Text of a blowing table: each note of each chamber, and under the table what may help."""
    parts: list[Part] = []
    for chamber in table.chambers:
        rows = blow_table(vessel.chamber(chamber.name).holes, chamber.notes)
        parts += [
            chamber_head(chamber, table.chambers, air_words(vessel, table.state), f"by {table.model}"),
            "",
            rows,
            "",
        ]
        # where the jet has least to spare
        parts += [_all_open_words(chamber.all_open)] if chamber.all_open else []
        for note in chamber.notes:
            parts += [f"{note.pitch or 'all covered'}: {text}" for text in note.advice]
        parts += ["", *_BLOW_WORDS, ""]
    parts += _blown_chord_table(table.chords) if table.chords else []
    return titled(vessel.title, parts, table.cautions)


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


def comparison_text(vessel: Vessel, comparison: Comparison) -> str:
    """The models side by side, and under each chamber's table why they part."""
    prediction = comparison.prediction
    parts: list[Part] = []
    for chamber, reasons, window in zip(prediction.chambers, comparison.reasons, comparison.windows, strict=True):
        table = note_table(vessel.chamber(chamber.name).holes, chamber.notes)
        parts += [chamber_head(chamber, prediction.chambers, air_words(vessel, prediction.state)), "", table, ""]
        for note, said in zip(chamber.notes, reasons, strict=True):
            parts += [f"{note.pitch or 'all covered'}:", *(f"  {reason}" for reason in said)] if said else []
        parts += ["", *([str(window), ""] if window else [])]
    return titled(vessel.title, parts, prediction.cautions)


def air_words(vessel: Vessel, state: str) -> str:
    """The room's air that a design is computed for, and whether somebody plays it."""
    air = vessel.air
    return f"{air.temperature_c:g} °C, {air.humidity_percent:g} % humidity, {'as ' * (state == 'played')}{state}"


# --- chords: what is blown together, what each note then sounds, and whether two of them beat ------


def _chord_table(chords: Sequence[Chord]) -> list[Table | str]:
    """Chords as they ring: each note's Hz and how far the others pull it."""
    table = _headed([tone.chamber for tone in chords[0].tones], ("Hz", "pulled"))
    shown, left = _weightiest(chords, [max(abs(t.pull_cents) for t in c.tones) for c in chords])
    for chord in shown:
        cells = []
        for tone in chord.tones:
            pull = signed(tone.pull_cents)
            cells += [tone.pitch or "all covered", f"{tone.frequency_hz:.1f}", pull]
        table.add_row(*cells, Text(_said(chord.beat_hz, chord.merges, chord.two_jobs), style=ACCENT))
    words = "pulled: cents by which the open windows and holes of the others move a note"
    return [table, "", *_rest(left, "those that pull most are shown"), words, ""]


def _blown_chord_table(chords: Sequence[BlownChord]) -> list[Table | str]:
    """Chords blown with one breath: its pressure, what each note sounds then, and its margin to overblowing."""
    table = _headed([tone.chamber for tone in chords[0].tones], ("Hz", "margin"), "Pa")
    shown, left = _weightiest(chords, [-min(t.margin or 0.0 for t in c.tones) for c in chords])
    for chord in shown:
        cells = ["" if chord.pressure_pa is None else f"{chord.pressure_pa:.0f}"]
        for tone in chord.tones:
            hz = "silent" if tone.sounding_hz is None else f"{tone.sounding_hz:.1f}"
            cells += [tone.pitch or "all covered", hz, "" if tone.margin is None else f"{tone.margin:.1f}"]
        table.add_row(*cells, Text(_said(chord.beat_hz, chord.merges, chord.two_jobs), style=ACCENT))
    words = "Pa: one breath for all, between what each note would want; margin: how many times that until it jumps up"
    return [table, "", *_rest(left, "those with the least margin are shown"), words, ""]


def _headed(chambers: Sequence[str], each: Sequence[str], first: str = "") -> Table:
    of_chambers: list[Column | str] = []
    for name in chambers:
        of_chambers += [name, *numbers(*each)]  # a column for the note, then its numbers
    return plain_table(*numbers(*[first] * bool(first)), *of_chambers, "")


def _weightiest(chords: Sequence[Chord] | Sequence[BlownChord], weight: Sequence[float]) -> tuple[list, int]:
    """The weightiest chords, as many as fit, in their given order, and the number left out."""
    # chosen by weight, shown as they were asked
    kept = sorted(sorted(range(len(chords)), key=lambda n: -weight[n])[:MOST_CHORDS])
    return [chords[n] for n in kept], len(chords) - len(kept)


def _rest(left: int, which: str) -> list[str]:
    return [f"and {left} more chords; {which}, --json has all"] if left else []


def _said(beat_hz: float | None, merges: bool, fingers: Sequence[str]) -> str:
    said = []
    if merges:
        said.append("falls into one pitch")
    elif beat_hz is not None:
        said.append(f"beats {beat_hz:.1f} times a second")
    if fingers:
        said.append(f"wants {', '.join(fingers)} twice")
    return "; ".join(said)
