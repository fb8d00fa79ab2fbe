"""Checking of a tree of tables and lists: a frozen value, or a list of every fault in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from typing import Any, TypeVar

from pydantic import ValidationError

from simkit import plugins
from simkit.errors import Fault
from simkit.vessel.faults import DesignError, shown
from simkit.vessel.keys import along, child, dotted, replaced, written
from simkit.vessel.part import WRONG, Clash, Part, Path, Slot, items, slots, table
from simkit.vessel.shapes import SHAPES, known_shapes
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.unknown import keys_of_no_shape, known_keys
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
            yield Clash(path, detail["input"], known_keys(root, tree, path, compare=unknown <= _MOST_COMPARED))
        elif detail["type"] in ("union_tag_invalid", "union_tag_not_found"):
            yield _unknown_shape(path, table(detail["input"]))
            yield from keys_of_no_shape(root, tree, path)
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
    known = known_shapes()
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
