"""What a sweep is asked to do: base designs, variations of them, and what to compute of each.

base = "dove.toml"                            # or a list of designs
compute = ["predict", "blow"]                 # predict, chart, resonances, blow, optimise

[[variation]]                                 # its own keys go together, row by row
name = "length"
"body.length_mm" = [80, 90, 100]
"body.width_mm" = { from = 50, to = 60, count = 3 }

[[variation]]                                 # variations combine, each row with each
name = "makers"
draws = 200
seed = 7
"clay.wall_mm" = { low = 4, high = 6 }        # evenly between
"body.hole.1.diameter_mm" = { mean = 6, sd = 0.1 }

[[variation]]
name = "jars"
table = "jars.csv"                            # dotted keys on top, one row a line; a name without a dot is a label:
                                              # it changes nothing and is a column of the results

[predict]                                     # what the command's options say
model = "lumped,ports"
"""

from __future__ import annotations

import csv
import io
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from simkit.body.walls.scan import scan_wall
from simkit.body.walls.triangulated import SurfaceError
from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.sweeps.queries import columns
from simkit.sweeps.work import OPTIONS, Variant
from simkit.vessel import Scan, Vessel, load
from simkit.vessel.faults import shown
from simkit.vessel.keys import find
from simkit.vessel.reader import parsed, text_of
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.values import as_number

LARGEST_PLAN = 1_000_000  # bytes
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


@frozen
class SweepPlan:
    """All that a file of cases says, checked; `text` is the file itself."""

    source: str
    text: str
    bases: tuple[Vessel, ...]
    variations: tuple[Variation, ...]
    compute: tuple[str, ...]
    options: Mapping[str, Mapping[str, Any]]

    @property
    def count(self) -> int:
        """How many cases there are."""
        return len(self.bases) * int(np.prod([len(each.rows) for each in self.variations], dtype=np.int64))

    @property
    def keys(self) -> tuple[str, ...]:
        """The dotted keys that vary, in the order of the file."""
        named = (key for each in self.variations for key in each.rows[0] if key not in each.labels)
        return tuple(dict.fromkeys(named))

    @property
    def labels(self) -> tuple[str, ...]:
        """The user's own columns, in the order of the file."""
        return tuple(dict.fromkeys(key for each in self.variations for key in each.labels))

    def variants(self) -> Iterator[Variant]:
        """Each case's name, base design, settings and labels; the last variation changes fastest."""
        labels = set(self.labels)
        numbered = [list(enumerate(each.rows, 1)) for each in self.variations]
        for base in self.bases:
            own = [Path(base.source).stem] if len(self.bases) > 1 or not self.variations else []
            for rows in itertools.product(*numbered):
                names = [f"{each.name} {n}" for each, (n, _) in zip(self.variations, rows, strict=True)]
                settings: dict[str, float | str] = {}
                for _, row in rows:
                    settings |= row
                own_columns = {key: settings.pop(key) for key in labels & settings.keys()}
                yield ", ".join([*own, *names]), base, settings, own_columns


def read_plan(path: str | Path) -> SweepPlan:
    """The plan that a file of cases describes; an InputError lists everything that is wrong with it."""
    text = text_of(path, "a file of cases", LARGEST_PLAN)
    return plan_of(parsed(text, str(path)), text, Path(path))


def plan_of(tree: Mapping[str, Any], text: str, path: Path) -> SweepPlan:
    """The plan of a file's tables; files that it names lie beside `path`."""
    source = str(path)
    known = ("base", "compute", "variation", *OPTIONS)
    faults = [
        Fault(source, key, shown(value), f"known keys only: {', '.join(known)}{did_you_mean(key, known)}")
        for key, value in tree.items()
        if key not in known
    ]
    compute = _compute(tree.get("compute"), source, faults)
    options = {name: _options(name, tree.get(name, {}), source, faults) for name in OPTIONS}
    bases = _bases(tree.get("base"), path, faults)
    variations = tuple(_variations(tree.get("variation", []), bases, path, faults))
    faults += _scans(bases, variations, source)
    if faults:
        raise InputError(faults)
    plan = SweepPlan(source, text, bases, variations, compute, {name: options[name] for name in compute})
    if not 0 < plan.count <= MOST_CASES:
        raise InputError([Fault(source, "variation", None, f"at most {MOST_CASES} cases in all, not {plan.count}")])
    return plan


def _compute(value: Any, source: str, faults: list[Fault]) -> tuple[str, ...]:
    allowed = f"a list of {', '.join(OPTIONS)}"
    if not isinstance(value, list) or not value or not all(isinstance(each, str) for each in value):
        faults.append(
            Fault(source, "compute", shown(value), allowed + ("; the key is missing" if value is None else ""))
        )
        return ()
    wrong = [each for each in value if each not in OPTIONS]
    faults += [Fault(source, "compute", shown(each), allowed + did_you_mean(each, OPTIONS)) for each in wrong]
    return tuple(dict.fromkeys(each for each in value if each in OPTIONS))


def _options(name: str, value: Any, source: str, faults: list[Fault]) -> dict[str, Any]:
    """The options of one thing to compute; their values are checked by the function that takes them."""
    if not isinstance(value, dict):
        faults.append(Fault(source, name, shown(value), "a table of options"))
        return {}
    for key, given in value.items():
        kind = OPTIONS[name].get(key)
        if kind is None:
            known = ", ".join(OPTIONS[name])
            allowed = f"known keys only: {known}{did_you_mean(key, OPTIONS[name])}"
            faults.append(Fault(source, f"{name}.{key}", shown(given), allowed))
        elif type(given) is not kind:
            allowed = {bool: "true or false", str: "a text in quotes", int: "a whole number"}[kind]
            faults.append(Fault(source, f"{name}.{key}", shown(given), allowed))
    return dict(value)


def _bases(value: Any, path: Path, faults: list[Fault]) -> tuple[Vessel, ...]:
    named = [value] if isinstance(value, str) else value
    if not isinstance(named, list) or not named or not all(isinstance(each, str) for each in named):
        allowed = "a design file's name, or a list of them" + ("; the key is missing" if value is None else "")
        faults.append(Fault(str(path), "base", shown(value), allowed))
        return ()
    return tuple(load(path.parent / each) for each in named)


def _scans(bases: Sequence[Vessel], variations: Sequence[Variation], source: str) -> Iterator[Fault]:
    """Faults of scans that cannot be a chamber, worded as in `simkit predict`, before a sweep reads them."""
    for base in bases:
        for chamber in base.chambers:
            if isinstance(chamber.shape, Scan):
                smoothed = _varied(f"{chamber.name}.smooth_mm", variations)
                smooth = max((as_number(value) or 0.0 for value, _ in smoothed), default=chamber.shape.smooth_mm)
                key = f"{chamber.name}.file"
                named = [(value, (source, where)) for value, where in _varied(key, variations)]
                for file, place in named or [(chamber.shape.file, (base.source, key))]:
                    try:
                        scan_wall(base.beside(str(file)), 1e-3 * smooth)
                    except SurfaceError as why:
                        yield Fault(*place, file, str(why))


def _varied(key: str, variations: Sequence[Variation]) -> list[tuple[float | str, str]]:
    """The values that variations give a key, each once, and the place in the file of cases where they do."""
    found = {row[key]: f"variation.{each.name}.{key}" for each in variations for row in each.rows if key in row}
    return list(found.items())


def _variations(value: Any, bases: Sequence[Vessel], path: Path, faults: list[Fault]) -> Iterator[Variation]:
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
        reader = _Reader(source, here, path.parent, faults)
        rows = reader.rows(table)
        labels = tuple(key for key in rows[0] if reader.is_label(key, bases)) if rows and "table" in table else ()
        for key in rows[0] if rows else ():
            (reader.check_label(key) if key in labels else reader.check_key(key, bases))
        if rows:
            yield Variation(str(name), rows, labels)


@dataclass(frozen=True, eq=False)
class _Reader:
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
                    yield f"{key}.{inner}", deep
            else:
                yield key, value

    def _listed(self, ranges: Mapping[str, Any]) -> dict[str, list[Any]]:
        columns: dict[str, list[Any]] = {}
        for key, value in ranges.items():
            if isinstance(value, dict) and set(value) == {"from", "to", "count"}:
                low, high, count = as_number(value["from"]), as_number(value["to"]), value["count"]
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
            draws = 0
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
        lines = list(csv.reader(io.StringIO(text_of(file, "a table", LARGEST_TABLE))))
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
        """Every base design must have a value of that name."""
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
    return number if as_number(number) is not None else text
