"""The search: from every start downhill, the best refined with its numbers as a file writes them."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from simkit.optimisation.aims.intune import InTune, Proximity, broyden_update
from simkit.optimisation.search.coarse import coarse_start, coarsely_chosen, is_known
from simkit.optimisation.search.descent import Descent, Iterate, Task, descend
from simkit.optimisation.search.drafts import draft_tuned
from simkit.optimisation.search.fingerings import alternatives, chosen_again
from simkit.optimisation.search.nearest import IN_TUNE, feasible, nearest, random_start
from simkit.optimisation.search.rounding import looked_at, rounded
from simkit.vessel import DesignError

log = logging.getLogger(__name__)

_SETTLED_CENTS = 0.1  # notes nearer to their targets are not tuned once more
_NEAR_CENTS = 0.45, 20.0  # a design whose worst note is so far off is searched once more, finely; farther, in vain
_CHOICES = 5  # times that combinations are chosen anew, each time by what the port model says where the last led
_FINISHED = 0.1  # cents that a mm counts for in that last tuning: no hole goes far for what a mesh is unsure of
# A start with every note nearer is left to its descent where only openings are free: their slopes are quick.
_FAR_CENTS = 40.0
_VAIN_CENTS = 10.0  # a draft that the coarse model leaves so far off is not tuned any nearer
_DRAFT = 1.0  # cents: so near a descent with walls need come where the openings are tuned once more anyway
# cents^2: what a descent must hope for to go on, where walls move and openings, the same with other aims than being in
# tune, and where no mesh is made anew.
_COARSE, _OTHERS, FINE = 1.0, 0.2, 0.01


@dataclass(frozen=True)
class Search:
    """Every start with its descent, the best design as a file writes it, whether the search was cut short."""

    descents: tuple[tuple[str, Descent], ...]
    end: Iterate
    interrupted: bool


def searched(
    task: Task,
    proximity: Proximity,
    starts: int = 1,
    seed: int = 0,
    *,
    choose_again: bool = False,
    keep_best: bool = False,
    near: bool = True,
) -> Search:
    """The best of so many starts, and of the designs that are as good the nearest to the start by `proximity`.

    choose_again: combinations of holes anew for what the holes then play. near: without it the best is not brought back
    towards the start.

    keep_best: Ctrl-C ends the search with the best design that it has come to.
    """
    seen, found = _Seen(), []
    only = all(isinstance(aim, InTune) for aim in task.aims)
    gain = threshold(task)
    # With other aims there is no "good enough": each goes on for what it is worth.
    tolerance = 0.0 if not only else IN_TUNE if near or gain == FINE else _DRAFT
    task = replace(task, seen=seen, least_gain=gain, center=proximity.at, tolerance=tolerance)
    try:
        if choose_again:
            task = _chosen(task, seed, near)
        for descent in _descents(task, starts, seed, near):
            found.append(descent)
        end = _best(found)
        end = _chosen_again(end) if choose_again and near else end
        by_coarse = not near and is_known(task, end)
        last = end if by_coarse else refined(nearest(end, proximity) if near else end, proximity, near)
        # Reasons and prices ask slopes of the last design, which is hardly another.
        broyden_update(end.trial, last.trial)
        return Search(tuple(found), last, False)
    except KeyboardInterrupt:
        if not (keep_best and seen):
            raise
        log.info("cut short: looking once more at the best so far (Ctrl-C again drops it)")
        best = min(seen, key=lambda iterate: iterate.merit)
        found.append(("cut short", Descent(best, (seen[0].merit, best.merit), seen.looked_at)))
        return Search(tuple(found), rounded(_best(found)), True)


class _Seen(list[Iterate]):
    """The first of all designs that descents have come to and the best of the rest: each holds meshes and fields."""

    looked_at = 0

    def append(self, iterate: Iterate) -> None:
        """Count a design; keep it if it is one of the two."""
        self.looked_at += 1
        if len(self) < 2:
            super().append(iterate)
        elif iterate.merit < self[1].merit:
            self[1] = iterate


def threshold(task: Task) -> float:
    """Least expected gain for a descent to go on, cents^2: more where walls move and openings can do the last of it."""
    numbers = task.freedom.numbers
    by_openings = [all(".hole." in key or ".voicing." in key for key in number.keys) for number in numbers]
    # Openings alone: no mesh jumps. Walls alone: nothing comes after that could do the last of it.
    if all(by_openings) or not any(by_openings):
        return FINE
    return _COARSE if all(isinstance(aim, InTune) for aim in task.aims) else _OTHERS


def _best(found: Iterable[tuple[str, Descent]]) -> Iterate:
    return min((descent.end for _, descent in found), key=lambda end: end.merit)


def _descents(task: Task, starts: int, seed: int, near: bool) -> Iterable[tuple[str, Descent]]:
    random = np.random.default_rng(seed)
    for n in range(starts):
        log.info("moving what is free%s", f", start {n + 1} of {starts}" if starts > 1 else "")
        start = task.freedom.start if n == 0 else random_start(task, random)
        try:
            yield ("as it is" if n == 0 else f"random {n}"), _descended(task, start, near)
        except DesignError:
            if n:
                raise
            # The design itself may have holes that run into each other.
            yield "as it is, moved apart", _descended(task, feasible(task, start), near)


def _descended(task: Task, start: np.ndarray, near: bool) -> Descent:
    """The descent from a point (n,), brought nearer by the coarse model.

    Without a step where that leaves a draft so far off, by limits, that only another draft would do.
    """
    if not near and (drafted := draft_tuned(task, start)):
        return drafted
    x = coarse_start(task, start, _FAR_CENTS if near else 0.0)
    if not near and (x != task.clipped(start)).any() and (end := task.evaluated(x)).worst_cents > _VAIN_CENTS:
        return Descent(task.recorded(end), (end.merit,), 1)
    return descend(task, x)


def _chosen(task: Task, seed: int, near: bool) -> Task:
    """The task with the best of many ways to finger the notes, started where its holes are all but in tune for them."""
    best, least = task, np.inf
    for n in range(_CHOICES):
        log.info("choosing holes for the notes")
        here = task.freedom.at(task.freedom.start)
        try:
            trial = task.evaluated(task.freedom.start).trial if n else None
            vessels = alternatives(here, seed + n, trial)  # other beginnings each time
            if len(vessels) < 2:
                return task
            task = coarsely_chosen(task, vessels)
            drafted = None if near else draft_tuned(task, task.freedom.start)
            end = drafted.end if drafted else task.evaluated(coarse_start(task, task.freedom.start))
        except DesignError:
            return best
        task = replace(task, freedom=task.freedom.of(end.trial.vessel, end.x))
        if end.worst_cents < least:
            best, least = task, end.worst_cents
        if least < task.tolerance:
            break
    return best


def _chosen_again(end: Iterate) -> Iterate:
    """Combinations of holes chosen anew by the port model and tuned again, as long as that helps."""
    for _ in range(4):
        vessel = None if end.worst_cents < end.task.tolerance else chosen_again(end.trial)
        if vessel is None:
            break
        freed = replace(end.task.freedom, vessel=vessel)
        there = descend(replace(end.task, freedom=freed), end.x).end
        if there.merit >= end.merit:
            break
        end = there
    return end


def refined(end: Iterate, proximity: Proximity, near: bool = True) -> Iterate:
    """The design as a file writes it, tuned once more with its walls and its window as they then are.

    These are meshed, and notes jump by some tenths of a cent from mesh to mesh, so from rounding them too.
    """
    there = _refined(end, proximity, near)
    task = end.task
    if _NEAR_CENTS[0] < there.worst_cents < (_NEAR_CENTS[1] if near else _VAIN_CENTS) and task.least_gain > FINE:
        finer = descend(replace(task, least_gain=FINE, tolerance=0.0), end.x).end
        again = _refined(nearest(finer, proximity) if near else finer, proximity, near)
        there = min(there, again, key=lambda iterate: iterate.merit)
    return there


def _refined(end: Iterate, proximity: Proximity, near: bool) -> Iterate:
    there = rounded(end)
    task, freed = end.task, end.task.freedom
    is_held = np.array([name.startswith("clay.") or ".voicing." in name for name in (n.name for n in freed.numbers)])
    is_held |= ~end.trial.by_openings
    asks = any(isinstance(aim, InTune) for aim in task.aims)
    is_settled = there.worst_cents < _SETTLED_CENTS if near else not IN_TUNE < there.worst_cents < _VAIN_CENTS
    if not asks or not is_held.any() or is_held.all() or is_settled:
        return there
    held = [number.name for number, here in zip(freed.numbers, is_held, strict=True) if here]
    rest = replace(freed.without(held), vessel=there.trial.vessel)
    x = end.x.copy()
    in_tune = [aim for aim in task.aims if isinstance(aim, InTune)]
    # From where the search has ended: this last tuning goes as little as it takes.
    proximity = replace(proximity.only(~is_held), at=x[~is_held], weight=_FINISHED)
    task = replace(
        task,
        freedom=rest,
        aims=(*in_tune, proximity),
        metric=proximity.metric,
        least_gain=FINE,
        seen=None,
        center=None,
        tolerance=0.0,
    )
    settled = rounded(descend(task, x[~is_held]).end)
    x[~is_held] = settled.x
    # Both as files write them.
    return min(there, looked_at(end.task, x, settled.trial.vessel), key=lambda each: each.worst_cents)
