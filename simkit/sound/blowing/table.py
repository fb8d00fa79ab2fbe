"""Blowing behaviour of each note of a design, the table behind `simkit blow`, and of chords blown with one breath."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simkit.air import Air
from simkit.columns import cell, finite, text_table
from simkit.errors import Fault, InputError
from simkit.field.window.cell import labium_share
from simkit.sound import models
from simkit.sound.answers.chords import BEATS_BELOW_HZ, Together, chosen_chambers
from simkit.sound.answers.over_chambers import Joined, OverChambers, PerRow
from simkit.sound.blowing.advice import Tried
from simkit.sound.blowing.behaviour import Blown, NoteBlown, at_pressure, blow_fingerings
from simkit.sound.catalogue import able, model_of, with_ability
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.airs import breath_of
from simkit.sound.elements.constants import JetConstants
from simkit.sound.elements.windway import friction_length_of
from simkit.sound.models.resonator import Case, openness_of_all
from simkit.vessel import Note, Vessel


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


log = logging.getLogger(__name__)

RESONANCES = 4  # of each fingering: its note, and those that may take over

UNSURE = (
    "blowing: pressures in Pa are uncertain by a factor of two or more until [jet] is fitted to measured pitches and "
    "pressures; ratios between notes and trends are surer"
)

LONELY = "overblowing: the {} model knows no higher resonance, so nothing can take over; ask ports for margins"


@dataclass(frozen=True)
class BlowingNote:
    """A note of the design, its blowing behaviour, and advice; pitch is None where the design has no notes."""

    pitch: str | None
    open: tuple[str, ...]
    blown: NoteBlown
    advice: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The note under the keys of the command line's JSON."""
        b = self.blown
        return {
            "pitch": self.pitch,
            "open": list(self.open),
            "pressure_pa": b.pressure,
            "sounding_hz": b.sounding_hz,
            "overblow_margin": b.overblow_margin,
            "overblow_at_pa": b.overblow_at,
            "dies_at_pa": b.dies_at,
            "speaks": b.speaks,
            "in_phase": b.in_phase,
            "threshold_pa": b.threshold,
            "bend_cents_per_10_percent": b.bend_cents,
            "q": b.q,
            "playing_q": b.playing_q,
            "gain": b.gain,
            "airiness_db": b.airiness_db,
            "second_wave_pa": b.second_wave,
            "whistle_at_pa": b.whistle_at,
            "advice": list(self.advice),
        }


@dataclass(frozen=True)
class BlowingChamber:
    """One chamber with a window: its air in m3, its notes, and all that was computed, for pictures.

    all_open: its blowing behaviour with every hole open, where the window drives least; None without holes.
    """

    name: str
    volume: float
    notes: tuple[BlowingNote, ...]
    blown: Blown
    all_open: NoteBlown | None = None

    pressures_pa = PerRow(
        "notes.blown.pressure", "Breath at which the jet drives each note best (notes,), Pa; nan where nothing speaks."
    )
    frequencies_hz = PerRow(
        "notes.blown.sounding_hz", "Sounding frequency of each note there (notes,), Hz; nan where nothing sounds."
    )
    margins = PerRow(
        "notes.blown.overblow_margin",
        "Breath at which each note jumps over its playing breath, at least (notes,); nan where nothing speaks.",
    )
    q = PerRow("notes.blown.playing_q", "Q of each note as it is played (notes,); nan where nothing sounds.")

    def __repr__(self) -> str:
        return f"BlowingChamber({self.name!r}, {len(self.notes)} notes)"

    def __str__(self) -> str:
        blown = [(note.pitch or "covered", note.blown) for note in self.notes]
        rows = (
            (pitch, cell(b.pressure, 0), cell(b.sounding_hz), cell(b.overblow_margin), cell(b.playing_q, 0))
            for pitch, b in blown
        )
        return text_table(("note", "Pa", "Hz", "margin", "playing Q"), rows)

    def as_dict(self) -> dict[str, Any]:
        """The chamber under the keys of the command line's JSON."""
        opened = self.all_open
        return {
            "name": self.name,
            "volume_ml": 1e6 * self.volume,
            "notes": [each.as_dict() for each in self.notes],
            "all_open": opened and {"speaks": opened.speaks, "gain": opened.gain, "airiness_db": opened.airiness_db},
        }


@dataclass(frozen=True)
class BlowTable(OverChambers):
    """Blowing behaviour of a vessel; chords where several chambers are blown at once."""

    model: str
    state: str
    air: Air
    chambers: tuple[BlowingChamber, ...]
    cautions: tuple[str, ...] = ()
    chords: tuple[BlownChord, ...] = ()

    pressures_pa = Joined(BlowingChamber.pressures_pa)
    frequencies_hz = Joined(BlowingChamber.frequencies_hz)
    margins = Joined(BlowingChamber.margins)
    q = Joined(BlowingChamber.q)

    def __repr__(self) -> str:
        return f"BlowTable(by {self.model}, {len(self.q)} notes)"


def blow(
    vessel: Vessel,
    model: str = "ports",
    *,
    lossless: bool = False,
    state: str = "played",
    blown: str | Iterable[str] | None = None,
    advise: bool = True,
) -> BlowTable:
    """Compute each note's playing pressure, sounding frequency, bend with breath and overblowing, and what may help.

    state: "played" or "still", as of `predict`. blown: chambers by name, one or several, or "all"; of several also
    every chord, blown with one breath.
    advise: also try what may help where something is amiss: then it takes some three times as long.
    """
    with_ability(model, "motion")
    constants = JetConstants.from_table(vessel.jet, vessel.source)
    asked = chosen_chambers(vessel, blown)
    cases = [c for c in models.cases(vessel, lossless=lossless, state=state) if c.chamber.name in asked]
    voiced = voiced_cases(vessel, cases)
    sounding: tuple[BlownChord, ...] = ()
    if blown is not None and len(asked) > 1:
        if not model_of(model).coupled:
            knows = " or ".join(able("coupled", "motion"))
            raise InputError([Fault.of("blown", ",".join(asked), f"one chamber, or the model {knows} for chords")])
        jets = [jet_of(case, constants) for case in cases]
        sounding = blown_chords(Together.of(vessel, asked, model, lossless, state), jets, RESONANCES)
    chambers = tuple(_chamber(model, case, constants, advise) for case in voiced)
    cautions = [*vessel.cautions, *(text for case in voiced for text in case.airs.cautions), UNSURE]
    cautions += [text for case in voiced for text in models.left_out(model, case)]
    cautions += [LONELY.format(model)] if all(chamber.blown.loop.motion.modes == 1 for chamber in chambers) else []
    return BlowTable(model, state, voiced[0].airs.room, chambers, tuple(dict.fromkeys(cautions)), sounding)


def voiced_cases(vessel: Vessel, cases: Sequence[Case]) -> list[Case]:
    """The chambers that can be blown; an InputError where there is none."""
    voiced = [case for case in cases if vessel.chamber(case.chamber.name).voicing is not None]
    if not voiced:
        key = f"{cases[0].chamber.name}.voicing"
        raise InputError([Fault(vessel.source, key, None, "a table [chamber.voicing]: without a window nothing blows")])
    return voiced


def jet_of(case: Case, constants: JetConstants) -> AirJet:
    """The jet of a chamber's voicing: of breath where the design has `[breath]`, else of the window's air.

    How strong its labium is comes from the field around the edge of the body's window.
    """
    design, window = case.vessel.chamber(case.chamber.name), case.chamber.window
    voicing = design.voicing
    assert voicing is not None and window is not None
    # A design that tells no breath is blown with what lies in its window.
    breath = breath_of(case.vessel) if case.vessel.breath is not None else case.airs.window
    reach = 2 * voicing.windway_height_mm / 1000  # as `AirJet.slit_drop` has it
    rims = window.inside_rim, window.rim
    share = labium_share(window.width, window.height, window.length, window.edge_deg, *rims, reach)
    return AirJet.of(voicing, breath, constants, share, friction_length_of(design))


def _chamber(model: str, case: Case, constants: JetConstants, advise: bool) -> BlowingChamber:
    chamber = case.vessel.chamber(case.chamber.name)
    asked: list[tuple[str | None, tuple[str, ...]]] = [(note.pitch, note.open) for note in chamber.notes]
    asked = asked or [(None, ())]  # without notes: all holes covered
    resonator = models.resonator(model, case)
    motion = resonator.motion(openness_of_all(resonator.holes, [opened for _, opened in asked]), RESONANCES)
    jet = jet_of(case, constants)
    log.info("blowing %d notes", len(asked))
    now = blow_fingerings(motion, jet)
    tried = Tried.on(motion, jet, now) if advise else None
    notes = tuple(
        BlowingNote(pitch, opened, now.note(i), tried.advice(i) if tried else ())
        for i, (pitch, opened) in enumerate(asked)
    )
    # With all holes open the window has the least part of the flow, and drives least.
    every = resonator.motion(np.ones((1, len(resonator.holes))), RESONANCES)
    all_open = blow_fingerings(every, jet).note(0) if resonator.holes else None
    return BlowingChamber(chamber.name, case.chamber.volume, notes, now, all_open)
