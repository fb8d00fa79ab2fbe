"""From what the design file says to the solid: walls, openings, chambers. Millimetres end here."""

from __future__ import annotations

from functools import lru_cache, singledispatch

import numpy as np

from simkit.body.chambers import WINDOW, ChamberBody, Opening, opening_at
from simkit.body.places import Place
from simkit.body.walls.formulas import BoxWall, EggWall, LensWall, TubeWall
from simkit.body.walls.lobes import LobesWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.scan import scan_wall
from simkit.body.walls.sections import SectionsWall
from simkit.body.walls.wall import Wall
from simkit.errors import OutOfReach
from simkit.vessel import Chamber, Hole, Vessel, Voicing, shapes

MM = 1e-3


@singledispatch
def wall_of(shape: object) -> Wall:
    """The exact wall of a shape of the design file, in the chamber's own frame."""
    raise OutOfReach(f"the shape {type(shape).__name__.lower()!r} has no wall yet")


@wall_of.register
def _(shape: shapes.Sphere) -> Wall:
    d = shape.diameter_mm * MM
    return EggWall(d, d, d)


@wall_of.register
def _(shape: shapes.Ellipsoid) -> Wall:
    return EggWall(shape.width_mm * MM, shape.length_mm * MM, shape.height_mm * MM)


@wall_of.register
def _(shape: shapes.Egg) -> Wall:
    return EggWall(shape.width_mm * MM, shape.length_mm * MM, shape.height_mm * MM, shape.widest_at)


@wall_of.register
def _(shape: shapes.Lens) -> Wall:
    return LensWall(shape.width_mm * MM, shape.length_mm * MM, shape.height_mm * MM, shape.rim_mm * MM)


@wall_of.register
def _(shape: shapes.Tube) -> Wall:
    return TubeWall(shape.length_mm * MM, shape.diameter_mm * MM, shape.ends == "round")


@wall_of.register
def _(shape: shapes.Box) -> Wall:
    return BoxWall(shape.width_mm * MM, shape.length_mm * MM, shape.height_mm * MM, shape.corner_mm * MM)


@wall_of.register
def _(shape: shapes.Sections) -> Wall:
    return SectionsWall(
        tuple(
            (r.along_mm * MM, r.width_mm * MM, r.height_mm * MM, r.rise_mm * MM, r.squareness) for r in shape.sections
        )
    )


@wall_of.register
def _(shape: shapes.Lobes) -> Wall:
    return LobesWall(tuple((r[0] * MM, r[1] * MM, r[2] * MM, r[3] * MM, r[4] * MM, r[5] * MM) for r in shape.lobes))


@wall_of.register
def _(shape: shapes.FurtherShape) -> Wall:
    wall = shape.wall()
    if not isinstance(wall, Wall):
        raise OutOfReach(f"the shape {type(shape).__name__.lower()!r} makes a {type(wall).__name__}, no Wall")
    return wall


def placed_wall(vessel: Vessel, chamber: Chamber) -> Wall:
    """The chamber's wall at its place in the body; SurfaceError where a scan cannot be one."""
    shape = chamber.shape
    if isinstance(shape, shapes.Scan):
        return _placed(scan_wall(vessel.beside(shape.file), shape.smooth_mm * MM), chamber.offset_mm, chamber.turn_deg)
    if isinstance(shape, shapes.FurtherShape):
        return _placed(wall_of(shape), chamber.offset_mm, chamber.turn_deg)
    return _kept_wall(shape, chamber.offset_mm, chamber.turn_deg)


@lru_cache(maxsize=64)
def _kept_wall(shape: object, offset_mm: tuple[float, float, float], turn_deg: float) -> Wall:
    """The same wall again for the same numbers, with what it has found out about itself: its tree, its box."""
    return _placed(wall_of(shape), offset_mm, turn_deg)


def _placed(wall: Wall, offset_mm: tuple[float, float, float], turn_deg: float) -> Wall:
    along, across, up = (MM * v for v in offset_mm)
    if (along, across, up) == (0, 0, 0) and turn_deg == 0:
        return wall
    return PlacedWall(wall, (across, along, up), turn_deg)


def _metres(size_mm: float | None) -> float:
    assert size_mm is not None  # `with_clay` has filled it in
    return size_mm * MM


def _rim(radius_mm: float | None, wall_mm: float | None) -> float:
    """The radius of a rim, m; a wall without thickness has none."""
    return _metres(radius_mm) if wall_mm else 0.0


def hole_opening(vessel: Vessel, wall: Wall, hole: Hole) -> Opening:
    """The opening of one hole; ValueError where there is no wall."""
    hole = vessel.with_clay(hole)
    return opening_at(
        wall,
        Place(hole.along_mm * MM, hole.around_deg),
        hole.name,
        length=_metres(hole.wall_mm),
        radius=hole.diameter_mm * MM / 2,
        rim=_rim(hole.edge_radius_mm, hole.wall_mm),
        inside_rim=_rim(hole.edge_inside_radius_mm, hole.wall_mm),
        clay=_clay_around(vessel, hole),
    )


LEAST_STEP_MM = 0.75  # between a hole's own wall and the clay: less is a hand's error, no face that was cut on purpose


def _clay_around(vessel: Vessel, hole: Hole) -> float:
    """The clay around a hole whose face is cut flat, m; 0 where the hole goes through the clay as it is."""
    around, own = vessel.clay.wall_mm, hole.wall_mm
    return 0.0 if own is None or abs(own - around) < LEAST_STEP_MM else around * MM


def window_opening(vessel: Vessel, wall: Wall, voicing: Voicing) -> Opening:
    """The window: its width across the breath, the cut-up along it; ValueError where there is no wall."""
    voicing = vessel.with_clay(voicing)
    return opening_at(
        wall,
        Place(voicing.along_mm * MM, voicing.around_deg),
        WINDOW,
        forward_deg=voicing.breath_toward_deg,
        length=_metres(voicing.wall_mm),
        width=voicing.window_width_mm * MM,
        height=voicing.cut_up_mm * MM,
        rim=_rim(voicing.edge_radius_mm, voicing.wall_mm),
        inside_rim=_rim(voicing.edge_radius_mm, voicing.wall_mm),
        edge_deg=voicing.edge_deg,
    )


def chamber_body(vessel: Vessel, chamber: Chamber) -> ChamberBody:
    """One chamber's air with its openings; ValueError where an opening has no place."""
    wall = placed_wall(vessel, chamber)
    window = window_opening(vessel, wall, chamber.voicing) if chamber.voicing else None
    openings = tuple(hole_opening(vessel, wall, hole) for hole in chamber.holes)
    return ChamberBody(chamber.name, wall, vessel.clay.wall_mm * MM, window, openings)


def gap(a: Opening, b: Opening) -> float:
    """Clay left between the rims of two openings of one wall on the inside, m; negative where they meet.

    Round rims by the chord of their centres; a window by its rim's points.
    """
    apart = float(np.linalg.norm(a.center - b.center))
    if a.is_round and b.is_round:
        return apart - a.radius - b.radius
    one, other = (a, b) if b.is_round else (b, a)  # `one` is the window
    if other.is_round:
        local = other.center - one.center
        u, v = abs(local @ one.across), abs(local @ one.forward)
        out = np.hypot(max(u - one.width / 2, 0.0), max(v - one.height / 2, 0.0))
        rise = local @ one.axis
        return float(np.hypot(out, rise)) - other.radius
    return apart - a.reach - b.reach
