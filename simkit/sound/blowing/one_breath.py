"""Chords: several chambers blown with one breath. What each then sounds, and how they sound against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.columns import finite
from simkit.sound.answers.chords import BEATS_BELOW_HZ, Together
from simkit.sound.blowing.behaviour import Blown, at_pressure, blow_fingerings
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.resonator import Case
from simkit.vessel import Note


@dataclass(frozen=True)
class BlownTone:
    """One note of a chord. pressure_pa: its own playing pressure; sounding_hz: at the chord's; margin: to overblowing
    there. None where it does not speak."""

    chamber: str
    pitch: str | None
    open: tuple[str, ...]
    pressure_pa: float | None
    sounding_hz: float | None
    margin: float | None

    def as_dict(self) -> dict[str, Any]:
        """The tone under the keys of the command line's JSON."""
        return {**vars(self), "open": list(self.open)}


@dataclass(frozen=True)
class BlownChord:
    """Notes blown together with one breath: the geometric mean of their own pressures, None where one is silent.

    beat_hz, merges, two_jobs as in `simkit.sound.answers.chords.Chord`, the pitches those that sound at this breath.
    """

    tones: tuple[BlownTone, ...]
    pressure_pa: float | None
    beat_hz: float | None
    merges: bool
    two_jobs: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """The chord under the keys of the command line's JSON."""
        return {**vars(self), "tones": [tone.as_dict() for tone in self.tones], "two_jobs": list(self.two_jobs)}


def blown_chords(together: Together, jets: Sequence[AirJet], resonances: int) -> tuple[BlownChord, ...]:
    """Every chord of chambers with these jets, `resonances` of each looked at; the overtones' pull is left out."""
    voices = [
        blow_fingerings(r.motion(openness, resonances), jet, careful=False)
        for jet, r, openness in zip(jets, together.sounding, together.openness, strict=True)
    ]
    pressure = np.exp(np.mean([np.log(voice.pressure) for voice in voices], axis=0))  # NaN where one is silent
    everyone = np.arange(len(pressure))
    hz = np.stack(
        [
            at_pressure(voice, everyone, np.where(np.isfinite(pressure), pressure, 100.0), careful=False).frequency
            for voice in voices
        ],
        axis=1,
    )
    hz[~np.isfinite(pressure)] = np.nan  # 100 Pa only stood in for no breath at all
    gap_hz, merges = together.nearest(hz)
    return tuple(
        BlownChord(
            tuple(
                _tone(case, note, voice, n, float(pressure[n]), float(hz[n, i]))
                for i, (case, note, voice) in enumerate(zip(together.cases, choice, voices, strict=True))
            ),
            finite(pressure[n]),
            finite(gap_hz[n]) if gap_hz[n] < BEATS_BELOW_HZ else None,  # farther apart nobody hears beats
            bool(merges[n]),
            together.two_jobs(choice),
        )
        for n, choice in enumerate(together.choices)
    )


def _tone(case: Case, note: Note | None, voice: Blown, n: int, pressure: float, hz: float) -> BlownTone:
    margin = voice.overblow_margin[n] * voice.pressure[n] / pressure  # of the breath that is blown, not its own
    name = case.chamber.name
    opened = note.open if note else ()
    return BlownTone(name, note.pitch if note else None, opened, finite(voice.pressure[n]), finite(hz), finite(margin))
