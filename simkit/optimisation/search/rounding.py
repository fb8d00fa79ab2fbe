"""Designs as a file writes them: numbers with the digits that it has."""

from __future__ import annotations

import numpy as np

from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.trial import Trial, drawn
from simkit.optimisation.search.descent import Iterate, Task
from simkit.vessel import Tie, Vessel


def rounded(end: Iterate) -> Iterate:
    """The design with its numbers as a file writes them, looked at once more."""
    return written(end.task, end.x, end.trial.vessel)


def written(task: Task, x: np.ndarray, vessel: Vessel) -> Iterate:
    """A design `vessel` at `x` (n,) with its numbers as a file writes them, looked at; SimkitError where it is none."""
    return looked_at(task, x, as_file(task.freedom, vessel))


def as_file(freed: Freedom, vessel: Vessel) -> Vessel:
    """A design with what may move as a file writes it."""
    return vessel.with_values({key: as_written(key, vessel.value(key)) for key in moving_keys(freed)})


def looked_at(task: Task, x: np.ndarray, vessel: Vessel) -> Iterate:
    """A design that is at `x` (n,) but for rounding, looked at."""
    task.effort.looked_at += 1
    return task.iterate(Trial(task.freedom, x, task.setting, vessel, drawn(vessel)))


def as_written(key: str, value: float) -> float:
    """A number as a design file has it: micrometres, thousandths of a degree; five digits where it has no unit."""
    return round(value, 3 if key.endswith(("_mm", "_deg")) else 5)


def moving_keys(freed: Freedom) -> list[str]:
    """All keys that move: of the free numbers, and those tied to them."""
    own = [key for number in freed.numbers for key in number.keys]
    ties = {key: free.to for key, free in freed.vessel.free.items() if isinstance(free, Tie)}
    followers = set(own)
    for _ in ties:  # as often as the longest chain of ties can be
        followers |= {key for key, to in ties.items() if to in followers}
    return own + [key for key in ties if key in followers and key not in own]
