"""A draft tuned by the coarse model: no slope of a wall is asked, and the field is solved anew only where that has led.

Each design that is looked at is one as a file writes it, so the last is the answer. While notes are far off everything
moves; then walls stay, whose meshes would be made anew, and their openings take up what is left. Where the
model, right at the last design, hopes for nothing better within the limits, there is nothing better near by.
"""

from __future__ import annotations

import logging
from dataclasses import replace

import numpy as np

from simkit.errors import SimkitError
from simkit.optimisation.problem.trial import Trial
from simkit.optimisation.search.coarse import foretold, held_at, is_known
from simkit.optimisation.search.descent import FEASIBLE_MM, Descent, Iterate, Task
from simkit.optimisation.search.rounding import written
from simkit.optimisation.search.starts import feasible

log = logging.getLogger(__name__)

_BY_OPENINGS = 10.0  # cents: so near, openings are tried by themselves
ENOUGH = 0.3  # cents: notes need be no nearer
_FORETOLD = 0.7  # of that, to which the coarse model goes
_LEAST_SHARE = 0.1  # of the merit: less hoped for, or had, ends it
_ROUNDS, _MOST_VAIN = 8, 2  # rounds, and how many in a row may gain nothing


def draft_tuned(task: Task, start: np.ndarray, enough: float = ENOUGH) -> Descent | None:
    """A draft at `start` (n,) as well in tune as limits let it be; None where the coarse model does not know it all.

    enough: cents within which all notes are to be.
    """
    task = replace(task, tolerance=_FORETOLD * enough, least_gain=0.0)
    x = _made(task, start)
    here = written(task, x, task.freedom.at(x))
    if not is_known(task, here):
        return None
    best, merits, vain = task.recorded(here), [here.merit], 0
    for _ in range(min(_ROUNDS, task.most_steps)):
        if _off(best) < enough and best.left[best.movable].min(initial=0.0) > -FEASIBLE_MM:
            break
        there = _by_openings(here) or _by_all(here)
        if there is None:
            break
        # What a mesh made anew, or a long way, does to the notes may hide what is gained; from there it is seen.
        vain = vain + 1 if there.merit > (1 - _LEAST_SHARE) * best.merit else 0
        here, best = there, min(best, there, key=lambda each: each.merit)
        if vain == _MOST_VAIN:
            break
        task.recorded(there)
        task.effort.steps += 1
        merits.append(best.merit)
        log.info("moving what is free: step %d, still %.1f off", len(merits) - 1, _off(here))
    return Descent(best, tuple(merits), len(merits))


def _made(task: Task, start: np.ndarray) -> np.ndarray:
    """The start (n,) with its holes where the hands can have them; as it is where that cannot be."""
    start = task.clipped(start)
    try:
        body = Trial.of(task.freedom, start, task.setting)
        return start if task.left(body.vessel, body.body).min() > -FEASIBLE_MM else feasible(task, start)
    except SimkitError:
        return start


def _by_all(here: Iterate) -> Iterate | None:
    """The design to which the coarse model leads if everything moves, looked at; None where it hopes for no more."""
    near = foretold(here.task, here, here.task.aims[0].weight)
    if near is None or near.merit > (1 - _LEAST_SHARE) * here.merit:
        return None
    return written(here.task, near.x, near.trial.vessel)


def _by_openings(here: Iterate) -> Iterate | None:
    """The same if walls stay; None too where that leaves notes off."""
    is_held = np.array([not neighbour.moves_openings_only(here.trial) for neighbour in here.trial.neighbours])
    if _off(here) > _BY_OPENINGS or is_held.all() or not is_held.any():
        return None
    held = held_at(here, is_held)
    near = foretold(held.task, held, held.task.aims[0].weight)
    if near is None or _off(near) > here.task.tolerance / _FORETOLD:
        return None
    x = here.x.copy()
    x[~is_held] = near.x
    return written(here.task, x, near.trial.vessel)


def _off(iterate: Iterate) -> float:
    return float(np.abs(iterate.trial.cents).max())
