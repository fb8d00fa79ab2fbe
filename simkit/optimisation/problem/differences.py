"""The design on trial perturbed a little each way it may move: whatever can be asked of it can be asked of these too.

Their sound is to first order in the port field and exact in the openings' ducts, without solving anything anew (but a
port field on moved meshes where a wall moves), so differences give the slopes of any aim.
"""

from __future__ import annotations

from dataclasses import replace
from weakref import WeakKeyDictionary

import numpy as np

from simkit.optimisation.problem.morphing import MovedAir
from simkit.optimisation.problem.perturbations import OpeningMoves
from simkit.optimisation.problem.trial import Trial
from simkit.sound.models.circuit import Circuit

SHARE = 0.02  # of a clear change: the step of these differences


_PERTURBED: WeakKeyDictionary[Trial, tuple[Trial, ...]] = WeakKeyDictionary()


def perturbed_trials(trial: Trial) -> tuple[Trial, ...]:
    """For each free number the design with that number `SHARE` of a clear change further.

    Kept as long as the trial is there, which holds meshes and fields.
    """
    if trial not in _PERTURBED:
        _PERTURBED[trial] = _perturbed(trial)
    return _PERTURBED[trial]


def _perturbed(trial: Trial) -> tuple[Trial, ...]:
    freedom = trial.freedom
    steps = [SHARE * number.reach for number in freedom.numbers]
    beside = [trial.beside(freedom.beside(trial.vessel, n, step), step) for n, step in enumerate(steps)]
    by_openings = [n for n, neighbour in enumerate(beside) if neighbour.moves_openings_only(trial)]
    # One solve for the rows of all openings together.
    moves = OpeningMoves.of(trial, [beside[n] for n in by_openings], exact=False)
    air = MovedAir(trial)
    found = []
    for n, neighbour in enumerate(beside):
        if n in by_openings:
            place = by_openings.index(n)
            circuits: tuple[Circuit, ...] = tuple(moves.circuit(voice, place) for voice in trial.voices)
        else:
            circuits = air.circuits(neighbour)
        x = trial.x + steps[n] * (np.arange(len(steps)) == n)  # one number moves
        voices = [
            replace(voice, resonator=replace(voice.resonator, circuit=circuit))
            for voice, circuit in zip(trial.voices, circuits, strict=True)
        ]
        other = Trial(freedom, x, trial.setting, neighbour.vessel, neighbour.body)
        found.append(other.sounding(voices))
    return tuple(found)
