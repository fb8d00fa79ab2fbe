"""Rows of triangles down a duct, from the loop on the inside of the clay to the loop on its outside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.body.meshes.outlines import DuctSurface, Footprint

FLAT_SLOPE = 25.0  # degrees


@dataclass(frozen=True, eq=False)
class Strip:
    """Nodes in rows and columns on a duct; columns run round it, from turns `start` to turns `stop`.

    ids (rows, columns): node numbers, filled in by who numbers them; depths (rows,): see `DuctSurface.points`;
    cover: the row at which the straight part ends.
    """

    duct: DuctSurface
    start: np.ndarray
    stop: np.ndarray
    depths: np.ndarray
    ids: np.ndarray
    cover: int

    def at(self, columns: np.ndarray, rows: np.ndarray) -> np.ndarray:
        """Points (n, 3) at fractional columns and rows."""
        count = np.arange(len(self.start) + 1)
        # One column more than there are: the first again, a whole turn on.
        a, b = (np.interp(columns, count, np.append(turns, turns[0] + 1)) for turns in (self.start, self.stop))
        depth = np.interp(rows, np.arange(len(self.depths)), self.depths)
        # Columns go over evenly from the inner loop's turns to the outer's.
        share = (depth - self.depths[0]) / (self.depths[-1] - self.depths[0])
        return self.duct.points((1 - share) * a + share * b, depth)

    def row(self, number: int) -> np.ndarray:
        """Points of one row: (columns, 3), m."""
        columns = np.arange(len(self.start), dtype=float)
        return self.at(columns, np.full_like(columns, number))

    def inner_points(self) -> np.ndarray:
        """Points of all rows but the first and the last: (n, 3), m."""
        return np.concatenate([self.row(r) for r in range(1, len(self.depths) - 1)])

    def triangles(self, low: int, high: int, points: np.ndarray) -> np.ndarray:
        """Two triangles in every cell between two rows, (t, 3), for all nodes' points (n, 3), m.

        Diagonals alternate, but beside a flat slope, where they would leave needles, each cell takes its shorter one.
        """
        this = np.arange(len(self.start))
        after = np.roll(this, -1)
        found = []
        for r in range(low, high):
            quad = np.stack([self.ids[r, this], self.ids[r, after], self.ids[r + 1, after], self.ids[r + 1, this]], 1)
            # The two diagonals.
            one, other = (np.linalg.norm(points[quad[:, a]] - points[quad[:, a + 2]], axis=1) for a in (0, 1))
            even = (one < other if self.duct.opening.edge_deg < FLAT_SLOPE else (this + r) % 2 == 0)[:, None]
            found += [np.where(even, quad[:, [0, 1, 2]], quad[:, [0, 1, 3]])]
            found += [np.where(even, quad[:, [0, 2, 3]], quad[:, [1, 2, 3]])]
        return np.concatenate(found) if found else np.zeros((0, 3), int)

    @property
    def sharp(self) -> tuple[bool, bool]:
        """Whether the inner and the outer rim are sharp."""
        return self.duct.opening.inside_rim == 0, self.duct.opening.rim == 0

    def middles(self, triangles: np.ndarray, near: float) -> np.ndarray:
        """Points of the duct in the middle of the edges 01, 12, 02 of its triangles (t, 3): (t, 3, 3).

        On an edge that leaves a sharp rim the point lies at the share `near` of the way.
        """
        # Back from node numbers to rows and columns of the strip.
        order = np.argsort(self.ids.ravel())
        flat = order[np.searchsorted(self.ids.ravel()[order], triangles)]
        rows, columns = np.unravel_index(flat, self.ids.shape)
        n, last = len(self.start), len(self.depths) - 1
        on = np.isin(rows, [row for row, sharp in zip((0, last), self.sharp, strict=True) if sharp])
        out = []
        for a, b in ((0, 1), (1, 2), (0, 2)):
            first, second = columns[:, a].astype(float), columns[:, b].astype(float)
            # An edge over the place where the columns close: its lower end counts once round more.
            first[second - first > n / 2] += n
            second[first - second > n / 2] += n
            # Only an edge with one end on a sharp rim leaves it.
            share = np.where(on[:, a] == on[:, b], 0.5, np.where(on[:, a], near, 1 - near))
            out.append(self.at(first + share * (second - first), rows[:, a] + share * (rows[:, b] - rows[:, a])))
        return np.stack(out, axis=1)


def strip_between(
    duct: DuctSurface, points: np.ndarray, loops: tuple[np.ndarray, np.ndarray], size: float, grow: float
) -> tuple[Strip, tuple[np.ndarray, np.ndarray]]:
    """The strip between the loops of node numbers, and where on the duct the loops' points belong exactly."""
    start, inner = turned(duct, duct.inside, points, loops[0])
    stop, outer = turned(duct, duct.outside, points, loops[1])
    if duct.inside.sides == 1:  # no corners to hold on to: begin both loops at the same turn
        # Turns are counted modulo one: the difference from -1/2 to 1/2 is the short way round.
        first = int(np.argmin(np.abs((stop - start[0] + 0.5) % 1 - 0.5)))
        outer = np.roll(outer, -first)
        stop = np.unwrap(2 * np.pi * np.roll(stop, -first)) / (2 * np.pi)
        stop += np.round(start[0] - stop[0])
    depths = _depths(duct, size, grow)
    ids = np.empty((len(depths), len(inner)), int)
    ids[0], ids[-1] = inner, outer
    strip = Strip(duct, start, stop, depths, ids, int(np.argmin(np.abs(depths - 2))))
    return strip, (strip.row(0), strip.row(len(depths) - 1))


def turned(duct: DuctSurface, foot: Footprint, points: np.ndarray, loop: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n,) of a loop in the order of their turns, and these (n,), 0 to 1; corners exactly at theirs."""
    turns = foot.turn(duct.frame(points[loop]))
    # Corners come out a rounding error off theirs, perhaps at the end of the side before.
    if foot.sides > 1:
        corner = np.round(foot.sides * turns)
        turns = np.where(np.abs(foot.sides * turns - corner) < 1e-4, corner / foot.sides, turns)
    turns = np.where(turns > 1 - 1e-9, turns - 1, turns)
    order = np.argsort(turns)
    return turns[order], loop[order]


def _depths(duct: DuctSurface, size: float, grow: float) -> np.ndarray:
    """Depths of the rows (rows,), m: even on the two rims, graded from both ends between; a sharp rim has none."""
    # A-E-C, C-D, D-F-B: a rim's arc is some 0.8 of the way by its corner, a quarter circle's pi/4.
    legs = np.linalg.norm(np.diff(duct.some[:, :6], axis=1), axis=2).mean(axis=0)
    arcs, straight = (0.8 * (legs[0] + legs[1]), 0.8 * (legs[3] + legs[4])), legs[2]
    round_ = tuple(f > 0 for f in (duct.opening.inside_rim, duct.opening.rim))
    sizes = [min(size, arc / 3) if bent else size for arc, bent in zip(arcs, round_, strict=True)]
    first, third = (  # at least three rows to a rim's arc
        max(3, round(arc / step)) if bent else 0 for arc, step, bent in zip(arcs, sizes, round_, strict=True)
    )

    def wanted(x: float) -> float:
        return min(sizes[0] + grow * x, sizes[1] + grow * (straight - x))

    x = [0.0]
    while x[-1] < straight:
        step = wanted(x[-1])
        step = min(step, 1.3 * wanted(min(x[-1] + step, straight)))  # already small where it will be small soon
        x.append(x[-1] + max(step, 0.3 * min(sizes)))
    middle = 1 + np.array(x) / x[-1]
    return np.concatenate([np.linspace(0, 1, first + 1)[:-1], middle, 2 + np.linspace(0, 1, third + 1)[1:]])
