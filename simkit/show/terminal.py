"""Answers as tables on a terminal, and as plain text anywhere else."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Sequence
from io import StringIO
from itertools import pairwise
from typing import TYPE_CHECKING, TextIO

from rich import box
from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from simkit.pitch import Tuning, in_cents
from simkit.show.lines import COVERED, HALF, IN_TUNE_CENTS, OPEN, blown_word, fingering, shares, signed, word

if TYPE_CHECKING:  # what a command does not ask for need not be loaded
    from simkit.sound.answers.chart import ChartedChamber
    from simkit.sound.answers.higher import Ring, RingingChamber
    from simkit.sound.answers.prediction import Answer, PredictedChamber, PredictedNote
    from simkit.sound.blowing.behaviour import NoteBlown
    from simkit.sound.blowing.table import BlowingChamber, BlowingNote
    from simkit.vessel import Hole

ACCENT = "rgb(180,83,42)"  # fired clay, as in the pictures
PLAIN_WIDTH = 400  # off a terminal nothing is wrapped


def note_table(
    holes: Sequence[Hole], notes: Sequence[PredictedNote], by_hand: Sequence[float] = (), with_parts: bool = False
) -> Table:
    """Each note: its fingering, its target, what each model predicts, and how well it is in tune by the last of them.

    by_hand: for each note the cents that hand-made error adds or takes; with_parts: columns of what each part of
    playing moves it from the still note.
    """
    models = [answer.model for answer in notes[0].answers] if notes else []  # every note was asked of the same
    playing = [*(notes[0].answer.parts_cents or {})] if notes and with_parts else []
    answers = [each for model in models for each in (*numbers(f"{model} Hz", "cents"), *numbers("Q", style="dim"))]
    beside = [*numbers(*playing, style="dim"), *numbers(*["by hand"] * bool(by_hand))]
    table = plain_table("note", "fingering", *numbers("target Hz"), *answers, *beside, "")
    for n, note in enumerate(notes):
        name = note.pitch or ("all open" if note.open else "all covered")
        cells = [name, fingering(holes, note.open), _number(note.target_hz, 1)]
        for answer in note.answers:
            cells += _answer_cells(answer)
        moved = note.answer.parts_cents or {}
        cells += [signed(moved[part]) if part in moved else "" for part in playing]
        if by_hand:
            cells.append(f"± {by_hand[n]:.0f}")
        said = word(note.answer.cents)
        table.add_row(*cells, Text(said, style="" if said == "in tune" else ACCENT))
    return table


def combination_table(holes: Sequence[Hole], chamber: ChartedChamber) -> Table:
    """Each combination: its fingering, its pitch, the nearest note, and how many others play that note as well."""
    dim = numbers("Q", "alternates", style="dim")
    table = plain_table("fingering", *numbers("Hz"), "nearest", *numbers("cents"), *dim, "wanted")
    for f in chamber.fingerings:
        others = len(chamber.alternates(f))
        cells = [shares(holes, f.openness), f"{f.frequency_hz:.1f}", str(f.nearest)]
        cells += [signed(f.cents, 0), _number(f.q, 0)]
        style = "" if abs(f.cents) <= IN_TUNE_CENTS else "dim"  # what is between two notes stands back
        table.add_row(*cells, f"{others}" if others else "", Text(f.wanted, style=ACCENT), style=style)
    return table


def blow_table(holes: Sequence[Hole], notes: Sequence[BlowingNote]) -> Table:
    """Each note: how hard to blow, what sounds then, how far breath bends it, and by what factor it can rise."""
    table = plain_table("note", "fingering", *numbers("Pa", "Hz", "bend", "starts at Pa", "margin", "airy dB"), "")
    for note in notes:
        b = note.blown
        cells = [note.pitch or "all covered", fingering(holes, note.open), _number(b.pressure, 0)]
        cells += [_number(b.sounding_hz, 1), "" if b.bend_cents is None else signed(b.bend_cents)]
        cells += [_number(b.threshold, 0), margin_words(b), _number(b.airiness_db, 0)]
        said = blown_word(b)
        table.add_row(*cells, Text(said, style="" if said == "speaks" else ACCENT))
    return table


def margin_words(blown: NoteBlown) -> str:
    """Factor by which breath can rise until a note jumps, at least (>), or until it dies away, in words."""
    if blown.lasts is not None:
        return f"dies {blown.lasts:.1f}"
    return "" if blown.overblow_margin is None else f"{'' if blown.overblow_at else '> '}{blown.overblow_margin:.1f}"


def ring_table(rings: Sequence[Ring], tuning: Tuning, note: Ring | None = None) -> Table:
    """The note, and each resonance above it: frequency, nearest note, doubt, the shape's own wave number, Q, drive."""
    driven = any(ring.drive is not None for ring in rings)
    rest = numbers("± cents", "k, 1/m", "Q", *["window drives"] * driven)
    table = plain_table(*numbers("mode", "Hz"), "nearest note", *rest)
    for name, ring in [*([("note", note)] if note else []), *((f"{n}", ring) for n, ring in enumerate(rings, 1))]:
        hz, q = ring.resonance.frequency_hz, ring.resonance.q
        near, cents = tuning.nearest(hz)
        row = [name, f"{hz:.1f}", f"{near!s:<3} {in_cents(cents, sign=True):>9}", f"{ring.uncertainty_cents:.1f}"]
        row += [f"{ring.k:.3f}", f"{q:.0f}" if math.isfinite(q) else "∞", *([_share(ring.drive)] * driven)]
        table.add_row(*row)
    return table


def _share(drive: float | None) -> str:
    return "" if drive is None else f"{100 * drive:.0f} %" if drive >= 0.005 else "< 1 %"


def _answer_cells(answer: Answer) -> list[str]:
    if answer.frequency_hz is None:
        return ["silent", "", ""]
    cents = "" if answer.cents is None else f"{signed(answer.cents)} "
    return [_number(answer.frequency_hz, 1), f"{cents}± {answer.uncertainty_cents:<3.0f}", _number(answer.q, 0)]


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def plain_table(*columns: Column | str) -> Table:
    """An empty table in our look."""
    return Table(*columns, box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="dim", border_style="dim")


def numbers(*headings: str, style: str = "") -> list[Column]:
    """Columns of numbers, which end at the right."""
    return [Column(heading, justify="right", style=style) for heading in headings]


def chamber_head(chamber: PredictedChamber | RingingChamber | BlowingChamber, of: Sequence[object], *said: str) -> str:
    """The line over a chamber's table: its name, where it is one of several, its air, and what else is said."""
    name = f"{chamber.name}: " if len(of) > 1 else ""
    return ", ".join([f"{name}{1e6 * chamber.volume:.1f} ml of air", *said])


def titled(title: str, parts: Iterable[Table | Text | str], cautions: Iterable[str] = ()) -> str:
    """A whole answer as text: its title, if it has one, its parts, its cautions."""
    said = [*([title] if title else []), *parts, *(f"caution: {text}" for text in cautions)]
    return printed(*said).rstrip() + "\n"


def printed(*parts: Table | Text | str, stream: TextIO | None = None) -> str:
    """The parts as text for a stream: with colour on a terminal, without and unwrapped elsewhere.

    Of several empty lines in a row one is kept. Where the stream cannot write circles, covered holes are x and open
    ones o.
    """
    stream = stream or sys.stdout  # asked late: tests and the page put another in its place
    on_terminal = stream.isatty()
    kept = StringIO()  # written by us, so that lines can be looked through first
    console = Console(
        file=kept,
        force_terminal=on_terminal,
        no_color=None if on_terminal else True,
        width=None if on_terminal else PLAIN_WIDTH,  # a file is searched by lines: a row of a table stays one
        highlight=False,  # rich would colour every number
        markup=False,  # a [name] of a file is no command
        emoji=False,
        legacy_windows=False,
    )
    for part in parts:
        console.print(part)
    lines = [line.rstrip() for line in kept.getvalue().splitlines()]
    # An empty line after an empty one goes; the "" before the first removes leading ones too.
    lines = [line for before, line in pairwise(["", *lines]) if line or before]
    text = "\n".join(lines) + "\n"
    return text if _can_write(COVERED + OPEN + HALF, stream) else _simple(text)


def _can_write(signs: str, stream: TextIO) -> bool:
    try:
        signs.encode(stream.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True


def _simple(text: str) -> str:
    """Text in ASCII."""
    signs: dict[str, str | int | None] = {COVERED: "x", OPEN: "o", HALF: "%", "±": "+-"}
    signs |= {"─": "-", "°": "", "…": "...", "∞": "endless"}
    plain = text.translate(str.maketrans(signs))  # what is left beyond ASCII, a title's letters, becomes question marks
    return plain.encode("ascii", "replace").decode("ascii")
