"""From a design and what may move in it to the best design found."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from simkit.errors import Fault, InputError, SimkitError
from simkit.optimise.aims import Aim, InTune, Stay
from simkit.optimise.descent import HOLDS_MM, Descent, Stand, Task, descend
from simkit.optimise.fingerings import chosen_again, fingered
from simkit.optimise.free import Freedom, freedom
from simkit.optimise.handmade import Hands, hand_error_of
from simkit.optimise.limits import Limits
from simkit.optimise.outcome import Active, ChamberSlopes, Evidence, Judged, Moved, Outcome, Started
from simkit.optimise.slopes import slopes_beside
from simkit.optimise.starts import possible, random_start
from simkit.optimise.step import prices
from simkit.optimise.trial import Setting, Trial, drawn
from simkit.pitch import cents
from simkit.sound import models
from simkit.sound.prediction import Prediction, predict
from simkit.vessel import DesignError, Tie, Vessel

log = logging.getLogger(__name__)

_SETTLED_CENTS = 0.1  # notes nearer to their targets are not tuned once more
_AT_MM = 5e-3  # a limit or bound with less room than this is stood at


def optimise(
    vessel: Vessel,
    free: str | Iterable[str] | None = None,
    *,
    aims: Sequence[Aim] = (InTune(),),
    limits: Limits | None = None,
    starts: int = 1,
    seed: int = 0,
    fingerings: str | None = None,
    lossless: bool = False,
    windway: str = "closed",
    tolerance_cents: float = 0.5,
    judge: bool = False,
) -> Outcome:
    """Move what is free in a design until its notes meet their targets within the limits; the best found.

    free: groups (diameters, places, holes, voicing, shape, size) or dotted keys, with commas or as a list; without it
    what the design's `[free]` says. aims: what is wanted, in tune unless said otherwise; in tune is one to be named
    among several. The first of `starts` is the design itself, the others are drawn at random from `seed`; the same
    seed gives the same design. judge: also the air meshed as a whole on the lowest, a middle and the highest note of
    every chamber, which takes its time.
    """
    began = time.process_time()
    if starts < 1:
        raise InputError([Fault("--starts", "", starts, "1 or more")])
    if not any(chamber.notes for chamber in vessel.chambers):
        raise DesignError([Fault(vessel.source, "chamber.note", None, "at least one note to tune to")])
    given, vessel = vessel, fingered(vessel, fingerings, seed) if fingerings else vessel
    may = freedom(vessel, free)
    task = Task(may, (*aims, Stay(may.start)), limits or Limits(), Setting(lossless, windway))
    before = _predicted(vessel, lossless, windway)
    descents = list(_descents(task, starts, seed))
    best = min((descent.end for _, descent in descents), key=lambda end: end.merit)
    end = _polished(_chosen_again(best) if fingerings == "few" else best)
    after = predict(end.trial.vessel, "ports", lossless=lossless, windway=windway)
    outcome = Outcome(
        vessel=end.trial.vessel,
        start=given,
        before=before,
        after=after,
        moved=_moved(may, given, end.trial.vessel),
        told=_told(task),
        broken=tuple(_broken(end)),
        active=_active(end),
        tolerance_cents=tolerance_cents,
        setting=task.setting,
        evidence=Evidence(
            {aim.measures: aim.value(end.trial) for aim in aims},
            tuple(_started(name, descent) for name, descent in descents),
            (),
            hole_slopes(end.trial),
            hand_error_of(end.trial, Hands()),
            time.process_time() - began,
            seed,
        ),
    )
    return judged(outcome) if judge else outcome


def _descents(task: Task, starts: int, seed: int) -> Iterable[tuple[str, Descent]]:
    random = np.random.default_rng(seed)
    for n in range(starts):
        log.info("optimising from start %d of %d", n + 1, starts)
        start = task.freedom.start if n == 0 else random_start(task, random)
        try:
            yield ("as it is" if n == 0 else f"random {n}"), descend(task, start)
        except DesignError:
            if n:
                raise
            yield "as it is, moved apart", descend(task, possible(task, start))


def _chosen_again(end: Stand, rounds: int = 4) -> Stand:
    """Combinations of holes chosen anew by the port model and tuned again, as long as that helps."""
    for _ in range(rounds):
        vessel = chosen_again(end.trial)
        if vessel is None:
            break
        may = replace(end.task.freedom, vessel=vessel)
        there = descend(replace(end.task, freedom=may), end.x).end
        if there.merit >= end.merit:
            break
        end = there
    return end


def _polished(end: Stand) -> Stand:
    """The design as a file writes it, tuned once more with its window as it then is.

    What a window lets through is meshed, and jumps by up to a cent where its numbers are rounded.
    """
    there = finished(end)
    task, may = end.task, end.task.freedom
    is_held = np.array([".voicing." in number.name or number.name.startswith("clay.") for number in may.numbers])
    if not is_held.any() or is_held.all() or np.abs(there.trial.cents).max() < _SETTLED_CENTS:
        return there
    held = [number.name for number, here in zip(may.numbers, is_held, strict=True) if here]
    rest = replace(may.without(held), vessel=there.trial.vessel)
    aims = tuple(replace(aim, at=aim.at[~is_held]) if isinstance(aim, Stay) else aim for aim in task.aims)
    settled = finished(descend(replace(task, freedom=rest, aims=aims), end.x[~is_held]).end)
    x = end.x.copy()
    x[~is_held] = settled.x
    return min(there, _stand(task, x, settled.trial.vessel), key=lambda stand: stand.merit)


def finished(end: Stand) -> Stand:
    """The design with its numbers as a file writes them, looked at once more."""
    trial = end.trial
    vessel = trial.vessel.with_values({key: tidy(key, trial.vessel.value(key)) for key in _keys(trial.freedom)})
    return _stand(end.task, trial.x, vessel)


def _stand(task: Task, x: np.ndarray, vessel: Vessel) -> Stand:
    """A design that is at `x` but for rounding, looked at."""
    trial = Trial(task.freedom, x, task.setting, vessel, drawn(vessel))
    residuals = np.concatenate([aim.residuals(trial) for aim in task.aims])
    return Stand(task, trial, residuals, task.limits.left(vessel, trial.body))


def tidy(key: str, value: float) -> float:
    """A number as a design file has it: micrometres, thousandths of a degree; five digits where it has no unit."""
    return round(value, 3 if key.endswith(("_mm", "_deg")) else 5)


def _keys(may: Freedom) -> list[str]:
    """All keys that move: of the free numbers, and those tied to them."""
    own = [key for number in may.numbers for key in number.keys]
    ties = {key: free.to for key, free in may.vessel.free.items() if isinstance(free, Tie)}
    followers = set(own)
    for _ in ties:
        followers |= {key for key, to in ties.items() if to in followers}
    return own + [key for key in ties if key in followers and key not in own]


def _predicted(vessel: Vessel, lossless: bool, windway: str) -> Prediction | None:
    try:
        return predict(vessel, "ports", lossless=lossless, windway=windway)
    except SimkitError:
        return None


def _moved(may: Freedom, given: Vessel, vessel: Vessel) -> tuple[Moved, ...]:
    bounds = {number.keys[0]: (number.low, number.high) for number in may.numbers if not number.is_factor}
    changes = []
    for key in _keys(may):
        before, after = given.value(key), vessel.value(key)
        if before != after:
            changes.append(Moved(key, before, after, *bounds.get(key, (None, None))))
    return tuple(changes)


def _told(task: Task) -> tuple[str, ...]:
    """What the start breaks, in sentences."""
    vessel = task.freedom.vessel
    said = list(task.freedom.told)
    try:
        body = drawn(vessel)
    except DesignError as why:
        return (*said, *(str(fault) for fault in why.faults))
    left, rows = task.limits.left(vessel, body), task.limits.rows(vessel, body)
    broken = [(room, row) for room, row in zip(left, rows, strict=True) if room < -HOLDS_MM]
    return (*said, *(f"the start breaks a limit by {-room:.2f} mm: {row}" for room, row in broken))


def _broken(end: Stand) -> Iterable[str]:
    rows = end.task.limits.rows(end.trial.vessel, end.trial.body)
    for room, row, movable in zip(end.left, rows, end.movable, strict=True):
        if movable and room < -_AT_MM:
            yield f"{row}, by {-room:.2f} mm"


def _active(end: Stand) -> tuple[Active, ...]:
    """The limits and bounds that the design stands at, the costliest first."""
    may, reach = end.task.freedom, end.task.freedom.reach
    found: list[tuple[str, str, np.ndarray, float]] = []
    rows = end.task.limits.rows(end.trial.vessel, end.trial.body)
    for room, row, slope, movable in zip(end.left, rows, end.limit_slopes, end.movable, strict=True):
        if movable and room < _AT_MM:
            found.append((row.what, row.rule, slope, 1.0))
    for n, number in enumerate(may.numbers):
        for end_, sign, side in ((number.low, 1.0, "least"), (number.high, -1.0, "most")):
            if sign * (end.x[n] - end_) < 1e-3 * reach[n]:
                rule = f"at {side} {end_:.4g}{number.why(side)}"
                found.append((number.name, rule, sign * np.eye(len(reach))[n], reach[n]))
    cost = prices(end.slopes.T @ end.residuals, np.array([slope for _, _, slope, _ in found]).reshape(-1, len(reach)))
    # Prices of rows counted in clear changes become those per unit of the number.
    active = [Active(w, r, float(c / unit)) for (w, r, _, unit), c in zip(found, cost, strict=True)]
    return tuple(sorted(active, key=lambda limit: -limit.price))


def _started(name: str, descent: Descent) -> Started:
    end = descent.end
    worst = float(np.abs(end.trial.cents).max())
    return Started(name, worst, end.merit, len(descent.merits) - 1, descent.looked_at)


def hole_slopes(trial: Trial) -> tuple[ChamberSlopes, ...]:
    """How every note answers to every hole, exactly: cents per 0.1 mm of diameter."""
    step = 1e-4
    neighbours = []
    for chamber in trial.vessel.chambers:
        for hole in chamber.holes:
            wider = trial.vessel.with_value(f"{chamber.name}.hole.{hole.name}.diameter_mm", hole.diameter_mm + step)
            neighbours.append(trial.beside(wider, step))
    if not neighbours:
        return ()
    slopes = 0.1 * slopes_beside(trial, neighbours)
    found, first_note, first_hole = [], 0, 0
    for chamber in trial.vessel.chambers:
        notes, holes = len(chamber.notes), len(chamber.holes)
        if notes:
            part = slopes[first_note : first_note + notes, first_hole : first_hole + holes]
            pitches, names = tuple(n.pitch for n in chamber.notes), tuple(h.name for h in chamber.holes)
            found.append(ChamberSlopes(chamber.name, pitches, names, part))
        first_note, first_hole = first_note + notes, first_hole + holes
    return tuple(found)


def judged(outcome: Outcome) -> Outcome:
    """The outcome with the lowest, a middle and the highest note of every chamber by the air meshed as a whole."""
    if "resolved" not in models.models():
        return outcome
    setting = outcome.setting
    cases = models.cases(outcome.vessel, lossless=setting.lossless, windway=setting.windway)
    found = []
    for case, chamber in zip(cases, outcome.after.chambers, strict=True):
        notes = sorted((n for n in chamber.notes if n.target_hz), key=lambda note: note.target_hz or 0.0)
        judge = models.resonator("resolved", case)
        for n in dict.fromkeys((0, len(notes) // 2, len(notes) - 1)) if notes else ():
            note = notes[n]
            log.info("judging %s by the air meshed as a whole", note.pitch)
            (ring,) = judge.resonances(note.open, 1)
            off = cents(ring.frequency_hz, note.target_hz or 0.0)
            found.append(Judged(chamber.name, note.pitch or "", note.answer.cents or 0.0, off))
    return replace(outcome, evidence=replace(outcome.evidence, judged=tuple(found)))
