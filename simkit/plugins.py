"""Shapes, ducts and models of other packages, announced by entry points and loaded when one is asked for by name.

An installed package announces a thing in its metadata, under a group (`simkit.shapes`, `simkit.ducts`,
`simkit.models`) and a name (Python Packaging Authority, Entry points specification). Only its name is read until it is
wanted, so what is broken harms only who asks for it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from functools import cache
from pathlib import PurePath
from traceback import walk_tb
from typing import TYPE_CHECKING, Any

from simkit.errors import Fault, InputError

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

GROUPS = ("simkit.shapes", "simkit.ducts", "simkit.models")


class BrokenPlugin(InputError):
    """A plug-in cannot be used: one line that names it and its package, and why. name: that it is announced under."""

    def __init__(self, faults: Iterable[Fault | str], name: str):
        super().__init__(faults)
        self.name = name

    def __reduce__(self) -> tuple[Any, ...]:
        return BrokenPlugin, (self.faults, self.name)

    def at(self, file: str, key: str) -> BrokenPlugin:
        """The same of a design that names the plug-in under a key."""
        return BrokenPlugin([f"{file}: {key} = {self.name!r}: {fault}" for fault in self.faults], self.name)


def names(group: str) -> tuple[str, ...]:
    """Names announced in a group, in the order of the alphabet."""
    return tuple(sorted(_announced(tuple(sys.path))[group]))


def loaded(group: str, name: str, kind: type) -> Any:
    """Load what is announced under a name, None where nothing is; InputError where it is broken or not of that kind."""
    point = _announced(tuple(sys.path))[group].get(name)
    if point is None:
        return None
    try:
        found = point.load()
    except Exception as error:
        raise _broken(point, in_line(error)) from error
    if not isinstance(found, kind):
        raise _broken(point, f"it is a {type(found).__name__}, allowed: a {kind.__name__}")
    return found


def makers() -> dict[str, str]:
    """The packages that announce something, with their versions."""
    points = [point for group in _announced(tuple(sys.path)).values() for point in group.values()]
    return {point.dist.name: point.dist.version for point in points if point.dist}


def misfit(group: str, name: str, said: str) -> BrokenPlugin:
    """The fault of a plug-in that loads, but not as what it is announced for."""
    return _broken(_announced(tuple(sys.path))[group][name], said)


def in_line(error: Exception) -> str:
    """An exception in one line."""
    return f"{type(error).__name__}: {' '.join(str(error).split())}".rstrip(": ")


def raised_by(error: Exception) -> BrokenPlugin | None:
    """The fault of the plug-in whose code an exception came out of or through, with the line; None where it is none."""
    # From where it was raised outwards: the innermost frame of a plug-in is the line to look at.
    for frame, line in reversed(list(walk_tb(error.__traceback__))):
        module = str(frame.f_globals.get("__name__", ""))
        for group in _announced(tuple(sys.path)).values() if module.partition(".")[0] != "simkit" else ():
            for point in group.values():
                if point.module.partition(".")[0] == module.partition(".")[0]:
                    file = PurePath(frame.f_code.co_filename).name
                    return _broken(point, f"{in_line(error)} ({file}, line {line})")
    return None


def part_of(group: str, name: str, base: type[Any], own: str) -> Any:
    """The part of a design file, a pydantic model of a `base`, that is announced under a name; None where none is.

    An InputError where it is no such part, has not a method `own` of its own, or calls itself otherwise.
    """
    part = loaded(group, name, type)
    if part is None:
        return None
    if not issubclass(part, base) or getattr(part, own) is getattr(base, own):
        raise misfit(group, name, f"{part.__name__} is no {base.__name__} with its own {own}")
    kind = part.model_fields.get("kind")
    if kind is None or kind.default != name or kind.alias != "shape":
        wanted = f'kind: Literal["{name}"] = Field("{name}", alias="shape")'
        raise misfit(group, name, f"{part.__name__} is not of its kind; allowed: {wanted}")
    return part


def _broken(point: EntryPoint, said: str) -> BrokenPlugin:
    of = f" of the package {point.dist.name}" if point.dist else ""
    return BrokenPlugin(
        [f"the plug-in {point.name} ({point.group}, {point.value}){of} cannot be used: {said}"], point.name
    )


@cache
def _announced(path: tuple[str, ...]) -> dict[str, dict[str, EntryPoint]]:
    """Entry points of each group by name, as the folders of `path` hold them; of two of one name the first in it."""
    from importlib.metadata import entry_points  # takes as long as all of `import simkit`

    found: dict[str, dict[str, EntryPoint]] = {group: {} for group in GROUPS}
    for group in GROUPS:
        for point in entry_points(group=group):
            found[group].setdefault(point.name, point)  # folders come in the order of the path
    return found
