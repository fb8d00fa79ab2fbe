"""Handles of a design: holes, rims, windows, the body's sizes, each as numbers that may move."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from simkit.optimisation.problem.bounds import FreeNumber, named, shape_keys
from simkit.optimisation.problem.free import Freedom
from simkit.vessel import Chamber, Vessel, shapes

DECIMALS = {"mm": 2, "°": 1, "%": 2}  # decimals with which a number is written at the end of a drag


@dataclass(frozen=True)
class Handle:
    """Something to take hold of.

    kind: hole, window, or body; opening: the part in the pictures that it moves, empty for the body; numbers: what
    it moves, by name; label: what a maker calls it.
    """

    kind: str
    chamber: str
    opening: str
    label: str
    numbers: tuple[FreeNumber, ...]

    def as_dict(self, vessel: Vessel) -> dict[str, Any]:
        """The handle as the page has it, each number with its value, bounds, unit and what it is called."""
        return {**vars(self), "numbers": [_number(vessel, number) for number in self.numbers]}


def unit_of(number: FreeNumber) -> str:
    """mm, ° or, of a stretched body, % of its size."""
    return "%" if number.is_factor else "°" if number.name.endswith("_deg") else "mm"


def _number(vessel: Vessel, number: FreeNumber) -> dict[str, Any]:
    scale, word = 100.0 if number.is_factor else 1.0, number.name.rpartition(".")[2]
    return {
        "name": number.name,
        "label": word.removesuffix("_mm").removesuffix("_deg").removeprefix("window_").replace("_", "-"),
        "unit": unit_of(number),
        "value": scale * number.start,
        "low": scale * number.low,
        "high": scale * number.high,
        # The size that a factor stretches, mm: the largest of those that it moves.
        "of_mm": max(vessel.value(key) for key in number.keys) if number.is_factor else None,
    }


@lru_cache(maxsize=64)
def handles(vessel: Vessel) -> tuple[Handle, ...]:
    """Everything on a design that can be taken hold of, chamber by chamber: body, window, holes."""
    return tuple(handle for chamber in vessel.chambers for handle in _of_chamber(vessel, chamber))


def _of_chamber(vessel: Vessel, chamber: Chamber) -> list[Handle]:
    several = f"{chamber.name}: " if len(vessel.chambers) > 1 else ""
    found = [Handle("body", chamber.name, "", f"{several}body", (stretch,)) for stretch in _stretches(vessel, chamber)]
    if chamber.voicing:
        key = f"{chamber.name}.voicing"
        keys = [f"{key}.{name}" for name in ("along_mm", "around_deg", "window_width_mm", "cut_up_mm")]
        found.append(Handle("window", chamber.name, key, f"{several}window", _numbers(vessel, keys)))
    for hole in chamber.holes:
        key = f"{chamber.name}.hole.{hole.name}"
        keys = [f"{key}.{name}" for name in ("along_mm", "around_deg", "diameter_mm")]
        found.append(Handle("hole", chamber.name, key, f"{several}hole {hole.name}", _numbers(vessel, keys)))
    return found


def _numbers(vessel: Vessel, keys: list[str]) -> tuple[FreeNumber, ...]:
    # What is tied follows another number, and so cannot be dragged.
    ties = set(vessel.free)
    return tuple(_free(vessel, key) for key in keys if key not in ties or not hasattr(vessel.free[key], "to"))


def _free(vessel: Vessel, key: str) -> FreeNumber:
    """A number that a hand may move as far as the design file allows, not only as far as an optimiser would."""
    number = named(vessel, key)
    allowed = vessel.numbers[key].allowed
    if key.endswith("around_deg"):
        return replace(number, low=-360.0, high=360.0)  # a turn either way: a drag may go round
    # Generous: a hand is held by what can be made, not by sense.
    return replace(number, low=max(allowed.low, 0.0), high=min(allowed.high, 4 * number.start + 200))


# Of each kind of shape: which columns or keys stretch with the length, the width and the height.
_WAYS = {
    "length": ("length_mm", "along_mm"),
    "width": ("width_mm", "across_mm"),
    "height": ("height_mm", "up_mm", "rise_mm"),
    "breadth": ("diameter_mm",),
}


def _stretches(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    """A factor on each way in which the body can be stretched; what sits on it keeps its share of the length."""
    if isinstance(chamber.shape, shapes.Scan):  # its file gives its size
        return []
    keys, found = [f"{chamber.name}.{key}" for key in shape_keys(chamber)], []
    for way, columns in _WAYS.items():
        # 0 times a factor stays 0.
        mine = [key for key in keys if key.rpartition(".")[2] in columns and vessel.value(key) != 0]
        if not any(vessel.value(key) > 0 for key in mine):
            continue
        # a ball has one size, and its length goes with it
        if way == "length" or isinstance(chamber.shape, shapes.Sphere):
            mine += [f"{chamber.name}.hole.{hole.name}.along_mm" for hole in chamber.holes]
            mine += [f"{chamber.name}.voicing.along_mm"] if chamber.voicing else []
        shares = tuple(vessel.value(key) for key in mine)
        # From half to twice as it is; shares are the sizes themselves, so that 1 is the design.
        found.append(FreeNumber(f"{chamber.name}.{way}", tuple(mine), shares, 1.0, 0.5, 2.0, 0.03))
    return found


def _known(vessel: Vessel) -> dict[str, FreeNumber]:
    return {number.name: number for handle in handles(vessel) for number in handle.numbers}


def moved(vessel: Vessel, values: Mapping[str, float]) -> Vessel:
    """The design with numbers of its handles at other values, by name; DesignError where it is none.

    A name that no handle has is a KeyError.
    """
    known = _known(vessel)
    numbers = tuple(known[name] for name in values)
    return Freedom(vessel, numbers).at([_rounded(known[name], value) for name, value in values.items()])


def _rounded(number: FreeNumber, value: float) -> float:
    """A value as finely as a person would write it; a factor as it is: its sizes are rounded when they are written."""
    return value if number.is_factor else round(value, DECIMALS[unit_of(number)])


def let_go(vessel: Vessel, values: Mapping[str, float]) -> Vessel:
    """The design at the end of a drag, each size that a factor has stretched to a hundredth of a millimetre."""
    after = moved(vessel, values)
    known = _known(vessel)
    keys = {key for name in values if known[name].is_factor for key in known[name].keys}
    return after.with_values({key: round(after.value(key), 2) for key in keys}) if keys else after
