"""Requirements of a new design: refused at once where they are impossible, before anything is computed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from simkit.errors import Fault, InputError
from simkit.pitch import NoteNameError, Pitch, note, scale, within
from simkit.vessel.hands import BESIDE_MM

LOWEST, HIGHEST = "C3", "C8"  # a body of three litres, and one of a thimble
MOST_CHAMBERS, MOST_NOTES, MOST_OVERLAP = 4, 40, 3
MOST_HOLES = 12
MOST_COMBINED = 10  # holes for combinations: a thousand of them
TIPS_MM, WALLS_MM, SHRINKS_PERCENT = (5.0, 30.0), (2.0, 15.0), (1.0, 25.0)


@dataclass(frozen=True)
class Wish:
    """A scale such as "C5 major", how many holes, a figure, the breadth of a fingertip, the clay.

    notes: how many notes of the scale from its lowest; one more than the holes unless said otherwise.
    """

    scale: str
    holes: int
    shape: str = "egg"
    fingertip_mm: float = 17.0
    notes: int | None = None
    wall_mm: float = 4.0
    shrinkage_percent: float = 10.0

    @property
    def count(self) -> int:
        """Number of notes."""
        return self.holes + 1 if self.notes is None else self.notes

    @property
    def pitches(self) -> tuple[Pitch, ...]:
        """The notes."""
        return scale(self.scale, self.count)

    @property
    def in_a_row(self) -> bool:
        """Whether the holes open one after the other."""
        return self.holes >= self.count - 1

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Everything about it that is impossible."""
        return (*self._of_the_notes(), *clay_faults(self.fingertip_mm, self.wall_mm, self.shrinkage_percent))

    def _of_the_notes(self) -> Iterable[Fault]:
        try:
            # more than 40 are refused below.
            lowest, *_, highest = scale(self.scale, max(2, min(self.count, 41)))
            if lowest.key < note(LOWEST).key or highest.key > note(HIGHEST).key:
                allowed = f"notes from {LOWEST} to {HIGHEST}; this one runs from {lowest} to {highest}"
                yield Fault.of("scale", self.scale, allowed)
        except NoteNameError as error:
            yield Fault.of("scale", self.scale, error.allowed)
        if not 1 <= self.holes <= MOST_HOLES:
            yield Fault.of("holes", self.holes, f"1 to {MOST_HOLES}")
        elif self.notes is not None and not 2 <= self.notes <= MOST_NOTES:
            yield Fault.of("notes", self.notes, f"2 to {MOST_NOTES}")
        elif not self.in_a_row and self.holes > MOST_COMBINED:
            allowed = f"at most one more than the holes where these are more than {MOST_COMBINED}"
            yield Fault.of("notes", self.notes, allowed)
        # Each hole open or covered: so many fingerings, each with one note.
        elif self.count > 2**self.holes:
            allowed = f"at most {2**self.holes}: {too_few_holes(self.holes, self.count)}"
            yield Fault.of("notes", self.notes, allowed)


def too_few_holes(holes: int, notes: int) -> str:
    """Reason why so many holes cannot play so many notes: each is open or covered.

    >>> too_few_holes(3, 13)
    '3 holes have 8 combinations, 13 notes want 4 holes'
    """
    want = (notes - 1).bit_length()  # the least n with 2^n >= notes
    return f"{_counted(holes, 'hole')} have {2**holes} combinations, {notes} notes want {_counted(want, 'hole')}"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' if count != 1 else ''}"


@dataclass(frozen=True)
class WishedRange:
    """The notes of a scale such as "G major" from `lowest` to `highest`, over so many chambers.

    overlap: notes at each crossing that both chambers play. wall_mm: clay. box_mm (along, across, up) and mass_g: the
    most that the fired piece may measure and weigh, None where it does not matter. drone: a note that one more chamber
    plays alone, beside the melody.
    """

    scale: str
    lowest: str
    highest: str
    chambers: int = 3
    overlap: int = 0
    fingertip_mm: float = 17.0
    wall_mm: float = 4.5
    box_mm: tuple[float, float, float] | None = None
    mass_g: float | None = None
    shrinkage_percent: float = 11.0
    drone: str | None = None

    @classmethod
    def read(cls, scale: str, ends: Sequence[str], **sizes: Any) -> WishedRange:
        """A wish as a command's options have it; `ends` are the lowest and the highest note, `sizes` the other fields.

        >>> WishedRange.read("C major", ["A3", "E6"]).highest
        'E6'
        """
        if len(ends) != 2:
            raise InputError([Fault.of("ends", " ".join(ends), 'the lowest and the highest note, such as "A3 E6"')])
        lowest, highest = ends
        wish = cls(scale, lowest, highest, **sizes)
        if wish.mass_g is not None and not wish.mass_g > 0:
            raise InputError([Fault.of("mass_g", wish.mass_g, "more than 0")])
        return wish

    @property
    def pitches(self) -> tuple[Pitch, ...]:
        """The notes, ascending."""
        return within(self.scale, self.lowest, self.highest)

    @property
    def spacing_mm(self) -> float:
        """Distance of two fingers' holes from middle to middle, mm."""
        return self.fingertip_mm + BESIDE_MM

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Everything about it that is impossible, without looking at any shape."""
        try:
            pitches = self.pitches
        except NoteNameError as error:
            at_ends = error.text in (self.lowest, self.highest)
            argument, value = ("ends", error.text) if at_ends else ("scale", self.scale)
            return (Fault.of(argument, value, error.allowed),)
        sizes = clay_faults(self.fingertip_mm, self.wall_mm, self.shrinkage_percent)
        return (*self._of_the_notes(pitches), *self._of_the_drone(), *sizes)

    def _of_the_notes(self, pitches: tuple[Pitch, ...]) -> Iterable[Fault]:
        ends = f"{self.lowest} {self.highest}"
        if pitches and not note(LOWEST).key <= pitches[0].key <= pitches[-1].key <= note(HIGHEST).key:
            yield Fault.of("ends", ends, f"from {LOWEST} to {HIGHEST}")
        most = MOST_CHAMBERS - (self.drone is not None)  # the drone takes one
        if not 1 <= self.chambers <= most:
            beside = " beside the drone" if self.drone else ""
            yield Fault.of("chambers", self.chambers, f"1 to {most}{beside}")
        if not 0 <= self.overlap <= MOST_OVERLAP:
            yield Fault.of("overlap", self.overlap, f"0 to {MOST_OVERLAP} notes")
        if not 3 * self.chambers <= len(pitches) <= MOST_NOTES:  # fewer than three notes want no chamber of their own
            notes = f"{3 * self.chambers} to {MOST_NOTES} notes of the scale for {_counted(self.chambers, 'chamber')}"
            yield Fault.of("ends", ends, f"a range with {notes}; this one has {len(pitches)}")

    def _of_the_drone(self) -> Iterable[Fault]:
        if self.drone is None:
            return
        try:
            if not note(LOWEST).key <= note(self.drone).key <= note(HIGHEST).key:
                yield Fault.of("drone", self.drone, f"a note from {LOWEST} to {HIGHEST}")
        except NoteNameError as error:
            yield Fault.of("drone", self.drone, error.allowed)


def clay_faults(fingertip_mm: float = 17.0, wall_mm: float = 4.0, shrinkage_percent: float = 10.0) -> Iterable[Fault]:
    """Sizes of hands and clay that are out of range; the ranges are common practice, no source."""
    (least, most), (thin, thick), (little, much) = TIPS_MM, WALLS_MM, SHRINKS_PERCENT
    if not least <= fingertip_mm <= most:
        yield Fault.of("fingertip_mm", fingertip_mm, f"{least:g} to {most:g}")
    if not thin <= wall_mm <= thick:
        yield Fault.of("wall_mm", wall_mm, f"{thin:g} to {thick:g}")
    # 0: sizes as they are, of a clay that is not known.
    if not (shrinkage_percent == 0 or little <= shrinkage_percent <= much):
        allowed = f"{little:g} to {much:g} per cent, wet to fired along a line, or 0"
        yield Fault.of("shrinkage_percent", shrinkage_percent, allowed)


def box(sizes_mm: Sequence[float | str]) -> tuple[float, float, float]:
    """Largest size of a piece along, across and up, mm, checked.

    >>> box([140, 110, 80])
    (140.0, 110.0, 80.0)
    """
    try:
        along, across, up = (float(size) for size in sizes_mm)
    except (TypeError, ValueError):
        along = across = up = -1.0  # refused below, with the same words as sizes out of range
    text = ",".join(map(str, sizes_mm))
    if not 0 < min(along, across, up) <= max(along, across, up) < math.inf:
        raise InputError([Fault.of("box_mm", text, "three sizes in mm: along, across, up")])
    return along, across, up
