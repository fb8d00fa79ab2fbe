"""Among the designs that are as well in tune the nearest to the start: steps in the null space of the notes.

A descent ends where the notes are at their targets, which many designs do. From there every step linearises notes and
limits and makes the distance from the start as short as they allow: a least squares problem with rows to keep, a note's
row being that it stays within a third of a cent. A second-order correction follows where the notes' curvature shows.
Where it ends the numbers have moved only as far as some note or some limit asks. Starts of descents are the nearest to
a point within the bounds that clay could follow.
"""

from __future__ import annotations

import logging
from dataclasses import replace

import numpy as np

from simkit.errors import OutOfReach, SimkitError
from simkit.optimisation.aims.intune import Proximity, broyden_update
from simkit.optimisation.search.descent import FEASIBLE_MM, Iterate, Task, descend, linearised_about
from simkit.optimisation.search.step import Linearisation

log = logging.getLogger(__name__)

IN_TUNE = 0.35  # cents: a note so near to its target need not come nearer
_TOLERANCE = 0.1  # cents that it may be off beside that, as nothing is linear
_MOST_VIOLATION = 3.0  # and on the distance, as the next step takes it back
_LEAST_SAVING = 0.1, 0.3  # of the distance squared, and mm^2: less to be saved ends it
_MOST_STEPS = 5
_TRIES = 30  # points at random, until one is near a body
_FIRST_RADIUS, _LEAST_RADIUS = 1.0, 0.05  # clear changes


def nearest(end: Iterate, proximity: Proximity) -> Iterate:
    """The design nearest, by `proximity`, that meets what is wanted as well as the end of a descent."""
    here, best, radius = end, end, _FIRST_RADIUS
    allowed = _allowed(end)
    for _ in range(_MOST_STEPS):
        step = _linearised(here, proximity, allowed, radius).best()
        violation, distance = _violation(here, allowed), _squared_distance(proximity, here.x)
        predicted = _squared_distance(proximity, here.x + step * here.task.freedom.reach)
        if _holds(here, allowed) and distance - predicted < max(_LEAST_SAVING[0] * distance, _LEAST_SAVING[1]):
            break
        there = _moved(here, step, allowed)
        # Notes may leave their bounds on the way, as long as each step about halves what they are out by.
        if there is None or _violation(there, allowed) > max(_MOST_VIOLATION, violation / 2):
            radius = min(radius, float(np.abs(step).max())) / 4
            if radius < _LEAST_RADIUS:
                break
            continue
        broyden_update(here.trial, there.trial)
        here, radius = end.task.recorded(there), 2 * radius
        end.task.effort.steps += 1
        if _holds(here, allowed) and _squared_distance(proximity, here.x) < _squared_distance(proximity, best.x):
            best = here
        log.info(
            "going back to what may stay: %.1f mm and percent in all", np.sqrt(_squared_distance(proximity, here.x))
        )
    return best


def _allowed(end: Iterate) -> np.ndarray:
    """Bound on each residual (m,), so that none ends worse than it was, or 0.45 off.

    What weak directions leave may stay as it is: none goes far to bring it nearer.
    """
    weak = end.task.weak
    nearer = _TOLERANCE if weak is None else np.where(weak.mostly, 0.0, _TOLERANCE)
    return np.maximum(np.abs(end.residuals) - nearer, IN_TUNE)


def _linearised(here: Iterate, proximity: Proximity, allowed: np.ndarray, radius: float) -> Linearisation:
    """The distance as residuals, notes and limits as rows."""
    # |r| <= allowed as two rows of each.
    g = np.concatenate([here.left[here.movable], allowed - here.residuals, allowed + here.residuals])
    G = np.concatenate([here.limit_jacobian[here.movable], -here.jacobian, here.jacobian])
    freed = here.task.freedom
    return linearised_about(
        freed, here.x, proximity.displacement(here.x), np.diag(proximity.metric * freed.reach), g, G, radius
    )


def _moved(here: Iterate, step: np.ndarray, allowed: np.ndarray) -> Iterate | None:
    """The design a step further; a second-order correction where notes end too far off. None where there is none."""
    task, reach = here.task, here.task.freedom.reach
    # Limits first: no notes are solved for a body that breaks them.
    first = task.tried(here.within_limits(here.x + step * reach))
    if first is None or _is_more_broken(here, first):
        return None
    if _holds(first, allowed):
        return first
    second = task.tried(here.within_limits(first.x + here.second_order_correction(first).best() * reach))
    if second is None or _is_more_broken(here, second) or _violation(first, allowed) < _violation(second, allowed):
        return first
    return second


def _violation(iterate: Iterate, allowed: np.ndarray) -> float:
    """Largest excess of a residual over what is allowed (m,), cents."""
    return float((np.abs(iterate.residuals) - allowed).max(initial=0.0))


def _holds(iterate: Iterate, allowed: np.ndarray) -> bool:
    """Whether all that is wanted is as near as it may be: where a descent has ended it is, but for rounding."""
    return _violation(iterate, allowed) <= _TOLERANCE + 1e-6


def _is_more_broken(here: Iterate, there: Iterate) -> bool:
    """Whether a limit that the free numbers can do something about has less room, and not enough."""
    room = np.minimum(here.left, 0.0) - FEASIBLE_MM
    return bool((there.left < room)[here.movable].any())


def _squared_distance(proximity: Proximity, x: np.ndarray) -> float:
    return float(np.sum(np.square(proximity.displacement(x))))


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
    aims = (Proximity.near(task.freedom, x),)
    end = descend(replace(task, aims=aims, seen=None, center=None, tolerance=0.0), x).end
    end.trial.cases  # noqa: B018 - the inspection of the body is what is asked
    return end.x
