"""Checking of a tree of tables and lists: a frozen value, or a list of every fault in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from itertools import islice
from typing import Any, TypeVar

from pydantic import ValidationError

from simkit import plugins
from simkit.errors import Fault
from simkit.vessel.faults import DesignError, shown
from simkit.vessel.keys import along, child, dotted, look, replaced, written
from simkit.vessel.part import WRONG, Clash, Part, Path, Slot, items, slots, table
from simkit.vessel.shapes import SHAPES, known_shapes
from simkit.vessel.spelling import did_you_mean, listed, nearest
from simkit.vessel.values import plain

Checked = TypeVar("Checked", bound=Part)

_MOST = 200  # faults of either kind; a file of nonsense has ten thousands, which nobody reads
_MOST_COMPARED = 50  # unknown keys that are compared with the known ones


def checked(root: type[Checked], tree: Mapping[str, Any], source: str, strays: Sequence[Fault] = ()) -> Checked:
    """The value that a tree describes, or a DesignError with every fault in the order of the file.

    `strays` are faults found before the tree was made.
    """
    # First as Python's own values: a fault then shows numpy's numbers as one would write them.
    tree = plain(dict(tree))
    found: list[Clash] = []
    unlisted = 0
    try:
        # The good case is one pass of pydantic; only where that fails is it worth finding every fault.
        value = root.model_validate({**tree, "source": source})
        if not strays:
            return value
    except plugins.BrokenPlugin as broken:  # nothing more can be said of the keys about it
        raise broken.at(source, next(_naming(tree, broken.name), "shape")) from broken
    except ValidationError as error:
        found += _wrong_by_themselves(root, tree, error)
        # What is wrong by itself is marked, so that what goes together with it is not told a second time.
        sound: Any = tree
        for clash in found:
            sound = replaced(sound, clash.path, WRONG)
        clashes = clashes_in(root, sound)  # lazy: no more are looked for than are shown
        found += islice(clashes, _MOST)
        # pydantic knows how many more there are; of clashes only whether there is one.
        unlisted = max(0, error.error_count() - _MOST) + len(list(islice(clashes, 1)))
        found.sort(key=lambda clash: _place(tree, clash.path))  # in the order of the file, as a person reads it
    faults = (Fault(source, dotted(root, tree, path), shown(value), allowed) for path, value, allowed in found)
    raise DesignError([*strays, *faults], unlisted)


def clashes_in(part: type[Part], node: object, path: Path = ()) -> Iterator[Clash]:
    """Conflicts in a part and in the parts within it."""
    for clash in part.clashes(table(node)):
        yield Clash((*path, *clash.path), clash.value, clash.allowed)
    for key, slot in slots(part).items():
        inner = child(node, key)
        if slot.is_list and slot.parts:
            for n, each in enumerate(items(inner)):
                yield from clashes_in(slot.parts[0], each, (*path, key, n))
        elif isinstance(inner, Mapping | Part) and (within := slot.part(inner)):
            yield from clashes_in(within, inner, (*path, key))


def _naming(node: object, name: str, key: str = "") -> Iterator[str]:
    """The keys, as the user writes them, under which a tree's tables name a shape or a duct."""
    if table(node).get("shape") == name:
        yield f"{key}.shape"
    for inner, value in table(node).items():
        # Written without a word of their own.
        before = key if inner in ("chambers", "shape") else f"{key}.{written(inner)}"
        for each in items(value):
            yield from _naming(each, name, f"{before}.{child(each, 'name')}".strip("."))
        yield from _naming(value, name, before.strip("."))


def _place(tree: object, path: Path) -> tuple[int, ...]:
    """The place of a path in the file, as numbers to sort by; missing keys come last in their table."""
    place = []
    for step in path:
        keys = list(table(tree))
        # a list's items keep their own order
        place.append(step if isinstance(step, int) else keys.index(step) if step in keys else len(keys))
        tree = child(tree, step)
    return tuple(place)


# --- what pydantic found -------------------------------------------------------------------------


def _wrong_by_themselves(root: type[Part], tree: object, error: ValidationError) -> Iterator[Clash]:
    unknown = 0
    # "loc" is pydantic's way to the value, "input" what stood there.
    for detail in error.errors(include_url=False)[:_MOST]:
        path = _path(detail["loc"])
        if detail["type"] == "clash":
            continue  # found again by `clashes_in`, beside what is wrong elsewhere
        if detail["type"] == "extra_forbidden":
            unknown += 1
            yield Clash(path, detail["input"], _known_keys(root, tree, path, compare=unknown <= _MOST_COMPARED))
        elif detail["type"] in ("union_tag_invalid", "union_tag_not_found"):
            yield _unknown_shape(path, table(detail["input"]))
            yield from _keys_of_no_shape(root, tree, path)
        else:
            missing = detail["type"] == "missing"
            *_, (_, slot, _) = along(root, tree, path)  # the slot of the last step
            yield Clash(path, None if missing else detail["input"], _allowed(detail, slot))


def _path(loc: tuple[str | int, ...]) -> Path:
    """Path to an error in the tree: without the name of the shape that was tried, and pydantic's own marks."""
    return tuple(
        step for n, step in enumerate(loc) if step != "[key]" and not (step in SHAPES and loc[n - 1 : n] == ("shape",))
    )


def _unknown_shape(path: Path, shape: Mapping[str, Any]) -> Clash:
    named = shape.get("shape")
    known = known_shapes()  # asked only now: it looks for other packages
    allowed = f"one of {', '.join(known)}"
    if "shape" not in shape:
        allowed += "; the key is missing"
    elif isinstance(named, str):
        allowed += did_you_mean(named, known)
    return Clash((*path, "shape"), named, allowed)


def _allowed(detail: Any, slot: Slot | None) -> str:
    if detail["type"] == "refused" or slot is None:  # our own refusals say themselves what is allowed
        return str(detail["msg"])
    if detail["type"] == "literal_error":
        given = detail["input"]
        return slot.allowed + (did_you_mean(given, slot.choices) if isinstance(given, str) else "")
    return f"{slot.allowed}; the key is missing" if detail["type"] == "missing" else slot.allowed


# --- keys that a design does not have: what was meant, or where the key belongs ----------------------


def _known_keys(root: type[Part], tree: object, path: Path, compare: bool = True) -> str:
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


def _keys_of_no_shape(root: type[Part], tree: object, path: Path) -> Iterator[Clash]:
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
