"""Port solutions of bodies, kept for the next design with the same walls or openings, and their walls' losses."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import replace

import numpy as np

from simkit.air import Air
from simkit.body.chambers import Body
from simkit.body.walls.wall import Wall
from simkit.field import BodyAir, PortSolution, air_of, port_solution
from simkit.sound.elements.losses import heat_loss, mode_loss
from simkit.sound.models.circuit import WallLoss

_KEPT: OrderedDict[tuple[tuple[Wall, ...], float, Wall | None, float], BodyAir] = OrderedDict()
_SOLVED: OrderedDict[tuple[Body, float], PortSolution] = OrderedDict()
_KEEP, _KEEP_NODES = 4, 80_000  # bodies, and nodes of all their meshes; the last two bodies whatever they hold


def body_air(body: Body, mesh: float = 1.0) -> BodyAir:
    """The meshed and factored air of a body's walls, kept for the next design with the same walls.

    mesh: its sizes over the standard.
    """
    key = _walls(body, mesh)
    air = _KEPT.get(key)
    if air is None:
        air = _KEPT[key] = air_of(body, mesh=mesh)
        while len(_KEPT) > 2 and (len(_KEPT) > _KEEP or _nodes() > _KEEP_NODES):
            _, gone = _KEPT.popitem(last=False)
            for each in [each for each, solution in _SOLVED.items() if solution.air.outside is gone.outside]:
                del _SOLVED[each]  # it would keep the meshes and their factors
    _KEPT.move_to_end(key)
    return replace(air, body=body)  # walls are the key: names and openings are this body's own


def _walls(body: Body, mesh: float) -> tuple[tuple[Wall, ...], float, Wall | None, float]:
    return tuple(chamber.wall for chamber in body.chambers), body.thickness, body.figure, mesh


def _nodes() -> int:
    """Number of nodes of all meshes that are kept."""
    meshes = [[*(chamber.mesh for chamber in air.chambers), air.outside.mesh] for air in _KEPT.values()]
    return sum(len(mesh.points) for each in meshes for mesh in each)


def solved(body: Body, mesh: float = 1.0) -> PortSolution:
    """The port solution of a body, kept for the same openings under other airs, fingerings and windways."""
    key = body, mesh
    solution = _SOLVED.pop(key, None)
    if solution is None:
        solution = port_solution(body_air(body, mesh))
    elif (walls := _walls(body, mesh)) in _KEPT:
        _KEPT.move_to_end(walls)  # what is used is kept
    _SOLVED[key] = solution  # under this very body, which the next question finds without comparing what it holds
    while len(_SOLVED) > _KEEP:
        _SOLVED.popitem(last=False)
    return solution


def wall_loss(air: BodyAir, body: Body, gas: Air) -> WallLoss:
    """The walls' friction and heat for every mode, by surface integrals, and for the uniform pressure."""
    uniform: list[float] = []
    friction: list[np.ndarray] = []
    warmth: list[np.ndarray] = []
    for chamber, inside in zip(body.chambers, air.chambers, strict=True):
        # At 1 rad/s: 1/Q goes as one over the root of the frequency.
        uniform += [float(heat_loss(gas, 1.0, chamber.area, chamber.volume))] * len(chamber.all_openings)
        square, slope_square = inside.on_wall
        omega = gas.sound_speed * np.sqrt(inside.modes.k2)
        # 1: modes have unit integral of p^2, and k^2 of its gradient's.
        viscous, thermal = mode_loss(gas, omega, square, slope_square, np.ones(len(omega)), inside.modes.k2)
        friction.append(np.asarray(viscous))
        warmth.append(np.asarray(thermal))
    return WallLoss(np.array(uniform), np.concatenate(friction), np.concatenate(warmth))
