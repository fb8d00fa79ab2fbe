"""An entry of `[free]`: the bounds within which a number may move, or another number that it follows."""

from __future__ import annotations

from typing import Annotated, NamedTuple

from pydantic import PlainValidator

from simkit.vessel.values import as_number, refused

ALLOWED = 'bounds [low, high] with low < high, or a tie "= other.key"'


class Bounds(NamedTuple):
    """A number free to move from `low` to `high`."""

    low: float
    high: float


class Tie(NamedTuple):
    """A number that always equals the one of the dotted key `to`."""

    to: str


def read_free(value: object) -> Bounds | Tie | None:
    """Bounds from `[low, high]`, a tie from `"= other.key"`, None from anything else.

    >>> read_free([4, 8]), read_free("= body.hole.1.diameter_mm")
    (Bounds(low=4.0, high=8.0), Tie(to='body.hole.1.diameter_mm'))
    """
    if isinstance(value, Tie):
        return value
    if isinstance(value, str) and value.lstrip().startswith("="):
        return Tie(value.lstrip()[1:].strip())
    if isinstance(value, list | tuple) and len(value) == 2:
        low, high = map(as_number, value)
        if low is not None and high is not None and low < high:  # equal bounds leave nothing free
            return Bounds(low, high)
    return None


def _checked(value: object) -> Bounds | Tie:
    found = read_free(value)
    if found is None:
        raise refused(ALLOWED)
    return found


Free = Annotated[Bounds | Tie, PlainValidator(_checked)]  # in place of pydantic's own reading of the two
