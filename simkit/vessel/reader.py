"""Reading a design file: TOML to a tree, the tree to a Vessel, or every fault on a line of its own."""

from __future__ import annotations

import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from simkit.errors import Fault
from simkit.vessel.chamber import Chamber
from simkit.vessel.checking import checked
from simkit.vessel.design import Vessel
from simkit.vessel.faults import DesignError, printable, shown
from simkit.vessel.figure import Lump
from simkit.vessel.keys import written
from simkit.vessel.part import slots

LARGEST_FILE = 256_000  # bytes; a design with every key and a hundred sections has a tenth of that
_DEEPEST_KEY = 200
_NO_KEY = re.compile(r"[^\w.\-\"' \t]+")  # characters that cannot stand in a dotted key
# Python refuses to read whole numbers of more digits (sys.int_info.default_max_str_digits).
_ENDLESS = re.compile(r"[0-9_]{4300}")
# Place of the error in tomllib's message.
_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def load(path: str | Path) -> Vessel:
    """Read a design file; an InputError lists everything that is wrong with it.

    Nothing in the file is run. Files that it names (a scan) are looked for when they are needed.
    """
    return loads(text_of(path), str(path))


def loads(text: str, source: str = "<text>") -> Vessel:
    """Read a design from a text; `source` names it in messages.

    >>> loads('clay.wall_mm = 4\\n[[chamber]]\\nname = "a"\\nshape = "sphere"\\ndiameter_mm = 50').chambers[0].shape
    Sphere(kind='sphere', diameter_mm=50.0)
    """
    tree, strays = _tree(parsed(text, source), source)
    return checked(Vessel, tree, source, strays)


def text_of(path: str | Path, what: str = "a design file", largest: int = LARGEST_FILE) -> str:
    """The text of a file that a person wrote; an InputError says why it cannot be read."""
    content = content_of(path, what, largest)
    try:
        return content.decode("utf-8-sig")  # some editors begin a file with a byte-order mark
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _unreadable(str(path), f"text in UTF-8 (line {line} is not)") from error


def content_of(path: str | Path, what: str, largest: int, hint: str = "") -> bytes:
    """The bytes of a file that a person brought, `largest` at most; an InputError says why it cannot be read.

    hint: what to do about one that is larger.
    """
    source = str(path)
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):  # reading a pipe or a device might never end
            raise _unreadable(source, "a file, not a folder or a device")
        with open(path, "rb") as file:
            content = file.read(largest + 1)  # one more, to tell whether there is more
    except (OSError, ValueError) as error:  # ValueError: a name with a null character
        missing = isinstance(error, FileNotFoundError)
        reason = "there is no such file" if missing else getattr(error, "strerror", None) or str(error)
        raise _unreadable(source, f"{what} that can be read ({reason})") from error
    if len(content) > largest:
        most = f"{largest // 1000} kB" if largest < 1_000_000 else f"{largest // 1_000_000} MB"
        raise _unreadable(source, f"{what} of at most {most}{hint}")
    return content


def _unreadable(source: str, allowed: str) -> DesignError:
    return DesignError([Fault(source, "", None, allowed)])


# --- TOML ----------------------------------------------------------------------------------------


def parsed(text: str, source: str) -> dict[str, Any]:
    """The tables of a TOML text; an InputError names the line where it is none."""
    lines = text.split("\n")
    for number, line in enumerate(lines, 1):
        # The parser's time grows with the square of a key's depth.
        deepest = max(piece.count(".") for piece in _NO_KEY.split(line))
        if deepest > _DEEPEST_KEY and not line.lstrip().startswith("#"):
            raise _broken(source, lines, number, f"a key of at most {_DEEPEST_KEY} parts")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise _unreadable(source, "lists and tables nested less deeply") from error
    except tomllib.TOMLDecodeError as error:
        # tomllib names the place only in its message.
        said = str(error)
        place = _PLACE.search(said)
        reason = said[: place.start()] if place else said
        if place and place[1]:
            raise _broken(source, lines, int(place[1]), f"TOML ({reason} at column {place[2]})") from error
        raise _broken(source, lines, len(text.rstrip().split("\n")), f"TOML ({reason}; the file ends)") from error
    except ValueError as error:  # Python reads no whole number of thousands of digits
        number = next((n for n, line in enumerate(lines, 1) if _ENDLESS.search(line)), 1)
        raise _broken(source, lines, number, "numbers of at most 20 digits") from error


def _broken(source: str, lines: list[str], number: int, allowed: str) -> DesignError:
    line = lines[number - 1] if number <= len(lines) else ""
    return DesignError([Fault(source, f"line {number}: {printable(line.strip(), 120)}", None, allowed)])


# --- from the file's tables to the tree of a Vessel --------------------------------------------------


def _tree(raw: Mapping[str, Any], source: str) -> tuple[dict[str, Any], list[Fault]]:
    """The tree of the file, and faults of keys that are attributes of a Vessel but no keys of a file."""
    tree: dict[str, Any] = {}
    strays = []
    for key, value in raw.items():
        # The file's words are chamber and part; these would slip through as attributes.
        if key in ("chambers", "parts", "source"):
            near = "" if key == "source" else f"; did you mean {key[:-1]}?"
            strays.append(Fault(source, key, shown(value), f"known keys only{near}"))
        elif key == "chamber":
            tree["chambers"] = _each(value, _CHAMBER_KEYS)
        elif key == "outside":
            tree[key] = _with_shape(value, _SOLID_KEYS)
        elif key == "part":
            tree["parts"] = _each(value, _SOLID_KEYS)
        # hole.2.diameter_mm unquoted is three nested tables to TOML.
        elif key == "free":
            tree["free"] = dict(flat(value)) if isinstance(value, dict) else value
        else:
            tree[key] = value
    return tree, strays


_CHAMBER_KEYS, _SOLID_KEYS = ({written(key): key for key in slots(part) if key != "shape"} for part in (Chamber, Lump))


def _each(value: object, own: Mapping[str, str]) -> object:
    return [_with_shape(each, own) for each in value] if isinstance(value, list) else value


def _with_shape(raw: object, own: Mapping[str, str]) -> object:
    """A chamber or a solid of the file with the keys of its shape, all but its `own`, in a table of their own."""
    if not isinstance(raw, dict):
        return raw
    tree: dict[str, Any] = {}
    for key, value in raw.items():
        if key in own:
            tree[own[key]] = value
        else:
            tree.setdefault("shape", {})[key] = value  # what is no key of the chamber's own must be one of its shape's
    return {**tree, "shape": tree.get("shape", {})}


def flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Dotted keys of a table such as `[free]`, whether the file has them in quotes or TOML has made tables of them."""
    for key, value in table.items():
        if isinstance(value, dict):
            yield from flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value
