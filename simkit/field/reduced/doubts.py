"""Limits of the expansion about a mouth, each beside its measured value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np

from simkit.body.chambers import Opening
from simkit.body.girth import width_at
from simkit.body.walls.wall import Wall
from simkit.field.reduced.boundary import AirSurface

_width_at = lru_cache(maxsize=1024)(width_at)

STEEPEST_DEG = 50.0
LEAST_GAP = 0.5
LEAST_DEPTH = 1.0
WIDEST = 0.5
TALLEST = 0.25
FLATTEST_DEG = 35.0
BLUNTEST = 0.2
THICKEST = 1.6
SLANTED_DEG = 10.0
TILTED_DEG = 7.0
SEAMED = 0.002  # radii by which the clay along a rim may be higher, on the mean, than the solid it comes out of


@dataclass(frozen=True)
class Doubt:
    """One reason to trust a port less: which rows it touches, what was measured, and the limit it passed.

    kind: "edge" (steepest turn of the wall within half a radius of the rim, degrees, at most 50), "gap" (least
    distance between two rims over the smaller radius, at least 0.5), "depth" (depth of air in front of the opening
    over its width, at least 1), "wide" (width over that of the chamber where it sits, at most 0.5), "collar" (how far
    the higher of two openings ends above the clay over their distance, at most 0.25), "flat" (slope of a window's edge,
    degrees, at least 35), "blunt" (radius of a window's rims over its cut-up, at most 0.2), "thick" (clay that a window
    is cut through over its cut-up, at most 1.6), "slant" (degrees of a hole from square to the wall, at most 10),
    "tilt" (degrees of a figure's outside from square to an opening's axis, at most 7 over a window, else 10),
    "seam" (rise of the clay along a rim over the solid it comes out of, on the mean, over the hole's radius, at most
    0.002).
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


def edges(surface: AirSurface, openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Openings across an edge or in a tight corner: the wall turns away within half a radius of the rim."""
    if not openings:
        return []
    turns = surface.turns.of(openings, lambda missing: _turns(surface, missing))
    side = "outside" if surface.outside else "inside"
    return [
        Doubt("edge", (first + i,), turn, STEEPEST_DEG, side) for i, turn in enumerate(turns) if turn > STEEPEST_DEG
    ]


def _turns(surface: AirSurface, openings: Sequence[Opening]) -> list[float]:
    """The wall's steepest turn about each opening, degrees."""
    rings = []
    for o in openings:
        around = 1.0 + 0.5 * (np.sqrt(o.area / np.pi) / o.reach)
        ring = o.center + around * (o.rim_points(16) - o.center)
        lift = (o.through if o.figure is not None else surface.offset) if surface.outside else 0.0
        deep = 0.5 * np.sqrt(o.area / np.pi)
        if surface.outside and surface.offset > 0:
            deep = min(deep, 0.75 * surface.offset)  # not through the clay, from whose other side all looks turned
        rings.append(ring + (lift - deep) * o.axis)
    normals = surface.projected(np.concatenate(rings))[1].reshape(len(openings), 16, 3)
    out = -1.0 if surface.outside else 1.0
    upright = np.array([(out * n @ o.normal).min() for n, o in zip(normals, openings, strict=True)])
    return np.degrees(np.arccos(np.clip(upright, -1, 1))).tolist()


def gaps(openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Pairs of openings whose rims nearly meet at the inside wall."""
    found = []
    for i, j in combinations(range(len(openings)), 2):
        a, b = openings[i], openings[j]
        smaller = min(np.sqrt(o.area / np.pi) for o in (a, b))
        if np.linalg.norm(a.center - b.center) - a.reach - b.reach > LEAST_GAP * smaller:
            continue
        rims = a.rim_points(32), b.rim_points(32)
        gap = float(np.linalg.norm(rims[0][:, None] - rims[1][None], axis=2).min()) / smaller
        if gap < LEAST_GAP:
            found.append(Doubt("gap", (first + i, first + j), gap, LEAST_GAP))
    return found


def collars(openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Pairs of openings of which one ends on a collar above the clay, where the field has both in it."""
    raised = [max(o.length - o.clay, 0.0) if o.clay else 0.0 for o in openings]
    found = []
    for i, j in combinations(range(len(openings)), 2):
        height = max(raised[i], raised[j])
        share = height / float(np.linalg.norm(openings[i].center - openings[j].center)) if height else 0.0
        if share > TALLEST:
            found.append(Doubt("collar", (first + i, first + j), share, TALLEST, "outside"))
    return found


def windows(openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Windows whose slope leaves the clay far from where they are cut, in thick clay, or with hardly an edge."""
    found = []
    for i, o in enumerate(openings):
        if o.is_round:
            continue
        if o.edge_deg < FLATTEST_DEG:
            found.append(Doubt("flat", (first + i,), o.edge_deg, FLATTEST_DEG))
        if o.inside_rim > BLUNTEST * o.height:
            found.append(Doubt("blunt", (first + i,), o.inside_rim / o.height, BLUNTEST))
        if o.length > THICKEST * o.height:
            found.append(Doubt("thick", (first + i,), o.length / o.height, THICKEST))
    return found


def slants(openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Holes with a direction of their own that is far from square to the wall."""
    leans = [float(np.degrees(o.lean)) if o.is_round else 0.0 for o in openings]
    return [Doubt("slant", (first + i,), lean, SLANTED_DEG) for i, lean in enumerate(leans) if lean > SLANTED_DEG]


def tilts(openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Openings through an outside that is tilted against them; holes that lean are told as `slants`."""
    found = []
    for i, o in enumerate(openings):
        value, limit = float(np.degrees(np.arctan(np.hypot(*o.tilt)))), SLANTED_DEG if o.is_round else TILTED_DEG
        if value > limit and not (o.is_round and np.degrees(o.lean) > SLANTED_DEG):
            found.append(Doubt("tilt", (first + i,), value, limit, "outside"))
    return found


def seams(openings: Sequence[Opening], first: int = 0) -> list[Doubt]:
    """Holes whose outer rim goes over a seam, where the clay rises on the one side."""
    rises = [o.seam / o.radius if o.is_round else 0.0 for o in openings]
    return [Doubt("seam", (first + i,), rise, SEAMED, "outside") for i, rise in enumerate(rises) if rise > SEAMED]


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
