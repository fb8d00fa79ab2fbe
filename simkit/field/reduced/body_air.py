"""A body's air, meshed and factored once, for any openings anywhere on its walls."""

from __future__ import annotations

import logging
import time
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass

import numpy as np

from simkit.body.chambers import Body
from simkit.body.meshes.curved import air_mesh, default_size, surrounding_mesh
from simkit.body.walls.wall import Wall, on_wall
from simkit.field.fem.factor import threads
from simkit.field.reduced.boundary import AirSurface
from simkit.field.reduced.inside import InsideAir
from simkit.field.reduced.outside import OutsideAir

MODES = 16
INSIDE_SHARE = 0.25  # size of the elements over the radius of a ball of the chamber's volume
SHELL = 1.35  # radius of the far sphere over that of the body
SHELL_SHARE = 0.33  # size of the elements in the shell over the radius of the body
TURNS = 4  # elements to a full turn of a bend: they are curved, and a port sees a tight edge from afar
REACH = 4.0  # the outside is solved for k up to this over the radius of a ball of the body's volume
WAVES = 16  # wave numbers at which it is solved

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class BodyAir:
    """A body's air inside each chamber and around it all, meshed and factored.

    ball: radius of a ball of the volume of clay and air together, m; seconds: what meshing and factoring took.
    """

    body: Body
    chambers: tuple[InsideAir, ...]
    outside: OutsideAir
    ball: float
    seconds: float

    @property
    def wave_numbers(self) -> np.ndarray:
        """Wave numbers where the outside is solved, 1/m: zero, then the upper half of Chebyshev's points to the top."""
        steps = np.pi * (np.arange(WAVES) + 1) / (2 * WAVES)
        return REACH / self.ball * np.concatenate([[0.0], np.sin(steps)])


def air_of(
    body: Body, size: float | None = None, outside_size: float | None = None, modes: int = MODES, mesh: float = 1.0
) -> BodyAir:
    """Mesh and factor a body's air, with elements of `size` inside and `outside_size` around it, m.

    Where these are not given they are the standard ones times `mesh`. The chambers' openings play no part: holes may
    be moved and resized later. Raises MeshError where a shape cannot be meshed.
    """
    start = time.perf_counter()
    log.info("dividing the air into small cells")
    walls, coat = tuple(chamber.wall for chamber in body.chambers), body.coat
    # The far sphere is about the middle of the body's box, not of its mass: it only has to hold it closely.
    skin = np.concatenate([on_wall(wall, 2) for wall in coat.walls])
    center = (skin.min(axis=0) + skin.max(axis=0)) / 2
    reach = float(np.linalg.norm(skin - center, axis=1).max()) + coat.offset
    radius = SHELL * reach
    with ThreadPoolExecutor(1) as beside:  # factors the chambers' air while the air around them is meshed
        tasks = [
            beside.submit(InsideAir.of, air_mesh(wall, size or mesh * _inside_size(wall), TURNS), wall, modes)
            for wall in walls
        ]
        if threads() == 1:  # in turn, then: gmsh runs in this thread alone either way
            wait(tasks)
        around = outside_size or mesh * SHELL_SHARE * reach
        if coat.figure:
            from simkit.body.meshes.around_figure import figure_mesh  # here: six modules that an even wall does without

            windows = [chamber.window for chamber in body.chambers if chamber.window is not None]
            shell = figure_mesh(coat.walls[0], center, radius, around, windows)  # a mouthpiece may stand beside each
        else:
            shell = surrounding_mesh(walls, coat.offset, center, radius, around, TURNS)
        outside = OutsideAir.of(shell, AirSurface(coat.walls, coat.offset, outside=True), center, radius)
        inside = tuple(task.result() for task in tasks)
    # What the shell leaves of the far sphere is the body.
    ball = (radius**3 - 3 * shell.volume / (4 * np.pi)) ** (1 / 3)
    return BodyAir(body, inside, outside, ball, time.perf_counter() - start)


def _inside_size(wall: Wall) -> float:
    ball = (3 * wall.volume / (4 * np.pi)) ** (1 / 3)
    return min(INSIDE_SHARE * ball, default_size(wall))
