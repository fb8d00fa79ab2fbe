"""The bench's log: one line of JSON for each fact, only ever added to, safe on the disk before anything is answered.

All lines of one visit to the bench share a `step`; a step can be withdrawn by a later line, never erased. A line
that a crash has torn is left out, with a caution.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from simkit.errors import Fault, InputError
from simkit.making.shrinkage import Stage
from simkit.vessel import Vessel

Millimetres = Annotated[float, Field(gt=0, le=1000)]


class Fact(BaseModel):
    """One thing that happened at the bench, and when in the piece's life."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
    step: Annotated[int, Field(ge=1)]
    chamber: str
    stage: Stage


class NoteRead(Fact):
    """A note that was blown: its name, how much of each hole was open, what was read, in which air.

    still: it was not blown, but read of the piece by itself, windway shut and nobody near.
    """

    kind: Literal["heard"] = "heard"
    note: str
    open: dict[str, Annotated[float, Field(gt=0, le=1)]]
    hz: Annotated[float, Field(gt=0, le=20_000)]
    doubt_cents: Annotated[float, Field(ge=0)] = 3.0
    temperature_c: Annotated[float, Field(ge=0, le=40)]
    still: bool = False


class HoleCut(Fact):
    """A hole that is this wide now, measured in the clay as it is."""

    kind: Literal["cut"] = "cut"
    hole: str
    mm: Millimetres


class Filled(Fact):
    """A hole that was filled with clay or wax, to be cut anew."""

    kind: Literal["filled"] = "filled"
    hole: str


class Voiced(Fact):
    """The window was cut or filled again: its earlier estimate no longer holds."""

    kind: Literal["voiced"] = "voiced"


class Asked(Fact):
    """The cut that the bench asked for."""

    kind: Literal["asked"] = "asked"
    hole: str
    from_mm: Annotated[float, Field(ge=0, le=1000)]
    to_mm: Millimetres
    note: str


class Water(Fact):
    """The chamber's air, weighed as water."""

    kind: Literal["water"] = "water"
    ml: Annotated[float, Field(gt=0)]


class Callipered(Fact):
    """The wall's thickness."""

    kind: Literal["wall"] = "wall"
    mm: Millimetres


class BarRead(Fact):
    """A test bar's lengths, as on the command line."""

    kind: Literal["bar"] = "bar"
    text: str


class Undone(Fact):
    """A chamber's steps from `undoes` on are withdrawn."""

    kind: Literal["undo"] = "undo"
    undoes: int


Entry = NoteRead | HoleCut | Filled | Voiced | Asked | Water | Callipered | BarRead | Undone
_ENTRY: TypeAdapter[Entry] = TypeAdapter(Annotated[Entry, Field(discriminator="kind")])


@dataclass(frozen=True)
class Log:
    """Content of a log: its entries in order, without those withdrawn, and cautions about the file."""

    entries: tuple[Entry, ...] = ()
    last_step: int = 0
    cautions: tuple[str, ...] = ()

    def of(self, chamber: str) -> tuple[Entry, ...]:
        """The entries of one chamber."""
        return tuple(entry for entry in self.entries if entry.chamber == chamber)

    def with_entries(self, entries: Sequence[Entry]) -> Log:
        """The log with more entries, without those that they withdraw."""
        kept = list(self.entries)
        for new in entries:
            if isinstance(new, Undone):
                # Its own steps from there on, none of another chamber.
                kept = [e for e in kept if e.step < new.undoes or e.chamber != new.chamber]
            else:
                kept.append(new)
        # withdrawn steps keep their numbers: none is given twice
        return Log(tuple(kept), max([self.last_step, *(e.step for e in entries)]), self.cautions)


def log_path(design: str | Path) -> Path:
    """Path of a design file's log: beside it."""
    return Path(f"{design}.bench.jsonl")


def read(path: Path) -> Log:
    """The log, empty if there is none; InputError for a line that is whole and makes no sense."""
    try:
        raw = path.read_bytes()
    except FileNotFoundError:  # a bench that has just begun
        return Log()
    except OSError as error:
        raise InputError([Fault(str(path), "", None, f"a file that can be read ({error.strerror})")]) from error
    entries: list[Entry] = []
    torn: list[int] = []
    faults: list[Fault] = []
    for number, line in enumerate(raw.split(b"\n"), 1):
        if not line.strip():
            continue
        try:
            # Two kinds of wrong: half a line that a crash left, and a whole one that this program never wrote.
            parsed = json.loads(line)
        except ValueError:  # half a line, or half a letter
            torn.append(number)
            continue
        try:
            entries.append(_ENTRY.validate_python(parsed))
        except ValidationError as error:
            faults.append(_fault(path, number, error))
    if len(torn) > 1 and not entries and not faults:  # a crash tears one line at most: no log at all
        allowed = "a log that `simkit tune` has written; this file is none"
        faults.append(Fault(str(path), f"line {torn[0]}", None, allowed))
    if faults:
        raise InputError(faults)
    cautions = tuple(f"{path.name}: line {n} is torn, as by a crash, and passed over" for n in torn)
    return Log(cautions=cautions).with_entries(entries)


def _fault(path: Path, number: int, error: ValidationError) -> Fault:
    first = error.errors(include_url=False)[0]
    key = ".".join(str(part) for part in first["loc"])
    message = first["msg"][0].lower() + first["msg"][1:]
    value = first["input"] if isinstance(first["input"], str | float | int) else None
    return Fault(f"{path}, line {number}", key, value, f"a line that `simkit tune` has written ({message})")


def add(path: Path, entries: Iterable[Entry]) -> None:
    """Add lines and wait until the disk has them. They go in one piece; after a torn line on a line of their own."""
    lines = "".join(entry.model_dump_json() + "\n" for entry in entries)
    if not lines:
        return
    new = not path.exists()
    try:
        handle = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o666)  # two writers cannot overwrite each other
        try:
            size = os.fstat(handle).st_size
            if size and os.pread(handle, 1, size - 1) != b"\n":  # a torn line: ours must not join it
                lines = "\n" + lines
            _write(handle, lines.encode("utf-8"))
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise InputError([Fault(str(path), "", None, f"a log that can be written ({error.strerror})")]) from error
    if new:
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)  # so that the file's name lasts too
        finally:
            os.close(folder)


def _write(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]  # the system may take less than all


def undoing(log: Log, chamber: str) -> Undone | None:
    """The line that withdraws a chamber's last step in which something was reported; None if there is none."""
    reported = [entry for entry in log.of(chamber) if not isinstance(entry, Asked)]  # what was asked for is no report
    if not reported:
        return None
    return Undone(step=log.last_step + 1, chamber=chamber, stage=reported[-1].stage, undoes=reported[-1].step)


def check_fits(log: Log, vessel: Vessel, path: Path) -> None:
    """InputError where a log speaks of holes or chambers that the design does not have."""
    faults = []
    holes = {chamber.name: {hole.name for hole in chamber.holes} for chamber in vessel.chambers}
    for entry in log.entries:
        match entry:
            case HoleCut() | Filled() | Asked():
                named = [entry.hole]
            case NoteRead():
                named = list(entry.open)
            case _:
                named = []
        if entry.chamber not in holes:
            faults.append(Fault(str(path), "chamber", entry.chamber, f"a chamber of {vessel.source}"))
        else:
            known = holes[entry.chamber]
            allowed = f"a hole of {vessel.source}: {', '.join(sorted(known)) or 'it has none'}"
            faults += [Fault(str(path), "hole", name, allowed) for name in named if name not in known]
    if faults:
        raise InputError(dict.fromkeys(faults))
