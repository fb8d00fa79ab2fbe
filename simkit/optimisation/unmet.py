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
from simkit.optimisation.reasons import AT_MM
from simkit.optimisation.search.descent import FEASIBLE_MM, Iterate, Task, descend
from simkit.optimisation.search.searching import Search

log = logging.getLogger(__name__)

# What may be freed besides, what a maker would rather move first.
_GROUPS = ("holes", "offsets", "voicing", "shape", "size")


def kept_in_tune(task: Task, search: Callable[[Task], Search], within: float) -> Search:
    """A search that does not put notes out of tune for limits that the start breaks and that it cannot meet so.

    within: cents within which a note counts as in tune. Where the search ends with more and the start is better, or
    a limit stays broken all the same, it is made again with such limits as they are at the start: never more broken.
    """
    found = search(task)
    if found.interrupted or not any(isinstance(aim, InTune) for aim in task.aims):
        return found
    start = _start(task)
    if start is None or not (broken := start.left < -FEASIBLE_MM).any():
        return found
    for relaxation in (broken & (found.end.left < -AT_MM), broken):
        off = _off(found.end)
        still = (found.end.room < -AT_MM) & broken & found.end.movable
        if off <= within or not (still.any() or off > _off(start)):
            break
        if not relaxation.any():
            continue
        log.info("once more, with limits that cannot be met as they are at the start")
        again = search(replace(task, relaxation=np.where(relaxation, -start.left, 0.0)))
        if again.interrupted or _off(again.end) < min(off, max(within, 0.5 * off)):
            found = again
    return found


def _start(task: Task) -> Iterate | None:
    """The start looked at, None where it cannot be made."""
    try:
        iterate = task.evaluated(task.freedom.start)
        iterate.trial.cents  # noqa: B018 - whether it can be made is what is asked
    except SimkitError:
        return None
    return iterate


def _off(iterate: Iterate) -> float:
    return float(np.abs(iterate.trial.cents).max())


def would_meet(task: Task, row: int) -> str:
    """Which group of numbers, freed as well, can meet a limit (by its row), to append; empty where none does."""
    vessel = task.freedom.vessel
    known = {number.name for number in task.freedom.numbers}
    for group in _GROUPS:
        numbers = [number for chamber in vessel.chambers for number in bounds.GROUPS[group](vessel, chamber)]
        more = tuple(number for number in numbers if number.name not in known)
        if more and _meets(replace(task, freedom=Freedom(vessel, more)), row):
            return f"; {group} would, freed as well"
    return ""


def _meets(task: Task, row: int) -> bool:
    """Whether moving what is free here alone, as little as it takes, meets a limit; nothing is asked of the notes."""
    may = task.freedom
    try:
        proximity = Proximity.near(may)
        near = Task(may, (proximity,), task.limits, task.setting, metric=proximity.metric)
        if not near.evaluated(may.start).movable[row]:
            return False
        return bool(descend(near, may.start).end.left[row] > -AT_MM)
    except SimkitError:
        return False
