"""Fingerings of notes that are only wished: the holes each opens, by the hand rule f^2 ~ K of the openings.

A note t = (f/f0)^2 - 1 above the lowest wants holes whose conductivities, in units of the window's, add up to t. With
as many holes as steps they open one after the other; with fewer, combinations serve, chosen here together with the
holes' conductivities. The port model tunes afterwards what the rule has chosen.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from scipy.optimize import lsq_linear

from simkit.errors import Fault
from simkit.frozen import frozen
from simkit.optimisation.problem.bounds import DRILL_MM, root_within
from simkit.optimisation.problem.trial import Trial
from simkit.sound import models
from simkit.sound.elements.openings import round_hole
from simkit.sound.models.lumped import LumpedResonator
from simkit.vessel import Chamber, DesignError, Hole, Vessel, target_of
from simkit.vessel.hands import widest_hole_mm
from simkit.vessel.wishes import MOST_COMBINED, too_few_holes

WAYS = ("linear", "few")
_RESTARTS = 200
_ROUNDS = 30
_MOST = 8  # choices that are worth tuning
_ABOUT = 0.06  # of a share: how far about known ones others are begun from
_TIDY = 0.03  # cost of one finger's change from note to note, in squares of ten cents
_CENTS = 600 / np.log(2)


@frozen
class Choice:
    """Holes for notes: opened (notes, holes) bool; shares (holes,), each hole's conductivity over the window's;
    off_cents (notes,): error left by the rule."""

    opened: np.ndarray
    shares: np.ndarray
    off_cents: np.ndarray


def fingered(vessel: Vessel, way: str, seed: int = 0) -> Vessel:
    """The design with holes chosen for the notes of every chamber, and holes about as wide as the rule wants them.

    way: "linear", each note one hole more in the order of the file, or "few", combinations of few holes.
    """
    if way not in WAYS:
        raise DesignError([Fault.of("fingerings", way, " or ".join(WAYS))])
    for chamber in vessel.chambers:
        if chamber.notes:
            vessel = vessel.with_chamber(_fingered(vessel, chamber, way, seed))
    return vessel


def alternatives(vessel: Vessel, seed: int = 0, trial: Trial | None = None) -> list[Vessel]:
    """The design with combinations of few holes, otherwise chosen each time: the best by the rule first.

    trial: the design as it sounds; the rule is then corrected for each combination by what the port model says of it,
    and only holes about as wide are looked at, for which that holds.
    Of one chamber alone; none for a design of several, whose choices would multiply.
    """
    sounding = [chamber for chamber in vessel.chambers if chamber.notes]
    if len(sounding) != 1:
        return []
    (chamber,) = sounding
    near = ratio = None
    if trial is not None:
        near = _shares(trial.vessel, trial.vessel.chamber(chamber.name))
        ratio = _by_ports(trial, near)
    choices = _fits(_wanted(vessel, chamber), len(chamber.holes), seed, _sensible(vessel, chamber), ratio, near)
    return [vessel.with_chamber(_chosen(vessel, chamber, choice)) for choice in choices[:_MOST]]


def _by_ports(trial: Trial, shares: np.ndarray) -> np.ndarray:
    """Ratio (2^holes,) of (f/f0)^2 - 1 of each combination by the port model to that by the rule."""
    every = _every(len(shares))
    hz = replace(trial.voices[0].resonator, beside=None).lowest(every.astype(float)).real  # rad/s; only ratios count
    by_rule = every @ shares
    # No hole open: 0/0, counted as right.
    return np.where(by_rule > 0, ((hz / hz[0]) ** 2 - 1) / np.where(by_rule > 0, by_rule, 1.0), 1.0)


def _shares(vessel: Vessel, chamber: Chamber) -> np.ndarray:
    """Each hole's conductivity over the window's (holes,)."""
    window = _window_conductivity(vessel, chamber)
    return np.array([_conductivity(vessel, hole, hole.diameter_mm) / window for hole in chamber.holes])


def _wanted(vessel: Vessel, chamber: Chamber) -> np.ndarray:
    """(f/f0)^2 - 1 of a chamber's notes."""
    targets = np.array([target_of(vessel, note) for note in chamber.notes])
    return np.asarray((targets / targets.min()) ** 2 - 1)


def _fingered(vessel: Vessel, chamber: Chamber, way: str, seed: int) -> Chamber:
    wanted = _wanted(vessel, chamber)
    count = len(chamber.holes)
    if way == "linear":
        if count < len(wanted) - 1:
            allowed = f"{len(wanted) - 1} holes or more for {len(wanted)} notes in a row, or combinations (few)"
            raise DesignError([Fault(vessel.source, f"{chamber.name}.hole", count, allowed)])
        return _chosen(vessel, chamber, in_a_row(wanted, count))
    if not 0 < count <= MOST_COMBINED:
        allowed = f"1 to {MOST_COMBINED} holes for combinations"
        raise DesignError([Fault(vessel.source, f"{chamber.name}.hole", count, allowed)])
    different = len(np.unique(wanted.round(9)))  # notes of one height share a fingering
    if different > 2**count:
        raise DesignError([Fault(vessel.source, f"{chamber.name}.hole", count, too_few_holes(count, different))])
    return _chosen(vessel, chamber, combinations(wanted, count, seed, _sensible(vessel, chamber)))


def _chosen(vessel: Vessel, chamber: Chamber, choice: Choice) -> Chamber:
    """A chamber with the holes and fingerings of a choice."""
    pairs = zip(chamber.holes, choice.shares, strict=True)
    holes = tuple(_sized(vessel, chamber, hole, share) for hole, share in pairs)
    return _refingered(chamber, choice.opened).model_copy(update={"holes": holes})


def _refingered(chamber: Chamber, opened: np.ndarray) -> Chamber:
    """The chamber with each note opening the holes that its row of `opened` (notes, holes) says."""
    names = np.array([hole.name for hole in chamber.holes])
    pairs = zip(chamber.notes, opened, strict=True)
    notes = tuple(note.model_copy(update={"open": tuple(map(str, names[row]))}) for note, row in pairs)
    return chamber.model_copy(update={"notes": notes})


def chosen_again(trial: Trial) -> Vessel | None:
    """The design with each note's combination the best that its holes now play, by the port model; None if it is so.

    The rule's errors, some ten cents, may have led to a combination that is not the best once the holes are tuned.
    """
    vessel = trial.vessel
    for voice in trial.voices:
        count = voice.openness.shape[1]
        every = _every(count)
        silent = replace(voice.resonator, beside=None)  # which may be given note by note
        hz = silent.lowest(every.astype(float)).real / (2 * np.pi)
        sharp = 1200 * np.log2(hz / voice.targets[:, None])
        opened = _assigned(voice.targets, every, sharp)
        vessel = vessel.with_chamber(_refingered(vessel.chamber(voice.chamber), opened))
    return None if vessel == trial.vessel else vessel


def in_a_row(wanted: np.ndarray, count: int) -> Choice:
    """Each note, from the lowest, one hole more than the note below it."""
    order = np.argsort(wanted)
    opened = np.zeros((len(wanted), count), bool)
    for step, note in enumerate(order):
        opened[note, :step] = True
    shares = np.zeros(count)
    shares[: len(wanted) - 1] = np.diff(wanted[order])
    # Holes that no note needs: as small as the smallest, and a fifth of the window at most.
    shares[len(wanted) - 1 :] = shares[: len(wanted) - 1].min(initial=0.2)
    return Choice(opened, shares, np.zeros(len(wanted)))


def combinations(
    wanted: np.ndarray, count: int, seed: int = 0, sensible: tuple[float, float] = (0.0, np.inf)
) -> Choice:
    """Few holes in combination: by turns the best combination for each note and the best holes for these.

    sensible: least and most that a hole's conductivity over the window's can be. From many random beginnings; among
    fits as good, the one in which fewer fingers move from note to note.
    """
    return _fits(wanted, count, seed, sensible)[0]


def _fits(
    wanted: np.ndarray,
    count: int,
    seed: int,
    sensible: tuple[float, float],
    ratio: np.ndarray | None = None,
    near: np.ndarray | None = None,
) -> list[Choice]:
    """Choices from the random beginnings of `combinations`, the best first, each way to finger the notes once.

    ratio (2^count,): by what factor each combination brings more than its holes' shares together; near (count,): shares
    from about which to begin.
    """
    ratio = np.ones(2**count) if ratio is None else ratio
    random = np.random.default_rng(seed)
    # opened @ places is the number of a combination.
    every, order, places = _every(count), np.argsort(wanted), 1 << np.arange(count)
    found: dict[bytes, tuple[float, Choice]] = {}
    for _ in range(_RESTARTS):
        if near is None:
            # At random, such that all together come to about the highest note; sorted, as their order says nothing.
            shares = np.sort(random.uniform(0.02, 1, count)) * max(wanted.max(), 0.1) * 2 / count
        else:
            shares = near * np.exp(_ABOUT * random.normal(size=count))
        shares = np.clip(shares, *sensible)
        opened = before = np.zeros((len(wanted), count), bool)
        for _ in range(_ROUNDS):
            opened = _assigned(wanted, every, _CENTS * np.log((1 + ratio * (every @ shares)) / (1 + wanted[:, None])))
            if (opened == before).all():  # choices repeat: a fixed point
                break
            before = opened
            weight = 1 / (1 + wanted)  # cents for each share fall as the note rises
            more = (weight * ratio[opened @ places])[:, None]
            # Linear once the combinations are chosen: shares that bring every note nearest, in cents.
            shares = lsq_linear(opened * more, wanted * weight, sensible, method="bvls").x
        off = _CENTS * np.log((1 + ratio[opened @ places] * (opened @ shares)) / (1 + wanted))
        moves = np.abs(np.diff(opened[order].astype(int), axis=0)).sum()  # fingers that move from each note to the next
        cost = float(np.square(off / 10).sum() + _TIDY * moves)
        key = opened.tobytes()  # one for each way to finger: beginnings often end alike
        if key not in found or cost < found[key][0]:
            found[key] = cost, Choice(opened, shares, off)
    return [choice for _, choice in sorted(found.values(), key=lambda pair: pair[0])]


def _every(count: int) -> np.ndarray:
    """All combinations of holes (2^count, count), bool."""
    return (np.arange(2**count)[:, None] >> np.arange(count)) & 1 == 1  # bit k of the row's number: hole k


def _assigned(heights: np.ndarray, every: np.ndarray, off_cents: np.ndarray) -> np.ndarray:
    """For each note, going up in `heights`, the combination in tune with few fingers moved; for the lowest none.

    off_cents (notes, combinations): deviation of each combination from each note. Notes of unlike height never get the
    same combination: they could not both be in tune.
    """
    order = np.argsort(heights)
    opened = np.zeros((len(heights), every.shape[1]), bool)
    taken = np.logical_not(every.any(axis=1))  # all covered is the lowest note's
    for below, note in pairwise(order):
        if heights[note] - heights[below] < _ALIKE:
            opened[note] = opened[below]
            continue
        moved = (every != opened[below]).sum(axis=1)
        cost = np.square(off_cents[note] / 10) + _TIDY * moved
        chosen = int(np.argmin(np.where(taken, np.inf, cost)))
        opened[note] = every[chosen]
        taken[chosen] = True
    return opened


_ALIKE = 1e-6  # of (f/f0)^2 - 1: notes nearer than that are one


def _sensible(vessel: Vessel, chamber: Chamber) -> tuple[float, float]:
    """The conductivities over the window's that the chamber's holes can have, from a drill to what a finger seals."""
    window = _window_conductivity(vessel, chamber)
    least = max(_conductivity(vessel, hole, DRILL_MM) / window for hole in chamber.holes)
    most = min(_conductivity(vessel, hole, widest_hole_mm(vessel, hole)) / window for hole in chamber.holes)
    return least, max(most, 1.01 * least)


def _window_conductivity(vessel: Vessel, chamber: Chamber) -> float:
    lumped = models.resonator("lumped", models.case_of(vessel, chamber.name))
    assert isinstance(lumped, LumpedResonator)
    if lumped.window is None:
        allowed = "a table [chamber.voicing]: the holes' sizes are counted in its window's"
        raise DesignError([Fault(vessel.source, f"{chamber.name}.voicing", None, allowed)])
    return float(lumped.window.conductivity)


def _conductivity(vessel: Vessel, hole: Hole, diameter_mm: float) -> float:
    full = vessel.with_clay(hole)
    sizes = (full.wall_mm, full.edge_radius_mm, full.edge_inside_radius_mm)
    wall, rim, inside_rim = (1e-3 * float(size or 0) for size in sizes)
    return float(round_hole(diameter_mm / 2e3, wall, rim, inside_rim).conductivity)


def _sized(vessel: Vessel, chamber: Chamber, hole: Hole, share: float) -> Hole:
    """The hole as wide as its share of the window's conductivity wants, within what drills and fingertips allow."""
    goal, widest = share * _window_conductivity(vessel, chamber), widest_hole_mm(vessel, hole)
    diameter = root_within(lambda mm: _conductivity(vessel, hole, mm) - goal, DRILL_MM, widest)
    return hole.model_copy(update={"diameter_mm": round(float(diameter), 2)})
