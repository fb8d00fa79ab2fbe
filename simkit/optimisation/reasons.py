"""Reasons: the distance that each number has moved, and the note or limit that asked for it.

Where nothing brings a design nearer to its start without putting a note out of tune or breaking a limit, the way from
the start is a sum of slopes, one of each note, limit and bound times what holding it costs (Lagrange and, for limits,
Karush, Kuhn and Tucker). A number's part of that sum says what moved it.

Of limits that the start breaks and what is free cannot meet, the tune is kept, and what would meet them is said.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import pairwise

import numpy as np
from scipy.optimize import nnls

from simkit.errors import SimkitError
from simkit.frozen import frozen
from simkit.optimisation.aims.intune import InTune, Proximity
from simkit.optimisation.outcome import ChangedNumber
from simkit.optimisation.problem import bounds
from simkit.optimisation.problem.distance import is_percent, is_place, is_share
from simkit.optimisation.problem.free import Freedom, spoken
from simkit.optimisation.problem.trial import drawn
from simkit.optimisation.search.descent import FEASIBLE_MM, Iterate, Task, descend
from simkit.optimisation.search.rounding import moving_keys
from simkit.optimisation.search.searching import Search
from simkit.vessel import Vessel

AT_MM = 5e-3  # a limit or bound with less room than this is stood at
_MOST_NAMES = 2
_SHARE = 0.25  # of what asked for a move: less is not named


@frozen
class ActiveRow:
    """A limit or bound that a design stands at: in words, its slopes per clear change (n,), mm or the number's unit.

    unit: of one clear change, for bounds.
    """

    key: str
    said: str
    rule: str
    slopes: np.ndarray
    unit: float = 1.0


def active_set(end: Iterate) -> list[ActiveRow]:
    """The limits and bounds that a design stands at."""
    freed, reach, vessel = end.task.freedom, end.task.freedom.reach, end.trial.vessel
    rows = end.task.limits.rows(vessel, end.trial.body)
    found = [
        ActiveRow(row.what, row.what, row.rule, slope)
        for room, row, slope, movable in zip(end.left, rows, end.limit_jacobian, end.movable, strict=True)
        if movable and room < AT_MM
    ]
    for n, number in enumerate(freed.numbers):
        for bound, sign, side in ((number.low, 1.0, "least"), (number.high, -1.0, "most")):
            # sign * (x - bound) is the room inside the bound, so its slope is sign too.
            if sign * (end.x[n] - bound) < 1e-3 * reach[n]:
                rule = f"at {side} {bound:.4g}{number.why(side)}"
                slope = sign * np.eye(len(reach))[n]
                found.append(ActiveRow(number.name, spoken(vessel, number.name), rule, slope, float(reach[n])))
    return found


def moved(given: Vessel, end: Iterate, proximity: Proximity) -> tuple[ChangedNumber, ...]:
    """Every number of a design that has moved: its change, and the note or limit that asked for it."""
    freed = end.task.freedom
    asked = _reasons(end, proximity)
    of_key = {key: n for n, number in enumerate(freed.numbers) for key in number.keys}
    changes = []
    for key in moving_keys(freed):
        before, after = given.value(key), end.trial.vessel.value(key)
        if before == after:
            continue
        n = of_key.get(key)
        number = None if n is None else freed.numbers[n]
        is_own = number is not None and not number.is_factor and number.keys[0] == key
        low, high = (number.low, number.high) if number is not None and is_own else (None, None)
        by, unit = _by(end, proximity, key, before, after)
        changes.append(
            ChangedNumber(
                key, spoken(given, key), before, after, low, high, by, unit, asked[n] if n is not None else ()
            )
        )
    return tuple(changes)


def _by(end: Iterate, proximity: Proximity, key: str, before: float, after: float) -> tuple[float, str]:
    """Distance that a number moved, as a maker would measure it, and its unit."""
    if is_percent(key):
        # A share moves by points of percent, a size by percent of what it was.
        return 100 * (after - before) * (1 if is_share(key) or before == 0 else 1 / abs(before)), "%"
    if is_place(key):
        for number, metric in zip(end.task.freedom.numbers, proximity.metric, strict=True):
            if key in number.keys and not number.is_factor:
                # The metric is of the free number, which may move several keys; this is one key's part.
                return float(metric / np.linalg.norm(number.shares)) * (after - before), "mm"
    return after - before, "mm" if key.endswith("_mm") else "deg" if key.endswith("_deg") else ""


def _reasons(end: Iterate, proximity: Proximity) -> list[tuple[str, ...]]:
    """For each free number the notes and limits that moved it, what counts most first."""
    names, slopes = _gradients(end, proximity)
    way = proximity.displacement(end.x)
    if not len(names) or not way.any():
        return [()] * len(way)
    cost = _costs(way, slopes, len(names) - len(active_set(end)))  # limits' rows stand last
    parts = cost[:, None] * slopes * np.sign(way)  # positive where it pulls the way the number went
    return [_largest(names, parts[:, n]) for n in range(len(way))]


def _costs(way: np.ndarray, slopes: np.ndarray, either: int) -> np.ndarray:
    """Multiplier of each row of slopes (a, n), such that they sum up to `way` (n,) as nearly as may be.

    The first `either` rows, of notes, pull either way, the others, of limits and bounds, one way only.
    """
    free, bound = slopes[:either], slopes[either:]
    beyond = np.eye(len(way)) - np.linalg.pinv(free, rcond=1e-6) @ free  # the complement of the notes' row space
    # First what notes cannot explain, by limits that only push; then the notes take the rest, with either sign.
    one_way = nnls((bound @ beyond).T, beyond @ way, maxiter=100 * len(slopes))[0] if len(bound) else np.zeros(0)
    return np.concatenate([np.linalg.lstsq(free.T, way - bound.T @ one_way, rcond=1e-6)[0], one_way])


def _gradients(end: Iterate, proximity: Proximity) -> tuple[list[str], np.ndarray]:
    """Names (a) and slopes (a, n) per mm or percent of all that may hold a number away from its start."""
    names: list[str] = []
    rows: list[np.ndarray] = []
    for aim in end.task.aims:
        if isinstance(aim, InTune):
            said, slopes = _steps(end, aim.slopes(end.trial) / proximity.metric)
        else:
            slopes = aim.slopes(end.trial) / proximity.metric
            said = [aim.measures] * len(slopes)
        names += said
        rows += list(slopes)
    per_clear = proximity.metric * end.task.freedom.reach  # mm or percent of a clear change
    for limit in active_set(end):
        names.append(limit.said)
        rows.append(limit.slopes / per_clear)
    return names, np.array(rows).reshape(len(rows), len(proximity.metric))


def _steps(end: Iterate, slopes: np.ndarray) -> tuple[list[str], np.ndarray]:
    """Names and slopes of each chamber's lowest note and of the steps up from it, note by note.

    They hold the same as the notes do, but a hole moves mostly the step to the note that it opens, and a chamber's size
    none of the steps.
    """
    trial = end.trial
    several, names, rows, first = len(trial.voices) > 1, [], [], 0
    for voice in trial.voices:
        order = np.argsort(voice.targets, kind="stable")
        mine, pitches = slopes[first + order], [voice.notes[n].pitch for n in order]
        first += len(order)
        chamber = f"{voice.chamber} " if several else ""
        names += [f"the pitch of {chamber}{pitches[0]}"]
        names += [f"{chamber}{low} to {high}" for low, high in pairwise(pitches)]
        rows += [mine[:1], np.diff(mine, axis=0)]
    return names, np.concatenate(rows)


def _largest(names: Iterable[str], parts: np.ndarray) -> tuple[str, ...]:
    """The names of what counts most of all that pulls the way a number went."""
    total: dict[str, float] = {}
    for name, part in zip(names, parts, strict=True):
        total[name] = total.get(name, 0.0) + float(part)  # what bears one name pulls together
    pulls = {name: part for name, part in total.items() if part > 0}
    ranked = sorted(pulls, key=lambda name: -pulls[name])
    return tuple(name for name in ranked[:_MOST_NAMES] if pulls[name] > _SHARE * sum(pulls.values()))


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
    broken = _left_at_start(task) < -FEASIBLE_MM  # limits (c,) that the start breaks
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


def _left_at_start(task: Task) -> np.ndarray:
    """The room (c,) that the limits leave the start, mm: nothing is solved for it; some where it cannot be drawn."""
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
