"""The first sheet: what the piece is, its sizes and its readings at every stage, and safety cautions."""

from __future__ import annotations

from collections.abc import Sequence

from simkit.making.cautions import CAUTIONS, FIRST
from simkit.making.paper import Drawing, Fill, Ink, Mark, Pen, Text, rectangle, width_of, wrapped, wrapped_pairs
from simkit.making.readings import StageReading
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.making.sizes import Size, shown
from simkit.making.tables import Cell, Column, parts

NoteReadings = tuple[str, tuple[bool, ...], tuple[StageReading, ...]]  # name, fingering (true for open), each stage's

# Size of small type and the step from line to line, mm.
SMALL = 2.4
LEAD = 3.7


def facts(rows: Sequence[tuple[str, str]], width: float) -> Drawing:
    """Terms and their values, one under the other."""
    lines = wrapped_pairs(rows, 2.65, width - 26)  # 24 mm for the terms, a little air
    height = 4.3 * len(lines) + 1
    marks: list[Mark] = []
    for number, (word, line) in enumerate(lines):
        y = height - 4.3 * (number + 0.75)
        marks += [Text((0.6, y), word, 2.65, ink=Ink.QUIET), Text((24.0, y), line, 2.65)]
    return Drawing(width, height, tuple(marks), "facts")


def size_tables(sizes: Sequence[Size], volume: float, shrinkage: Shrinkage, cut_at: Stage) -> list[Drawing]:
    """Every size at every stage: form, holes, voicing, each bold at the stage when it is made; volume is that of the
    fired air, m^3."""

    def table(title: str, rows: list[list[Cell]], bold_at: Stage, name: str) -> list[Drawing]:
        columns = [Column(title, 26, "left"), *(Column(stage, 15.5, strong=stage is bold_at) for stage in Stage)]
        return parts(columns, rows, name) if rows else []

    groups: dict[str, list[list[Cell]]] = {"form": [], "voicing": [], "hole": []}
    for size in sizes:
        if size.fired_mm:  # no row for a wall of no thickness
            group = size.what.split(" ")[0].strip(",")  # "hole 3", "window, width"
            which = "hole" if group == "hole" else "voicing" if group in ("window", "windway") else "form"
            name = size.what.removeprefix("hole ")
            groups[which].append([name, *(shown(size.at(stage, shrinkage)) for stage in Stage)])
    groups["form"].append(["air, ml", *(f"{1e6 * volume * shrinkage.size(stage) ** 3:.1f}" for stage in Stage)])
    groups["form"].append(["over fired", *(f"{shrinkage.size(stage):.4f}" for stage in Stage)])
    return [
        *table("form, mm", groups["form"], Stage.WET, "sizes"),
        *table("hole, mm", groups["hole"], cut_at, "holes"),
        *table("voicing, mm", groups["voicing"], cut_at, "voicing"),
    ]


def reading_tables(
    notes: Sequence[NoteReadings], first: tuple[str, Sequence[StageReading]] | None = None
) -> list[Drawing]:
    """Readings of each note at every stage: hertz, and the nearest note with the cents above it.

    first: the covered note and its readings while no hole is cut.
    """
    holes = max((len(fingering) for _, fingering, _ in notes), default=0)
    columns = [Column("note", 15, "left", strong=True)]
    # 3 mm a hole, at most 36; 20 for the words of the first blow
    columns += [Column("open ○", max(min(3.0 * holes + 4, 36.0), 20.0 if first else 0.0), "left")] if holes else []
    for stage in (Stage.WET, Stage.LEATHER_HARD, Stage.BONE_DRY):
        columns += [Column(f"{stage}\nHz", 16), Column(_rise(notes, stage), 21, "left")]
    columns.append(Column("fired\nHz", 15))  # in tune by then: no cents beside it
    rows: list[list[Cell]] = []
    for name, fingering, readings in notes:
        rows.append([name, *([fingering] if holes else []), *_read(readings)])
        if first and holes and name == first[0] and not any(fingering):  # below the covered note, once
            rows.append([name, NO_HOLE, *_read(first[1])])
            first = None
    return parts(columns, rows, "readings")


NO_HOLE = "no hole cut"


def _read(readings: Sequence[StageReading]) -> list[str]:
    """Hertz at each stage, and before firing the nearest note."""
    cells = []
    for reading in readings:
        cells.append(f"{reading.frequency_hz:.1f}")
        if reading.stage is not Stage.FIRED:
            cells.append(f"{reading.nearest} {_cents(reading.nearest_cents)}")
    return cells


def _rise(notes: Sequence[NoteReadings], stage: Stage) -> str:
    """The stage's cents from the targets with their doubt, the same for every note."""
    reading = next(reading for reading in notes[0][2] if reading.stage is stage)
    doubt = f" ±{reading.uncertainty_cents:.0f}" if reading.uncertainty_cents >= 0.5 else ""
    return f"{_cents(reading.cents)}{doubt} cents"


def _cents(value: float) -> str:
    """Signed whole cents: +0 is 0."""
    whole = round(value)
    return f"{'+' if whole > 0 else '−' if whole < 0 else ''}{abs(whole)}"


def small_print(lines: Sequence[str], width: float) -> Drawing:
    """Remarks, one under the other."""
    rows = [part for line in lines for part in wrapped(line, SMALL, width - 2)]
    height = LEAD * len(rows) + 1
    marks = tuple(Text((0.6, height - LEAD * (k + 0.75)), words, SMALL, ink=Ink.QUIET) for k, words in enumerate(rows))
    return Drawing(width, height, marks, "remarks")


def caption(words: str) -> Drawing:
    """A line that says which chamber the tables below are of."""
    return Drawing(width_of(words, 3.4) * 1.2, 4.0, (Text((0.6, 0.8), words, 3.4, bold=True),), "caption")


def cautions(width: float) -> Drawing:
    """The cautions in a frame."""
    lines = wrapped_pairs(CAUTIONS, SMALL, width - 28)
    height = LEAD * (len(lines) + 1) + 6
    marks: list[Mark] = [
        rectangle(0, 0, width, height, Pen.THIN, Fill.TINT),
        Text((3, height - 5), FIRST, SMALL, bold=True),
    ]
    for number, (word, line) in enumerate(lines):
        y = height - 5 - LEAD * (number + 1) - 0.6
        marks += [Text((3, y), word, SMALL, ink=Ink.ACCENT, bold=True), Text((25, y), line, SMALL)]
    return Drawing(width, height, tuple(marks), "cautions")
