"""Answers as tables on a terminal, and as plain text anywhere else."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from io import StringIO
from typing import TextIO

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from simkit.show.lines import COVERED, OPEN, Heard, Line, fingering, word
from simkit.vessel import Hole

ACCENT = "rgb(180,83,42)"  # fired clay, as in the pictures
PLAIN_WIDTH = 400  # off a terminal nothing is wrapped


def note_table(holes: Sequence[Hole], lines: Sequence[Line], models: Sequence[str]) -> Table:
    """Each note: its fingering, its target, what each model says, and how it is in tune by the last of them."""
    table = _table()
    table.add_column("note")
    table.add_column("fingering")
    table.add_column("target Hz", justify="right")
    for model in models:
        table.add_column(f"{model} Hz", justify="right")
        table.add_column("cents", justify="right")
        table.add_column("Q", justify="right", style="dim")
    table.add_column("")
    for line in lines:
        cells = [line.name, fingering(holes, line.opened), _number(line.target_hz, 1)]
        for model in models:
            cells += _heard(line.heard.get(model))
        last = line.heard.get(models[-1]) if models else None
        said = word(last.cents if last else None)
        table.add_row(*cells, Text(said, style="" if said == "in tune" else ACCENT))
    return table


def _heard(heard: Heard | None) -> list[str]:
    if heard is None:
        return ["", "", ""]
    cents = "" if heard.cents is None else f"{heard.cents:+.1f}"
    unsure = "" if heard.uncertainty_cents is None else f" ± {heard.uncertainty_cents:<3.0f}"
    return [_number(heard.frequency_hz, 1), cents + unsure, _number(heard.q, 0)]


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _table() -> Table:
    return Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="dim", border_style="dim")


def printed(*parts: Table | Text | str, stream: TextIO | None = None) -> str:
    """The parts as text for a stream: with colour on a terminal, without and unwrapped elsewhere.

    Where the stream cannot write circles, covered holes are x and open ones o.
    """
    stream = stream or sys.stdout
    on_terminal = stream.isatty()
    kept = StringIO()
    console = Console(
        file=kept,
        force_terminal=on_terminal,
        no_color=None if on_terminal else True,
        width=None if on_terminal else PLAIN_WIDTH,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    for part in parts:
        console.print(part)
    text = "\n".join(line.rstrip() for line in kept.getvalue().splitlines()) + "\n"
    return text if _can_write(COVERED + OPEN, stream) else _simple(text)


def _can_write(signs: str, stream: TextIO) -> bool:
    try:
        signs.encode(stream.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True


def _simple(text: str) -> str:
    """The same in ASCII."""
    plain = text.translate(str.maketrans({COVERED: "x", OPEN: "o", "±": "+-", "─": "-", "°": "", "…": "..."}))
    return plain.encode("ascii", "replace").decode("ascii")
