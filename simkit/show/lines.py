"""A note in one line: its fingering in circles, and one word for its tuning."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from simkit.errors import in_words
from simkit.sound.blowing.thresholds import AIRY_DB, HARD_PA, NARROW

if TYPE_CHECKING:  # what a command does not ask for need not be loaded
    from simkit.sound.blowing.behaviour import NoteBlown
    from simkit.vessel import Hole

COVERED, OPEN, HALF = "●", "○", "◐"
IN_TUNE_CENTS = 5.0  # about what a good ear just hears in a tune; common practice, no source


def in_options(text: str) -> str:
    """A sentence in which arguments, in backquotes, are called as the command line calls them.

    >>> in_options("tell it with `volume_ml`")
    'tell it with --volume-ml'
    """
    return in_words(text, lambda argument: f"--{argument.replace('_', '-')}")


def fingering(holes: Sequence[Hole], opened: Collection[str]) -> str:
    """Covered and open circles in the order of the file, with a gap where the hand changes.

    >>> from simkit.vessel import Hole
    >>> left = Hole(name="1", along_mm=30, around_deg=-20, diameter_mm=6, finger="left index")
    >>> right = Hole(name="2", along_mm=30, around_deg=20, diameter_mm=6, finger="right index")
    >>> fingering([left, right], {"2"})
    '● ○'
    """
    return shares(holes, [float(hole.name in opened) for hole in holes])


def shares(holes: Sequence[Hole], openness: Sequence[float]) -> str:
    """Fingering where holes may be partly open, as shares; these are half circles."""
    signs = ""
    # each with the hole before it, to see where the hand changes
    for before, hole, share in zip([None, *holes], holes, openness, strict=False):
        if before is not None and _hand(before) != _hand(hole):
            signs += " "
        signs += HALF if 0 < share < 1 else (OPEN if share else COVERED)
    return signs


def _hand(hole: Hole) -> str:
    return (hole.finger or "").partition(" ")[0]


def word(cents: float | None) -> str:
    """One plain word for a distance from the target.

    >>> [word(cents) for cents in (-30, 2, 30, None)]
    ['flat', 'in tune', 'sharp', '']
    """
    if cents is None:
        return ""
    if abs(cents) <= IN_TUNE_CENTS:
        return "in tune"
    return "sharp" if cents > 0 else "flat"


def signed(cents: float, digits: int = 1) -> str:
    """A difference with its sign, and without one where it rounds to nothing.

    >>> [signed(cents) for cents in (-0.04, 0.06, -12.3)], signed(-0.4, 0)
    (['0.0', '+0.1', '-12.3'], '0')
    """
    rounded = round(cents, digits)
    return f"{rounded:+.{digits}f}" if rounded else f"{0:.{digits}f}"


def blown_word(note: NoteBlown) -> str:
    """One plain word for a note's blowing: its worst fault, else that it speaks."""
    # From the worst down: the first that holds is the word.
    if not note.speaks or note.pressure is None:
        return "silent"
    if not note.in_phase:
        return "weak"
    if note.overblow_margin is not None and note.overblow_margin < NARROW:
        return "jumps"
    if note.lasts is not None and note.lasts < NARROW:
        return "dies"
    if note.pressure > HARD_PA:
        return "hard"
    return "airy" if note.airiness_db is not None and note.airiness_db > AIRY_DB else "speaks"
