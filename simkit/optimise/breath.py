"""Aims of breath: an even breath curve, and a margin before notes overblow; by the model of `simkit.sound.blowing`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import ClassVar

import numpy as np

from simkit.optimise.aims import differences
from simkit.optimise.trial import Trial
from simkit.optimise.windows import labium_beside
from simkit.sound.blowing.constants import JetConstants
from simkit.sound.blowing.fingerings import Blown, blow_fingerings
from simkit.sound.blowing.of_resonators import motion_of_ports
from simkit.sound.blowing.table import RESONANCES, jet_of

SILENT_MARGIN = 0.5  # what a note counts as that does not speak at all
SILENT_PA = 2000.0  # the breath that it counts as asking for


@lru_cache(maxsize=64)
def blown(trial: Trial) -> tuple[Blown, ...]:
    """How the notes of every chamber with notes and a window blow."""
    constants = JetConstants.from_table(trial.vessel.jet, trial.vessel.source)
    found = []
    for voice in trial.voices:
        if trial.vessel.chamber(voice.chamber).voicing is not None:
            motion = motion_of_ports(voice.resonator, voice.openness, RESONANCES)
            jet = jet_of(replace(voice.case, vessel=trial.vessel), constants)
            # A design that leans has the window's field of the one that it leans from.
            old, new = voice.case.chamber.window, trial.body.chamber(voice.chamber).window
            if old is not None and new is not None:
                jet = replace(jet, edge_share=jet.edge_share * labium_beside(old, new))
            found.append(blow_fingerings(motion, jet, careful=False))
    return tuple(found)


def pressures(trial: Trial) -> np.ndarray:
    """Playing pressure of every note (f,), Pa."""
    found = np.concatenate([each.pressure for each in blown(trial)])
    return np.where(np.isfinite(found), found, SILENT_PA)


def margins(trial: Trial) -> np.ndarray:
    """Times its breath that every note (f,) stands before it jumps or dies away."""
    found = np.concatenate([each.stands for each in blown(trial)])
    return np.where(np.isfinite(found), found, SILENT_MARGIN)


@dataclass(frozen=True)
class EvenBreath:
    """A breath curve that rises evenly with pitch: log pressure on a straight line over each chamber's notes.

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
        return np.concatenate(off)


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
