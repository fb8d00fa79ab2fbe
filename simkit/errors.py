"""What can go wrong, and the exit status that each carries.

SimkitError
|- InputError     the input is wrong: every fault found, one line each   (exit 2)
`- OutOfReach     the input is right but what was asked cannot be had    (exit 1)
   `- MeshError   a shape that could not be meshed at the size tried
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Fault:
    """One thing wrong in an input: where it stands, what was read, what is allowed.

    >>> print(Fault("dove.toml", "body.hole.2.diameter_mm", -3, "more than 0, at most 1000"))
    dove.toml: body.hole.2.diameter_mm = -3: allowed: more than 0, at most 1000
    """

    file: str
    key: str
    value: object
    allowed: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.key}" if self.key else self.file
        shown = "" if self.value is None else f" = {self.value!r}"
        return f"{place}{shown}: allowed: {self.allowed}"


class SimkitError(Exception):
    """The root of everything this package raises on purpose."""

    exit_status = 1


class InputError(SimkitError):
    """The input is wrong; `faults` lists all that was found, in the order of the file."""

    exit_status = 2

    def __init__(self, faults: Iterable[Fault | str]):
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.faults,)


class OutOfReach(SimkitError):
    """What was asked cannot be reached; the message says how far it got and why."""

    exit_status = 1


class MeshError(OutOfReach):
    """A mesh could not be made; the message gives the size tried and the remedy."""

    def __init__(self, what: str, size_mm: float, remedy: str):
        self.what, self.size_mm, self.remedy = what, size_mm, remedy
        super().__init__(what, size_mm, remedy)

    def __str__(self) -> str:
        return f"{self.what} could not be meshed at {self.size_mm:.3g} mm: {self.remedy}"
