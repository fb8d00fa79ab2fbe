"""Solids as gmsh is to draw them: sheets, rounded boxes and cylinders, turned, joined or filed flat. Metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.frozen import frozen


@frozen
class Sheet:
    """A smooth piece of a wall as rings from one end to the other.

    points: (rings, around, 3), the last column meeting the first; `normals` the same shape, unit, out of the air.
    A first or last ring may shrink to a single point (a pole). A `flat` sheet is a plane cap.
    """

    points: np.ndarray
    normals: np.ndarray
    flat: bool = False

    def moved_out(self, offset: float) -> Sheet:
        """The sheet moved along its normals, m."""
        return Sheet(self.points + offset * self.normals, self.normals, self.flat)

    @property
    def facets(self) -> tuple[np.ndarray, np.ndarray]:
        """Middles (n, 3), m, of the quadrilaterals between its points, and areas as vectors (n, 3) outward, m2."""
        p = self.points
        a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
        # Half the product of the diagonals is the area of any quadrilateral, flat or not.
        areas = np.cross(c - a, d - b).reshape(-1, 3) / 2
        # Rings may run either way round, so that the product points in or out: the normals tell.
        out = (self.normals[:-1, :-1] + self.normals[1:, 1:]).reshape(-1, 3)
        return ((a + b + c + d) / 4).reshape(-1, 3), areas * np.sign(np.einsum("ni,ni->n", areas, out))[:, None]


@dataclass(frozen=True)
class ClosedSheets:
    """A solid as the sheets that close it together."""

    sheets: tuple[Sheet, ...]


@frozen
class Block:
    """An upright box `corners` (2, 3) with all edges rounded to `rounding` (0: sharp), m."""

    corners: np.ndarray
    rounding: float


@dataclass(frozen=True)
class Can:
    """A cylinder about the y axis from `start` to `stop`, its rims rounded to `rounding` (0: sharp), m."""

    radius: float
    start: float
    stop: float
    rounding: float


@frozen
class MovedSolid:
    """Another solid turned by `turn` (3, 3) and then shifted by `shift` (3,)."""

    solid: Solid
    turn: np.ndarray
    shift: np.ndarray


@dataclass(frozen=True)
class Union:
    """Several solids that overlap, as one."""

    solids: tuple[Solid, ...]


@frozen
class FlatFace:
    """A round flat face of `radius` about `center` (3,), square to the unit `axis` (3,), m.

    raised: a collar stands up to it from `depth` below; else what stands over it is gone, up to `depth`.
    """

    center: np.ndarray
    axis: np.ndarray
    radius: float
    raised: bool
    depth: float


@dataclass(frozen=True)
class Faced:
    """Another solid with flat spots and collars on it."""

    solid: Solid
    spots: tuple[FlatFace, ...]


Solid = ClosedSheets | Block | Can | MovedSolid | Union | Faced
