"""Optimisation of a design by what may move in it."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from simkit.errors import Fault, InputError, SimkitError
from simkit.optimisation.aims.breath import Margin
from simkit.optimisation.aims.handmade import Hands, hand_error_of
from simkit.optimisation.aims.intune import Aim, InTune, Proximity
from simkit.optimisation.aims.slopes import slopes_beside
from simkit.optimisation.outcome import Active, ChamberSlopes, Judged, Outcome, SearchEvidence, Started
from simkit.optimisation.problem.free import Freedom, freedom, spoken
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.trial import Setting, Trial, check_notes, drawn
from simkit.optimisation.reasons import AT_MM, active_set, kept_in_tune, moved, would_meet
from simkit.optimisation.search.descent import FEASIBLE_MM, Iterate, Task
from simkit.optimisation.search.fingerings import fingered
from simkit.optimisation.search.searching import searched
from simkit.optimisation.search.step import multipliers
from simkit.optimisation.unison import pairs_of, unison_pairs
from simkit.pitch import cents
from simkit.sound import models
from simkit.sound.answers.playing_parts import played_notes
from simkit.sound.answers.prediction import Prediction, predict
from simkit.sound.models.resonator import Resonance
from simkit.vessel import DesignError, Vessel

log = logging.getLogger(__name__)


def optimise(
    vessel: Vessel,
    free: str | Iterable[str] | None = None,
    *,
    keep: str | Iterable[str] | None = None,
    pairs: Iterable[Sequence[str]] = (),
    aims: Sequence[Aim] = (InTune(),),
    limits: Limits | None = None,
    starts: int = 1,
    seed: int = 0,
    fingerings: str | None = None,
    lossless: bool = False,
    state: str = "played",
    tolerance_cents: float = 0.5,
    judge: bool = False,
    keep_best: bool = False,
    most_steps: int = 25,
    near: bool = True,
) -> Outcome:
    """Move what is free in a design until its notes meet their targets within the limits; the best found.

    free: groups (see `freedom`) or dotted keys, one or several; without it what the design's `[free]` says. keep: what
    of it stays all the same, pairs: holes that move as mirror images, see `freedom`. aims: what is wanted, in tune
    unless said otherwise; in tune is one to be named among several. The first of `starts` is the design itself, the
    others are drawn at random from `seed`; the same seed gives the same design. judge: also the air meshed as a whole
    on the lowest, a middle and the highest note of every chamber, which takes its time. keep_best: Ctrl-C ends the
    search with the best so far, `interrupted`. state: "played", as a tuner hears the notes, or "still". most_steps:
    from every start, after which the best so far must do. near: of the designs that are as good, the nearest to the
    start; without it any of them, sooner, with neither what the start plays nor what has moved nor what each hole does:
    for a draft whose places and sizes nobody has chosen.
    """
    began = time.process_time()
    if starts < 1:
        raise InputError([Fault.of("starts", starts, "1 or more")])
    check_notes(vessel)
    # What moved is told from the design as given.
    given, vessel = vessel, fingered(vessel, fingerings, seed) if fingerings else vessel
    freed = freedom(vessel, free, keep, pairs)
    # Distances are measured from where the design starts: what moved is told from there.
    proximity = Proximity.near(freed.out_to_start)
    setting = Setting(lossless, state, unison_pairs(vessel, lossless, state))
    task = Task(freed, tuple(aims), limits or Limits(), setting, most_steps=most_steps, metric=proximity.metric)
    before = _predicted(vessel, lossless, state) if near else None
    again = fingerings == "few"
    search_by = partial(searched, choose_again=again, keep_best=keep_best, near=near)
    search = kept_in_tune(task, lambda task: search_by(task, proximity, starts, seed), tolerance_cents)
    end = search.end
    after = predict(end.trial.vessel, "ports", lossless=lossless, state=state)
    # Prices mean something where a search has ended; a draft that plays needs no reasons, which take slopes of walls.
    explained = not search.interrupted and (near or np.abs(end.trial.cents).max() > tolerance_cents)
    outcome = Outcome(
        vessel=end.trial.vessel,
        start=given,
        before=before,
        after=after,
        moved=moved(given, end, proximity) if near else (),
        start_breaks=_start_breaks(task, end),
        broken=(*_out_of_bounds(freed, end), *_broken(end), *_missed(aims, end)),
        active=_active(end) if explained else (),
        tolerance_cents=tolerance_cents,
        setting=task.setting,
        interrupted=search.interrupted,
        pairs=pairs_of(end.trial),
        evidence=SearchEvidence(
            {aim.measures: aim.value(end.trial) for aim in aims},
            tuple(
                Started(name, d.end.worst_cents, d.end.merit, len(d.merits) - 1, d.looked_at)
                for name, d in search.descents
            ),
            (),
            hole_slopes(end.trial) if near else (),
            hand_error_of(end.trial, Hands(), field=near),
            time.process_time() - began,
            seed,
            task.effort.steps,
            task.effort.looked_at,
        ),
    )
    return judged(outcome) if judge and not search.interrupted else outcome


def _predicted(vessel: Vessel, lossless: bool, state: str) -> Prediction | None:
    try:
        return predict(vessel, "ports", lossless=lossless, state=state)
    except SimkitError:
        return None


def _start_breaks(task: Task, end: Iterate) -> tuple[str, ...]:
    """Limits that the start breaks, in sentences, and whether anything free can mend them."""
    vessel = task.freedom.vessel
    said = list(task.freedom.outside_bounds)
    try:
        body = drawn(vessel)
    except DesignError as why:
        return (*said, *(str(fault) for fault in why.faults))
    left, rows = task.limits.left(vessel, body), task.limits.rows(vessel, body)
    for n in np.flatnonzero(left < -FEASIBLE_MM).tolist():
        rest = "" if end.movable[n] else f"; nothing that is free can mend it{would_meet(task, n)}"
        said.append(f"the start breaks a limit by {rows[n].lacks(left[n])}: {rows[n]}{rest}")
    return tuple(said)


def _broken(end: Iterate) -> Iterable[str]:
    rows = end.task.limits.rows(end.trial.vessel, end.trial.body)
    relaxation = end.task.relaxation if end.task.relaxation is not None else np.zeros(len(rows))
    # room, not left: what the search was let off is still broken.
    for n in np.flatnonzero(end.room < -AT_MM).tolist():
        if not (end.movable[n] or rows[n].asked):
            continue
        if relaxation[n]:
            why = _UNMET
        else:
            why = "what is free has not met it" if end.movable[n] else "nothing that is free can mend it"
        yield f"{rows[n]}, by {rows[n].lacks(end.room[n])}; {why}{would_meet(end.task, n)}"


_UNMET = "what is free cannot meet it and keep the notes in tune"


def _out_of_bounds(freed: Freedom, end: Iterate) -> Iterable[str]:
    """Numbers that had to stay outside their bounds, in sentences."""
    for number, value in zip(freed.numbers, end.x.tolist(), strict=True):
        for bound, side, over in (
            (number.low, "least", number.low - value),
            (number.high, "most", value - number.high),
        ):
            if over > 1e-3 * number.reach:
                name = spoken(end.trial.vessel, number.name)
                yield f"{name} = {value:.4g}, at {side} {bound:.4g}{number.why(side)}; {_UNMET}"


def _missed(aims: Sequence[Aim], end: Iterate) -> Iterable[str]:
    for aim in aims:
        if isinstance(aim, Margin) and aim.value(end.trial) < aim.least - _NEAR_MARGIN:
            yield f"the least overblowing margin, at least {aim.least:g}, is {aim.value(end.trial):.2f}"


_NEAR_MARGIN = 0.02  # of the margin: so near counts as met


def _active(end: Iterate) -> tuple[Active, ...]:
    """The limits and bounds that the design stands at, the costliest first."""
    found = active_set(end)
    rows = np.array([limit.slopes for limit in found]).reshape(-1, len(end.x))
    # The gradient of the half sum of squares; deflated as the descent saw it.
    cost = multipliers(end.jacobian.T @ end.deflated, rows)
    # Prices of rows counted in clear changes become those per unit of the number.
    active = [Active(h.key, h.said, h.rule, float(c / h.unit)) for h, c in zip(found, cost, strict=True)]
    return tuple(sorted(active, key=lambda limit: -limit.price))


def hole_slopes(trial: Trial) -> tuple[ChamberSlopes, ...]:
    """Exact derivatives of every note by every hole: cents per 0.1 mm of diameter."""
    step = 1e-4  # mm; derivatives are exact to first order, and need no larger one
    neighbours = []
    for chamber in trial.vessel.chambers:
        for hole in chamber.holes:
            wider = trial.vessel.with_value(f"{chamber.name}.hole.{hole.name}.diameter_mm", hole.diameter_mm + step)
            neighbours.append(trial.beside(wider, step))
    if not neighbours:
        return ()
    slopes = 0.1 * slopes_beside(trial, neighbours)  # per mm to per 0.1 mm
    found, first_note, first_hole = [], 0, 0
    for chamber in trial.vessel.chambers:
        notes, holes = len(chamber.notes), len(chamber.holes)
        if notes:
            part = slopes[first_note : first_note + notes, first_hole : first_hole + holes]
            pitches, names = tuple(n.pitch for n in chamber.notes), tuple(h.name for h in chamber.holes)
            found.append(ChamberSlopes(chamber.name, pitches, names, part))
        # Slopes have all chambers' notes and holes one after the other.
        first_note, first_hole = first_note + notes, first_hole + holes
    return tuple(found)


def judged(outcome: Outcome, model: str = "resolved") -> Outcome:
    """The outcome with the lowest, a middle and the highest note of every chamber by another model, in the state that
    was tuned: by the air meshed as a whole."""
    if model not in models.models():  # a package that has it may not be there
        return outcome
    setting = outcome.setting
    cases = models.cases(outcome.vessel, lossless=setting.lossless, state=setting.state)
    found = []
    for case, chamber in zip(cases, outcome.after.chambers, strict=True):
        notes = sorted((n for n in chamber.notes if n.target_hz), key=lambda note: note.target_hz or 0.0)
        # dict.fromkeys: each once, where a chamber has one or two notes.
        asked = [notes[n] for n in dict.fromkeys((0, len(notes) // 2, len(notes) - 1))] if notes else []
        if not asked:
            continue
        pitches = ", ".join(note.pitch or "" for note in asked)
        log.info("asking the judge about %s: half a minute for the first note, seconds for the next", pitches)
        played = played_notes(model, models.resonator(model, case), case, [note.open for note in asked])
        for note, omega in zip(asked, played.omega, strict=True):
            off = cents(Resonance(complex(omega)).frequency_hz, note.target_hz or 0.0)
            found.append(Judged(chamber.name, note.pitch or "", note.answer.cents or 0.0, off))
    return replace(outcome, evidence=replace(outcome.evidence, judged=tuple(found)))
