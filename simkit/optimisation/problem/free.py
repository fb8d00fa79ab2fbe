"""Free numbers of a design with their bounds, as data that no aim, limit or solver looks behind."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from simkit.errors import Fault
from simkit.optimisation.problem import bounds
from simkit.optimisation.problem.bounds import FreeNumber
from simkit.vessel import Bounds, Chamber, DesignError, Hole, Tie, Vessel
from simkit.vessel.keys import find
from simkit.vessel.part import Path, slots
from simkit.vessel.spelling import did_you_mean, one_or_more


@dataclass(frozen=True)
class Freedom:
    """A design and the numbers in it that may move; a point `x` (n,) gives each of them a value."""

    vessel: Vessel
    numbers: tuple[FreeNumber, ...]

    @cached_property
    def start(self) -> np.ndarray:
        """The numbers (n,) as the design has them, moved into their bounds where they start outside."""
        return np.clip(np.array([number.start for number in self.numbers]), self.low, self.high)

    @cached_property
    def low(self) -> np.ndarray:
        """Lower bounds (n,), each number in its own unit."""
        return np.array([number.low for number in self.numbers])

    @cached_property
    def high(self) -> np.ndarray:
        """Upper bounds (n,), each number in its own unit."""
        return np.array([number.high for number in self.numbers])

    @cached_property
    def reach(self) -> np.ndarray:
        """A clear change of each number (n,): the scale that makes numbers of unlike units comparable."""
        return np.array([number.reach for number in self.numbers])

    def of(self, vessel: Vessel, x: np.ndarray | None = None) -> Freedom:
        """Freedom of another design by the same numbers, at `x` (n,) or, but for factors, as it has them."""
        if x is None:
            pairs = zip(self.numbers, self.start.tolist(), strict=True)
            # shares[0]: a number that moves several keys is counted in its first one's unit.
            x = np.array([start if n.is_factor else vessel.value(n.keys[0]) / n.shares[0] for n, start in pairs])
        numbers = [replace(n, start=start) for n, start in zip(self.numbers, x.tolist(), strict=True)]
        return Freedom(vessel, tuple(numbers))

    @cached_property
    def _tied(self) -> bool:
        return any(isinstance(free, Tie) for free in self.vessel.free.values())

    def at(self, x: Sequence[float] | np.ndarray) -> Vessel:
        """The design with its free numbers at `x`, and what is tied to them in step; DesignError if it is none."""
        values: dict[str, float] = {}
        for number, value in zip(self.numbers, x, strict=True):
            values |= number.values(float(value))
        vessel = self.vessel.with_values(values)
        return vessel.with_ties() if self._tied else vessel

    def beside(self, vessel: Vessel, n: int, step: float) -> Vessel:
        """The design `vessel` with number `n` a step further, so small that nothing need be checked again.

        From where the design is: a file's numbers are rounded, by more than such a step.
        """
        number = self.numbers[n]
        # By the share alone: shifts fall out of a difference.
        values = {key: vessel.value(key) + share * step for key, share in zip(number.keys, number.shares, strict=True)}
        # Only the checked way works out what is tied.
        if self._tied:
            return vessel.with_values(values).with_ties()
        return nudged(vessel, values)

    @property
    def out_to_start(self) -> Freedom:
        """Copy whose bounds reach out to where the design starts, but for those that it writes itself."""
        return Freedom(self.vessel, tuple(number.out_to_start for number in self.numbers))

    def without(self, unwanted: Iterable[str]) -> Freedom:
        """Copy with some numbers, by name, held where the design has them."""
        held = set(unwanted)
        return Freedom(self.vessel, tuple(number for number in self.numbers if number.name not in held))

    @property
    def outside_bounds(self) -> tuple[str, ...]:
        """Numbers that start outside their bounds, in sentences."""
        return tuple(
            f"{spoken(self.vessel, number.name)} = {number.start:.4g} starts outside its bounds "
            f"{number.low:.4g} to {number.high:.4g}"
            for number in self.numbers
            if not number.low - 1e-9 <= number.start <= number.high + 1e-9
        )


def nudged(vessel: Vessel, values: Mapping[str, float]) -> Vessel:
    """The design with numbers that it has, by dotted key, changed so little that nothing need be checked again."""
    for key, value in values.items():
        path = find(Vessel, vessel, key)
        assert path is not None
        vessel = _put(vessel, path, value)
    return vessel


def _put(node: Any, path: Path, value: float) -> Any:
    """A part or a row with another number at a path; nothing is checked."""
    if not path:
        return value
    step, rest = path[0], path[1:]
    if isinstance(step, str):
        attribute = slots(type(node))[step].attribute  # a key's name in the file may be another in Python
        return node.model_copy(update={attribute: _put(getattr(node, attribute), rest, value)})
    changed = (*node[:step], _put(node[step], rest, value), *node[step + 1 :])
    return node._make(changed) if hasattr(node, "_make") else changed  # rows of sections are named tuples


def freedom(
    vessel: Vessel,
    free: str | Iterable[str] | None = None,
    keep: str | Iterable[str] | None = None,
    pairs: Iterable[Sequence[str]] = (),
) -> Freedom:
    """Freedom of a design: the groups or dotted keys in `free`, or without them what its `[free]` says.

    Groups are diameters, places, holes (both), voicing, windway (its height, for the breath), shape, size (the
    whole chamber larger or smaller), offsets (where chambers beside the first stand) and inside (shape, voicing and
    holes: all within a figure's given outside). Bounds
    written in `[free]` hold for whatever is chosen; a number tied to another follows it and is not free itself.
    keep: what of it stays all the same: holes by name, groups, dotted keys. pairs: holes whose places stay mirror
    images left and right, as ("1", "4").
    """
    ties = {key for key, value in vessel.free.items() if isinstance(value, Tie)}
    given = {key: value for key, value in vessel.free.items() if isinstance(value, Bounds)}
    if free is None:
        chosen = [bounds.named(vessel, key) for key in given]
    else:
        chosen = [number for word in one_or_more(free) for number in _chosen(vessel, word)]
    # A key named by itself leaves the factors that move it too: nothing is moved twice.
    single = {number.name: number for number in chosen if not number.is_factor and number.keys[0] not in ties}
    # The maker's bounds go before the sensible ones.
    found = {key: number.bounded(*given[key]) if key in given else number for key, number in single.items()}
    for number in chosen:
        rest = [key for key in number.keys if key not in single and key not in ties]
        if number.is_factor and rest:
            found[number.name] = number.scaling_only(rest)  # the factor on what is not free by itself
    found = mirrored(vessel, without_held(vessel, found, one_or_more(keep)), pairs)
    if not found and (free is not None or keep is not None):
        asked = ", ".join(one_or_more(free))
        raise DesignError([Fault.of("free", asked, _NONE_HERE)])
    if not found:
        raise DesignError([Fault(vessel.source, "free", None, _NOTHING)])
    return Freedom(vessel, tuple(found.values()))


_NONE_HERE = "what this design has and no tie holds; offsets want a second chamber, voicing and windway a window"
_NOTHING = f"a table [free] with bounds, or `free` with some of {', '.join(bounds.GROUPS)}"


def _chosen(vessel: Vessel, word: str) -> list[FreeNumber]:
    """The numbers of a group, of a chamber's group such as body.diameters, or of one dotted key."""
    chamber, _, group = word.rpartition(".")  # body.diameters, or diameters of all chambers
    if group in bounds.GROUPS and (not chamber or any(c.name == chamber for c in vessel.chambers)):
        return bounds.group(vessel, group, chamber or None)
    if word in vessel.numbers:
        return [bounds.named(vessel, word)]
    known = [*bounds.GROUPS, *vessel.numbers]
    allowed = f"{', '.join(bounds.GROUPS)}, or a dotted key of this design{did_you_mean(word, known)}"
    raise DesignError([Fault.of("free", word, allowed)])


def without_held(vessel: Vessel, found: dict[str, FreeNumber], words: Iterable[str]) -> dict[str, FreeNumber]:
    """The free numbers, by name, without those that some words hold."""
    held = {key for word in words for key in _held(vessel, word)}
    left = {}
    for name, number in found.items():
        rest = [key for key in number.keys if key not in held]  # a factor goes on with what is left to it
        if name not in held and rest:
            left[name] = number.scaling_only(rest) if number.is_factor else number
    return left


def _held(vessel: Vessel, word: str) -> list[str]:
    """The keys that a hole's name, a group or a dotted key stands for, and the names of a group's factors."""
    if word in bounds.GROUPS:
        # Factors by their own name too, which is no key of the design.
        return [key for number in bounds.group(vessel, word) for key in (number.name, *number.keys)]
    if word in vessel.numbers:
        return [word]
    holes = _holes(vessel)
    if word in holes:
        chamber, hole = holes[word]
        return [key for key in vessel.numbers if key.startswith(f"{chamber.name}.hole.{hole.name}.")]
    known = [*holes, *bounds.GROUPS, *vessel.numbers]
    allowed = f"a hole's name ({', '.join(holes) or 'none here'}), {', '.join(bounds.GROUPS)}, or a dotted key"
    raise DesignError([Fault.of("keep", word, f"{allowed}{did_you_mean(word, known)}")])


def _holes(vessel: Vessel) -> dict[str, tuple[Chamber, Hole]]:
    """Every hole by its name; by its chamber and name, "alto.2", where there are several chambers."""
    several = len(vessel.chambers) > 1
    return {f"{c.name}.{h.name}" if several else h.name: (c, h) for c in vessel.chambers for h in c.holes}


def mirrored(vessel: Vessel, found: dict[str, FreeNumber], pairs: Iterable[Sequence[str]]) -> dict[str, FreeNumber]:
    """The free numbers with the places of every two holes, such as ("1", "4"), joined to one of each kind.

    As far along, and as far around to the left as the other to the right; where they are not at first, at the mean.
    """
    found, holes, seen = dict(found), _holes(vessel), set[str]()
    for pair in pairs:
        word = "=".join(pair)
        one, other = pair if len(pair) == 2 else ("", "")
        if one not in holes or other not in holes or one == other or seen & {one, other}:
            raise DesignError([Fault.of("pairs", word, f"two holes, each once, of {', '.join(holes)}")])
        seen |= {one, other}  # each hole is in one pair at most
        names = [f"{chamber.name}.hole.{hole.name}" for chamber, hole in (holes[one], holes[other])]
        if holes[one][0] is not holes[other][0] or not _signed(holes[one][1]) * _signed(holes[other][1]) < 0:
            raise DesignError([Fault.of("pairs", word, "two holes of one chamber, one left and one right of the top")])
        for column, sign in (("along_mm", 1.0), ("around_deg", -1.0)):
            first, second = (f"{name}.{column}" for name in names)
            if first not in found or second not in found:
                raise DesignError([Fault.of("pairs", word, "holes whose places are free and not kept")])
            found[first] = _joined(found[first], found.pop(second), sign)  # one number instead of two
    return found


def _signed(hole: Hole) -> float:
    """A hole's angle from the top: to the left below 0, to the right above."""
    return (hole.around_deg + 180) % 360 - 180


def _joined(one: FreeNumber, other: FreeNumber, sign: float) -> FreeNumber:
    """Two numbers as one, the other as `sign` times the first, whole turns beside."""
    # A hole may stand at 330 or at -30 degrees.
    shift = 360.0 * round((other.start - sign * one.start) / 360) if sign < 0 else 0.0
    # The other's bounds in the first one's terms: mirrored, low and high change places.
    ends = sorted(sign * (end - shift) for end in (other.low, other.high))
    start = (one.start + sign * (other.start - shift)) / 2
    low, high = max(one.low, ends[0]), min(one.high, ends[1])  # where both may be
    return replace(
        one,
        keys=(*one.keys, *other.keys),
        shares=(1.0, sign),
        shifts=(0.0, shift),
        start=start,
        low=min(low, start),  # bounds of the two need not overlap where they are unlike
        high=max(high, start),
    )


_ROWS = {"sections": "section", "lobes": "lobe"}
_UNITS = ("_mm", "_deg", "_percent", "_c", "_pa", "_hz")


def spoken(vessel: Vessel, key: str) -> str:
    """A number by its dotted key, or a factor by its name, in words; with its chamber where there are several.

    >>> from simkit.vessel import loads
    >>> from simkit.vessel.starter import starter
    >>> dove = loads(starter("egg"))
    >>> [spoken(dove, key) for key in ("body.hole.3.along_mm", "body.voicing.cut_up_mm", "body.size", "clay.wall_mm")]
    ['hole 3, along', 'window, cut-up', 'body, size', 'clay, wall']
    """
    chamber, _, rest = key.partition(".")
    if chamber not in {each.name for each in vessel.chambers}:
        return ", ".join(_word(word) for word in key.split("."))
    prefix = f"{chamber} " if len(vessel.chambers) > 1 else ""
    if rest.startswith("hole."):
        name, _, word = rest.removeprefix("hole.").rpartition(".")
        return f"hole {prefix}{name}, {_word(word)}"
    if rest.startswith("voicing."):
        word = rest.removeprefix("voicing.")
        part, word = ("windway", word.removeprefix("windway_")) if word.startswith("windway_") else ("window", word)
        return f"{prefix}{part}, {_word(word.removeprefix('window_'))}"
    words = rest.split(".")
    if words[0] in _ROWS and len(words) == 3:
        return f"{chamber}, {_ROWS[words[0]]} {words[1]}, {_word(words[2])}"
    if words[0] == "offset_mm":
        return f"{chamber}, place {_word(words[-1])}"
    return ", ".join([chamber, *(_word(word) for word in words)])


def _word(word: str) -> str:
    for unit in _UNITS:
        word = word.removesuffix(unit)
    return "cut-up" if word == "cut_up" else word.replace("_", " ")
