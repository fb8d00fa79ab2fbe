"""What the textbook rule leaves out, in cents: the size of its error, estimated from where the openings lie.

The rule takes every opening as if it were alone in a flat wall of a chamber where pressure is the same throughout.
Three corrections to that are known in closed form and are estimated here, not applied:

- *curvature*: on a ball, inside and outside together, an opening conducts better: 1/K falls by 1.8 / (4 pi R)
  (for a thin wall K = 2a (1 + 0.2865 a/R)).
- *neighbours*: openings i and j at distance d share inertia, 1/(4 pi R) [4R/d + ln(2/(d^2/2R^2 + d/R)) -
  ln(1 + 2R/d) - 9/5] (the ball's Neumann functions inside and outside).
- *length*: in a chamber longer than a ball the air must also run along it; the difference between the one-dimensional
  Green functions of a tube of that length and of the ball, (L/A) [1/3 - max(u, v) + (u^2 + v^2)/2], A = V/L.

R is the radius of the ball of equal volume. Cheviakov, Ward & Straube 2010, SIAM Multiscale Model. Simul. 8, 836 (from
memory) for the ball's inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_ALWAYS = 10.0  # cents: rims, the window's edge, what else no formula here sees


@dataclass(frozen=True)
class Layout:
    """Where the openings lie, window first where there is one: centres (m, 3), the air's box (2, 3), its volume."""

    centers: np.ndarray
    box: np.ndarray
    volume: float

    @property
    def radius(self) -> float:
        """Of the ball of equal volume, m."""
        return (3 * self.volume / (4 * np.pi)) ** (1 / 3)

    @property
    def length(self) -> float:
        """The air's longest side, m."""
        return float(np.ptp(self.box, axis=0).max())

    def curvature(self) -> np.ndarray:
        """Correction to the matrix of 1/K from the ball's curvature, (m, m), 1/m."""
        return np.diag(np.full(len(self.centers), -1.8 / (4 * np.pi * self.radius)))

    def neighbours(self) -> np.ndarray:
        """Correction from shared inertia, (m, m), 1/m, nothing on the diagonal."""
        apart = np.linalg.norm(self.centers[:, None] - self.centers[None, :], axis=-1) / self.radius
        d = np.where(apart > 0, np.clip(apart, 1e-3, 2.0), 1.0)  # a ball's openings are at most a diameter apart
        mutual = (4 / d + np.log(2 / (d**2 / 2 + d)) - np.log(1 + 2 / d) - 1.8) / (4 * np.pi * self.radius)
        return np.where(apart > 0, mutual, 0.0)

    def stretch(self) -> np.ndarray:
        """Correction from the chamber's length beyond a ball's, (m, m), 1/m."""
        long = int(np.ptp(self.box, axis=0).argmax())
        u = np.clip((self.centers[:, long] - self.box[0, long]) / self.length, 0, 1)
        shape = 1 / 3 - np.maximum(u[:, None], u[None, :]) + (u[:, None] ** 2 + u[None, :] ** 2) / 2
        return (self.length**2 - (2 * self.radius) ** 2) / self.volume * shape


@dataclass(frozen=True)
class Neglect:
    """Cents by which each neglected correction would move the note."""

    curvature: float
    neighbours: float
    stretch: float
    together: float

    @property
    def uncertainty_cents(self) -> float:
        """Half-width of the band: 10 cents, the net estimate, and half of what its parts add up to.

        The last guards against parts that cancel by chance and are only estimates themselves.
        """
        parts = abs(self.curvature) + abs(self.neighbours) + abs(self.stretch)
        return _ALWAYS + abs(self.together) + parts / 2


def neglected(layout: Layout, conductivity: np.ndarray) -> Neglect:
    """The estimate for open openings of these conductivities (m,), 0 where covered."""
    is_open = conductivity > 0
    if not is_open.any():
        return Neglect(0.0, 0.0, 0.0, 0.0)
    K = conductivity[is_open]
    curvature, neighbours, stretch = (
        part()[np.ix_(is_open, is_open)] for part in (layout.curvature, layout.neighbours, layout.stretch)
    )

    def moved(correction: np.ndarray) -> float:
        flow = np.linalg.solve(np.diag(1 / K) + correction, np.ones(len(K)))
        # Where a correction is as large as what it corrects it says only "an octave or so".
        return 600 * float(np.log2(np.clip(flow.sum() / K.sum(), 0.25, 4.0)))

    return Neglect(moved(curvature), moved(neighbours), moved(stretch), moved(curvature + neighbours + stretch))
