"""A start brought near by the openings' ducts alone, with the field of the start kept: in no time.

Most of a note's answer to a hole's size is its duct, which is far from straight over some hundred cents and costs
nothing to ask again. What the field adds is left to the descent proper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from simkit.errors import SimkitError
from simkit.optimisation.aims.intune import InTune
from simkit.optimisation.aims.slopes import slopes_beside
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.trial import Setting, Trial, Voice
from simkit.optimisation.search.descent import Task, descend
from simkit.sound.elements.openings import Aperture, aperture_of

_FAR_CENTS = 40.0  # a start with every note nearer is left alone


@dataclass(frozen=True)
class _InTuneByDucts:
    """`InTune` with the slopes that ducts alone give."""

    weight: float

    measures: ClassVar[str] = InTune.measures

    def value(self, trial: Trial) -> float:
        return float(np.abs(trial.cents).max())

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * trial.cents

    def slopes(self, trial: Trial) -> np.ndarray:
        return self.weight * slopes_beside(trial, trial.neighbours, field=False)


def coarse_start(task: Task, start: np.ndarray) -> np.ndarray:
    """`start` (n,) brought nearer to being in tune, where only openings are free; else `start` itself."""
    weight = next((aim.weight for aim in task.aims if isinstance(aim, InTune)), 0.0)
    base = task.evaluated(task.clipped(start)).trial
    is_near = np.abs(base.cents).max() < _FAR_CENTS
    if not weight or is_near or not all(n.moves_openings_only(base) for n in base.neighbours):
        return start

    def by_ducts(freedom: Freedom, x: np.ndarray, setting: Setting) -> Trial:
        trial = Trial.of(freedom, x, setting)
        apertures = [aperture_of(o) for chamber in trial.body.chambers for o in chamber.all_openings]
        return trial.sounding([_with_apertures(voice, apertures) for voice in base.voices])

    near = descend(replace(task, aims=(_InTuneByDucts(weight),), trial=by_ducts, seen=None), base.x).end
    try:
        near.trial.cases  # noqa: B018 - nothing so far has asked whether such holes can be cut
    except SimkitError:
        return start
    return near.x


def _with_apertures(voice: Voice, apertures: Sequence[Aperture]) -> Voice:
    circuit = voice.resonator.circuit
    ducts = tuple(replace(duct, aperture=a) for duct, a in zip(circuit.ducts, apertures, strict=True))
    return replace(voice, resonator=replace(voice.resonator, circuit=replace(circuit, ducts=ducts)))
