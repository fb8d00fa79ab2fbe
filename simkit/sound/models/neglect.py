"""Errors of the lumped model, in cents: their sizes, estimated from where the openings lie.

The rule takes every opening as if it were alone in a flat wall of a chamber where pressure is the same throughout.
Three corrections to that are estimated here, not applied:

- *curvature*: on a ball, inside and outside together, an opening conducts better: 1/K falls by 1.8 / (4 pi R)
  (for a thin wall K = 2a (1 + 0.2865 a/R)).
- *neighbours*: openings at distance d on a ball share inertia, (1/4 pi R) [4R/d + ln(2/(d^2/2R^2 + d/R)) -
  ln(1 + 2R/d) - 9/5] (the ball's Neumann functions inside and outside).
- *stretch*: in a chamber longer than a ball the air must also run along it: int F_u F_v / A dy, where A(y) is the
  section and F_u(y) the flow through it from an opening at u into air that swells evenly; less the same for the
  ball. Near an opening, where the half space is narrower than the section, the half space is what counts.

R is the radius of the ball of equal volume. Cheviakov, Ward & Straube 2010 [Cheviakov2010] (from
memory) for the ball's inside. Against finite elements for walled spheroids of 1:1 to 4:1 with one or two holes at
their ends (the worst places), where the rule errs by 15 to 440 cents, the band below held in all sixteen cases.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simkit.body.walls.wall import Wall
from simkit.frozen import frozen

_ALWAYS = 10.0  # cents: the window's edge, rims, what else no formula here sees
_SLICES = 64
_ACROSS = 32


@frozen
class Layout:
    """Places of the openings, window first where there is one: their centres (m, 3), m, on the wall of that volume."""

    centers: np.ndarray
    wall: Wall

    @property
    def radius(self) -> float:
        """Radius of the ball of equal volume, m."""
        return (3 * self.wall.volume / (4 * np.pi)) ** (1 / 3)

    @cached_property
    def length(self) -> float:
        """The air's longest side, m."""
        return float(np.ptp(self.wall.box, axis=0).max())

    @cached_property
    def curvature(self) -> np.ndarray:
        """Correction to the matrix of 1/K from the ball's curvature, (m, m), 1/m."""
        return np.diag(np.full(len(self.centers), -1.8 / (4 * np.pi * self.radius)))

    @cached_property
    def neighbours(self) -> np.ndarray:
        """Correction from shared inertia, (m, m), 1/m, nothing on the diagonal."""
        distance = np.linalg.norm(self.centers[:, None] - self.centers[None, :], axis=-1) / self.radius
        d = np.where(distance > 0, np.clip(distance, 1e-3, 2.0), 1.0)  # a ball's openings are at most a diameter apart
        mutual = (4 / d + np.log(2 / (d**2 / 2 + d)) - np.log(1 + 2 / d) - 1.8) / (4 * np.pi * self.radius)
        return np.where(distance > 0, mutual, 0.0)

    @cached_property
    def stretch(self) -> np.ndarray:
        """Correction from the chamber's length beyond a ball's, (m, m), 1/m."""
        box = self.wall.box
        long = int(np.ptp(box, axis=0).argmax())  # along its longest side
        places = np.clip((self.centers[:, long] - box[0, long]) / self.length, 0, 1)
        middle = (np.arange(_SLICES) + 0.5) / _SLICES
        # A ball's sections, x (1 - x) along its diameter.
        ball = along(places, 4 * middle * (1 - middle), 2 * self.radius, self.wall.volume)
        return along(places, sections(self.wall, long), self.length, self.wall.volume) - ball


def sections(wall: Wall, axis: int) -> np.ndarray:
    """Fraction of its box that the air fills in each of many slices across an axis: the chamber's width there."""
    box = wall.box
    counts = [_ACROSS] * 3
    counts[axis] = _SLICES
    grid = np.meshgrid(
        *(low + (high - low) * (np.arange(n) + 0.5) / n for low, high, n in zip(*box, counts, strict=True)),
        indexing="ij",
    )
    # The share of cells whose middle lies in the air.
    inside = wall.level(np.stack([g.ravel() for g in grid], axis=1)) < 0
    others = tuple(k for k in range(3) if k != axis)
    return np.maximum(inside.reshape(counts).mean(axis=others), 1e-3)  # the ends of a ball have no area


def along(places: np.ndarray, profile: np.ndarray, length: float, volume: float) -> np.ndarray:
    """int F_u F_v / A dy between openings at `places` (m,), 0 to 1 along a chamber: (m, m), 1/m.

    profile (n,): its sections in equal slices, in any unit; the volume sets their size.
    """
    middle, step = (np.arange(len(profile)) + 0.5) / len(profile), length / len(profile)
    area = profile * volume / (profile.sum() * step)
    before = (np.cumsum(area) - area / 2) * step / volume
    # What has entered up to here, less what the air before it has swelled by.
    flow = (middle > places[:, None]) - before
    found = (flow[:, None] * flow[None, :] / area).sum(axis=-1) * step
    # An opening's own: what the section adds to the half space around it.
    behind = np.interp(places, middle, before)[:, None]
    share = np.where(middle > places[:, None], 1 - behind, behind)
    # Half a ball about the opening: each side has as much of it as of the air.
    half_space = 2 * np.pi * ((middle - places[:, None]) * length) ** 2 * np.maximum(share, 1e-9)
    own = np.maximum(flow**2 / area - flow**2 / np.maximum(half_space, 1e-30), 0).sum(axis=-1) * step
    np.fill_diagonal(found, own)
    return found


@dataclass(frozen=True)
class Neglect:
    """Cents by which each neglected correction would move the note."""

    curvature: float
    neighbours: float
    stretch: float
    together: float

    @property
    def uncertainty_cents(self) -> float:
        """Half-width of the band: 10 cents, the net estimate, and two thirds of what its parts add up to.

        The last guards against parts that cancel by chance and are only estimates themselves.
        """
        parts = abs(self.curvature) + abs(self.neighbours) + abs(self.stretch)
        return _ALWAYS + abs(self.together) + 2 / 3 * parts


def neglected(layout: Layout, conductivity: np.ndarray) -> Neglect:
    """The estimate for openings of these conductivities (m,), 0 where covered."""
    is_open = conductivity > 0
    if not is_open.any():
        return Neglect(0.0, 0.0, 0.0, 0.0)
    K = conductivity[is_open]
    curvature, neighbours, stretch = (
        part[np.ix_(is_open, is_open)] for part in (layout.curvature, layout.neighbours, layout.stretch)
    )

    def moved(correction: np.ndarray) -> float:
        flow = np.linalg.solve(np.diag(1 / K) + correction, np.ones(len(K)))
        # Where a correction is as large as what it corrects it says only "an octave or so".
        return 600 * float(np.log2(np.clip(flow.sum() / K.sum(), 0.25, 4.0)))

    return Neglect(moved(curvature), moved(neighbours), moved(stretch), moved(curvature + neighbours + stretch))
