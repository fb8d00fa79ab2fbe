"""Cuts through the piece: where a plane meets the inside wall and the outside of the clay, as closed lines."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from contourpy import contour_generator
from scipy.spatial import cKDTree

from simkit.body import Body, Wall
from simkit.body.coat import bare_solids
from simkit.body.walls.union import derivatives, union_of
from simkit.body.walls.wall import project
from simkit.frozen import frozen

UP = np.array([0.0, 0.0, 1.0])


@frozen
class Plane:
    """A flat cut: a point in it and its unit directions right and up, as the cut is drawn."""

    origin: np.ndarray
    right: np.ndarray
    up: np.ndarray

    def at(self, flat: np.ndarray) -> np.ndarray:
        """Points of the piece (n, 3), m, for points of the drawing (n, 2), m."""
        flat = np.atleast_2d(flat)
        return self.origin + flat[:, :1] * self.right + flat[:, 1:] * self.up

    def flat(self, points: np.ndarray) -> np.ndarray:
        """Points of the drawing (n, 2), m, for points of the piece (n, 3), m."""
        return (np.atleast_2d(points) - self.origin) @ np.array([self.right, self.up]).T


@frozen
class Frame:
    """A chamber's own directions: `origin` where along is 0, unit vectors along, right and up."""

    origin: np.ndarray
    along: np.ndarray
    right: np.ndarray
    up: np.ndarray

    @classmethod
    def of(cls, wall: Wall) -> Frame:
        origin, along = wall.axis
        return cls(np.asarray(origin, float), along, np.cross(along, UP), UP)  # along x up: to the right

    def across_at(self, along: float) -> Plane:
        """The cut square to the axis, seen from the mouth end: right is right, up is up."""
        return Plane(self.origin + along * self.along, self.right, self.up)

    def upright_at(self, across: float) -> Plane:
        """The lengthwise cut that stands upright, seen from the right: along runs to the right."""
        return Plane(self.origin + across * self.right, self.along, self.up)

    def level(self) -> Plane:
        """The lengthwise cut through the axis that lies level, seen from above: along runs up the page."""
        return Plane(self.origin, self.right, self.along)

    def coordinates(self, points: np.ndarray) -> np.ndarray:
        """Along, across and up of points (n, 3): (n, 3), m."""
        return (np.atleast_2d(points) - self.origin) @ np.array([self.along, self.right, self.up]).T


class Sliceable(Protocol):
    """A solid that can be cut: a level below zero within, above zero outside."""

    def side(self, points: np.ndarray) -> np.ndarray:
        """A level (n,) at points (n, 3) of which only the sign need be right."""

    def slope(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The true level (n,) near the surface and its slope (n, 3)."""


@dataclass(frozen=True)
class Inside:
    """The inside wall of a chamber."""

    wall: Wall

    def side(self, points: np.ndarray) -> np.ndarray:
        return self.wall.level(points)

    def slope(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        t = self.wall.taylor(points)
        return t.value, t.slope


@dataclass(frozen=True)
class Outside:
    """The outside of the clay: where the distance from the nearest wall is the thickness.

    Of a figure it is the body alone: strips and cards are laid on before parts and mouthpiece are joined.
    """

    body: Body

    def side(self, points: np.ndarray) -> np.ndarray:
        """Level (n,) at points (n, 3), exact only where samples of the wall cannot decide: feet are slow to find."""
        if self.body.figure is not None:
            return self._bare.level(points)
        level = np.full(len(points), np.inf)
        for chamber in self.body.chambers:
            tree, step = self._samples[chamber.name]
            far, _ = tree.query(points)
            # The wall is at most `step` nearer than its nearest sample: beyond that the sign is sure.
            mine = np.where(far > self.body.thickness + step, far - step, far) - self.body.thickness
            mine[chamber.wall.level(points) <= 0] = -self.body.thickness
            # Near the surface and not surely inside: measured.
            unsure = np.flatnonzero((mine > 0) & (far <= self.body.thickness + step))
            mine[unsure] = _distance(chamber.wall, points[unsure])[0] - self.body.thickness
            level = np.minimum(level, mine)
        return level

    def slope(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        if self.body.figure is not None:
            t = self._bare.taylor(points)
            return t.value, t.slope
        gaps, slopes = zip(*(_distance(chamber.wall, points) for chamber in self.body.chambers), strict=True)
        # The clay is around all chambers: the nearest air decides.
        nearest, pick = np.argmin(gaps, axis=0), np.arange(len(points))
        return np.array(gaps)[nearest, pick] - self.body.thickness, np.array(slopes)[nearest, pick]

    @cached_property
    def _bare(self) -> Wall:
        assert self.body.figure is not None
        return union_of(bare_solids(self.body.figure))

    @cached_property
    def _samples(self) -> dict[str, tuple[cKDTree, float]]:
        """Of each chamber points all over its wall, and how far from one of them a point of the wall can be, m."""
        found = {}
        for chamber in self.body.chambers:
            sheets = [s.points for s in chamber.wall.sheets(2)]
            step = max(float(np.linalg.norm(np.diff(p, axis=axis), axis=-1).max()) for p in sheets for axis in (0, 1))
            found[chamber.name] = cKDTree(np.concatenate([p.reshape(-1, 3) for p in sheets])), step
        return found


def _distance(wall: Wall, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance (n,), m, from a wall, and its slope (n, 3), the unit vector from the nearest point; zero in air."""
    gap, unit = np.zeros(len(points)), np.zeros((len(points), 3))
    # No foot is sought for points in the air: they are inside whatever the thickness.
    clay = np.flatnonzero(wall.level(points) > 0)
    away = points[clay] - project(wall, points[clay])
    gap[clay] = np.linalg.norm(away, axis=1)
    unit[clay] = away / np.maximum(gap[clay], 1e-300)[:, None]
    return gap, unit


def cut(surface: Sliceable, plane: Plane, box: np.ndarray, fine: int = 56) -> list[np.ndarray]:
    """Closed lines (n, 2) in the plane where it meets the surface, m, the longest first; first point = last.

    box (2, 3): what surely holds the surface. The zero line of a grid, each of its points then moved onto the
    surface by Newton in the plane; corners that a grid cuts off are put back where the two tangents meet.
    """
    grid = _grid(plane, box, fine)
    u, v = np.meshgrid(*grid)
    level = surface.side(plane.at(np.stack([u.ravel(), v.ravel()], axis=1))).reshape(u.shape)
    lines = contour_generator(grid[0], grid[1], level).lines(0.0)  # marching squares
    step = max(float(grid[0][1] - grid[0][0]), float(grid[1][1] - grid[1][0]))
    done = [_refined(surface, plane, np.asarray(line)[:-1], step) for line in lines if len(line) > 4]
    return sorted(done, key=lambda line: -_length(line))


def _grid(plane: Plane, box: np.ndarray, fine: int) -> tuple[np.ndarray, np.ndarray]:
    corners = np.array([[box[i, 0], box[j, 1], box[k, 2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
    flat = plane.flat(corners)
    low, high = flat.min(axis=0), flat.max(axis=0)
    margin = 0.03 * (high - low).max()  # so that every line closes within the grid
    u, v = (np.linspace(a - margin, b + margin, fine) for a, b in zip(low, high, strict=True))
    return u, v


def _refined(surface: Sliceable, plane: Plane, line: np.ndarray, step: float) -> np.ndarray:
    """Points (n, 2) of a grid's line moved onto the surface, with its corners, closed."""
    flat, slope = _onto(surface, plane, line, step)
    for _ in range(3):  # each round halves what still bends
        bends = np.flatnonzero(_turn(slope) > np.deg2rad(FLAT_DEG))
        if not len(bends):
            break
        middle, rise = _onto(surface, plane, (flat + np.roll(flat, -1, axis=0))[bends] / 2, step)
        flat, slope = np.insert(flat, bends + 1, middle, axis=0), np.insert(slope, bends + 1, rise, axis=0)
    flat = _with_corners(surface, plane, flat, slope, step)
    return np.concatenate([flat, flat[:1]])


# Where a line turns by more from point to point, a point is put between: a chord is then true to microns.
FLAT_DEG = 1.5
CORNER_DEG = 20.0  # a sharper turn from point to point is a corner that the grid cut off


def _turn(slope: np.ndarray) -> np.ndarray:
    """Angle (n,) from each point's slope to the next one's, rad; zero across corners, which need no points between."""
    other = np.roll(slope, -1, axis=0)
    sine = slope[:, 0] * other[:, 1] - slope[:, 1] * other[:, 0]
    angle = np.abs(np.arctan2(sine, (slope * other).sum(axis=1)))  # by sine and cosine: good at small angles
    return np.where(angle < np.deg2rad(40.0), angle, 0.0)


def _onto(surface: Sliceable, plane: Plane, flat: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 2) by Newton in the plane, no farther than a grid's step, and the unit slope (n, 2) in the plane."""
    directions = np.array([plane.right, plane.up]).T
    start = flat
    # Quadratic where the surface is smooth: three or four do; at a crease it may go to and fro.
    for _ in range(8):
        level, slope = surface.slope(plane.at(flat))
        slope = slope @ directions
        if np.abs(level).max(initial=0.0) < 1e-9 * np.linalg.norm(slope, axis=1).max(initial=1e-300):
            break
        # Newton along the slope: level/|slope|^2 times it.
        squared = np.maximum(np.einsum("ni,ni->n", slope, slope), 1e-300)
        move = (level / squared)[:, None] * slope
        long = np.linalg.norm(move, axis=1)
        # a slope that nearly vanishes would send a point across the piece
        flat = flat - move * np.minimum(1.0, step / np.maximum(long, 1e-300))[:, None]
    # Newton may run off to another part of the surface: such points stay on the grid's line.
    strayed = np.linalg.norm(flat - start, axis=1) > 2 * step
    flat = np.where(strayed[:, None], start, flat)
    return flat, slope / np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-300)


def _with_corners(surface: Sliceable, plane: Plane, flat: np.ndarray, slope: np.ndarray, step: float) -> np.ndarray:
    """Insert the meeting point of neighbours' tangents where these turn sharply and meet on the surface."""
    other, beyond = np.roll(flat, -1, axis=0), np.roll(slope, -1, axis=0)
    sine = slope[:, 0] * beyond[:, 1] - slope[:, 1] * beyond[:, 0]
    sharp = np.flatnonzero(np.abs(sine) > np.sin(np.deg2rad(CORNER_DEG)))
    if not len(sharp):
        return flat
    # Two tangents n . p = n . q, n the slopes at both neighbours: their meeting point.
    right = np.stack([(slope * flat).sum(axis=1), (beyond * other).sum(axis=1)], axis=1)[sharp]
    system = np.stack([slope[sharp], beyond[sharp]], axis=1)
    corners = np.linalg.solve(system, right[..., None])[..., 0]
    level, rise = surface.slope(plane.at(corners))
    off = np.abs(level) / np.maximum(np.linalg.norm(rise, axis=1), 1e-300)
    near = np.linalg.norm(corners - flat[sharp], axis=1) < 3 * step
    good = (off < 0.02 * step) & near  # of a true corner both tangents meet on the surface; of a round bend beyond it
    return np.insert(flat, sharp[good] + 1, corners[good], axis=0)


def _length(line: np.ndarray) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def silhouette(
    walls: list[Wall], plane: Plane, toward: np.ndarray, box: np.ndarray, fine: int = 64
) -> list[np.ndarray]:
    """Closed lines (n, 2) in `plane`, m, around the air of `walls` as seen along `toward`, square to the plane.

    A line of sight meets the air where the least level along it is negative; the outline is the zero line of that
    least level, its points moved by Newton to where both the level and its slope along the sight vanish.
    """
    u, v = _grid(plane, box, fine)
    reach = np.linalg.norm(np.ptp(box, axis=0))
    middle = (box.mean(axis=0) - plane.origin) @ toward
    depth = middle + np.linspace(-0.55, 0.55, 2 * fine) * reach  # a little beyond the box, seen from its middle
    flat = np.stack([a.ravel() for a in np.meshgrid(u, v)], axis=1)
    sight = plane.at(flat)[:, None, :] + depth[None, :, None] * toward
    level = np.min([w.level(sight.reshape(-1, 3)) for w in walls], axis=0).reshape(len(flat), -1)
    lines = contour_generator(u, v, level.min(axis=1).reshape(len(v), len(u))).lines(0.0)
    step = float(u[1] - u[0])
    done = []
    for line in (np.asarray(each)[:-1] for each in lines if len(each) > 4):
        for _ in range(2):  # then once more with twice the points
            line = _grazed(walls, plane, toward, line, depth, step)
            line = np.insert(line, np.arange(1, len(line) + 1), (line + np.roll(line, -1, axis=0)) / 2, axis=0)
        line = _grazed(walls, plane, toward, line, depth, step)
        done.append(np.concatenate([line, line[:1]]))
    return sorted(done, key=lambda line: -_length(line))


def _grazed(
    walls: list[Wall], plane: Plane, toward: np.ndarray, flat: np.ndarray, depth: np.ndarray, step: float
) -> np.ndarray:
    """Points (n, 2) moved to where the sight just grazes the air."""
    start, directions = flat, np.array([plane.right, plane.up]).T
    sight = plane.at(flat)[:, None, :] + depth[None, :, None] * toward
    level = np.array([w.level(sight.reshape(-1, 3)).reshape(len(flat), -1) for w in walls])
    nearest = level.min(axis=2).argmin(axis=0)  # of several bodies the one that is grazed
    w = depth[level[nearest, np.arange(len(flat))].argmin(axis=1)]  # where along the sight it comes nearest
    for _ in range(12):  # two unknowns, moved one after the other: slower than a plain cut
        points = plane.at(flat) + w[:, None] * toward
        value, slope, hessian = derivatives(walls, nearest, points)
        # First along the sight to the least level, where that has a minimum, then across it to the zero of the level.
        curve = np.einsum("i,nij,j->n", toward, hessian, toward)
        w = w - np.clip(np.where(curve > 0, (slope @ toward) / np.where(curve > 0, curve, 1.0), 0.0), -step, step)
        plain = slope @ directions
        move = (value / np.maximum(np.einsum("ni,ni->n", plain, plain), 1e-300))[:, None] * plain
        long = np.linalg.norm(move, axis=1, keepdims=True)
        flat = flat - move * np.minimum(1.0, 0.5 * step / np.maximum(long, 1e-300))
    strayed = np.linalg.norm(flat - start, axis=1) > 2 * step
    return np.where(strayed[:, None], start, flat)
