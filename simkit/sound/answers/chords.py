"""Several chambers blown together: every choice of one note from each, and their pull on each other.

Without a jet: each chamber's own resonance while the openings of the others are as their notes want them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, product
from typing import Any

import numpy as np

from simkit.columns import finite
from simkit.errors import Fault, InputError
from simkit.pitch import cents
from simkit.sound import models
from simkit.sound.models.resonator import Case, Coupled, Resonance, openness_of_all
from simkit.vessel import Note, Vessel
from simkit.vessel.spelling import one_or_more

MOST = 4096  # choices of notes
BEATS_BELOW_HZ = 40.0  # nearer than this two notes are heard to beat: common practice, no source
Player = tuple[str, str]  # a note's chamber and pitch


@dataclass(frozen=True)
class Tone:
    """One note of a chord: its resonance in Hz and Q, and its shift by the other chambers.

    pull_cents is against the other chambers with all their openings covered.
    """

    chamber: str
    pitch: str | None
    open: tuple[str, ...]
    frequency_hz: float
    q: float | None
    pull_cents: float

    def as_dict(self) -> dict[str, Any]:
        """The tone under the keys of the command line's JSON."""
        return {**vars(self), "open": list(self.open)}


@dataclass(frozen=True)
class Chord:
    """Notes that sound together. beat_hz: of the two nearest to each other, None where they do not beat.

    merges: whether these two, free, would fall into one pitch: their difference is less than what radiation ties
    them together by (R. Adler 1946 [Adler1946], from memory: |w1 - w2| < 2 |Im c| for swings of one size).
    two_jobs: fingers that would be wanted in two places at once.
    """

    tones: tuple[Tone, ...]
    beat_hz: float | None
    merges: bool
    two_jobs: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The chord under the keys of the command line's JSON."""
        return {**vars(self), "tones": [tone.as_dict() for tone in self.tones], "two_jobs": list(self.two_jobs)}


def chosen_chambers(vessel: Vessel, blown: str | Iterable[str] | None) -> tuple[str, ...]:
    """The chambers that are blown: one name or several, or "all"; without any, every one by itself."""
    names = [chamber.name for chamber in vessel.chambers]
    if blown is None:
        return tuple(names)
    asked = one_or_more(blown)
    if asked == ("all",) and "all" not in names:  # a chamber may be called that
        asked = tuple(names)
    wrong = [name for name in asked if name not in names]
    if wrong:
        allowed = f"chambers of this design, or all: {', '.join(names)}"
        raise InputError([Fault.of("blown", name, allowed) for name in wrong])
    # One alone may be silent: it is asked with its holes open.
    silent = [name for name in asked if vessel.chamber(name).voicing is None]
    if silent and len(asked) > 1:
        raise InputError([Fault.of("blown", name, "a chamber with a window to blow at") for name in silent])
    return tuple(name for name in names if name in asked)


@dataclass(frozen=True)
class Together:
    """Chambers of one body blown at once: their cases, resonators, and every choice of one note from each."""

    cases: tuple[Case, ...]
    resonators: tuple[Coupled, ...]
    choices: tuple[tuple[Note | None, ...], ...]

    @staticmethod
    def of(vessel: Vessel, blown: Sequence[str], model: str, lossless: bool, state: str) -> Together:
        """Chords of the chambers `blown`; an InputError for more choices than anyone would read."""
        notes = [vessel.chamber(name).notes or (None,) for name in blown]
        count = math.prod(len(each) for each in notes)
        if count > MOST:
            raise InputError([Fault.of("blown", ",".join(blown), f"at most {MOST} chords; these make {count}")])
        cases = tuple(
            case for case in models.cases(vessel, lossless=lossless, state=state) if case.chamber.name in blown
        )
        resonators = tuple(models.resonator(model, case) for case in cases)
        return Together(cases, resonators, tuple(product(*notes)))

    @cached_property
    def openness(self) -> tuple[np.ndarray, ...]:
        """Openness of each chamber's holes in each choice: (choices, holes) each."""
        return tuple(
            openness_of_all(r.holes, [_opened(choice[n]) for choice in self.choices])
            for n, r in enumerate(self.resonators)
        )

    @cached_property
    def states(self) -> np.ndarray:
        """Openness of all openings of the body in each choice, chambers that are not blown silent: (choices, n)."""
        first = self.resonators[0]
        states = first.states(self.openness[0])
        for resonator, openness in zip(self.resonators[1:], self.openness[1:], strict=True):
            own = np.flatnonzero(resonator.rows)
            states[:, own[len(own) - openness.shape[1] :]] = openness  # a chamber's holes are its last rows
        return states

    @cached_property
    def sounding(self) -> tuple[Coupled, ...]:
        """Resonator of each chamber with the other openings as in the choices."""
        return tuple(r.beside_others(self.states) for r in self.resonators)

    @cached_property
    def omega(self) -> np.ndarray:
        """Complex frequencies (choices, chambers), rad/s."""
        return np.stack([r.lowest(o) for r, o in zip(self.sounding, self.openness, strict=True)], axis=1)

    @cached_property
    def alone(self) -> np.ndarray:
        """Complex omega (choices, chambers), rad/s, of each chamber with the openings of all others covered."""
        # Covered, window and all: nothing goes to and fro.
        shut = [r.beside_others(np.zeros(len(r.rows))) for r in self.resonators]
        return np.stack([r.lowest(o) for r, o in zip(shut, self.openness, strict=True)], axis=1)

    def merging(self, one: int, other: int) -> np.ndarray:
        """Largest difference (choices,), rad/s, at which two chambers still fall into one pitch: 2 |Im c|."""
        mean = (self.omega[:, one] + self.omega[:, other]) / 2
        return self.resonators[one].merging(self.resonators[other], mean, self.states)

    def nearest(self, hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Least difference (choices,), Hz, of frequencies (choices, chambers), and whether those two merge."""
        pairs = list(combinations(range(hz.shape[1]), 2))
        gaps = np.stack([np.abs(hz[:, i] - hz[:, j]) for i, j in pairs], axis=1)
        # Merging is in rad/s, gaps are in Hz.
        merge = np.stack([self.merging(i, j) for i, j in pairs], axis=1) / (2 * np.pi)
        best = gaps.argmin(axis=1)
        rows = np.arange(len(hz))
        return gaps[rows, best], gaps[rows, best] < merge[rows, best]

    def two_jobs(self, choice: Sequence[Note | None]) -> tuple[str, ...]:
        """Fingers that the notes of a choice want on holes of more than one chamber at once."""
        wanted: dict[str, set[str]] = {}
        for case, note in zip(self.cases, choice, strict=True):
            for hole in case.vessel.chamber(case.chamber.name).holes:
                if hole.finger and not (note and hole.name in note.open):  # a hole that is to be covered
                    wanted.setdefault(hole.finger, set()).add(case.chamber.name)
        return tuple(finger for finger, chambers in wanted.items() if len(chambers) > 1)


def chords(
    vessel: Vessel, blown: Sequence[str], model: str, *, lossless: bool = False, state: str = "played"
) -> tuple[Chord, ...]:
    """Every chord of the chambers `blown`, by a model that knows them."""
    together = Together.of(vessel, blown, model, lossless, state)
    hz, alone = together.omega.real / (2 * np.pi), together.alone.real / (2 * np.pi)
    gap_hz, merges = together.nearest(hz)
    found = []
    for n, choice in enumerate(together.choices):
        tones = tuple(
            Tone(
                case.chamber.name,
                note.pitch if note else None,
                _opened(note),
                float(hz[n, i]),
                finite(Resonance(complex(together.omega[n, i])).q),
                cents(float(hz[n, i]), float(alone[n, i])),
            )
            for i, (case, note) in enumerate(zip(together.cases, choice, strict=True))
        )
        beat = float(gap_hz[n]) if gap_hz[n] < BEATS_BELOW_HZ else None
        found.append(Chord(tones, beat, bool(merges[n]), together.two_jobs(choice)))
    return tuple(found)


def _opened(note: Note | None) -> tuple[str, ...]:
    return note.open if note else ()
