"""Tools for the holes: the drill to start with, and how deep to push a tapered reamer.

A hole is opened in steps, because clay cannot be put back (common practice): first a drill well under size,
then the reamer to its mark.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from simkit.errors import Fault, InputError

START_SHARE = 0.8  # of the diameter; common practice, no source
STEP_MM = 0.5  # of a set of drills
SMALLEST_MM = 1.0
THINNEST_MM, THICKEST_MM = 0.3, 50.0  # of drills that a maker may name


@dataclass(frozen=True)
class Drill:
    """A drill: its diameter, mm, and its name as stamped on it."""

    mm: float
    name: str


def own_drills(text: str) -> tuple[Drill, ...]:
    """A maker's own drills from a list as on a command line, in mm or in inches, the thinnest first.

    >>> [drill.name for drill in own_drills("3.5, 3, 1/8, 0.2in")]
    ['3 mm', '1/8 in', '3.5 mm', '0.2 in']
    """
    return tuple(sorted(map(_drill, text.split(",")), key=lambda drill: drill.mm))


def _drill(text: str) -> Drill:
    word = text.strip()
    # inches may be written with the double prime
    number = word.removesuffix('"').removesuffix("mm").removesuffix("in").strip()
    inches = "/" in number or word.endswith(("in", '"'))
    try:
        size = float(sum(Fraction(part) for part in number.split())) if number else math.nan  # "1 1/8" is two parts
    except (ValueError, ZeroDivisionError):
        size = math.nan
    size *= 25.4 if inches else 1.0
    if not THINNEST_MM <= size <= THICKEST_MM or ("/" in number and word.endswith("mm")):
        sizes = f"drills from {THINNEST_MM:g} to {THICKEST_MM:g} mm thick"
        raise InputError([Fault.of("drills", word, f"{sizes} such as 3,3.5,4, or in inches such as 1/8,5/32,0.2in")])
    return Drill(size, f"{number} {'in' if inches else 'mm'}")


def start_drill(diameter_mm: float, most_mm: float = math.inf, own: Sequence[Drill] = ()) -> Drill | None:
    """The drill to start with: the largest up to 0.8 of the hole's diameter when cut.

    Of a maker's own drills, None where all are too thick; else of a set in steps of half a millimetre. most_mm: what
    else it must not be larger than. The sheets and the bench both ask here, so that the bench never asks for a larger
    drill than the sheets.

    >>> [start_drill(*sizes).mm for sizes in ((6.43,), (6.43, 4.7), (1.1,))]
    [5.0, 4.5, 1.0]
    >>> start_drill(6.43, own=own_drills("3,3/16,6")).name, start_drill(3, own=own_drills("3,6"))
    ('3/16 in', None)
    """
    most = min(START_SHARE * diameter_mm, most_mm) + 1e-9  # a drill of exactly that size will do
    if own:
        return max((drill for drill in own if drill.mm <= most), key=lambda drill: drill.mm, default=None)
    size = max(SMALLEST_MM, STEP_MM * math.floor(most / STEP_MM))
    return Drill(size, f"{size:g}")


def in_inches(size_mm: float, parts: int = 64) -> str:
    """The nearest fraction of an inch that is not larger: `3/16`.

    >>> in_inches(5.0), in_inches(25.4)
    ('3/16', '1')
    """
    number = Fraction(math.floor(size_mm / 25.4 * parts + 1e-9), parts)  # never a larger drill than asked for
    whole, rest = divmod(number, 1)
    return " ".join(str(part) for part in (whole, rest) if part) or "0"


@dataclass(frozen=True)
class Reamer:
    """A tapered reamer: its diameter at the tip, its diameter at the wide end, the length between, mm.

    >>> Reamer(3, 13, 100).taper
    0.1
    """

    tip_mm: float
    wide_mm: float
    length_mm: float

    def __post_init__(self) -> None:
        shown = f"{self.tip_mm:g},{self.wide_mm:g},{self.length_mm:g}"
        sizes = (self.tip_mm, self.wide_mm, self.length_mm)
        if not all(0 <= size <= 1000 for size in sizes):
            allowed = "three sizes in mm, from 0 to 1000: diameter at the tip, diameter at the wide end, length"
            raise InputError([Fault.of("reamer", shown, allowed)])
        if not self.tip_mm < self.wide_mm or self.length_mm <= 0:
            raise InputError([Fault.of("reamer", shown, "a wide end thicker than the tip, and a length")])

    @classmethod
    def read(cls, text: str) -> Reamer:
        """Parse `3,12,80` as on a command line: diameter at the tip, diameter at the wide end, length, mm."""
        try:
            tip, wide, length = (float(part) for part in text.split(","))
        except ValueError:
            allowed = "three numbers in mm such as 3,12,80: diameter at the tip, diameter at the wide end, length"
            raise InputError([Fault.of("reamer", text, allowed)]) from None
        return cls(tip, wide, length)

    @property
    def taper(self) -> float:
        """Increase of the diameter for each mm of its length."""
        return (self.wide_mm - self.tip_mm) / self.length_mm

    def at(self, from_tip_mm: float) -> float:
        """Diameter at a distance from the tip, mm."""
        return self.tip_mm + self.taper * from_tip_mm

    def depth_mm(self, diameter_mm: float, wall_mm: float) -> float:
        """Length of the reamer past the outside of the wall when the hole is done, mm.

        A reamed hole is a cone: its two ends a and b in radius lead as much air as a straight hole of radius
        sqrt(a b), since the integral of 1/(pi r^2) through the wall is h/(pi a b) (lossless; the two end
        corrections agree with it to second order in the taper). So sqrt(D_in D_out) is made equal to the diameter.
        """
        # D_in = D_out - taper * wall; the positive root of D_out (D_out - taper wall) = D^2.
        half = self.taper * wall_mm / 2
        return (half + math.hypot(half, diameter_mm) - self.tip_mm) / self.taper

    def too_thick(self, diameter_mm: float, wall_mm: float) -> str | None:
        """A sentence where the tip alone would make the hole too large, else None."""
        inside = self.at(self.depth_mm(diameter_mm, wall_mm) - wall_mm)  # diameter at the inner face
        return f"a tip of at most {inside:.2f} mm" if inside <= self.tip_mm else None

    def stops_short(self, diameter_mm: float, wall_mm: float, room_mm: float = math.inf) -> str | None:
        """A sentence where the reamer stops before its mark, else None. `room_mm`: air below, in line."""
        depth = self.depth_mm(diameter_mm, wall_mm)
        if depth > self.length_mm:
            return f"the reamer ends {depth - self.length_mm:.1f} mm before its mark"
        if depth - wall_mm > room_mm:
            return f"the tip strikes the far wall {depth - wall_mm - room_mm:.1f} mm before its mark"
        return None
