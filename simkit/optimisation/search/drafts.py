"""A draft tuned by the coarse model: no slope of a wall is asked, and the field is solved anew only where that has led.

Each design that is looked at is one as a file writes it, so the last is the answer. While notes are far off everything
moves; then walls stay, whose meshes would be made anew, and their openings take up what is left. Where the
model, right at the last design, hopes for nothing better within the limits, there is nothing better near by.
"""

from __future__ import annotations

import logging
from contextlib import suppress
from dataclasses import replace

import numpy as np

from simkit.body import Wall
from simkit.errors import SimkitError
from simkit.optimisation.aims.intune import set_slopes
from simkit.optimisation.problem.trial import Trial
from simkit.optimisation.search.coarse import Coarse, foretold, held_at, is_known
from simkit.optimisation.search.descent import FEASIBLE_MM, Descent, Iterate, Task
from simkit.optimisation.search.nearest import feasible
from simkit.optimisation.search.rounding import as_file, written
from simkit.vessel import Vessel

log = logging.getLogger(__name__)

_BY_OPENINGS = 10.0  # cents: so near, openings are tried by themselves
_ENOUGH, _NEARER = 0.3, 0.1  # cents: notes need be no nearer; until openings alone have moved
_NEAR_BY = 1.0  # clear changes of any number
_FORETOLD = 0.2  # cents, to which the coarse model goes
_LEAST_SHARE = 0.1  # of the merit: less hoped for, or had, ends it
_ROUNDS, _MOST_VAIN = 8, 2  # rounds, and how many in a row may gain nothing


def draft_tuned(task: Task, start: np.ndarray) -> Descent | None:
    """A draft at `start` (n,) as well in tune as limits let it be; None where the coarse model does not know it all."""
    task = replace(task, tolerance=_FORETOLD, least_gain=0.0)
    x = _made(task, start)
    here = written(task, x, task.freedom.at(x))
    if not is_known(task, here):
        return None
    best, merits, vain, enough = task.recorded(here), [here.merit], 0, _NEARER
    for _ in range(min(_ROUNDS, task.most_steps)):
        if best.worst_cents < enough and not best.is_broken:
            break
        there = _by_openings(here) or _by_all(here)  # openings first: they cost no mesh
        if there is None:
            break
        # After a new mesh notes must be nearer before openings alone take over: they still jump with it.
        enough = _ENOUGH if _walls(there) == _walls(here) else _NEARER
        # What a mesh made anew, or a long way, does to the notes may hide what is gained; from there it is seen.
        vain = vain + 1 if there.merit > (1 - _LEAST_SHARE) * best.merit else 0
        # On from the last even where it is worse: the model is right there, and says better from where the notes are.
        here, best = there, min(best, there, key=lambda each: each.merit)
        if vain == _MOST_VAIN:
            break
        task.recorded(there)
        task.effort.steps += 1
        merits.append(best.merit)
        log.info("moving what is free: step %d, still %.1f off", len(merits) - 1, here.worst_cents)
    if best.worst_cents >= _ENOUGH:  # what stands in the way is asked by slopes: the model's do, without a wall's field
        set_slopes(best.trial, Coarse.about(best.trial).slopes(best.trial))
    return Descent(best, tuple(merits), len(merits))


def draft_foretold(task: Task, start: np.ndarray, enough: float) -> tuple[Vessel, float]:
    """A draft at `start` (n,) as a file writes it where one round leads, and how far its worst note is off, cents.

    By the coarse model alone, which is some cents off there: for what is tuned again beside others.
    """
    here = task.evaluated(_made(task, start))
    near = foretold(replace(task, tolerance=enough, least_gain=0.0), here, task.aims[0].weight)
    end = here if near is None else near
    return as_file(task.freedom, end.trial.vessel), end.worst_cents


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
    for share in (1.0, 0.8, 0.4):  # where it leads there may be no such clay, by a hair that the model does not see
        x = here.x + share * (near.x - here.x)
        with suppress(SimkitError):
            return written(here.task, x, here.task.freedom.at(x))
    return None


def _by_openings(here: Iterate) -> Iterate | None:
    """The same if walls stay; None too where that leaves notes off, or goes farther than the model knows its way."""
    is_held = ~here.trial.by_openings
    if here.worst_cents > _BY_OPENINGS or is_held.all() or not is_held.any():
        return None
    held = held_at(here, is_held)
    near = foretold(held.task, held, held.task.aims[0].weight)
    if (
        near is None
        or near.worst_cents > _ENOUGH
        or np.abs((near.x - held.x) / held.task.freedom.reach).max() > _NEAR_BY
    ):
        return None
    x = here.x.copy()
    x[~is_held] = near.x
    with suppress(SimkitError):
        return written(here.task, x, near.trial.vessel)
    return None


def _walls(iterate: Iterate) -> list[Wall]:
    return [chamber.wall for chamber in iterate.trial.body.chambers]
