"""Among the designs that are as well in tune the nearest to the start: along what leaves the notes where they are.

A descent ends where the notes are at their targets, which many designs do. From there every step takes notes and
limits as straight and makes the way from the start as short as they allow: a least squares problem with rows to keep,
a note's row being that it stays within a third of a cent. What such a step does not do as straight as hoped, short ones
take back. Where it ends the numbers have moved only as far as some note or some limit asks.
"""

from __future__ import annotations

import logging

import numpy as np

from simkit.optimisation.aims.carried import carry_slopes
from simkit.optimisation.aims.intune import Stay
from simkit.optimisation.search.descent import HOLDS_MM, Iterate, straight_within
from simkit.optimisation.search.step import Linearisation

log = logging.getLogger(__name__)

IN_TUNE = 0.35  # cents: a note so near to its target need not come nearer
_STRAYS = 0.1  # cents that it may be off beside that, as nothing is straight
_ASTRAY = 3.0  # and on the way, as the next step takes it back
_WORTH = 0.1, 0.3  # of the way squared, and mm^2: less to be saved ends it
_MOST_STEPS = 5
_FIRST_TRUST, _LEAST_TRUST = 1.0, 0.05  # clear changes


def nearest(end: Iterate, stay: Stay) -> Iterate:
    """The design nearest to where it is asked to `stay` that meets what is wanted as well as the end of a descent."""
    here, best, trust = end, end, _FIRST_TRUST
    may_be = _may_be(end)
    for _ in range(_MOST_STEPS):
        step = _straight(here, stay, may_be, trust).best()
        astray, way = _astray(here, may_be), _squared(stay, here.x)
        hoped = _squared(stay, here.x + step * here.task.freedom.reach)
        if _holds(here, may_be) and way - hoped < max(_WORTH[0] * way, _WORTH[1]):
            break
        there = _moved(here, step, may_be)
        if there is None or _astray(there, may_be) > max(_ASTRAY, astray / 2):
            trust = min(trust, float(np.abs(step).max())) / 4
            if trust < _LEAST_TRUST:
                break
            continue
        carry_slopes(here.trial, there.trial)
        here, trust = end.task.come_to(there), 2 * trust
        end.task.effort.steps += 1
        if _holds(here, may_be) and _squared(stay, here.x) < _squared(stay, best.x):
            best = here
        log.info("going back to what may stay: %.1f mm and percent in all", np.sqrt(_squared(stay, here.x)))
    return best


def _may_be(end: Iterate) -> np.ndarray:
    """How far off each residual (m,) may be, so that none ends worse than it was, or 0.45 off.

    What is not worth its way may stay as it is: none goes far to bring it nearer.
    """
    weak = end.task.weak
    nearer = _STRAYS if weak is None else np.where(weak.mostly, 0.0, _STRAYS)
    return np.maximum(np.abs(end.residuals) - nearer, IN_TUNE)


def _straight(here: Iterate, stay: Stay, may_be: np.ndarray, trust: float) -> Linearisation:
    """The way as residuals, notes and limits as rows."""
    g = np.concatenate([here.left[here.movable], may_be - here.residuals, may_be + here.residuals])
    G = np.concatenate([here.limit_slopes[here.movable], -here.slopes, here.slopes])
    may = here.task.freedom
    return straight_within(may, here.x, stay.far(here.x), np.diag(stay.felt * may.reach), g, G, trust)


def _moved(here: Iterate, step: np.ndarray, may_be: np.ndarray) -> Iterate | None:
    """The design a step further; a short second step takes back what was not straight. None where there is none."""
    task, reach = here.task, here.task.freedom.reach
    first = task.tried(here.within_limits(here.x + step * reach))
    if first is None or _is_more_broken(here, first):
        return None
    if _holds(first, may_be):
        return first
    second = task.tried(here.within_limits(first.x + here.taking_back(first).best() * reach))
    if second is None or _is_more_broken(here, second) or _astray(first, may_be) < _astray(second, may_be):
        return first
    return second


def _astray(iterate: Iterate, may_be: np.ndarray) -> float:
    """By how many cents the worst of what is wanted is beyond what it may be (m,)."""
    return float((np.abs(iterate.residuals) - may_be).max(initial=0.0))


def _holds(iterate: Iterate, may_be: np.ndarray) -> bool:
    """Whether all that is wanted is as near as it may be: where a descent has ended it is, but for rounding."""
    return _astray(iterate, may_be) <= _STRAYS + 1e-6


def _is_more_broken(here: Iterate, there: Iterate) -> bool:
    """Whether a limit that the free numbers can do something about has less room, and not enough."""
    room = np.minimum(here.left, 0.0) - HOLDS_MM
    return bool((there.left < room)[here.movable].any())


def _squared(stay: Stay, x: np.ndarray) -> float:
    return float(np.sum(np.square(stay.far(x))))
