"""Keys that a design does not have: what was probably meant, or where the key belongs."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from simkit.vessel.keys import along, look, written
from simkit.vessel.part import Clash, Part, Path, slots, table
from simkit.vessel.spelling import listed, nearest


def known_keys(root: type[Part], tree: object, path: Path, compare: bool = True) -> str:
    """The keys that are allowed in place of the one at `path`; `compare` finds the nearest word."""
    word, known = str(path[-1]), _known(root, tree, path[:-1])
    if compare:
        near = nearest(word, known)
        # In this order: a slip of the pen, a key of another shape, a key in the wrong table.
        if not near and (shapes := _shapes_with(root, tree, path)):
            return f"known keys only; {word} belongs to the shape {shapes}"
        home = None if near else dict(_homes(root)).get(word)
        if near:
            return f"known keys only; did you mean {near}?"
        if home:
            return f"known keys only; {word} belongs in {home}"
    return f"known keys only: {listed(known, 8)}"


def keys_of_no_shape(root: type[Part], tree: object, path: Path) -> Iterator[Clash]:
    """Clashes for those keys in a chamber of unknown shape that no shape has."""
    *_, (_, slot, shape) = along(root, tree, path)
    if slot is None:
        return
    known = [key for part in slot.parts for key in slots(part)]
    for key, value in table(shape).items():
        if key not in known:
            # A chamber's own keys stand among them in the file.
            near = nearest(key, [*known, *_known(root, tree, path[:-1])])
            yield Clash((*path, key), value, "known keys only" + (f"; did you mean {near}?" if near else ""))


def _shapes_with(root: type[Part], tree: object, path: Path) -> str:
    """The shapes that have the key at `path`, where the shape in the file has not."""
    if path[-2:-1] != ("shape",):  # its keys stand among the chamber's
        return ""
    *_, (_, slot, _) = along(root, tree, path[:-1])
    return " or ".join(part.__name__.lower() for part in slot.parts if path[-1] in slots(part)) if slot else ""


def _known(root: type[Part], tree: object, path: Path) -> list[str]:
    """The keys, as written in the file, of the table at a path."""
    part = _part_at(root, tree, path)
    known = [written(key) for key in slots(part)] if part else []
    if path[-1:] == ("shape",):  # its keys stand among the chamber's
        known = [*_known(root, tree, path[:-1]), *(key for key in known if key != "shape")]
    return known


def _part_at(root: type[Part], tree: object, path: Path) -> type[Part] | None:
    if not path:
        return root
    *_, (_, slot, _) = along(root, tree, path)
    return slot.part(look(tree, path)) if slot else None  # a list's items are one kind of part


@cache
def _homes(part: type[Part], prefix: str = "") -> tuple[tuple[str, str], ...]:
    """Each key below a part and how the head of the table that it belongs in is written."""
    homes: list[tuple[str, str]] = []
    for key, slot in slots(part).items():
        word = f"{prefix}{written(key)}"
        head = f"[[{word}]]" if slot.is_list else f"[{word}]"
        # A shape's keys stand in its owner's table.
        if key == "shape" and len(slot.parts) > 1:
            owner = f"[[{prefix.rstrip('.')}]]"
            homes += [(inner, owner) for shape in slot.parts for inner in slots(shape)]
        elif len(slot.parts) == 1:
            homes += [(written(inner), head) for inner in slots(slot.parts[0])]
            homes += _homes(slot.parts[0], f"{word}.")
    return tuple(reversed(homes))  # a dict keeps the last: the outermost table wins
