"""The solid that a vessel describes: chambers of air with exact walls, and the openings through their clay."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from simkit.body.coat import Coat
from simkit.body.places import Place, tangent_frame
from simkit.body.walls.wall import Wall, normal_curvatures, vector_product
from simkit.frozen import frozen
from simkit.vessel.further_ducts import FurtherDuct

WINDOW = "[window]"  # a window among a chamber's openings: with brackets, so that no hole can have its name


@frozen
class Opening:
    """The air of a hole or of a window: a duct square to the wall, or along an axis of its own.

    center (3,): on the inside wall, m; axis (3,): unit, out of the air; across (3,): unit tangent, along the width
    of a window; radius of a round opening, or width and height of a window (height runs with the breath), m;
    length: of the duct on its axis, m; rim and inside_rim: radii of its rounded rims, m. edge_deg: the slope of a
    window's far side from the wall, rising outward; 90 is upright. curvatures: the inside wall's along `across` and
    square to it, seen from the air, 1/m. clay: thickness of the clay around a hole that has a wall of its own, else 0:
    its face is flat there, 1.6 radii wide, sunk into the clay or on a collar. figure: the outer surface that it comes
    out of, where that is not the inside wall moved out along its axis; tilt: how steeply that rises against the plane
    square to its axis, across and forward, m/m; outside: its curvatures there, as `curvatures` are. square (3,): the
    inside wall's normal, where the axis is another. duct: another package's, in place of the plain one. seam: by which
    the clay along its rim is higher, on the mean, than that of the solid it comes out of, where others join that under
    the rim, m. fuller: by which a figure's clay over a window is thicker, on the mean against its middle, than an even
    wall's there, m.
    """

    name: str
    center: np.ndarray
    axis: np.ndarray
    across: np.ndarray
    length: float
    radius: float = 0.0
    width: float = 0.0
    height: float = 0.0
    rim: float = 0.0
    inside_rim: float = 0.0
    edge_deg: float = 90.0
    curvatures: tuple[float, float] = (0.0, 0.0)
    clay: float = 0.0
    figure: Wall | None = None
    square: np.ndarray | None = None
    tilt: tuple[float, float] = (0.0, 0.0)
    duct: FurtherDuct | None = None
    seam: float = 0.0
    fuller: float = 0.0
    outside: tuple[float, float] | None = None

    @property
    def normal(self) -> np.ndarray:
        """The inside wall's unit normal (3,), out of the air."""
        return self.axis if self.square is None else self.square

    @property
    def lean(self) -> float:
        """The angle from the wall's normal to its axis, radians."""
        return float(np.arccos(np.clip(self.axis @ self.normal, -1.0, 1.0)))

    @property
    def inner_tilt(self) -> tuple[float, float]:
        """Slopes of the inside wall against the plane square to its axis, across and forward, m/m."""
        if self.square is None:
            return 0.0, 0.0
        steep = float(self.square @ self.axis)  # cosine of the lean
        return -float(self.square @ self.across) / steep, -float(self.square @ self.forward) / steep

    @property
    def through(self) -> float:
        """The clay around it along its axis, m, whatever wall of its own it has; of a figure only."""
        return self.clay or self.length

    @property
    def is_round(self) -> bool:
        return self.radius > 0

    @property
    def title(self) -> str:
        """Name as a maker calls it."""
        return f"hole {self.name}" if self.is_round else "the window"

    @property
    def area(self) -> float:
        """Cross-section, m^2."""
        return np.pi * self.radius**2 if self.is_round else self.width * self.height

    @property
    def reach(self) -> float:
        """Radius of the least circle about its rim, m."""
        return self.radius if self.is_round else float(np.hypot(self.width, self.height)) / 2

    @property
    def forward(self) -> np.ndarray:
        """Unit tangent (3,) along a window's height, the way the breath runs."""
        return vector_product(self.across, self.axis)  # so across x forward points into the air

    def rim_points(self, count: int = 32, out: float = 0.0) -> np.ndarray:
        """Points (count, 3) on the rim's outline in the tangent plane, `out` metres up the axis."""
        # The chord: the true rim lies deeper or higher by the wall's bend.
        t = np.linspace(0, 2 * np.pi, count, endpoint=False)
        if self.is_round:
            u, v = self.radius * np.cos(t), self.radius * np.sin(t)
        else:
            # From the unit circle out to the square around it.
            scale = 1 / np.maximum(np.abs(np.cos(t)), np.abs(np.sin(t)))
            u, v = self.width / 2 * scale * np.cos(t), self.height / 2 * scale * np.sin(t)
        return self.center + out * self.axis + u[:, None] * self.across + v[:, None] * self.forward


@frozen
class ChamberBody:
    """One chamber's air: its wall, the thickness of the clay around it, its window and its holes.

    beside: the walls of other chambers in the same clay, where these are to be seen from outside. figure: the outer
    surface of the whole piece, where it is not the chambers' walls moved out.
    """

    name: str
    wall: Wall
    thickness: float
    window: Opening | None
    openings: tuple[Opening, ...]
    beside: tuple[Wall, ...] = ()
    figure: Wall | None = None

    @property
    def coat(self) -> Coat:
        """The outer surface that this chamber is seen in from outside: its own clay, and that of those beside it."""
        return _coat_of(self.figure, (self.wall, *self.beside), self.thickness)

    @property
    def volume(self) -> float:
        """Volume of the air without its openings, m^3."""
        return self.wall.volume

    @property
    def area(self) -> float:
        """Area of the inside wall, openings included, m^2."""
        return self.wall.area

    @property
    def all_openings(self) -> tuple[Opening, ...]:
        """The window first, where there is one, then the holes in the order of the file."""
        return (*((self.window,) if self.window else ()), *self.openings)


def _coat_of(figure: Wall | None, walls: tuple[Wall, ...], thickness: float) -> Coat:
    return Coat(walls, thickness) if figure is None else Coat((figure,), 0.0, figure=True)


@frozen
class Body:
    """All chambers of one piece of clay, the clay's thickness (m), and what is doubtful about the geometry."""

    chambers: tuple[ChamberBody, ...]
    thickness: float
    cautions: tuple[str, ...] = ()

    @property
    def figure(self) -> Wall | None:
        """The outer surface where it is not the chambers' walls moved out."""
        return self.chambers[0].figure if self.chambers else None

    @property
    def coat(self) -> Coat:
        """The outer surface of the clay."""
        return _coat_of(self.figure, tuple(chamber.wall for chamber in self.chambers), self.thickness)

    @property
    def openings(self) -> tuple[Opening, ...]:
        """The openings of all chambers in the order of their rows in port matrices."""
        return tuple(opening for chamber in self.chambers for opening in chamber.all_openings)

    def chamber(self, name: str) -> ChamberBody:
        return next(c for c in self.chambers if c.name == name)


_TIP = 0.97  # cosine between a hole and the chamber's axis beyond which it counts as one in the tip


@lru_cache(maxsize=1024)
def opening_at(
    wall: Wall, place: Place, name: str, *, forward_deg: float | None = None, length: float, **sizes: Any
) -> Opening:
    """The opening where a ray from the axis meets the wall, cut square to it.

    forward_deg: the way a window's breath runs along the wall, 0 away from the mouth end, 90 to the right.
    Raises ValueError, in words for the user, where there is no such place. Kept: of a design that is asked again all
    openings are the same but the one that was changed.
    """
    # Kept by itself: a hole that is widened stays where it is.
    center, axis, across, curvatures = _seat(wall, place, forward_deg)
    return Opening(name, center, axis, across, length, curvatures=curvatures, **sizes)


@lru_cache(maxsize=1024)
def _seat(
    wall: Wall, place: Place, forward_deg: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, tuple[float, float]]:
    """Middle (3,), m, axis (3,), the way across (3,), and the wall's curvatures there, 1/m."""
    center, axis = place.on(wall)
    if forward_deg is None:  # a round hole is the same whichever way it is turned: in a tip that way leads out of it
        forward_deg = 90.0 if abs(axis @ wall.axis[1]) > _TIP else 0.0
    across = tangent_frame(wall, axis, forward_deg)
    return center, axis, across, normal_curvatures(wall, center, across)
