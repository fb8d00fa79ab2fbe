"""Exceptions, and the exit status that each carries.

SimkitError
|- InputError     the input is wrong: every fault found, one line each   (exit 2)
`- OutOfReach     the input is right but what was asked cannot be had    (exit 1)
   `- MeshError   a shape that could not be meshed at the size tried
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True)
class Fault:
    """One thing wrong in an input: where it stands, what was read, what is allowed.

    argument: of the function that was called, where the fault is in what it was given and not in a file. `allowed`
    names other arguments in backquotes; the command line makes options of both.

    >>> print(Fault("dove.toml", "body.hole.2.diameter_mm", -3, "more than 0, at most 1000"))
    dove.toml: body.hole.2.diameter_mm = -3: allowed: more than 0, at most 1000
    >>> print(Fault.of("count", 0, "1 to 200"))
    count = 0: allowed: 1 to 200
    """

    file: str
    key: str
    value: object
    allowed: str
    argument: str = ""

    @classmethod
    def of(cls, argument: str, value: object, allowed: str, *, key: str = "", file: str = "") -> Fault:
        """A fault in an argument: in a `key` of it, or in the `file` that it names."""
        return cls(file, key, value, allowed, argument)

    def __str__(self) -> str:
        place = ": ".join(part for part in (self.file, self.argument, self.key) if part)
        # numpy's scalars and arrays are shown like Python's own numbers and lists.
        value = self.value.tolist() if type(self.value).__module__ == "numpy" else self.value  # type: ignore[attr-defined]
        shown = "" if value is None else f" = {value!r}"
        return f"{place}{shown}: allowed: {self.allowed}"

    def spoken(self, option: Callable[[str], str]) -> Fault:
        """Copy with each argument called as `option` calls it."""
        allowed = in_words(self.allowed, option)
        return replace(self, argument=option(self.argument) if self.argument else "", allowed=allowed)


def in_words(text: str, option: Callable[[str], str]) -> str:
    """A text with each argument that it names in backquotes called as `option` calls it.

    >>> in_words("more than 0, or `lossless`", lambda name: f"--{name}")
    'more than 0, or --lossless'
    """
    return re.sub("`([a-z_]+)`", lambda found: option(found[1]), text)


class SimkitError(Exception):
    """The root of everything this package raises on purpose."""

    exit_status = 1

    def spoken(self, option: Callable[[str], str]) -> str:
        """The message with each argument called as `option` calls it, on the command line by an option."""
        return in_words(str(self), option)


class InputError(SimkitError):
    """The input is wrong; `faults` lists all that was found, in the order of the file."""

    exit_status = 2

    def __init__(self, faults: Iterable[Fault | str]):
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    # An exception is pickled by its message; this one is made of its faults, and comes back from other processes.
    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.faults,)

    def spoken(self, option: Callable[[str], str]) -> str:
        # Built anew from its spoken faults, as unpickling does it, so that each kind of fault keeps its own message.
        kind, (faults, *more) = self.__reduce__()
        return str(kind([f.spoken(option) if isinstance(f, Fault) else f for f in faults], *more))


class OutOfReach(SimkitError):
    """The input is right but what was asked cannot be had; the message says how far it got and why."""


class MeshError(OutOfReach):
    """A mesh could not be made; the message gives the size tried and the remedy."""

    def __init__(self, what: str, size_mm: float, remedy: str):
        self.what, self.size_mm, self.remedy = what, size_mm, remedy
        super().__init__(what, size_mm, remedy)  # all three, as pickling makes it anew from them

    def __str__(self) -> str:
        return f"{self.what} could not be meshed at {self.size_mm:.3g} mm: {self.remedy}"
