"""Sensible bounds for the numbers of a design, where the maker does not write any."""

from __future__ import annotations

from collections.abc import Callable, Container
from dataclasses import dataclass, replace

from scipy.optimize import brentq

from simkit.body import placed_wall
from simkit.body.places import axis_ends_mm
from simkit.vessel import Chamber, Hole, Vessel, shapes
from simkit.vessel.hands import fingertip_mm, widest_hole_mm

DRILL_MM = 3.0  # the smallest drill that leaves a clean hole in clay: common practice, no source

# Range of a place about the one that the maker chose.
_ALONG_MM = 20.0
_AROUND_DEG = 45.0
_SLIDES_MM = 30.0  # range of a chamber's offset, to either side
TIP_MM = 3.0  # a place stays this far from where the chamber's axis leaves the air
_WRITTEN = "[free]"  # the reason of bounds that the design writes itself
_STEP = 1e-4  # of the reach: exact derivatives come from changes of some ten thousandths of a millimetre


@dataclass(frozen=True)
class FreeNumber:
    """One number that may move, or a factor on several that then move together.

    shares: each key's value per unit of the number; low, high: bounds; reach: a change that a maker would call a clear
    one; step: a change small enough for derivatives. All in the number's own unit (mm, degrees, or a plain factor).
    low_why, high_why: where the bounds come from, in words. shifts: what each key's value is beside that; none where
    empty, and never of the first.
    """

    name: str
    keys: tuple[str, ...]
    shares: tuple[float, ...]
    start: float
    low: float
    high: float
    reach: float
    low_why: str = ""
    high_why: str = ""
    shifts: tuple[float, ...] = ()

    def why(self, side: str) -> str:
        """The reason of a bound, "least" or "most", to append; empty where there is none."""
        reason = self.low_why if side == "least" else self.high_why
        return f", {reason}" if reason else ""

    @property
    def step(self) -> float:
        return _STEP * self.reach

    @property
    def is_factor(self) -> bool:
        """Whether it scales what the design has instead of standing for one of its numbers."""
        return self.name not in self.keys

    def values(self, number: float) -> dict[str, float]:
        """The design's values by their dotted keys when this number is `number`."""
        shifts = self.shifts or (0.0,) * len(self.keys)
        return {key: share * number + s for key, share, s in zip(self.keys, self.shares, shifts, strict=True)}

    def bounded(self, low: float, high: float) -> FreeNumber:
        """Copy with other bounds."""
        return replace(self, low=low, high=high, low_why=_WRITTEN, high_why=_WRITTEN)

    @property
    def out_to_start(self) -> FreeNumber:
        """Copy whose bounds reach out to the start, if the design does not write them."""
        if self.low_why == _WRITTEN:
            return self
        return replace(self, low=min(self.low, self.start), high=max(self.high, self.start))

    def scaling_only(self, keys: Container[str]) -> FreeNumber:
        """Copy whose factor acts on those of its keys alone that are in `keys`."""
        kept = [(key, share) for key, share in zip(self.keys, self.shares, strict=True) if key in keys]
        return replace(self, keys=tuple(key for key, _ in kept), shares=tuple(share for _, share in kept))


def root_within(rising: Callable[[float], float], low: float, high: float) -> float:
    """The zero of a rising function between two ends, or the end that is nearest to one.

    >>> [round(root_within(lambda x: x * x - 4, *ends), 9) for ends in ((0, 9), (3, 9), (0, 1))]
    [2.0, 3, 1]
    """
    if rising(low) >= 0:
        return low
    return high if rising(high) <= 0 else float(brentq(rising, low, high))


def group(vessel: Vessel, name: str, chamber: str | None = None) -> list[FreeNumber]:
    """All numbers of a group, of one chamber or of all, as free as is sensible."""
    return [number for each in vessel.chambers if chamber in (None, each.name) for number in GROUPS[name](vessel, each)]


def named(vessel: Vessel, key: str) -> FreeNumber:
    """Any number of a design by its dotted key, as free as is sensible."""
    known = (number for name in GROUPS for number in group(vessel, name))
    # A group's bounds know what kind of number it is; only for the rest is there a general rule.
    found = next((number for number in known if number.keys == (key,) and not number.is_factor), None)
    if found is not None:
        return found
    value, allowed = vessel.value(key), vessel.numbers[key].allowed
    if key.endswith(".turn_deg"):
        return _number(vessel, key, value - _AROUND_DEG, value + _AROUND_DEG, 10.0)
    if ".offset_mm." in key:
        return _number(vessel, key, value - _SLIDES_MM, value + _SLIDES_MM, 3.0)
    room = max(0.3 * abs(value), 1.0)  # its own unit; 1 for numbers that are 0
    return _number(vessel, key, max(allowed.low, value - room), min(allowed.high, value + room), 0.2 * room)


def _number(vessel: Vessel, key: str, low: float, high: float, reach: float) -> FreeNumber:
    return FreeNumber(key, (key,), (1.0,), vessel.value(key), low, high, reach)


def _diameters(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    numbers = []
    for hole in chamber.holes:
        high = max(widest_hole_mm(vessel, hole), DRILL_MM + 0.5)  # bounds stay apart for the smallest fingers
        number = _number(vessel, f"{chamber.name}.hole.{hole.name}.diameter_mm", DRILL_MM, high, 1.0)
        sealed = f"what a fingertip of {fingertip_mm(vessel, hole.finger):.3g} mm seals"
        numbers.append(replace(number, low_why="the smallest drill", high_why=sealed))
    return numbers


def _places(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    first, last = axis_ends_mm(placed_wall(vessel, chamber))  # the axis' way through the air, mm
    numbers = []
    for hole in chamber.holes:
        key = f"{chamber.name}.hole.{hole.name}"
        low, high = max(first + TIP_MM, hole.along_mm - _ALONG_MM), min(last - TIP_MM, hole.along_mm + _ALONG_MM)
        # min and max: what the maker chose is always within the bounds.
        numbers.append(_number(vessel, f"{key}.along_mm", min(low, hole.along_mm), max(high, hole.along_mm), 5.0))
        numbers.append(_number(vessel, f"{key}.around_deg", *_turn(hole), 10.0))
    return numbers


def _turn(hole: Hole) -> tuple[float, float]:
    """Bounds of a hole's turn: about where it is; a thumb's far enough to come underneath."""
    low, high = hole.around_deg - _AROUND_DEG, hole.around_deg + _AROUND_DEG
    if hole.finger and "thumb" in hole.finger:
        underneath = 180 + 360 * round((hole.around_deg - 180) / 360)  # the turn of it nearest to where the hole is
        low, high = min(low, underneath - _AROUND_DEG), max(high, underneath + _AROUND_DEG)
    return low, high


def _holes(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    return [*_diameters(vessel, chamber), *_places(vessel, chamber)]


def _voicing(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    voicing = chamber.voicing
    if voicing is None:
        return []
    key, width, cut_up = f"{chamber.name}.voicing", voicing.window_width_mm, voicing.cut_up_mm
    return [
        _number(vessel, f"{key}.window_width_mm", 0.6 * width, 1.6 * width, 0.1 * width),
        _number(vessel, f"{key}.cut_up_mm", 0.6 * cut_up, 1.5 * cut_up, 0.1 * cut_up),
    ]


_APART_MM = 5.0  # a chamber stands beside the first one in a direction in which it is farther off than this


def _offsets(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    """Places of the chambers beside the first, in the directions in which they stand apart: growing ones want room."""
    if chamber is vessel.chambers[0]:
        return []
    keys = [f"{chamber.name}.offset_mm.{way}" for way in ("along_mm", "across_mm", "up_mm")]
    firsts = [f"{vessel.chambers[0].name}.{key.partition('.')[2]}" for key in keys]
    away = [vessel.value(key) - vessel.value(first) for key, first in zip(keys, firsts, strict=True)]
    apart = [key for key, mm in zip(keys, away, strict=True) if abs(mm) > _APART_MM]
    return [_number(vessel, key, vessel.value(key) - _SLIDES_MM, vessel.value(key) + _SLIDES_MM, 3.0) for key in apart]


_WINDWAY_MM = 0.6, 1.2  # heights: a thinner one clogs, a higher one wastes breath; common practice, no source


def _windway(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    """The height, with which breath is tuned: no note moves while the windway counts as closed."""
    if chamber.voicing is None:
        return []
    height, (low, high) = chamber.voicing.windway_height_mm, _WINDWAY_MM
    key = f"{chamber.name}.voicing.windway_height_mm"
    number = _number(vessel, key, min(low, height), max(high, height), 0.1 * height)
    return [replace(number, low_why="a thinner windway clogs", high_why="a higher windway wastes breath")]


_SIZES = ("diameter_mm", "length_mm", "width_mm", "height_mm")
_LENGTHS = (*_SIZES, "rim_mm", "corner_mm", "along_mm", "across_mm", "up_mm", "rise_mm")


def shape_keys(chamber: Chamber) -> list[str]:
    """The keys of a chamber's shape, rows by their numbers."""
    shape = chamber.shape
    if isinstance(shape, shapes.Sections):
        return [f"sections.{n + 1}.{column}" for n, row in enumerate(shape.sections) for column in row._fields]
    if isinstance(shape, shapes.Lobes):
        return [f"lobes.{n + 1}.{column}" for n, row in enumerate(shape.lobes) for column in row._fields]
    return [key for key in type(shape).model_fields if key not in ("kind", "ends", "file")]


def _shape(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    numbers = []
    for key in shape_keys(chamber):
        full, column = f"{chamber.name}.{key}", key.rpartition(".")[2]
        value = vessel.value(full)
        if column in _SIZES and value > 0:
            numbers.append(_number(vessel, full, 0.7 * value, 1.4 * value, 0.05 * value))
        elif column == "widest_at":
            numbers.append(_number(vessel, full, 0.3, 0.7, 0.03))
    return numbers


def _size(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    keys = [f"{chamber.name}.{key}" for key in shape_keys(chamber) if key.rpartition(".")[2] in _LENGTHS]
    keys = [key for key in keys if vessel.value(key) != 0]  # 0 times a factor stays 0
    keys += [f"{chamber.name}.hole.{hole.name}.along_mm" for hole in chamber.holes]  # what lies along it goes with it
    keys += [f"{chamber.name}.voicing.along_mm"] if chamber.voicing else []
    if isinstance(chamber.shape, shapes.Scan):  # a scan has one size, which its file gives
        return []
    shares = tuple(vessel.value(key) for key in keys)
    return [FreeNumber(f"{chamber.name}.size", tuple(keys), shares, 1.0, 0.7, 1.4, 0.03)]


def _inside(vessel: Vessel, chamber: Chamber) -> list[FreeNumber]:
    """All that is within a given outside: the air's shape, window and edge, and the holes."""
    return [*_shape(vessel, chamber), *_voicing(vessel, chamber), *_holes(vessel, chamber)]


GROUPS: dict[str, Callable[[Vessel, Chamber], list[FreeNumber]]] = {
    "diameters": _diameters,
    "places": _places,
    "holes": _holes,
    "voicing": _voicing,
    "windway": _windway,
    "shape": _shape,
    "size": _size,
    "offsets": _offsets,
    "inside": _inside,
}
