"""Free numbers that are kept all the same, and holes that move as mirror images."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from simkit.errors import Fault
from simkit.optimisation.problem import bounds
from simkit.optimisation.problem.bounds import FreeNumber
from simkit.vessel import Chamber, DesignError, Hole, Vessel
from simkit.vessel.spelling import did_you_mean


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
        if holes[one][0] is not holes[other][0] or not _faces(holes[one][1], holes[other][1]):
            raise DesignError([Fault.of("pairs", word, "two holes of one chamber, one left and one right of the top")])
        for column, sign in (("along_mm", 1.0), ("around_deg", -1.0)):
            first, second = (f"{name}.{column}" for name in names)
            if first not in found or second not in found:
                raise DesignError([Fault.of("pairs", word, "holes whose places are free and not kept")])
            found[first] = _joined(found[first], found.pop(second), sign)  # one number instead of two
    return found


def _faces(one: Hole, other: Hole) -> bool:
    return _signed(one.around_deg) * _signed(other.around_deg) < 0


def _signed(around_deg: float) -> float:
    """An angle from the top: to the left below 0, to the right above."""
    return (around_deg + 180) % 360 - 180


def _joined(one: FreeNumber, other: FreeNumber, sign: float) -> FreeNumber:
    """Two numbers as one, the other as `sign` times the first, whole turns beside."""
    # A hole may stand at 330 or at -30 degrees.
    shift = 360.0 * round((other.start - sign * one.start) / 360) if sign < 0 else 0.0
    # The other's bounds in the first one's terms: mirrored, low and high change places.
    ends = sorted(sign * (end - shift) for end in (other.low, other.high))
    start = (one.start + sign * (other.start - shift)) / 2
    low, high = max(one.low, ends[0]), min(one.high, ends[1])
    return replace(
        one,
        keys=(*one.keys, *other.keys),
        shares=(1.0, sign),
        shifts=(0.0, shift),
        start=start,
        low=min(low, start),  # bounds of the two need not overlap where they are unlike
        high=max(high, start),
    )
