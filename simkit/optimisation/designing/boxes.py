"""Whether a divided range can fit a box and a weight at all, chambers drawn so that they do, and set side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from scipy.optimize import brentq

from simkit.body import placed_wall
from simkit.body.between import between
from simkit.body.clay import FIRED_G_PER_ML, fired_g
from simkit.body.inspection import body_of
from simkit.body.walls.wall import box_distance, distance
from simkit.errors import Fault, InputError
from simkit.optimisation.designing.dividing import SHORTEST, ChamberPlan, hole_conductivity, k2_of, window_conductivity
from simkit.optimisation.problem.bounds import DRILL_MM
from simkit.optimisation.problem.trial import drawn
from simkit.vessel import Vessel
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
    window = window_conductivity(wish.wall_mm, SHORTEST, _NARROWEST * SHORTEST)
    if plan.steps:
        # A hole's part is counted in the window's: if it cannot be small, the window must be large.
        window = max(window, hole_conductivity(wish.wall_mm, DRILL_MM) / min(plan.steps))
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
    height = min(up, _FLATTEST * across)  # the largest egg that is neither too flat nor too slim
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


_BESIDE_MM = 20.0  # more than any wall: so far beside the others' ends a chamber is clear of them


def set_side_by_side(vessel: Vessel) -> Vessel:
    """Shift each chamber after the first from the right until the clay asked for is left between it and the others.

    All mouth ends lie in one row, and so do the windows, as the player's lips want them. Eggs turned by up to 20
    degrees make the row at most half a percent narrower, and so none is turned.
    """
    lips = _lips(vessel, vessel.chambers[0].name)  # where the first one's windway begins, all begin
    for n, chamber in enumerate(vessel.chambers[1:], 1):
        along = round(lips - _lips(vessel, chamber.name), 1)
        vessel = vessel.with_value(f"{chamber.name}.offset_mm.along_mm", along)
        # Beyond all that stand already.
        right = 1e3 * max(placed_wall(vessel, before).box[1, 0] for before in vessel.chambers[:n])
        left = 1e3 * placed_wall(vessel, chamber).box[0, 0] - chamber.offset_mm.across_mm  # with no offset
        start = right - left + vessel.clay.least_between_mm
        room = partial(_room, vessel, n)
        nearest = vessel.value(f"{vessel.chambers[n - 1].name}.offset_mm.across_mm")
        # On top of the last chamber there is no room, beside all of them there is: a change of sign is sure.
        across = float(brentq(room, nearest, start + _BESIDE_MM, xtol=1e-3))
        vessel = vessel.with_value(f"{chamber.name}.offset_mm.across_mm", round(across, 2))
    return vessel


def _room(vessel: Vessel, n: int, across: float) -> float:
    """Clay between chamber `n` set `across` and those before it, less what is asked, mm; or what openings of either
    are out of the other's clay, where that is less."""
    name = vessel.chambers[n].name
    body = drawn(vessel.with_value(f"{name}.offset_mm.across_mm", across))
    mine, before = body.chambers[n], body.chambers[:n]
    least = vessel.clay.least_between_mm + BETWEEN_MM
    rooms = [1e3 * between(other.wall, mine.wall).thickness - least for other in before]
    for one, other in [pair for each in before for pair in ((mine, each), (each, mine))]:
        mouths = np.concatenate([o.rim_points(8, out=body.thickness) for o in one.all_openings])
        # Else far off, and the exact distance takes long.
        if box_distance(other.wall, mouths).min() < 2 * body.thickness:
            rooms.append(1e3 * (distance(other.wall, mouths).min() - body.thickness) - BETWEEN_MM)
    return min(rooms)


def _lips(vessel: Vessel, name: str) -> float:
    """Place of a windway's lips, mm along from the chamber's own zero."""
    voicing = vessel.chamber(name).voicing
    assert voicing is not None
    return voicing.along_mm - voicing.cut_up_mm / 2 - voicing.windway_length_mm


def box_mm(vessel: Vessel) -> tuple[float, float, float]:
    """The piece's size along, across and up with its clay, mm."""
    across, along, up = 1e3 * np.ptp(body_of(vessel).coat.box, axis=0)
    return float(along), float(across), float(up)


def mass_g(vessel: Vessel) -> float:
    """The fired clay's mass, g; openings and mouthpieces left out."""
    return fired_g(body_of(vessel))
