"""Notes of one body's chambers that are nearly one pitch: they pull each other, which sizes mend only in part."""

from __future__ import annotations

from collections.abc import Iterable

from simkit.pitch import cents
from simkit.sound.answers.prediction import PredictedChamber, PredictedNote, Prediction

NEAR_CENTS = 60.0  # a chamber that is silent pulls notes so near to its own
LEAST_CENTS = 1.0  # a smaller pull stands in nobody's way


def unisons(after: Prediction, off: Iterable[tuple[str, PredictedNote]]) -> list[str]:
    """Which of the notes that are off, each with its chamber's name, another chamber pulls, in sentences.

    A silent chamber has its holes covered, so that it pulls at its own lowest note: the closer the two pitches, the
    farther they part (Rayleigh, Theory of Sound, section 310, from memory; see `simkit.sound.models.neighbours`).
    """
    said: dict[frozenset[str], str] = {}
    for name, note in off:
        pull = abs(note.answer.neighbours_cents or 0.0)
        for other in after.chambers:
            silent = _covered(other)
            if other.name == name or silent is None or pull < LEAST_CENTS or not _near(note, silent):
                continue
            pair = f"{note.pitch} of {name}", f"{silent.pitch or 'the lowest note'} of {other.name}"
            sentence = (
                f"{pair[0]} and {pair[1]} are all but in unison: they pull each other, here by {pull:.1f} cents, and "
                f"where both sound they beat; sizes mend that in part: set the two windows farther apart, leave the "
                f"note to one of the chambers, or give one another octave"
            )
            said.setdefault(frozenset(pair), sentence)
    return list(said.values())


def _covered(chamber: PredictedChamber) -> PredictedNote | None:
    """The chamber's note with all holes covered, at which it rings along while it is silent."""
    return next((note for note in chamber.notes if not note.open and note.answer.frequency_hz), None)


def _near(one: PredictedNote, other: PredictedNote) -> bool:
    hz = one.answer.frequency_hz, other.answer.frequency_hz
    return bool(hz[0] and hz[1] and abs(cents(hz[0], hz[1])) < NEAR_CENTS)
