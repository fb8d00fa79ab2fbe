"""Visible parts of a design: its clay as rings of points, its openings, its windways; millimetres."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from simkit.body import Body, ChamberBody, Opening
from simkit.body.mouthpiece import windway_cut
from simkit.body.places import UP
from simkit.body.walls.wall import Wall, vector_product
from simkit.vessel import Vessel, Voicing

MIDDLE = 33  # points of the line from which holes are aimed
FINE = 2  # the rings of `Wall.sheets` times so many: smooth to look at
MOST_RINGS = 56  # of a sheet: more are left out, for nobody sees them


def scene(vessel: Vessel, body: Body, walls: bool = True) -> dict[str, Any]:
    """Every chamber with its openings; with `walls` also its surfaces, which change only where the body does."""
    return {
        # of a figure what lies between differs from place to place
        "thickness_mm": None if body.figure else 1e3 * body.thickness,
        "chambers": [
            {
                "name": solid.name,
                "openings": [_opening(solid, opening) for opening in solid.all_openings],
                "windway": _windway(chamber.voicing, solid),
                **(_surfaces(solid, outside) if walls else {}),
            }
            for chamber, solid, outside in zip(vessel.chambers, body.chambers, _outsides(body), strict=True)
        ],
    }


def _outsides(body: Body) -> list[tuple[Wall | None, float]]:
    """Wall that is seen of each chamber, and by how much it is moved out, m; a figure is the first one's."""
    if body.figure is not None:
        return [(body.figure if n == 0 else None, 0.0) for n in range(len(body.chambers))]
    return [(solid.wall, solid.thickness) for solid in body.chambers]


def opening_key(chamber: str, opening: Opening) -> str:
    """The dotted key of the table in which the design describes an opening."""
    return f"{chamber}.hole.{opening.name}" if opening.is_round else f"{chamber}.voicing"


def _opening(solid: ChamberBody, opening: Opening) -> dict[str, Any]:
    return {
        "key": opening_key(solid.name, opening),
        "name": opening.name if opening.is_round else "window",
        "round": opening.is_round,
        "center": _mm(opening.center),
        **{way: _plain(getattr(opening, way)) for way in ("axis", "across", "forward")},
        **{f"{size}_mm": 1e3 * getattr(opening, size) for size in ("length", "radius", "width", "height")},
    }


def _windway(voicing: Voicing | None, solid: ChamberBody) -> list[list[float]]:
    """Corners (4, 3) of the windway's middle level."""
    if solid.window is None or voicing is None:
        return []
    cut = windway_cut(solid.window, voicing, None)  # as wide as at the window: a taper is not drawn here
    back, half = cut.length * cut.back, cut.at_exit[0] / 2 * cut.across
    return [_mm(p) for p in (cut.exit - half, cut.exit - half + back, cut.exit + half + back, cut.exit + half)]


def _surfaces(solid: ChamberBody, outside: tuple[Wall | None, float]) -> dict[str, Any]:
    origin, along = solid.wall.axis
    seen, offset = outside
    return {
        "sheets": [] if seen is None else _sheets(seen, offset),
        "frame": {
            "origin": _mm(origin),
            "along": _plain(along),
            "up": _plain(UP),
            "right": _plain(vector_product(along, UP)),
            "middle": _middle(solid.wall),
        },
    }


@lru_cache(maxsize=16)
def _sheets(wall: Wall, thickness: float) -> list[dict[str, Any]]:
    """The outside of the clay, ring by ring: the wall moved out by its thickness along its normals."""
    found = []
    for sheet in wall.sheets(FINE):
        step = max(1, -(-len(sheet.points) // MOST_RINGS))  # rounded up
        # The last ring closes the end, so it stays.
        rows = sorted({*range(0, len(sheet.points), step), len(sheet.points) - 1})
        outside = 1e3 * (sheet.points + thickness * sheet.normals)[rows]
        # hundredths of a mm: no eye sees more
        found.append({"rings": len(rows), "around": outside.shape[1], "points": outside.round(2).ravel().tolist()})
    return found


@lru_cache(maxsize=16)
def _middle(wall: Wall) -> list[list[float]]:
    """Points of the middle line: along and x, y, z."""
    origin, along = wall.axis
    ends = (wall.box - origin) @ along
    at = np.linspace(ends.min(), ends.max(), MIDDLE)
    return [[1e3 * float(s), *_mm(point)] for s, point in zip(at, wall.middle(at), strict=True)]


def _mm(point: np.ndarray) -> list[float]:
    found: list[float] = (1e3 * point).round(4).tolist()
    return found


def _plain(way: np.ndarray) -> list[float]:
    found: list[float] = way.round(7).tolist()
    return found
