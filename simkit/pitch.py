"""Notes: their names, their intervals in cents, and their frequencies.

Octaves are numbered so that A4 is the tuning note, 440 Hz unless set otherwise (ISO 16:1975);
C5 begins the octave above middle C's.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

_LETTERS = "CDEFGAB"
_SEMITONES = (0, 2, 4, 5, 7, 9, 11)  # of C, D, ... above C
_BY_FIFTHS = "FCGDAEB"  # F is one fifth below C, which counts 0
_A4 = 69  # keys above C-1
_NAME = re.compile(r"([A-Ga-g])(##|#|x|♯♯|♯|𝄪|bb|b|♭♭|♭|𝄫|♮|)(\d)")
_ALTER = {
    "": 0, "♮": 0, "#": 1, "♯": 1, "##": 2, "x": 2, "♯♯": 2, "𝄪": 2,
    "b": -1, "♭": -1, "bb": -2, "♭♭": -2, "𝄫": -2,
}  # fmt: skip
_SIGNS = {-2: "bb", -1: "b", 0: "", 1: "#", 2: "##"}


class NoteNameError(ValueError):
    """A text that names no note or scale; `allowed` says what would."""

    def __init__(self, text: object, allowed: str):
        self.text = text
        self.allowed = allowed
        super().__init__(f"{text!r}: allowed: {allowed}")


@dataclass(frozen=True)
class Pitch:
    """A written note: C sharp and D flat are two notes, even where one key plays both.

    `alter` is in semitones (sharp 1, flat -1), `octave` that of scientific pitch notation.

    >>> str(note("C♯5")), note("C#5").key == note("Db5").key
    ('C#5', True)
    """

    letter: str
    alter: int
    octave: int

    @property
    def key(self) -> int:
        """The key of a keyboard, counted so that A4 is 69 and C4 is 60."""
        return 12 * (self.octave + 1) + _SEMITONES[_LETTERS.index(self.letter)] + self.alter

    @property
    def fifths(self) -> int:
        """Places on the line of fifths, C being 0, G 1, F -1, C sharp 7, D flat -5."""
        return _BY_FIFTHS.index(self.letter) - 1 + 7 * self.alter

    def __str__(self) -> str:
        return f"{self.letter}{_SIGNS[self.alter]}{self.octave}"


def note(text: str) -> Pitch:
    """Read a note name with its octave: C5, F#4, Bb5, also with the signs ♯ and ♭.

    >>> note("Bb5")
    Pitch(letter='B', alter=-1, octave=5)
    """
    found = _NAME.fullmatch(text.strip()) if isinstance(text, str) else None
    if found is None:
        raise NoteNameError(text, "a letter A to G, # or b if any, and an octave 0 to 9, such as C5, F#4 or Bb5")
    letter, sign, octave = found.groups()
    return Pitch(letter.upper(), _ALTER[sign], int(octave))


def cents(frequency: float, reference: float) -> float:
    """Interval from one frequency up to another in cents: 1200 log2(f / f0).

    >>> round(cents(660, 440), 3)
    701.955
    """
    return 1200 * math.log2(frequency / reference)


# --- temperaments --------------------------------------------------------------------------------

# The twelve degrees in ratios of small numbers, from the tonic up: the major scale is Ptolemy's
# (1, 9/8, 5/4, 4/3, 3/2, 5/3, 15/8), the rest its usual five-limit filling.
_JUST = tuple(
    Fraction(*ratio)
    for ratio in (
        (1, 1), (16, 15), (9, 8), (6, 5), (5, 4), (4, 3),
        (45, 32), (3, 2), (8, 5), (5, 3), (9, 5), (15, 8),
    )
)  # fmt: skip

TEMPERAMENTS = ("equal", "just", "pythagorean")


@dataclass(frozen=True)
class Tuning:
    """Frequencies of written notes: the tuning note, the temperament, its tonic.

    A4 always sounds `a4_hz`; in the just and Pythagorean tunings the tonic follows from it.
    `just` has twelve degrees above the tonic (C sharp and D flat are one); `pythagorean` stacks
    pure fifths by the spelling (they differ by a comma of 23.46 cents).

    >>> round(Tuning().frequency(note("C5")), 4)
    523.2511
    >>> round(Tuning(temperament="just").frequency(note("C4")), 9)
    264.0
    """

    a4_hz: float = 440.0
    temperament: str = "equal"
    tonic: str = "C"

    def __post_init__(self) -> None:
        if self.temperament not in TEMPERAMENTS:
            raise NoteNameError(self.temperament, ", ".join(TEMPERAMENTS))
        if not 300 <= self.a4_hz <= 600:
            raise NoteNameError(self.a4_hz, "a4_hz from 300 to 600")
        tonic_of(self.tonic)

    def frequency(self, pitch: Pitch) -> float:
        """The note's frequency in Hz."""
        return self.a4_hz * 2 ** (self._octaves(pitch) - self._octaves(Pitch("A", 0, 4)))

    def _octaves(self, pitch: Pitch) -> float:
        """Height above the tonic of octave 0, in octaves."""
        if self.temperament == "equal":
            return pitch.key / 12
        tonic = tonic_of(self.tonic)
        above = pitch.key - tonic.key
        if self.temperament == "just":
            return above // 12 + math.log2(_JUST[above % 12])  # // and % go down for notes below the tonic
        fifths = pitch.fifths - tonic.fifths
        # A spelling fixes key and fifths: key = 7 fifths + 12 octaves exactly.
        return fifths * math.log2(1.5) + (above - 7 * fifths) // 12

    def nearest(self, frequency: float) -> tuple[Pitch, float]:
        """The note nearest to a frequency in Hz, and how many cents the frequency is above it.

        >>> pitch, off = Tuning().nearest(446)
        >>> str(pitch), round(off, 2)
        ('A4', 23.45)
        """
        if not 0 < frequency < math.inf:
            raise ValueError(f"frequency = {frequency!r}: allowed: more than 0 Hz")
        # Equal temperament is at most a key away from what the other temperaments would name.
        guess = _A4 + round(12 * math.log2(frequency / self.a4_hz))
        near = [self.spelled(key) for key in range(guess - 1, guess + 2)]
        best = min(near, key=lambda pitch: abs(cents(frequency, self.frequency(pitch))))
        return best, cents(frequency, self.frequency(best))

    def spelled(self, key: int) -> Pitch:
        """The usual name of a key in this tonic: on C the black keys are C#, Eb, F#, Ab, Bb."""
        # Twelve neighbours on the line of fifths, never as far as E sharp or C flat.
        lowest = min(max(tonic_of(self.tonic).fifths - 4, -6), -1)
        return _on_fifths(lowest + (7 * key - lowest) % 12, key)


def tonic_of(text: str) -> Pitch:
    """The tonic of a tuning: a note name without octave, placed in octave 0."""
    try:
        return note(f"{text.strip()}0")
    except (NoteNameError, AttributeError):
        raise NoteNameError(text, "a letter A to G, # or b if any, such as C, F# or Bb") from None


# --- scales --------------------------------------------------------------------------------------

# Each degree as its place on the line of fifths from the tonic, ascending within an octave. The seven modes are seven
# neighbours on that line; "pentatonic" is the major one, "minor" the natural one, melodic minor as it goes up.
_MAJOR, _MINOR = (0, 2, 4, -1, 1, 3, 5), (0, 2, -3, -1, 1, -4, -2)
SCALES: dict[str, tuple[int, ...]] = {
    "major": _MAJOR,
    "minor": _MINOR,
    "natural minor": _MINOR,
    "harmonic minor": (0, 2, -3, -1, 1, -4, 5),
    "melodic minor": (0, 2, -3, -1, 1, 3, 5),
    "ionian": _MAJOR,
    "dorian": (0, 2, -3, -1, 1, 3, -2),
    "phrygian": (0, -5, -3, -1, 1, -4, -2),
    "lydian": (0, 2, 4, 6, 1, 3, 5),
    "mixolydian": (0, 2, 4, -1, 1, 3, -2),
    "aeolian": _MINOR,
    "locrian": (0, -5, -3, -1, -6, -4, -2),
    "pentatonic": (0, 2, 4, 1, 3),
    "major pentatonic": (0, 2, 4, 1, 3),
    "minor pentatonic": (0, -3, -1, 1, -2),
    "blues": (0, -3, -1, -6, 1, -2),
    "whole tone": (0, 2, 4, 6, 8, -2),
    "chromatic": (0, 7, 2, -3, 4, -1, 6, 1, -4, 3, -2, 5),
}


def scale(name: str, count: int | None = None) -> tuple[Pitch, ...]:
    """The notes of a scale from its lowest: "C5 major", "Bb4 minor pentatonic".

    Without `count` one octave, both ends included; with it, that many notes upwards.

    >>> " ".join(map(str, scale("F5 major")))
    'F5 G5 A5 Bb5 C6 D6 E6 F6'
    """
    first, kind = _parted(name)
    if first.rstrip("0123456789") == first and _NAME.fullmatch(f"{first}4"):
        raise NoteNameError(name, f'its lowest note with an octave, such as "{first}4 {kind}" or "{first}5 {kind}"')
    start = note(first)
    if count is None:
        count = len(SCALES[kind]) + 1
    if count < 1:
        raise ValueError(f"count = {count}: allowed: 1 or more notes")
    return _upwards(start, kind, count)


def _upwards(start: Pitch, kind: str, count: int) -> tuple[Pitch, ...]:
    """So many notes of a scale from its tonic on."""
    degrees, notes = SCALES[kind], []
    for place in range(count):
        octave, degree = divmod(place, len(degrees))
        key = start.key + 12 * octave + (7 * degrees[degree]) % 12
        notes.append(_on_fifths(start.fifths + degrees[degree], key))
    return tuple(notes)


def within(name: str, lowest: str, highest: str) -> tuple[Pitch, ...]:
    """The notes of a scale from one note to another, both included where they are of it; its tonic needs no octave.

    >>> " ".join(map(str, within("A minor pentatonic", "A4", "E5")))
    'A4 C5 D5 E5'
    """
    first, kind = _parted(name)
    tonic = tonic_of(first.rstrip("0123456789"))
    low, high = note(lowest).key, note(highest).key
    # From a tonic below the range, two octaves to be sure, then upwards past its end.
    below = Pitch(tonic.letter, tonic.alter, max(low // 12 - 2, -1))
    return tuple(pitch for pitch in _upwards(below, kind, 13 * len(SCALES[kind])) if low <= pitch.key <= high)


def _parted(name: str) -> tuple[str, str]:
    """The first note of a scale's name as it is written, and which scale it is."""
    first, _, kind = name.strip().partition(" ") if isinstance(name, str) else ("", "", "")
    kind = " ".join(kind.lower().split())
    if kind not in SCALES:
        raise NoteNameError(name, "a note and one of " + ", ".join(SCALES) + '; say "C5 major"')
    return first, kind


def _on_fifths(fifths: int, key: int) -> Pitch:
    """The note at a place on the line of fifths that sounds on `key`; respelled past two signs."""
    if not -15 <= fifths <= 19:
        fifths -= 12 * round((fifths - 2) / 12)  # twelve fifths are the same key; 2 is the middle, D
    letter, alter = _BY_FIFTHS[(fifths + 1) % 7], (fifths + 1) // 7
    # By the letter's own key: C flat 5 sounds below C5 and is still of octave 5.
    return Pitch(letter, alter, (key - alter) // 12 - 1)


def in_cents(cents: float, sign: bool = False) -> str:
    """Whole cents with their unit, and with their sign if it is wished.

    >>> in_cents(12.3), in_cents(1.2), in_cents(0.7, sign=True), in_cents(-0.2, sign=True)
    ('12 cents', '1 cent', '+1 cent', '0 cents')
    """
    whole = round(cents)
    return f"{whole:{'+' if sign and whole else ''}d} cent{'' if abs(whole) == 1 else 's'}"
