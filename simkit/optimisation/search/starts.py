"""Starts of descents: the design as it is, and places at random within the bounds that clay could follow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.errors import OutOfReach, SimkitError
from simkit.optimisation.aims.intune import Proximity
from simkit.optimisation.search.descent import Task, descend

_TRIES = 30


def random_start(task: Task, random: np.random.Generator) -> np.ndarray:
    """A point (n,) anywhere within the bounds, moved as little as it takes to hold the limits."""
    freedom = task.freedom
    for _ in range(_TRIES):
        x = random.uniform(freedom.low, freedom.high)
        try:
            return feasible(task, x)
        except SimkitError:
            continue
    raise OutOfReach(f"no start at random of {_TRIES} could be made of clay: the bounds are too wide, or too narrow")


def feasible(task: Task, x: np.ndarray) -> np.ndarray:
    """`x` (n,) moved as little as it takes to hold the limits; SimkitError where no such body can be made."""
    # No notes are asked: the distance from x is the only aim.
    nearest = descend(
        replace(task, aims=(Proximity.near(task.freedom, x),), seen=None, center=None, tolerance=0.0), x
    ).end
    nearest.trial.cases  # noqa: B018 - the inspection of the body is what is asked
    return nearest.x
