"""Aims of breath: an even curve, curves that meet, a margin before notes overblow; by `simkit.sound.blowing`."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar
from weakref import WeakKeyDictionary

import numpy as np

from simkit.errors import Fault
from simkit.optimisation.aims.intune import Measured
from simkit.optimisation.problem.perturbations import labium_beside
from simkit.optimisation.problem.trial import Trial, Voice
from simkit.sound.blowing.behaviour import Blown, blow_fingerings, playing_note
from simkit.sound.blowing.loop import Loop
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.circuit import Circuit
from simkit.sound.models.playing import Playing
from simkit.sound.models.resonator import Motion
from simkit.vessel import DesignError

# A chamber's circuit, who plays it, and the openness of all ports in each note.
_Sounding = tuple[Circuit, Playing, np.ndarray]

SILENT_MARGIN = 0.5  # margin counted for a note that does not speak at all
SILENT_PA = 2000.0  # the breath that it counts as asking for


_KEPT: WeakKeyDictionary[Trial, dict[bool, tuple[Blown, ...]]] = WeakKeyDictionary()


def blown(trial: Trial, careful: bool = False) -> tuple[Blown, ...]:
    """Blowing behaviour of the notes of every chamber with notes and a window; careful: with the effect of overtones.

    Kept as long as the trial is there, which holds meshes and fields.
    """
    kept = _KEPT.setdefault(trial, {})
    if careful not in kept:
        each = ((_motion(voice, np.ones(len(voice.notes), bool)), jet) for voice, jet in _jets(trial))
        kept[careful] = tuple(blow_fingerings(motion, jet, careful) for motion, jet in each)
    return kept[careful]


def _jets(trial: Trial) -> Iterator[tuple[Voice, AirJet]]:
    """The chambers with notes, each with the jet that blows it; DesignError where one has no window."""
    source = trial.vessel.source
    mute = [chamber.name for chamber in trial.vessel.chambers if chamber.notes and chamber.voicing is None]
    if mute:
        allowed = "a table [chamber.voicing]: without a window no breath can be asked of its notes"
        raise DesignError([Fault(source, f"{name}.voicing", None, allowed) for name in mute])
    constants = JetConstants.from_table(trial.vessel.jet, source)
    for voice in trial.voices:
        jet = jet_of(replace(voice.case, vessel=trial.vessel), constants)  # the voicing of the perturbed design
        # A perturbed design has the window's field of the one on trial.
        old, new = voice.case.chamber.window, trial.body.chamber(voice.chamber).window
        if old is not None and new is not None:
            # The field about the edge by a power law of its sizes.
            jet = replace(jet, edge_share=jet.edge_share * labium_beside(old, new))
        yield voice, jet


# The last motions with what they are of, and the last pressures (no meshes): a windway's height changes one chamber
# alone, and each of the others would take as long again.
_MOTIONS: deque[tuple[_Sounding, Motion]] = deque(maxlen=8)
_PRESSURES: deque[tuple[Motion, AirJet, bool, np.ndarray]] = deque(maxlen=8)


def _motion(voice: Voice, notes: np.ndarray) -> Motion:
    """The motion of some of a chamber's notes (f,) bool."""
    resonator = voice.resonator
    beside = resonator.beside
    if beside is not None and beside.ndim == 2:  # given note by note, for pairs in unison
        resonator = replace(resonator, beside=beside[notes])
    sounding = resonator.circuit, resonator.playing, resonator.states(voice.openness[notes])
    for known, motion in _MOTIONS:
        if _are_alike(known, sounding):
            return motion
    motion = resonator.motion(voice.openness[notes], RESONANCES)
    _MOTIONS.append((sounding, motion))
    return motion


def _are_alike(one: _Sounding, other: _Sounding) -> bool:
    """Whether two chambers sound alike: of one solved field, all else equal."""
    (a, player, states), (b, another, others) = one, other
    # Identity first: comparing fields entry by entry would take as long as what it spares.
    alike = a.field is b.field and np.array_equal(states, others)
    return alike and player == another and a == replace(b, field=a.field)


def _played(motion: Motion, jet: AirJet, careful: bool) -> np.ndarray:
    """Playing pressure (f,), Pa."""
    for known, its_jet, was_careful, pressure in _PRESSURES:
        if known is motion and its_jet == jet and was_careful == careful:
            return pressure
    _, playing, _ = playing_note(Loop(motion, jet), careful)
    pressure = np.asarray(jet.pressure(playing.speed))
    _PRESSURES.append((motion, jet, careful, pressure))
    return pressure


def pressures(trial: Trial, careful: bool = False, only: Sequence[int] = ()) -> np.ndarray:
    """Playing pressure of every note (f,), Pa; margins, which take as long again, are not asked for.

    only: notes that are asked for, the others nan; without it all.
    """
    found, first = [], 0
    for voice, jet in _jets(trial):
        count = len(voice.notes)
        # Counted over all chambers.
        notes = np.isin(np.arange(first, first + count), only) if only else np.ones(count, bool)
        first += count
        pa = np.full(count, np.nan)
        if notes.any():
            played = _played(_motion(voice, notes), jet, careful)
            pa[notes] = np.where(np.isfinite(played), played, SILENT_PA)
        found.append(pa)
    return np.concatenate(found)


def margins(trial: Trial) -> np.ndarray:
    """Breath at which every note jumps or dies away over its playing breath (f,)."""
    found = np.concatenate([each.stands for each in blown(trial)])
    return np.where(np.isfinite(found), found, SILENT_MARGIN)


@dataclass(frozen=True)
class EvenBreath(Measured):
    """A breath curve that rises evenly with pitch: log pressure on a straight line over each chamber's notes.

    Where chambers take over from each other it should not jump either (see `Meeting`).
    `weight` is what one percent of pressure off that line counts as, in cents.
    """

    weight: float = 0.1

    measures: ClassVar[str] = "breath off an even rise, %"

    def measured(self, trial: Trial) -> np.ndarray:
        percent, first = 100 * np.log(pressures(trial)), 0  # e-folds times 100: percent, alike up and down
        off = []
        for voice in trial.voices:
            here = percent[first : first + len(voice.targets)]
            first += len(voice.targets)
            # Straight in log pressure over log frequency.
            line = np.stack([np.ones(len(here)), np.log(voice.targets)], axis=1)
            # What is left of the best straight line.
            off.append(here - line @ np.linalg.lstsq(line, here, rcond=None)[0])
        return np.concatenate([*off, meetings(trial)])


@dataclass(frozen=True)
class Meeting(Measured):
    """Aim: equal breath on both sides where one chamber takes over from another; `weight` cents for each percent.

    Chambers follow each other by their lowest notes. Where two share notes these are held against each other, else
    the highest of the one against the lowest of the next. owed: percent at each crossing that is known to
    come on top, so that overtones need not be asked again; see `owed`.
    """

    weight: float = 0.1
    owed: tuple[float, ...] | None = None

    measures: ClassVar[str] = "change of breath where chambers meet, %"

    def measured(self, trial: Trial) -> np.ndarray:
        return meetings(trial) if self.owed is None else meetings(trial, careful=False) + np.array(self.owed)


def owed(trial: Trial, still: Trial) -> tuple[float, ...]:
    """Share of overtones and playing in a trial's `meetings`, percent, beside the same piece `still`: it hardly
    changes with a windway, and takes several times as long."""
    return tuple((meetings(trial) - meetings(still, careful=False)).tolist())


def meetings(trial: Trial, careful: bool = True) -> np.ndarray:
    """Breath of each crossing's upper chamber over the lower one's, percent (e-folds times 100): (crossings,).

    careful: overtones count. Low notes, whose holes are closed, owe them some percent of their breath, high ones none.
    """
    pairs = crossings([voice.targets for voice in trial.voices])
    if not pairs:
        return np.zeros(0)
    pa = np.log(pressures(trial, careful, only=sorted({n for pair in pairs for n in pair})))
    return 100 * np.array([pa[above] - pa[below] for below, above in pairs])


def crossings(targets: Sequence[np.ndarray]) -> tuple[tuple[int, int], ...]:
    """Notes (below, above) that meet, counted over all chambers, from the target frequencies in Hz of each.

    A chamber of one note among others of more is a drone, which takes over from none.

    >>> crossings([np.array([440.0, 494.0]), np.array([196.0, 220.0, 262.0])])
    ((4, 0),)
    """
    firsts = np.cumsum([0, *(len(hz) for hz in targets)])  # number of each chamber's first note among all
    melody = [n for n, hz in enumerate(targets) if len(hz) > 1] or range(len(targets))  # of drones alone each counts
    order = sorted(melody, key=lambda n: float(targets[n].min()))
    pairs: list[tuple[int, int]] = []
    for one, other in pairwise(order):
        # Every note of the one with every note of the other.
        apart = np.abs(np.log2(targets[one][:, None] / targets[other])) < _ONE_PITCH
        shared = list(zip(*np.nonzero(apart), strict=True))
        ends = [(int(targets[one].argmax()), int(targets[other].argmin()))]
        # Each shared note, or the two ends.
        pairs += [(int(firsts[one] + i), int(firsts[other] + j)) for i, j in shared or ends]
    return tuple(pairs)


_ONE_PITCH = 0.25 / 12  # octaves: targets nearer than a quarter of a semitone are one note


@dataclass(frozen=True)
class Margin(Measured):
    """At least so much margin before any note overblows; a tenth less counts as `weight` cents, more as nothing."""

    least: float = 1.5
    weight: float = 1.0

    measures: ClassVar[str] = "least overblowing margin"

    def value(self, trial: Trial) -> float:
        return float(margins(trial).min())

    def residuals(self, trial: Trial) -> np.ndarray:
        return 10 * self.weight * np.maximum(self.least - margins(trial), 0.0)  # a tenth of margin is the unit
