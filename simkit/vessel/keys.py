"""Dotted keys: one name for every value of a design, as faults say it and as optimisers and sweeps move it.

    clay.wall_mm                  a key of a table
    body.length_mm                a key of the chamber named body, or of its shape
    body.voicing.cut_up_mm        its voicing
    body.hole.2.diameter_mm       its hole named "2"
    body.note.D5.cents            its note D5
    body.sections.3.width_mm      its third row of sections, the column by name; so too body.lobes.1.up_mm
    body.offset_mm.along_mm       its offset
    jet.receptivity               a constant of [jet]
    part.tail.length_mm           a key of the part named tail

What has no name of its own is counted in brackets: `chamber[2].name`, `body.hole[3].name`.  A path is the same
way through the tree of tables and lists: `("chambers", 0, "holes", 1, "diameter_mm")`.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import reduce
from typing import Any

from simkit.vessel.part import Part, Path, Slot, items, slots, table
from simkit.vessel.values import NumberRange, is_name

# Lists whose items are addressed by name: the word before the name in a key, and the attribute that holds it.
_CALLED_BY = {
    "chambers": ("chamber", "name"),
    "holes": ("hole", "name"),
    "notes": ("note", "pitch"),
    "parts": ("part", "name"),
}
# The other way round: the attribute of a word in the file.
_LISTED_AS = {word: key for key, (word, _) in _CALLED_BY.items()}


def written(key: str) -> str:
    """A key of the tree as the file has it: `hole` for `holes`."""
    return _CALLED_BY[key][0] if key in _CALLED_BY else key


def find(root: type[Part], design: object, key: str) -> Path | None:
    """The path of a dotted key in a design, or None if the design has no value of that name."""
    words = key.split(".")
    chambers = items(child(design, "chambers"))
    for n, chamber in enumerate(chambers):
        # A chamber's name stands for [[chamber]] and itself; tables of the file cannot be names of chambers.
        if child(chamber, "name") == words[0]:
            part = slots(root)["chambers"].parts[0]
            return _find_in(part, chamber, words[1:], ("chambers", n))
    return _find_in(root, design, words, ())


def dotted(root: type[Part], design: object, path: Path) -> str:
    """The dotted key of a path, as the user would write it."""
    words: list[str] = []
    before: object = None
    # A list's word waits for its item: "hole" and 2 become hole.2, or hole[3] where it has no name of its own.
    for n, (step, slot, node) in enumerate(along(root, design, path)):
        if isinstance(step, str):
            if slot and step in _CALLED_BY:
                words += [written(step)] if n == len(path) - 1 else []  # the list itself
            elif step != "shape" or n == len(path) - 1:  # a shape's keys are written among its owner's
                words.append(step or '""')
        elif slot and slot.key in _CALLED_BY:
            name = _names(root, slot.key, before)[step]
            word = written(slot.key)
            words.append(f"{word}[{step + 1}]" if name is None else name if word == "chamber" else f"{word}.{name}")
        elif slot and slot.row:
            # In a list of rows the first number is the row.
            is_column = not slot.is_list or isinstance(path[n - 1], int)
            words.append(list(slot.row.columns)[step] if is_column else str(step + 1))
        elif slot and slot.is_list and slot.parts:
            words[-1] += f"[{step + 1}]"
        before = node
    return ".".join(words)


def along(root: type[Part], design: object, path: Path) -> Iterator[tuple[str | int, Slot | None, Any]]:
    """Each step of a path with the slot it leads into (None past what a design knows) and the value there."""
    part: type[Part] | None = root
    slot: Slot | None = None
    node: Any = design
    for step in path:
        node = child(node, step)
        if isinstance(step, str) and not (slot and slot.is_table):  # the keys of a table are the user's own
            # A name leads on by its part's class; a number stays in the same slot, among its items.
            slot = slots(part).get(step) if part else None
            part = slot.part(node) if slot else None
        yield step, slot, node


def numbers_of(root: type[Part], design: object, path: Path = ()) -> Iterator[tuple[Path, NumberRange]]:
    """The paths of all numbers that a design has or may have, each with what is allowed there."""
    for key, slot in slots(root).items():
        here, node = (*path, key), child(design, key)
        if slot.is_table and slot.number:
            yield from (((*here, name), slot.number) for name in table(node))  # such as the constants of [jet]
        elif slot.row and node is None and slot.field.default is None:
            continue  # a row that may be left out, and is: no column of it can be moved alone
        elif slot.row:
            rows = [(*here, n) for n in range(len(items(node)))] if slot.is_list else [here]
            yield from (((*row, n), cell) for row in rows for n, cell in enumerate(slot.row.columns.values()))
        elif slot.number:
            yield here, slot.number
        elif slot.is_list and slot.parts:
            for n, each in enumerate(items(node)):
                yield from numbers_of(slot.parts[0], each, (*here, n))
        # A part that is left out has numbers if it can be made of defaults alone, as [air].
        elif (part := slot.part(node)) and (node is not None or not _needs(part)):
            yield from numbers_of(part, node, here)


def is_fully_named(root: type[Part], design: object) -> bool:
    """Whether all chambers, holes and notes have unique names and all shapes are known."""
    chambers = child(design, "chambers")
    lists = [(key, child(chamber, key)) for chamber in items(chambers) for key in ("holes", "notes")]
    lumps = child(design, "parts")
    for key, every in [("chambers", chambers), ("parts", lumps), *lists]:
        # a name that comes twice is none: no key could tell the two apart
        if None in _names(root, key, every) or not isinstance(every, list | tuple | None):
            return False
    # All that has a shape.
    places = [(key, n) for key, every in (("chambers", chambers), ("parts", lumps)) for n in range(len(items(every)))]
    solids: list[Path] = [*places, *([("outside",)] if child(design, "outside") is not None else [])]
    shapes = (along(root, design, (*place, "shape")) for place in solids)
    return all(slot and slot.part(shape) for (*_, (_, slot, shape)) in shapes)


def look(design: object, path: Path) -> Any:
    """The value at a path, or None."""
    return reduce(child, path, design)


def replaced(tree: object, path: Path, value: object) -> Any:
    """The tree with another value at a path; only what lies on the way is copied, as tables and lists."""
    if not path:
        return value
    step, rest = path[0], path[1:]
    if isinstance(step, int):
        # A tuple becomes a list, as if just read.
        return [replaced(item, rest, value) if n == step else item for n, item in enumerate(items(tree))]
    return {**table(tree), step: replaced(child(tree, step), rest, value)}


def child(node: object, step: str | int) -> Any:
    """The value one step further, in a part or in a tree; None if there is none."""
    if isinstance(step, int):
        return items(node)[step] if step < len(items(node)) else None
    if isinstance(node, Part):
        slot = slots(type(node)).get(step)
        return getattr(node, slot.attribute) if slot else None  # a shape's own `shape` is its `kind`
    return table(node).get(step)


def _needs(part: type[Part]) -> bool:
    return any(slot.field.is_required() for slot in slots(part).values())


# --- from a key to a path ------------------------------------------------------------------------


def _find_in(part: type[Part], node: object, words: list[str], path: Path) -> Path | None:
    if not words:
        return None
    word, rest, known = words[0], words[1:], slots(part)
    if word in _LISTED_AS and _LISTED_AS[word] in known:
        return _find_called(known[_LISTED_AS[word]], node, rest, path)
    if word in known and word not in _CALLED_BY and word != "shape":
        return _find_slot(known[word], child(node, word), rest, (*path, word))
    if "shape" in known and known["shape"].parts:
        shape = child(node, "shape")
        inside = known["shape"].part(shape)
        return _find_in(inside, shape, words, (*path, "shape")) if inside else None
    return None


def _find_called(slot: Slot, node: object, words: list[str], path: Path) -> Path | None:
    name_key = _CALLED_BY[slot.key][1]
    for n, each in enumerate(items(child(node, slot.key))):
        if words and child(each, name_key) == words[0]:
            return _find_in(slot.parts[0], each, words[1:], (*path, slot.key, n))
    return None


def _find_slot(slot: Slot, node: object, words: list[str], path: Path) -> Path | None:
    if slot.is_table:
        name = ".".join(words)
        return (*path, name) if name in table(node) else None
    if slot.row:
        if slot.is_list:
            # Counted from 1; a word of digits may be endless.
            row = int(words[0]) - 1 if words and words[0].isdecimal() and len(words[0]) < 6 else -1
            if not 0 <= row < len(items(node)):
                return None
            path, words = (*path, row), words[1:]
        columns = list(slot.row.columns)
        return (*path, columns.index(words[0])) if len(words) == 1 and words[0] in columns else None
    if slot.parts:
        part = slot.part(node)
        return _find_in(part, node, words, path) if part and (node is not None or not _needs(part)) else None
    return path if not words and not slot.is_list else None


def _names(root: type[Part], key: str, every: object) -> list[str | None]:
    """Names of the items of a list; None for one that has no name of its own."""
    taken = {*slots(root), "chamber", "part"} if key == "chambers" else set()  # words that mean a table of the file
    names: list[str | None] = []
    for each in items(every):
        name = child(each, _CALLED_BY[key][1])
        own = is_name(name) and name not in taken
        names.append(name if own else None)
        if own:
            taken.add(name)
    return names
