"""Whether a divided range can fit a box and a weight at all, and chambers drawn so that they do, by volumes alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simkit.body.clay import FIRED_G_PER_ML
from simkit.errors import Fault, InputError
from simkit.optimisation.designing.dividing import SHORTEST, ChamberPlan, hole_conductivity, k2_of, window_conductivity
from simkit.optimisation.problem.bounds import DRILL_MM
from simkit.vessel.wishes import WishedRange

_SURE = 0.85  # of the air that the hand rule wants: it errs by some per cent of the volume
_NARROWEST = 1.0  # a window's width over its cut-up: no narrower, as cut_up_mm is at most the width
# Fraction of a box that eggs fill: one of them pi/6 as an ellipsoid does, several no more than endless ellipsoids
# (Donev et al. 2004, Phys. Rev. Lett. 92:255506 [memory]).
_ONE, _MANY = np.pi / 6, 0.771
_FLATTEST = 3.0  # a chamber's width over its height, and the other way round
_SLIMMEST = 4.0  # its length over its width
BETWEEN_MM = 0.4  # clay more than asked between two chambers, which the tuning may use up


def least_air_ml(wish: WishedRange, plan: ChamberPlan) -> float:
    """The least air with which a chamber can play its notes, ml: its window no smaller than sensible, no hole smaller
    than a drill; by f^2 ~ K/V, less what that rule may be wrong by."""
    window = window_conductivity(wish, SHORTEST, _NARROWEST * SHORTEST)
    if plan.steps:
        # A hole's part is counted in the window's: if it cannot be small, the window must be large.
        window = max(window, hole_conductivity(wish, DRILL_MM) / min(plan.steps))
    return _SURE * 1e6 * window / k2_of(plan.pitches[0])


def check_room(wish: WishedRange, plans: Sequence[ChamberPlan]) -> None:
    """Refuse a box or a weight that no tuning can keep: an InputError that says what would do."""
    air = [least_air_ml(wish, plan) for plan in plans]
    faults = []
    if wish.box_mm is not None:
        faults += _of_the_box(wish, wish.box_mm, air)
    if wish.mass_g is not None:
        least = FIRED_G_PER_ML * _clay_ml(sum(air), wish.wall_mm)
        if wish.mass_g < least:
            around = f"{wish.wall_mm:g} mm of clay around the {sum(air):.0f} ml of air that {_notes(wish)}"
            allowed = f"{least:.0f} or more, {around}"
            faults.append(Fault.of("mass_g", wish.mass_g, allowed))
    if faults:
        raise InputError(faults)


def _of_the_box(wish: WishedRange, box_mm: tuple[float, float, float], air: Sequence[float]) -> list[Fault]:
    # Of the air: the clay is on both sides.
    along, across, up = inner = np.maximum(np.array(box_mm) - 2 * wish.wall_mm, 0.0)
    filled = _ONE if len(air) == 1 else _MANY
    height = min(up, _FLATTEST * across)
    width = min(across, _FLATTEST * height)
    largest = _ONE * min(along, _SLIMMEST * width) * width * height / 1000
    room = filled * inner.prod() / 1000
    shown = ",".join(f"{size:g}" for size in box_mm)
    if sum(air) > room:
        allowed = (
            f"a larger box: {_notes(wish)} at least {sum(air):.0f} ml of air, and inside {wish.wall_mm:g} mm of clay "
            f"this one has room for {room:.0f} ml"
        )
    elif max(air) > largest:
        allowed = (
            f"a box less flat or narrow: the largest chamber wants at least {max(air):.0f} ml of air, and one of "
            f"{largest:.0f} ml is the most that this one takes"
        )
    else:
        return []
    return [Fault.of("box_mm", shown, allowed)]


def _notes(wish: WishedRange) -> str:
    beside = f" and {wish.drone}" if wish.drone else ""
    return f"{wish.lowest} to {wish.highest}{beside} want"


def _clay_ml(air_ml: float, wall_mm: float) -> float:
    """The least clay around so much air: a ball's (the Brunn-Minkowski inequality; several chambers take no less)."""
    ball = (3 * air_ml / (4 * np.pi)) ** (1 / 3)  # radius, cm
    return float(4 / 3 * np.pi * ((ball + wall_mm / 10) ** 3 - ball**3))


def fitted(wish: WishedRange, plans: Sequence[ChamberPlan]) -> tuple[ChamberPlan, ...]:
    """The plans with their chambers drawn so that they fit the box side by side, each with the air that it had."""
    sizes = drawn_to_fit(wish, np.array([[plan.length_mm, plan.width_mm, plan.height_mm] for plan in plans]), 0.02)
    drawn = zip(plans, sizes.tolist(), strict=True)
    return tuple(replace(plan, length_mm=a, width_mm=b, height_mm=c) for plan, (a, b, c) in drawn)


def drawn_to_fit(wish: WishedRange, sizes: np.ndarray, spare: float = 0.0) -> np.ndarray:
    """Lengths, widths and heights (n, 3), mm, of as much air each that fit the box side by side, or nearly.

    First no longer and no higher than the box, then narrower and higher, then longer. What does not fit so stays too
    wide: chambers may still be shaped to nest. spare: a share of the sizes that the box leaves, kept for the tuning.
    """
    if wish.box_mm is None:
        return sizes
    along, across, up = (1 - spare) * (np.array(wish.box_mm) - 2 * wish.wall_mm)
    across -= (len(sizes) - 1) * (wish.wall_mm + BETWEEN_MM)  # clay between neighbours
    (length, width, height), volumes = sizes.T, sizes.prod(axis=1)
    if length.max() <= along and width.sum() <= across and height.max() <= up:
        return sizes
    length = np.minimum(length, along)
    # What a cut-off length takes goes to width and height alike, as far as the box is high.
    height = np.minimum(height * np.sqrt(volumes / (length * width * height)), up)
    width = volumes / (length * height)
    width = width * min(1.0, across / width.sum())  # all alike, so that none is made much slimmer
    height = np.minimum(volumes / (length * width), up)
    length = np.minimum(volumes / (width * height), along)
    return np.stack([length, volumes / (length * height), height], axis=1)
