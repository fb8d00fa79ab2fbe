"""New numbers into a design file, everything else in it, remarks too, as it was."""

from __future__ import annotations

from typing import Any

import tomlkit
from tomlkit.items import Item

from simkit.errors import OutOfReach
from simkit.vessel import Vessel, loads, writing
from simkit.vessel.keys import find, written
from simkit.vessel.part import Path
from simkit.vessel.reader import text_of


def rewritten(text: str, before: Vessel, after: Vessel) -> str:
    """The text of the design `before` with what differs in `after`: numbers, and which holes each note opens.

    Remarks, order, layout and the way lines end stay. The text is read again and compared: an OutOfReach if it is not
    `after`.
    """
    document = tomlkit.parse(text)
    for path, value in differences(before, after).items():
        _write(document, _in_file(path), value)
    new = tomlkit.dumps(document)
    if "\r\n" in text and text.count("\r\n") == text.count("\n"):
        new = new.replace("\r\n", "\n").replace("\n", "\r\n")  # lines that were added, too
    if loads(new, after.source) != after:
        raise OutOfReach("the new design could not be written into the old one's text; write it anew")
    return new


def source_text(vessel: Vessel) -> str:
    """The text of the file that a design was loaded from, its lines ending as they do there."""
    return text_of(vessel.source)


def differences(before: Vessel, after: Vessel) -> dict[Path, Any]:
    """The paths at which two designs of the same parts differ, with what stands there after."""
    found: dict[Path, Any] = {}
    old = before.numbers
    for key, number in after.numbers.items():
        if number.value is not None and number.value != old[key].value:
            path = find(Vessel, after, key)
            assert path is not None
            found[path] = number.value
    # Fingerings are no numbers, so the keys above do not have them.
    for c, (was, now) in enumerate(zip(before.chambers, after.chambers, strict=True)):
        for n, (note, new) in enumerate(zip(was.notes, now.notes, strict=True)):
            if note.open != new.open:
                found["chambers", c, "notes", n, "open"] = list(new.open)
    return found


def _in_file(path: Path) -> Path:
    """The way through the file's own tables: `chamber` for `chambers`, a shape's keys among the chamber's."""
    return tuple(written(step) if isinstance(step, str) else step for step in path if step != "shape")


def _write(node: Any, path: Path, value: object) -> None:
    for step in path[:-1]:
        if isinstance(step, str) and step not in node:  # a default that the file left out
            node[step] = tomlkit.table()
        node = node[step]
    old = node[path[-1]] if isinstance(path[-1], int) or path[-1] in node else None
    node[path[-1]] = writing.number(value)
    if isinstance(old, Item) and isinstance(path[-1], str) and old.trivia.comment:
        # Remarks stay in their column as far as there is room.
        trivia = node[path[-1]].trivia
        longer = len(node[path[-1]].as_string()) - len(old.as_string())
        trivia.comment_ws = " " * max(1, len(old.trivia.comment_ws) - longer)
