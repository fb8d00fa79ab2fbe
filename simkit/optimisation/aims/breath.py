"""Aims of breath: an even curve, curves that meet, a margin before notes overblow; by `simkit.sound.blowing`."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar
from weakref import WeakKeyDictionary

import numpy as np

from simkit.optimisation.aims.intune import differences
from simkit.optimisation.problem.trial import Trial, Voice
from simkit.optimisation.problem.windows import labium_beside
from simkit.sound.blowing.behaviour import Blown, blow_fingerings, playing_note
from simkit.sound.blowing.loop import Loop
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.circuit import Circuit
from simkit.sound.models.motion import Motion

_Sounding = tuple[Circuit, np.ndarray | None, np.ndarray]  # a chamber's circuit, others' openness, its own

SILENT_MARGIN = 0.5  # what a note counts as that does not speak at all
SILENT_PA = 2000.0  # the breath that it counts as asking for


_KEPT: WeakKeyDictionary[Trial, dict[bool, tuple[Blown, ...]]] = WeakKeyDictionary()


def blown(trial: Trial, careful: bool = False) -> tuple[Blown, ...]:
    """How the notes of every chamber with notes and a window blow; careful: with what overtones do to it.

    Kept as long as the trial is there, which holds meshes and fields.
    """
    kept = _KEPT.setdefault(trial, {})
    if careful not in kept:
        kept[careful] = _blown(trial, careful)
    return kept[careful]


def _blown(trial: Trial, careful: bool) -> tuple[Blown, ...]:
    return tuple(blow_fingerings(_motion(voice), jet, careful) for voice, jet in _jets(trial))


def _jets(trial: Trial) -> Iterator[tuple[Voice, AirJet]]:
    """The chambers with notes and a window, each with the jet that blows it."""
    constants = JetConstants.from_table(trial.vessel.jet, trial.vessel.source)
    for voice in trial.voices:
        if trial.vessel.chamber(voice.chamber).voicing is not None:
            jet = jet_of(replace(voice.case, vessel=trial.vessel), constants)
            # A perturbed design has the window's field of the one on trial.
            old, new = voice.case.chamber.window, trial.body.chamber(voice.chamber).window
            if old is not None and new is not None:
                jet = replace(jet, edge_share=jet.edge_share * labium_beside(old, new))
            yield voice, jet


# The last motions, with what they are of (no meshes): a windway's height changes the jet alone, and a chamber's motion
# in its openings takes as long as blowing it.
_MOTIONS: deque[tuple[_Sounding, Motion]] = deque(maxlen=8)


def _motion(voice: Voice) -> Motion:
    sounding = voice.resonator.circuit, voice.resonator.beside, voice.openness
    for known, motion in _MOTIONS:
        if _are_alike(known, sounding):
            return motion
    motion = voice.resonator.motion(voice.openness, RESONANCES)
    _MOTIONS.append((sounding, motion))
    return motion


def _are_alike(one: _Sounding, other: _Sounding) -> bool:
    """Whether two voices have the very field and ducts; equal ones that were made apart need not be compared."""
    (a, *others), (b, *rest) = one, other
    if not (a.field is b.field and a.loss is b.loss and all(x is y for x, y in zip(others, rest, strict=True))):
        return False
    return all(old is new for old, new in zip(a.ducts, b.ducts, strict=True))


def pressures(trial: Trial, careful: bool = False) -> np.ndarray:
    """Playing pressure of every note (f,), Pa; margins, which take as long again, are not asked for."""
    found = []
    for voice, jet in _jets(trial):
        _, playing, _ = playing_note(Loop(_motion(voice), jet), careful)
        found.append(jet.pressure(playing.speed))
    pa = np.concatenate(found)
    return np.where(np.isfinite(pa), pa, SILENT_PA)


def margins(trial: Trial) -> np.ndarray:
    """Times its breath that every note (f,) stands before it jumps or dies away."""
    found = np.concatenate([each.stands for each in blown(trial)])
    return np.where(np.isfinite(found), found, SILENT_MARGIN)


@dataclass(frozen=True)
class EvenBreath:
    """A breath curve that rises evenly with pitch: log pressure on a straight line over each chamber's notes.

    Where chambers take over from each other it should not jump either (see `Meeting`).
    `weight` is what one percent of pressure off that line counts as, in cents.
    """

    weight: float = 0.1

    measures: ClassVar[str] = "breath off an even rise, %"

    def value(self, trial: Trial) -> float:
        return float(np.abs(self._percent(trial)).max())

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * self._percent(trial)

    def slopes(self, trial: Trial) -> np.ndarray:
        return differences(trial, self.residuals)

    @staticmethod
    def _percent(trial: Trial) -> np.ndarray:
        percent, first = 100 * np.log(pressures(trial)), 0
        off = []
        for voice in trial.voices:
            here = percent[first : first + len(voice.targets)]
            first += len(voice.targets)
            line = np.stack([np.ones(len(here)), np.log(voice.targets)], axis=1)
            off.append(here - line @ np.linalg.lstsq(line, here, rcond=None)[0])
        return np.concatenate([*off, meetings(trial)])


@dataclass(frozen=True)
class Meeting:
    """The same breath on both sides where one chamber takes over from another; `weight` cents for each percent.

    Chambers follow each other by their lowest notes. Where two share notes these are held against each other, else
    the highest of the one against the lowest of the next.
    """

    weight: float = 0.1

    measures: ClassVar[str] = "change of breath where chambers meet, %"

    def value(self, trial: Trial) -> float:
        return float(np.abs(meetings(trial)).max(initial=0.0))

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * meetings(trial)

    def slopes(self, trial: Trial) -> np.ndarray:
        return differences(trial, self.residuals)


def meetings(trial: Trial) -> np.ndarray:
    """By how many percent (e-folds times 100) the breath of each crossing's upper chamber is above the lower one's.

    Overtones count: low notes, whose holes are closed, owe them some percent of their breath, high ones none.
    """
    pairs = crossings([voice.targets for voice in trial.voices])
    if not pairs:
        return np.zeros(0)
    pa = np.log(pressures(trial, careful=True))
    return 100 * np.array([pa[above] - pa[below] for below, above in pairs])


def crossings(targets: Sequence[np.ndarray]) -> tuple[tuple[int, int], ...]:
    """Notes (below, above) that meet, counted over all chambers, from the target frequencies in Hz of each.

    A chamber of one note among others of more is a drone, which takes over from none.

    >>> crossings([np.array([440.0, 494.0]), np.array([196.0, 220.0, 262.0])])
    ((4, 0),)
    """
    firsts = np.cumsum([0, *(len(hz) for hz in targets)])
    melody = [n for n, hz in enumerate(targets) if len(hz) > 1] or range(len(targets))
    order = sorted(melody, key=lambda n: float(targets[n].min()))
    pairs: list[tuple[int, int]] = []
    for one, other in pairwise(order):
        apart = np.abs(np.log2(targets[one][:, None] / targets[other])) < _ONE_PITCH
        shared = list(zip(*np.nonzero(apart), strict=True))
        ends = [(int(targets[one].argmax()), int(targets[other].argmin()))]
        pairs += [(int(firsts[one] + i), int(firsts[other] + j)) for i, j in shared or ends]
    return tuple(pairs)


_ONE_PITCH = 0.25 / 12  # octaves: targets nearer than a quarter of a semitone are one note


@dataclass(frozen=True)
class Margin:
    """At least so much margin before any note overblows; a tenth less counts as `weight` cents, more as nothing."""

    least: float = 1.5
    weight: float = 1.0

    measures: ClassVar[str] = "least overblowing margin"

    def value(self, trial: Trial) -> float:
        return float(margins(trial).min())

    def residuals(self, trial: Trial) -> np.ndarray:
        return 10 * self.weight * np.maximum(self.least - margins(trial), 0.0)

    def slopes(self, trial: Trial) -> np.ndarray:
        return differences(trial, self.residuals)
