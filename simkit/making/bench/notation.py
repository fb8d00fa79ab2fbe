"""A maker's notation for what was played and read: notes, fingerings, Hz or what a tuner shows."""

from __future__ import annotations

import re

import numpy as np

from simkit.errors import Fault, InputError
from simkit.frozen import frozen
from simkit.pitch import NoteNameError, note
from simkit.vessel import Chamber, Vessel

READ_CENTS = 3.0  # standard deviation of a tuner's reading
CLOSED = "closed"  # in place of a note's name: all holes covered
_ON_TUNER = re.compile(r"([A-Ga-g][#b♯♭]?\d)\s*([+-]\d+(?:\.\d+)?)?")


@frozen
class PitchReading:
    """A note that was read: its name, how open each of its holes was, Hz, and how well it was read, cents."""

    note: str
    open: dict[str, float]
    hz: float
    doubt_cents: float = READ_CENTS


def fingering_of(text: str, chamber: Chamber) -> tuple[str, dict[str, float]]:
    """A note of the design by its pitch, or holes with how open they are: `E5`, `1+3:0.5`, `closed`."""
    try:
        wanted = note(text)
        same = [n for n in chamber.notes if note(n.pitch) == wanted]  # however it is spelled: Bb4 is A#4
    except NoteNameError:
        same = []
    if len(same) == 1:
        return same[0].pitch, dict.fromkeys(same[0].open, 1.0)
    if len(same) > 1:
        allowed = f"holes in place of a note that the design has {len(same)} times, such as {'+'.join(same[0].open)}"
        raise InputError([Fault("", "", text, allowed)])
    if text == CLOSED:
        return text, {}
    holes = {hole.name for hole in chamber.holes}
    opened: dict[str, float] = {}
    for part in text.split("+"):
        hole, _, share = part.strip().partition(":")
        open_share = number(share) if share else 1.0
        if hole not in holes or open_share is None or not 0 < open_share <= 1:
            notes = ", ".join(n.pitch for n in chamber.notes) or "no notes"
            allowed = (
                f"NOTE=HZ with a note of the design ({notes}), closed, or open holes ({', '.join(sorted(holes))}) with "
                "how open they are, such as 1+2:0.5=530"
            )
            raise InputError([Fault("", "", text, allowed)])
        opened[hole] = open_share
    return text, opened


def number(text: str) -> float | None:
    """A finite number, or None where the text is none."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def hertz(text: str, vessel: Vessel) -> float | None:
    """A frequency as written: Hz, or a note and cents as a tuner shows them."""
    plain = number(text.strip().removesuffix("Hz").strip())
    if plain is not None:
        return plain
    shown = _ON_TUNER.fullmatch(text.strip())
    if not shown:
        return None
    pitch = note(shown[1][0].upper() + shown[1][1:])  # a small letter will do, b for a flat stays
    return float(vessel.scale.a4_hz * 2 ** ((pitch.key - note("A4").key) / 12 + float(shown[2] or 0) / 1200))
