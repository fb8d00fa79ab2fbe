"""Limits of the expansion about a mouth, each beside its measured value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np

from simkit.body.chambers import Opening
from simkit.body.girth import waist, width_at
from simkit.body.walls.wall import Wall
from simkit.field.reduced.boundary import AirSurface, normals_near

_width_at = lru_cache(maxsize=1024)(width_at)  # asked of the same openings at every answer
_waist = lru_cache(maxsize=64)(waist)

# The limits, each of a kind of doubt and of what is measured for it.
STEEPEST_DEG = 50.0  # "edge": steepest turn of the wall within half a radius of the rim
LEAST_GAP = 0.5  # "gap": least distance between two rims over the smaller radius
LEAST_DEPTH = 1.0  # "depth": depth of air in front of the opening over its width
WIDEST = 0.5  # "wide": width over that of the chamber where it sits
TALLEST = 0.25  # "collar": how far the higher of two openings ends above the clay over their distance
FLATTEST_DEG = 35.0  # "flat": slope of a window's edge
BLUNTEST = 0.2  # "blunt": radius of a window's rims over its cut-up
THICKEST = 1.6  # "thick": clay that a window is cut through over its cut-up
SLANTED_DEG = 10.0  # "slant": of a hole from square to the wall; "tilt": of a figure's outside from square to its axis
TILTED_DEG = 7.0  # "tilt": of a figure's outside over a window
NARROWEST = 0.3  # "waist": width of the chamber where it is drawn in, over that of the whole: coarse cells there
SEAMED = 0.002  # "seam": mean rise of the clay along a rim over the solid it comes out of, over the hole's radius


@dataclass(frozen=True)
class Doubt:
    """One reason to trust a port less: which rows it touches, what was measured, and the limit it passed.

    kind: as beside the limits above, whose units `value` and `limit` have; side: of the wall that has an "edge".
    """

    kind: str
    rows: tuple[int, ...]
    value: float
    limit: float
    side: str = "inside"

    @property
    def excess(self) -> float:
        """Distance past the limit, as a fraction of it: 0 at the limit, growing without bound or to 1."""
        return abs(self.value - self.limit) / self.limit


def edges(turns: Sequence[float], side: str, first: int = 0) -> list[Doubt]:
    """Openings across an edge or in a tight corner, by the turns (n,) of that side's wall about them, degrees."""
    return [
        Doubt("edge", (first + i,), turn, STEEPEST_DEG, side) for i, turn in enumerate(turns) if turn > STEEPEST_DEG
    ]


def turns(inside: AirSurface, outside: AirSurface, openings: Sequence[Opening]) -> np.ndarray:
    """Steepest turn of the chamber's wall and of the outside within half a radius of each rim, degrees: (2, n)."""
    found = outside.turns.of(openings, lambda missing: _turns(inside, outside, missing))
    return np.array(found).reshape(-1, 2).T


def _turns(inside: AirSurface, outside: AirSurface, openings: Sequence[Opening]) -> list[tuple[float, float]]:
    within, around = [], []
    for o in openings:
        radius = np.sqrt(o.area / np.pi)
        ring = o.center + (1.0 + 0.5 * (radius / o.reach)) * (o.rim_points(16) - o.center)
        within.append(ring - 0.5 * radius * o.axis)
        deep = 0.5 * radius
        if outside.offset > 0:
            deep = min(deep, 0.75 * outside.offset)  # not through the clay, from whose other side all looks turned
        around.append(ring + ((o.through if o.figure is not None else outside.offset) - deep) * o.axis)
    normals = normals_near(inside, outside, np.concatenate(within), np.concatenate(around))
    # Normals point out of the air that is asked about, an opening's outward.
    upright = [
        (out * normal.reshape(len(openings), 16, 3) @ np.array([o.normal for o in openings])[..., None]).min(
            axis=(1, 2)
        )
        for out, normal in zip((1.0, -1.0), normals, strict=True)
    ]
    degrees = np.degrees(np.arccos(np.clip(upright, -1, 1)))
    return [(float(here), float(there)) for here, there in degrees.T]


def gaps(openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Pairs of openings whose rims nearly meet at the inside wall."""
    found = []
    for i, j in combinations(range(len(openings)), 2):
        a, b = openings[i], openings[j]
        smaller = min(np.sqrt(o.area / np.pi) for o in (a, b))
        if np.linalg.norm(a.center - b.center) - a.reach - b.reach > LEAST_GAP * smaller:
            continue  # far apart, as most are
        rims = a.rim_points(32), b.rim_points(32)
        gap = float(np.linalg.norm(rims[0][:, None] - rims[1][None], axis=2).min()) / smaller
        if gap < LEAST_GAP:
            found.append(Doubt("gap", (first + i, first + j), gap, LEAST_GAP))
    return found


def collars(openings: Sequence[Opening]) -> list[Doubt]:
    """Pairs of openings of which one ends on a collar above the clay, where the field has both in it."""
    raised = [max(o.length - o.clay, 0.0) if o.clay else 0.0 for o in openings]
    found = []
    for i, j in combinations(range(len(openings)), 2):
        height = max(raised[i], raised[j])
        share = height / float(np.linalg.norm(openings[i].center - openings[j].center)) if height else 0.0
        if share > TALLEST:
            found.append(Doubt("collar", (i, j), share, TALLEST))
    return found


def cuts(openings: Sequence[Opening]) -> list[Doubt]:
    """Openings that are cut through the clay as the laws of single openings were hardly tried."""
    found = []
    for i, o in enumerate(openings):
        tilt = float(np.degrees(np.arctan(np.hypot(*o.tilt))))
        if o.is_round:
            lean = float(np.degrees(o.lean))
            slanted = lean > SLANTED_DEG  # what tilts against it is then part of that
            most = {"slant": (lean, SLANTED_DEG), "tilt": (0.0 if slanted else tilt, SLANTED_DEG)}
            most["seam"] = o.seam / o.radius, SEAMED
        else:
            most = {"blunt": (o.inside_rim / o.height, BLUNTEST), "thick": (o.length / o.height, THICKEST)}
            most["tilt"] = tilt, TILTED_DEG
            if o.edge_deg < FLATTEST_DEG:
                found.append(Doubt("flat", (i,), o.edge_deg, FLATTEST_DEG))
        found += [Doubt(kind, (i,), value, limit) for kind, (value, limit) in most.items() if value > limit]
    return found


def widths(openings: Sequence[Opening], depth: np.ndarray, wall: Wall, first: int = 0) -> list[Doubt]:
    """Openings about as wide as their chamber, by the depth of air (n,) in front of them and its width there."""
    found = []
    for i, o in enumerate(openings):
        width = 2 * float(np.sqrt(o.area / np.pi))
        if depth[i] < LEAST_DEPTH * width:
            found.append(Doubt("depth", (first + i,), float(depth[i]) / width, LEAST_DEPTH))
        share = width / _width_at(wall, o)
        if share > WIDEST:
            found.append(Doubt("wide", (first + i,), share, WIDEST))
    return found


def waists(openings: Sequence[Opening], wall: Wall, first: int = 0) -> list[Doubt]:
    """Openings of a chamber that is drawn in so far between two parts that its cells there are coarse."""
    narrow = _waist(wall, 96)
    if narrow is None or not openings:
        return []
    sides = np.sort(np.ptp(wall.box, axis=0))  # the two shorter ones make its width
    share = narrow.diameter / float(np.sqrt(sides[0] * sides[1]))
    return [Doubt("waist", tuple(range(first, first + len(openings))), share, NARROWEST)] if share < NARROWEST else []
