"""Players' hands: published breadths of fingers, how wide a hole each seals, and what no hand can cover."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, Self, TypeVar

from simkit.errors import Fault, InputError
from simkit.vessel.chamber import FINGERS, Chamber, Hole
from simkit.vessel.spelling import did_you_mean, listed
from simkit.vessel.surroundings import Hand

SEALED = 0.65  # of a fingertip's breadth: the widest hole that it seals; common practice, no source
BESIDE_MM = 2.0  # fingers side by side want so much more than their breadth: common practice, no source


class Playable(Protocol):
    """Interface of a design for these checks; a protocol, because the vessel itself imports this module."""

    @property
    def hand(self) -> Hand | None:
        """Limits of the hands, where the design has them."""

    @property
    def chambers(self) -> tuple[Chamber, ...]:
        """The chambers with their holes."""

    def with_values(self, values: Mapping[str, object]) -> Self:
        """The design with several values changed."""


Design = TypeVar("Design", bound=Playable)


@dataclass(frozen=True)
class Breadths:
    """Mean breadths of a hand's fingers, mm."""

    thumb: float
    index: float
    middle: float
    ring: float
    little: float

    def of(self, finger: str | None) -> float:
        """Breadth of a finger named as in a design, "left little", mm; of the index finger if it is none of these."""
        # "left little" and "right little" are alike.
        return float(getattr(self, (finger or "index").split()[-1], self.index))


PEOPLE = {
    # Students of Nanhua University, n = 254 (second hand).
    "man": Breadths(20.04, 18.40, 18.28, 17.31, 15.33),
    "woman": Breadths(17.30, 16.56, 16.55, 15.69, 14.05),
    # Children of 3 to 10 years, n = 160: Ann. Anat. 2010; 192:156.
    "child": Breadths(16.0, 15.0, 15.0, 14.0, 13.0),
}


def people(name: str) -> Breadths:
    """The hand of a man, a woman or a child; InputError for anybody else."""
    if name not in PEOPLE:
        raise InputError([Fault.of("hand", name, f"{', '.join(PEOPLE)}{did_you_mean(name, list(PEOPLE))}")])
    return PEOPLE[name]


def handed(vessel: Design, name: str) -> Design:
    """The design for the hands of a man, a woman or a child: its fingertips, its spacing."""
    index = people(name).index
    return vessel.with_values({"hand.fingertip_mm": index, "hand.spacing_mm": index + BESIDE_MM})


def fingertip_mm(vessel: Playable, finger: str | None = None) -> float:
    """Breadth of a finger: `[hand] fingertip_mm` is the index finger's, a man's where the design does not say.

    The other fingers are to it as in the published hand that is nearest.
    """
    hand = vessel.hand
    index = PEOPLE["man"].index if hand is None or hand.fingertip_mm is None else hand.fingertip_mm
    # An index finger as broad as the design's says whose hand it is.
    like = min(PEOPLE.values(), key=lambda breadths: abs(breadths.index - index))
    return index * like.of(finger) / like.index


def widest_hole_mm(vessel: Playable, hole: Hole | None = None) -> float:
    """Diameter of the widest hole that the finger of a hole seals, or an index finger, mm."""
    return SEALED * fingertip_mm(vessel, hole.finger if hole else None)


def finger_cautions(vessel: Playable) -> Iterator[str]:
    """Holes that their fingers do not seal, and fingers that would have to cover two of them at once.

    None for a design without hands: no `[hand]`, no hole with a finger.
    """
    several = len(vessel.chambers) > 1
    for chamber in vessel.chambers:
        of = f"{chamber.name} " if several else ""
        if vessel.hand is not None or any(hole.finger for hole in chamber.holes):
            yield from (_unsealed(vessel, hole, f"hole {of}{hole.name}") for hole in _too_wide(vessel, chamber))
            yield from _too_many(chamber, of)


_AS_WIDE_MM = 0.05  # rounding allowed to a design that was tuned to the widest hole


def _too_wide(vessel: Playable, chamber: Chamber) -> list[Hole]:
    """Holes wider than their fingers seal; those without a finger count only where the design gives its breadth."""
    known = vessel.hand is not None and vessel.hand.fingertip_mm is not None
    # A man's fingers are assumed only of holes that name one.
    asked = (hole for hole in chamber.holes if hole.finger or known)
    return [hole for hole in asked if hole.diameter_mm > widest_hole_mm(vessel, hole) + _AS_WIDE_MM]


def _unsealed(vessel: Playable, hole: Hole, name: str) -> str:
    whose = "" if vessel.hand and vessel.hand.fingertip_mm is not None else ", a man's,"
    tip, most = fingertip_mm(vessel, hole.finger), widest_hole_mm(vessel, hole)
    return (
        f"{name} is {hole.diameter_mm:.4g} mm wide: a fingertip of {tip:.3g} mm ({hole.finger or 'index'}{whose}) "
        f"seals at most {most:.3g} mm"
    ).replace(",)", ")")  # (index) or (index, a man's)


def _too_many(chamber: Chamber, of: str) -> Iterator[str]:
    """Sentences on fingers with two holes to cover, and on notes with more holes to cover than there are fingers."""
    holes = [(hole.name, hole.finger) for hole in chamber.holes]
    # Without notes at least all covered must be played.
    notes = [(note.pitch, note.open) for note in chamber.notes] or [("all closed", ())]
    doubled: dict[str, list[str]] = {}
    for pitch, opened in notes:
        for finger in two_jobs(holes, opened):
            doubled.setdefault(finger, []).append(pitch)
    for finger, pitches in doubled.items():
        names = listed(name for name, its in holes if its == finger)
        yield (
            f"the {finger} covers holes {of}{names} at once in {_in_words(pitches)}: only where one fingertip lies "
            f"over them all"
        )
    # Told only where the fingers that are named do not say it already.
    over = [pitch for pitch, opened in notes if len(holes) - len(set(opened)) > len(FINGERS)]
    if over and not doubled:
        covered = max(len(holes) - len(set(opened)) for _, opened in notes)
        loose = listed(name for name, its in holes if its is None)  # perhaps two of these are one finger's
        rest = f"; no finger is named for {loose}" if loose else ""
        where = f" of {chamber.name}" if of else ""
        yield f"{over[0]} wants {covered} holes{where} covered by {len(FINGERS)} fingers{rest}"


def _in_words(pitches: Sequence[str]) -> str:
    rest = len(pitches) - 1
    return f"{pitches[0]} and {rest} more note{'s' if rest > 1 else ''}" if rest else pitches[0]


def two_jobs(holes: Sequence[tuple[str, str | None]], opened: Sequence[str]) -> tuple[str, ...]:
    """Fingers that would have to cover two of a chamber's holes (name, finger) at once, with `opened` free.

    >>> two_jobs([("1", "left index"), ("2", "left index"), ("3", None)], ["3"])
    ('left index',)
    """
    busy = [finger for name, finger in holes if finger and name not in opened]
    # Each once, in the order of the holes.
    return tuple(dict.fromkeys(finger for finger in busy if busy.count(finger) > 1))
