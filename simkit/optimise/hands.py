"""Whose hands play: breadths of fingers as published, and how wide a hole each of them seals."""

from __future__ import annotations

from dataclasses import dataclass

from simkit.errors import Fault, InputError
from simkit.vessel import Hole, Vessel
from simkit.vessel.spelling import did_you_mean

SEALED = 0.65  # of a fingertip's breadth: the widest hole that it seals; common practice, no source
BESIDE_MM = 2.0  # fingers side by side want so much more than their breadth: common practice, no source


@dataclass(frozen=True)
class Breadths:
    """Mean breadths of a hand's fingers, mm."""

    thumb: float
    index: float
    middle: float
    ring: float
    little: float

    def of(self, finger: str | None) -> float:
        """Of a finger named as in a design, "left little"; of the index finger where it is none of the five."""
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
        raise InputError([Fault("--hand", "", name, f"{', '.join(PEOPLE)}{did_you_mean(name, list(PEOPLE))}")])
    return PEOPLE[name]


def handed(vessel: Vessel, name: str) -> Vessel:
    """The design for the hands of a man, a woman or a child: its fingertips, its spacing."""
    index = people(name).index
    return vessel.with_values({"hand.fingertip_mm": index, "hand.spacing_mm": index + BESIDE_MM})


def fingertip_mm(vessel: Vessel, finger: str | None = None) -> float:
    """Breadth of a finger: `[hand] fingertip_mm` is the index finger's, a man's where the design does not say.

    The other fingers are to it as in the published hand that is nearest.
    """
    hand = vessel.hand
    index = PEOPLE["man"].index if hand is None or hand.fingertip_mm is None else hand.fingertip_mm
    like = min(PEOPLE.values(), key=lambda breadths: abs(breadths.index - index))
    return index * like.of(finger) / like.index


def widest_hole_mm(vessel: Vessel, hole: Hole | None = None) -> float:
    """The widest hole that the finger of a hole seals, or an index finger."""
    return SEALED * fingertip_mm(vessel, hole.finger if hole else None)
