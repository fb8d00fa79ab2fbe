"""Placing of names in a drawing: beside what they name, clear of lines, openings and each other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

CLEAR_MM = 0.35  # that a name keeps from what is drawn
STEP_MM = 0.3  # between the points by which a line is known
DISTANCES_MM = (0.5, 1.0, 1.8, 2.8, 4.0, 5.5)  # of a name from its shape, tried in this order


@dataclass
class Ground:
    """The occupied paper, as points, mm; names that are placed are added to it."""

    points: list[np.ndarray] = field(default_factory=list)

    def draw(self, line: np.ndarray) -> None:
        """Mark the paper under a line (n, 2) as occupied."""
        self.points.append(_dense(line))

    def place(self, width: float, height: float, centers: np.ndarray) -> int:
        """Number of the place (k, 2), best first, where a name of this size touches least; it is taken then."""
        half = np.array([width, height]) / 2
        taken = np.concatenate(self.points) if self.points else np.zeros((0, 2))
        low, high = (centers.min(axis=0) - half - CLEAR_MM, centers.max(axis=0) + half + CLEAR_MM)
        taken = taken[((taken > low) & (taken < high)).all(axis=1)]  # only what any place could touch
        off = np.abs(taken[None] - centers[:, None]) < half + CLEAR_MM
        # argmin takes the first of equals, and the best places come first.
        best = int(off.all(axis=2).sum(axis=1).argmin())
        grid = np.stack(np.meshgrid(*(np.linspace(-h, h, max(3, int(2 * h / STEP_MM))) for h in half)), axis=-1)
        self.points.append(centers[best] + grid.reshape(-1, 2))
        return best


def _dense(line: np.ndarray) -> np.ndarray:
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0, run[-1], max(2, int(run[-1] / STEP_MM)))
    return np.stack([np.interp(at, run, line[:, axis]) for axis in (0, 1)], axis=1)


def beside(rim: np.ndarray, width: float, height: float, first_deg: float) -> np.ndarray:
    """Places (k, 2) for the middle of a name round a shape (n, 2), the nearest first and of these the ones that look
    most nearly in the direction `first_deg`."""
    center = rim.mean(axis=0)
    turns = np.deg2rad(first_deg + np.array([0, 30, -30, 60, -60, 90, -90, 120, -120, 150, -150, 180]))
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    # As far out as the shape reaches that way, and half the name's box.
    out = ((rim - center) @ ways.T).max(axis=0) + np.abs(ways) @ [width / 2, height / 2]
    return np.concatenate([center + (out + distance)[:, None] * ways for distance in DISTANCES_MM])


def along(line: np.ndarray, width: float, height: float) -> np.ndarray:
    """Places (k, 2), mm, for the middle of a name just outside a closed line (n, 2), the highest first."""
    out = outward(line)
    centers = line + (np.abs(out) @ [width / 2, height / 2] + 2 * CLEAR_MM)[:, None] * out
    return centers[np.argsort(-out[:, 1], kind="stable")]


def outward(line: np.ndarray) -> np.ndarray:
    """Unit normals (n, 2) that point out of a closed line whose last point is its first."""
    ring = line[:-1]
    way = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    # The sign of the enclosed area says which way the line runs.
    area = float(np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - ring[:, 1] * np.roll(ring[:, 0], -1)))
    normal = np.sign(area) * np.stack([way[:, 1], -way[:, 0]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    return np.concatenate([normal, normal[:1]])


def parted(centers: np.ndarray, rim: np.ndarray, half: Iterable[float]) -> float:
    """Distance of the box of a name from a shape (n, 2), mm."""
    off = np.maximum(np.abs(rim - centers) - np.array(list(half)), 0.0)
    return float(np.linalg.norm(off, axis=1).min())
