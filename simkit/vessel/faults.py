"""The wording of faults: values as written in the file, one line each, a message short enough to read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from simkit.errors import Fault, InputError

# Signs in a whole message, in a line of it, and in a value.
LONGEST_MESSAGE = 1400
_LONGEST_LINE = 400
_LONGEST_VALUE = 40


class DesignError(InputError):
    """A design that cannot be read; `faults` has all that was found, the message as many as fit.

    `unlisted` counts further faults that were found but not described.
    """

    def __init__(self, faults: Iterable[Fault | str], unlisted: int = 0):
        super().__init__(faults)
        self.unlisted = unlisted
        self.args = (message(self.faults, unlisted),)

    # Exceptions are pickled by their args, which here are the message: from another process they want both.
    def __reduce__(self) -> tuple[Any, ...]:
        return DesignError, (self.faults, self.unlisted)


class Unquoted(str):
    """A text that takes a value's place in a message and is printed without quotes."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)


def message(faults: Iterable[Fault | str], unlisted: int = 0) -> str:
    """One line for each fault, as many as fit, and how many more there are."""
    lines = [_line(fault) for fault in faults]
    room = LONGEST_MESSAGE - len("and at least 1000000 more faults")  # kept for the last line
    fitting: list[str] = []
    for line in lines:
        room -= len(line) + 1  # and its line break
        if room < 0:
            break
        fitting.append(line)
    left = len(lines) - len(fitting) + unlisted
    if left:
        fitting.append(f"and {'at least ' if unlisted else ''}{left} more fault{'s' if left > 1 else ''}")
    return "\n".join(fitting)


def shown(value: object) -> object:
    """A value as it is written in a fault: numbers and short texts themselves, the rest described."""
    if isinstance(value, bool):  # before int, of which it is one
        return Unquoted(str(value).lower())
    # Python would take its time to print it, and refuse beyond 4,300 digits.
    if isinstance(value, int) and abs(value) >= 10**20:
        return Unquoted("a whole number of more than 20 digits")
    if value is None or isinstance(value, int | float):
        return value
    if isinstance(value, str):
        return value if len(value) <= _LONGEST_VALUE else Unquoted(f"{value[:_LONGEST_VALUE]!r}...")
    if isinstance(value, Mapping):
        return Unquoted("a table")
    if isinstance(value, list | tuple):
        numbers = all(isinstance(item, int | float) and not isinstance(item, bool) for item in value)
        # a row of a shape; longer ones say nothing in a message
        if numbers and len(value) <= 6 and all(abs(item) < 10**20 for item in value):
            return Unquoted(f"[{', '.join(f'{item:g}' for item in value)}]")
        return Unquoted(f"a list of {len(value)}")
    return Unquoted(printable(str(value), _LONGEST_VALUE))


def printable(text: str, longest: int) -> str:
    """A text on one line, signs that cannot be printed escaped, cut in the middle where it is too long.

    >>> printable("a\\tb", 10)
    'a\\\\tb'
    """
    if len(text) > longest:
        # both ends tell a path or a key better than its beginning
        text = f"{text[: longest // 2]}...{text[-(longest - longest // 2) :]}"
    # repr escapes, its quotes cut off.
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def _line(fault: Fault | str) -> str:
    if isinstance(fault, Fault):
        fault = str(replace(fault, file=printable(fault.file, 100), key=printable(fault.key, 160)))
    return printable(fault, _LONGEST_LINE)
