"""The outer surface of the clay: an even wall around the chambers, or that of a figure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.body.walls.offset import OffsetWall
from simkit.body.walls.union import solids_of
from simkit.body.walls.wall import Wall, box_around, cast, distance, feet, project


def bare_solids(figure: Wall) -> tuple[Wall, ...]:
    """Body of a figure alone, before parts and mouthpieces are joined: its outside, or each chamber's even wall."""
    solids = solids_of(figure)
    even = tuple(solid for solid in solids if isinstance(solid, OffsetWall))
    return even or solids[:1]  # an [outside] comes first of a figure's solids


@dataclass(frozen=True)
class Coat:
    """The outer surface: `walls` moved out by `offset`, m. Of a figure one wall that is itself the surface, and 0."""

    walls: tuple[Wall, ...]
    offset: float
    figure: bool = False

    @property
    def box(self) -> np.ndarray:
        """Corners (2, 3) of the upright box around it, m."""
        return box_around(self.walls) + np.array([[-self.offset], [self.offset]])

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Signed distance (n,) of points (n, 3), m: negative in clay and air."""
        points = np.atleast_2d(np.asarray(points, float))
        if len(self.walls) == 1:
            return distance(self.walls[0], points) - self.offset
        foot, _ = feet(self.walls, points)
        inside = np.min([wall.level(points) for wall in self.walls], axis=0) < 0
        gap = np.linalg.norm(points - foot, axis=1)
        return np.where(inside, -gap, gap) - self.offset

    def level(self, points: np.ndarray) -> np.ndarray:
        """Level (n,) at points (n, 3), negative inside the outer surface; no distance for a figure, and quick."""
        return self.walls[0].level(points) if self.figure else self.distance(points)

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """The nearest points of the outer surface to points (n, 3) near it."""
        if self.figure:
            return project(self.walls[0], points)
        foot, _ = feet(self.walls, points)
        away = points - foot
        return foot + self.offset * away / np.linalg.norm(away, axis=1, keepdims=True)

    def through(self, start: np.ndarray, way: np.ndarray) -> float:
        """The clay from a point of an inside wall (3,) along a unit way (3,), square to it unless a figure's, m.

        To the first place where it comes out; ValueError where the point is not inside the outer surface.
        """
        if not self.figure:
            return self.offset
        out = cast(self.walls[0], start, way)
        if out is None:
            raise ValueError("a place within the outside: here the outside cuts into the air")
        return float(np.linalg.norm(out - start))
