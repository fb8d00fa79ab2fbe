"""Limits that the start breaks and what is free cannot meet: the tune is kept, and what would meet them is said."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from simkit.errors import SimkitError
from simkit.optimisation.aims.intune import InTune, Proximity
from simkit.optimisation.problem import bounds
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.trial import drawn
from simkit.optimisation.reasons import AT_MM
from simkit.optimisation.search.descent import FEASIBLE_MM, Task, descend
from simkit.optimisation.search.searching import Search

log = logging.getLogger(__name__)

# Groups that may be freed besides, those first that a maker would rather move.
_GROUPS = ("holes",), ("offsets",), ("voicing",), ("shape",), ("size",), ("holes", "shape")
_MET_MM = 0.05  # a descent for nearness alone ends within some hundredths of a limit


def kept_in_tune(task: Task, search: Callable[[Task], Search], within: float) -> Search:
    """A search that does not put notes out of tune for limits that the start breaks and that it cannot meet so.

    within: cents within which a note counts as in tune. Where the search ends with more and the start is better, or
    a limit stays broken all the same, it is made again with such limits as they are at the start: never more broken.
    """
    found = search(task)
    if found.interrupted or not any(isinstance(aim, InTune) for aim in task.aims):
        return found
    outside = replace(task, freedom=task.freedom.out_to_start)
    if task.freedom.outside_bounds and found.end.worst_cents > max(within, _off_at_start(outside)):
        log.info("once more, with bounds that reach out to where the design starts")
        task, found = outside, search(outside)
    broken = _broken_at_start(task)
    # First only those that the search left broken, then all that the start breaks.
    for relaxed in (broken & (found.end.left < -AT_MM), broken):
        off = found.end.worst_cents
        still = (found.end.room < -AT_MM) & broken & found.end.movable
        if off <= within or not (still.any() or off > _off_at_start(task)):
            break
        if not relaxed.any():
            continue
        log.info("once more, with limits that cannot be met as they are at the start")
        again = search(replace(task, relaxation=np.where(relaxed, -_left_at_start(task), 0.0)))
        # Worth a broken limit only where it about halves what notes are off.
        if again.interrupted or again.end.worst_cents < min(off, max(within, 0.5 * off)):
            found = again
    return found


def _broken_at_start(task: Task) -> np.ndarray:
    """Limits (c,) bool that the start breaks; none where it cannot be drawn at all."""
    return _left_at_start(task) < -FEASIBLE_MM


def _left_at_start(task: Task) -> np.ndarray:
    """The room (c,) that the limits leave the start, mm: nothing is solved for it."""
    vessel = task.freedom.at(task.freedom.start)
    try:
        return task.left(vessel, drawn(vessel))
    except SimkitError:
        return np.zeros(1)


def _off_at_start(task: Task) -> float:
    """Largest deviation of a note of the start, cents; infinite where it cannot be made."""
    try:
        return task.evaluated(task.freedom.start).worst_cents
    except SimkitError:
        return np.inf


def would_meet(task: Task, row: int) -> str:
    """Groups of numbers that, freed as well, can meet a limit (by its row), as text to append; empty where none do."""
    vessel = task.freedom.vessel
    known = {number.name for number in task.freedom.numbers}
    for groups in _GROUPS:
        numbers = [n for group in groups for chamber in vessel.chambers for n in bounds.GROUPS[group](vessel, chamber)]
        more = tuple(number for number in numbers if number.name not in known)
        if more and _meets(replace(task, freedom=Freedom(vessel, more)), row):
            return f"; {' and '.join(groups)} would, freed as well"
    return ""


def _meets(task: Task, row: int) -> bool:
    """Whether moving what is free here alone, as little as it takes, meets a limit; nothing is asked of the notes."""
    freed = task.freedom
    try:
        proximity = Proximity.near(freed)
        near = Task(freed, (proximity,), task.limits, task.setting, metric=proximity.metric)
        # Spares a descent where not even the slope of the limit answers.
        if not near.evaluated(freed.start).movable[row]:
            return False
        return bool(descend(near, freed.start).end.left[row] > -_MET_MM)
    except SimkitError:
        return False
