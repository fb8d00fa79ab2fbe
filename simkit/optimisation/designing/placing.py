"""Chambers set side by side in one body, and what they measure and weigh with their clay."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.optimize import brentq

from simkit.body import placed_wall
from simkit.body.between import between
from simkit.body.clay import fired_g
from simkit.body.inspection import body_of
from simkit.body.walls.wall import box_distance, distance
from simkit.optimisation.designing.boxes import BETWEEN_MM
from simkit.optimisation.problem.trial import drawn
from simkit.vessel import Vessel

_BESIDE_MM = 20.0  # more than any wall: so far beside the others' ends a chamber is clear of them


def set_side_by_side(vessel: Vessel) -> Vessel:
    """Shift each chamber after the first from the right until the clay asked for is left between it and the others.

    All mouth ends lie in one row, and so do the windows, as the player's lips want them. Eggs turned by up to 20
    degrees make the row at most half a percent narrower, and so none is turned.
    """
    lips = _lips(vessel, vessel.chambers[0].name)
    for n, chamber in enumerate(vessel.chambers[1:], 1):
        along = round(lips - _lips(vessel, chamber.name), 1)
        vessel = vessel.with_value(f"{chamber.name}.offset_mm.along_mm", along)
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
    body = body_of(vessel)
    boxes = np.array([chamber.wall.box for chamber in body.chambers])
    across, along, up = 1e3 * (boxes[:, 1].max(axis=0) - boxes[:, 0].min(axis=0) + 2 * body.thickness)
    return float(along), float(across), float(up)


def mass_g(vessel: Vessel) -> float:
    """The fired clay's mass, g; openings and mouthpieces left out."""
    return fired_g(body_of(vessel))
