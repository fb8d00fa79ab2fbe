"""Variations of a file of cases: rows of settings from lists, ranges, random draws or a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from simkit.errors import Fault
from simkit.sweeps.queries import columns
from simkit.vessel import Vessel
from simkit.vessel.faults import shown
from simkit.vessel.keys import find
from simkit.vessel.reader import text_of
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.values import as_number

LARGEST_TABLE = 50_000_000  # bytes: a million rows of fifty signs
MOST_CASES = 1_000_000  # all are held in memory
# Keys of a variation that are not dotted keys of a design.
_OWN = ("name", "draws", "seed", "table")

Settings = Mapping[str, float | str]  # values by dotted key


@dataclass(frozen=True)
class Variation:
    """One way in which the base design is varied: rows of settings, each giving one variant."""

    name: str
    rows: tuple[Settings, ...]
    labels: tuple[str, ...] = ()  # keys of the rows that are labels


def read_variations(value: Any, bases: Sequence[Vessel], path: Path, faults: list[Fault]) -> Iterator[Variation]:
    """The variations of a file of cases; what is wrong goes to `faults`."""
    source = str(path)
    if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
        faults.append(Fault(source, "variation", shown(value), "tables written [[variation]]"))
        return
    names: set[str] = set()
    for n, table in enumerate(value, 1):
        name = table.get("name")
        here = f"variation.{name}" if isinstance(name, str) and name else f"variation[{n}]"
        if not isinstance(name, str) or not name.strip() or name in names:
            faults.append(Fault(source, f"{here}.name", shown(name), "a name in quotes that no other variation has"))
        names.add(str(name))
        reader = _VariationReader(source, here, path.parent, faults)
        rows = reader.rows(table)  # rows of one variation have the same keys
        labels = tuple(key for key in rows[0] if reader.is_label(key, bases)) if rows and "table" in table else ()
        for key in rows[0] if rows else ():
            (reader.check_label(key) if key in labels else reader.check_key(key, bases))
        if rows:
            yield Variation(str(name), rows, labels)


@dataclass(frozen=True, eq=False)
class _VariationReader:
    """Reads one variation; what is wrong goes to `faults`."""

    source: str
    here: str
    folder: Path
    faults: list[Fault]

    def wrong(self, key: str, value: object, allowed: str) -> None:
        self.faults.append(Fault(self.source, f"{self.here}.{key}" if key else self.here, shown(value), allowed))

    def rows(self, table: Mapping[str, Any]) -> tuple[Settings, ...]:
        """The rows of the variation, none where something is wrong with it."""
        ranges = dict(self._ranges({key: value for key, value in table.items() if key not in _OWN}))
        if "table" in table:
            for key, value in ranges.items():
                self.wrong(key, value, "no key of its own beside table")
            return self._table(table["table"])
        if not ranges:
            self.wrong("", None, 'at least one dotted key with its values, such as "body.length_mm" = [80, 90]')
            return ()
        before = len(self.faults)
        draws = table.get("draws")
        columns = self._drawn(table, ranges) if draws is not None else self._listed(ranges)
        if len(self.faults) > before:
            return ()
        return tuple(dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True))

    def _ranges(self, table: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
        """Values by dotted key; a table of from, to, count or the like is a value, others are parts of a key."""
        for key, value in table.items():
            if isinstance(value, dict) and not _is_range(value):
                for inner, deep in self._ranges(value):
                    yield f"{key}.{inner}", deep  # TOML makes tables of dots in a bare key
            else:
                yield key, value

    def _listed(self, ranges: Mapping[str, Any]) -> dict[str, list[Any]]:
        columns: dict[str, list[Any]] = {}
        for key, value in ranges.items():
            if isinstance(value, dict) and set(value) == {"from", "to", "count"}:
                low, high, count = as_number(value["from"]), as_number(value["to"]), value["count"]
                # By type, as True is an int too.
                if low is None or high is None or type(count) is not int or not 2 <= count <= 100_000:
                    self.wrong(key, value, "{ from = number, to = number, count = 2 to 100000 }")
                else:
                    columns[key] = [float(each) for each in np.linspace(low, high, count)]
            elif (
                isinstance(value, list) and value and all(isinstance(e, str) or as_number(e) is not None for e in value)
            ):
                columns[key] = list(value)
            else:
                self.wrong(
                    key, value, "a list of values or { from, to, count }; with draws: { low, high } or { mean, sd }"
                )
        if len({len(column) for column in columns.values()}) > 1:
            lengths = ", ".join(f"{key} has {len(column)}" for key, column in columns.items())
            self.wrong("", None, f"as many values for each key, since they go together row by row ({lengths})")
        return columns

    def _drawn(self, table: Mapping[str, Any], ranges: Mapping[str, Any]) -> dict[str, list[Any]]:
        draws, seed = table["draws"], table.get("seed")
        if type(draws) is not int or not 1 <= draws <= MOST_CASES:
            self.wrong("draws", draws, f"a whole number from 1 to {MOST_CASES}")
            draws = 0  # goes on, so that all faults are named at once
        if type(seed) is not int or seed < 0:
            self.wrong("seed", seed, "a whole number from 0, so that the same draws can be had again")
            seed = 0
        columns: dict[str, list[Any]] = {}
        for n, (key, value) in enumerate(ranges.items()):
            # Each key draws from a stream of its own: adding a key leaves the draws of the others as they were.
            stream = np.random.default_rng([seed, n])
            numbers = {name: as_number(each) for name, each in value.items()} if isinstance(value, dict) else {}
            match numbers:
                case {"low": float(low), "high": float(high), **rest} if low < high and not rest:
                    columns[key] = [float(each) for each in stream.uniform(low, high, draws)]
                case {"mean": float(mean), "sd": float(sd), **rest} if sd > 0 and not rest:
                    columns[key] = [float(each) for each in stream.normal(mean, sd, draws)]
                case _:
                    self.wrong(key, value, "{ low, high } with low < high, or { mean, sd } with sd more than 0")
        return columns

    def _table(self, name: Any) -> tuple[Settings, ...]:
        if not isinstance(name, str):
            self.wrong("table", name, "the name of a CSV file")
            return ()
        file = self.folder / name
        # The whole file at once, which its size allows.
        lines = list(csv.reader(io.StringIO(text_of(file, "a table", LARGEST_TABLE))))
        # Spreadsheets leave empty lines at the end.
        lines = [line for line in lines if any(cell.strip() for cell in line)]
        if len(lines) < 2:
            self.faults.append(Fault(str(file), "", None, "a line of dotted keys, then at least one line of values"))
            return ()
        keys = [cell.strip() for cell in lines[0]]
        if len(set(keys)) < len(keys):
            self.faults.append(Fault(str(file), "line 1", None, "each dotted key once"))
        for n, line in enumerate(lines[1:], 2):
            if len(line) != len(keys):
                self.faults.append(Fault(str(file), f"row {n}", None, f"{len(keys)} values, not {len(line)}"))
                return ()
        return tuple({key: _cell(cell.strip()) for key, cell in zip(keys, line, strict=True)} for line in lines[1:])

    def is_label(self, key: str, bases: Sequence[Vessel]) -> bool:
        """A column of a table that no design has a key like: not even the last part of one, which would be a slip."""
        known = {part for base in bases for dotted in base.numbers for part in (dotted, dotted.rpartition(".")[2])}
        return key not in known and "." not in key and all(find(Vessel, base, key) is None for base in bases)

    def check_label(self, key: str) -> None:
        if not key or key.lower() in columns():
            self.wrong(key, None, "a label of another name: this is a column of the results")

    def check_key(self, key: str, bases: Sequence[Vessel]) -> None:
        """Refuse a key of which any base design has no value."""
        for base in bases:
            if find(Vessel, base, key) is None:
                near = did_you_mean(key, base.numbers)
                self.wrong(key, None, f"a dotted key of {base.source}{near}")


def _is_range(value: Mapping[str, Any]) -> bool:
    return bool(value) and set(value) <= {"from", "to", "count", "low", "high", "mean", "sd"}


def _cell(text: str) -> float | str:
    """A cell of a table as a number where it is one; what starts with 0 and a digit is a name."""
    if text[:1] == "0" and text[1:2].isdigit():
        return text
    try:
        number = float(text)
    except ValueError:
        return text
    return number if as_number(number) is not None else text  # nan and inf are words here
