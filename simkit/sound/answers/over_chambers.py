"""Common part of the answers about a vessel: one answer for each chamber, put together."""

from __future__ import annotations

from collections.abc import Sequence
from operator import attrgetter
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.columns import column


class _Numbers(property):
    """A property that is an array of numbers."""

    # For the type alone, which a property made by hand does not tell.
    def __get__(self, whole: Any, owner: type | None = None, /) -> np.ndarray:  # type: ignore[override]
        found: np.ndarray = super().__get__(whole, owner)
        return found


class PerRow(_Numbers):
    """A property of a chamber's answer, "rows.number": a number of each row, by its dotted path, nan for None."""

    def __init__(self, path: str, doc: str) -> None:
        each, number = map(attrgetter, path.split(".", 1))
        super().__init__(lambda chamber: column(map(number, each(chamber))), doc=doc)


class Joined(_Numbers):
    """A property of the whole: the arrays of its chambers' property `of` one after the other."""

    def __init__(self, of: Any) -> None:
        super().__init__(lambda whole: np.concatenate([of.fget(each) for each in whole.chambers]), doc=of.__doc__)


class OverChambers:
    """An answer with its chambers' one after the other; the frozen values that inherit it have these fields."""

    state: str
    air: Air
    chambers: Sequence[Any]  # each printed as a small table, with its arrays under the names of the whole's
    cautions: tuple[str, ...]
    chords: Sequence[Any] = ()

    def __str__(self) -> str:
        tables = [(f"{c.name}\n" if len(self.chambers) > 1 else "") + str(c) for c in self.chambers]
        return "\n".join([*tables, *(f"caution: {text}" for text in self.cautions)])

    def as_dict(self) -> dict[str, Any]:
        """The answer as the command line's JSON has it."""
        return {
            "state": self.state,
            "air": {"sound_speed_m_s": self.air.sound_speed, "density_kg_m3": self.air.density},
            "chambers": [chamber.as_dict() for chamber in self.chambers],
            **({"chords": [chord.as_dict() for chord in self.chords]} if self.chords else {}),
            "cautions": list(self.cautions),
        }
