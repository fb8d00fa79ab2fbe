"""Writing a design: a Vessel back to the text of a file that reads as the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Item, Table

from simkit.errors import Fault, InputError
from simkit.files import check_new, whole
from simkit.vessel.freedom import Bounds, Tie
from simkit.vessel.keys import written
from simkit.vessel.part import Part, items, slots
from simkit.vessel.shapes import Scan


def dumps(vessel: Part) -> str:
    """The text of a design file that `loads` reads as this vessel: only keys that differ from their defaults.

    >>> from simkit.vessel import Chamber, Clay, Sphere, Vessel
    >>> ball = Vessel(clay=Clay(wall_mm=4), chambers=[Chamber(name="a", shape=Sphere(diameter_mm=50))])
    >>> print(dumps(ball))
    [clay]
    wall_mm = 4
    <BLANKLINE>
    [[chamber]]
    name = "a"
    shape = "sphere"
    diameter_mm = 50
    <BLANKLINE>
    """
    document = tomlkit.document()  # tomlkit, for its [[chamber]]: the standard library only reads
    _fill(document, vessel)
    return tomlkit.dumps(document).rstrip("\n") + "\n"


def save(vessel: Part, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a design file, whole or not at all; an InputError where the file exists and `overwrite` is false."""
    check_new(path, "path", overwrite)  # before anything is made of it
    faults = list(_left_behind(vessel, Path(path).parent))
    if faults:
        raise InputError(faults)
    with whole(path, "path") as half:
        half.write_text(dumps(vessel), encoding="utf-8", newline="\n")


def _left_behind(vessel: Part, folder: Path) -> Iterator[Fault]:
    """Scans that a design names and that do not lie beside its new place."""
    named = [(chamber.name, chamber) for chamber in items(getattr(vessel, "chambers", ()))]
    named += [(f"part.{lump.name}", lump) for lump in items(getattr(vessel, "parts", ()))]
    outside = getattr(vessel, "outside", None)
    for name, each in [*named, *([("outside", outside)] if outside is not None else [])]:
        if isinstance(each.shape, Scan) and not (folder / each.shape.file).is_file():
            allowed = "a file that lies there: its name is seen from the folder of the design"
            yield Fault.of("path", each.shape.file, allowed, key=f"{name}.file", file=str(folder))


def _fill(table: tomlkit.TOMLDocument | Table, part: Part) -> None:
    """Put the values of a part into a table: plain values first, then tables, then lists of tables."""
    said = [(written(key), _in_file(value)) for key, value in _said(part)]
    # TOML reads what follows a table's head as its keys.
    for key, value in sorted(said, key=lambda pair: (isinstance(pair[1], AoT), isinstance(pair[1], Table))):
        table.add(key, value)


def _said(part: Part) -> Iterator[tuple[str, Any]]:
    """The values that a part gives, by the keys of the file; the keys of its shape are a chamber's own."""
    for key, slot in slots(type(part)).items():
        value = getattr(part, slot.attribute)
        if slot.key == "shape" and isinstance(value, Part):
            yield from _said(value)
        # A default is left to what reads it.
        elif slot.field.is_required() or slot.key == "shape" or value != slot.field.default:
            yield key, value


def _in_file(value: Any) -> Item:
    """A value as the file has it: 6 and not 6.0, a row as a list, a tie as "= other.key"."""
    if isinstance(value, Part):
        inner = tomlkit.table()
        _fill(inner, value)
        return inner
    if isinstance(value, Mapping):
        inner = tomlkit.table()
        for key, entry in value.items():
            inner.add(key, _in_file(entry))
        return inner
    if isinstance(value, Tie):
        return tomlkit.item(f"= {value.to}")
    if isinstance(value, tuple) and value and isinstance(value[0], Part):
        tables = tomlkit.aot()
        for each in value:
            tables.append(_in_file(each))
        return tables
    if isinstance(value, tuple | Bounds):
        rows = tomlkit.array()
        rows.extend(_in_file(each) for each in value)
        return rows.multiline(bool(value) and isinstance(value[0], tuple))  # rows of rows on a line each
    return number(value)


def number(value: object) -> Item:
    """A plain value as the file has it: 6 and not 6.0."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e6:  # 1e20 stays as it is
        return tomlkit.item(int(value))
    return tomlkit.item(value)
