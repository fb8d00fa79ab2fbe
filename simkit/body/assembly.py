"""Assembly of the solid from the design file: walls, openings, chambers. Millimetres end here."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from simkit import plugins
from simkit.body.chambers import WINDOW, ChamberBody, Opening, opening_at
from simkit.body.coat import Coat
from simkit.body.mouthpiece import mouthpiece_wall
from simkit.body.over_seams import higher_over_seam
from simkit.body.places import Place
from simkit.body.walls.formulas import BoxWall, EggWall, LensWall, TubeWall
from simkit.body.walls.further_walls import further_wall
from simkit.body.walls.lobes import LobesWall
from simkit.body.walls.offset import OffsetWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.scan import scan_wall
from simkit.body.walls.sections import SectionsWall
from simkit.body.walls.union import solids_of, union_of
from simkit.body.walls.wall import Wall, normal_curvatures, normals
from simkit.errors import OutOfReach
from simkit.vessel import Chamber, Hole, Vessel, Voicing, shapes
from simkit.vessel.chamber import Direction
from simkit.vessel.figure import ClayShape, Lump

MM = 1e-3


def wall_of(shape: object) -> Wall:
    """The exact wall of a shape of the design file, in the chamber's own frame."""
    match shape:
        case shapes.Sphere():
            d = shape.diameter_mm * MM
            return EggWall(d, d, d)
        case shapes.Ellipsoid():
            return EggWall(*_sides(shape))
        case shapes.Egg():
            return EggWall(*_sides(shape), shape.widest_at)
        case shapes.Lens():
            return LensWall(*_sides(shape), shape.rim_mm * MM)
        case shapes.Box():
            return BoxWall(*_sides(shape), shape.corner_mm * MM)
        case shapes.Tube():
            return TubeWall(shape.length_mm * MM, shape.diameter_mm * MM, shape.ends == "round")
        case shapes.Sections():
            rows = (np.multiply(row, [MM, MM, MM, MM, 1.0]).tolist() for row in shape.sections)  # squareness is plain
            return SectionsWall(tuple(map(tuple, rows)))
        case shapes.Lobes():
            return LobesWall(tuple(shapes.Lobe(*(size * MM for size in row)) for row in shape.lobes))
        case shapes.FurtherShape():
            return further_wall(shape)
    raise OutOfReach(f"the shape {type(shape).__name__.lower()!r} has no wall yet")


def _sides(shape: shapes.Ellipsoid | shapes.Egg | shapes.Lens | shapes.Box) -> tuple[float, float, float]:
    """Width, length and height, m."""
    return shape.width_mm * MM, shape.length_mm * MM, shape.height_mm * MM


def placed_wall(vessel: Vessel, chamber: Chamber | ClayShape) -> Wall:
    """The wall of a chamber, or the surface of a solid of clay, at its place; SurfaceError where a scan is none."""
    shape = chamber.shape
    # A chamber stands upright: only its turn can be given.
    tilts = (chamber.tilt_deg, chamber.roll_deg) if isinstance(chamber, ClayShape) else ()
    angles = (chamber.turn_deg, *tilts)
    # Scans and shapes of other packages are not kept here: their files and their code may change.
    if isinstance(shape, shapes.Scan):
        return _placed(scan_wall(vessel.beside(shape.file), shape.smooth_mm * MM), chamber.offset_mm, *angles)
    if isinstance(shape, shapes.FurtherShape):
        try:
            return _placed(wall_of(shape), chamber.offset_mm, *angles)
        except plugins.BrokenPlugin as broken:
            raise broken.at(vessel.source, f"{_owner(chamber)}.shape") from broken
    return _kept_wall(shape, chamber.offset_mm, *angles)


def _owner(solid: Chamber | ClayShape) -> str:
    """The key of a chamber or a solid of clay."""
    return solid.name if isinstance(solid, Chamber) else f"part.{solid.name}" if isinstance(solid, Lump) else "outside"


@lru_cache(maxsize=64)
def _kept_wall(shape: object, offset_mm: tuple[float, float, float], *angles: float) -> Wall:
    """One wall for the same numbers, kept with what it has found out about itself: its tree, its box."""
    return _placed(wall_of(shape), offset_mm, *angles)


def _placed(wall: Wall, offset_mm: tuple[float, float, float], *angles: float) -> Wall:
    along, across, up = (MM * v for v in offset_mm)
    if (along, across, up) == (0, 0, 0) and not any(angles):  # where nothing moves, its exact box is kept
        return wall
    return PlacedWall(wall, (across, along, up), *angles)


def figure_of(vessel: Vessel) -> Wall | None:
    """The outer surface of a figure; None where an even wall is all there is.

    Raises ValueError or SurfaceError where something of it has no place: `inspect` says what.
    """
    blown = [chamber for chamber in vessel.chambers if chamber.voicing and chamber.mouthpiece]
    if vessel.outside is None and not vessel.parts and not blown:
        return None
    body = body_coat(vessel)
    solids = list(solids_of(body.walls[0]))
    for chamber in blown:
        assert chamber.voicing is not None
        window = window_opening(vessel, placed_wall(vessel, chamber), chamber.voicing)
        solids.append(mouthpiece_wall(window, chamber.voicing, chamber.mouthpiece, body))
    return union_of(tuple(solids))


def body_coat(vessel: Vessel) -> Coat:
    """The outer surface without mouthpieces: one solid each, the outside or each chamber's clay first, then parts."""
    walls = tuple(placed_wall(vessel, chamber) for chamber in vessel.chambers)
    thickness = vessel.clay.wall_mm * MM
    if vessel.outside is not None:
        solids = [placed_wall(vessel, vessel.outside)]
    else:
        solids = [OffsetWall(wall, thickness) if thickness > 0 else wall for wall in walls]
    solids += [placed_wall(vessel, lump) for lump in vessel.parts]
    return Coat((union_of(tuple(solids)),), 0.0, figure=True)


def _metres(size_mm: float | None) -> float:
    assert size_mm is not None  # `with_clay` has filled it in
    return size_mm * MM


def _rim(radius_mm: float | None, wall_mm: float | None) -> float:
    """The radius of a rim, m; a wall without thickness has none."""
    return _metres(radius_mm) if wall_mm else 0.0


def hole_opening(vessel: Vessel, wall: Wall, hole: Hole, figure: Wall | None = None) -> Opening:
    """The opening of one hole; ValueError where there is no wall.

    figure: the outer surface, if it is not the wall moved out: the duct then runs through the clay that is there.
    """
    # What the hole itself gives counts as cut on purpose; what it takes from the clay follows a figure's clay.
    own, hole, even = hole.wall_mm, vessel.with_clay(hole), figure is None
    opening = _even_hole(vessel, wall, hole)
    if hole.duct is not None:
        opening = replace(opening, duct=hole.duct)
    if hole.direction is not None:
        opening = along_direction(opening, hole.direction, STEEPEST_LEAN_DEG)
        if figure is None and opening.square is not None:
            figure = _even_coat(wall, vessel.clay.wall_mm * MM)
    if figure is None:
        return opening
    opening = _through_figure(opening, figure, own)
    if opening.square is not None:
        _stays_in_clay(wall, opening)
    # How an even wall slants against a hole, the law of its ends knows by the wall's bend.
    if even:
        return opening
    opening = replace(opening, outside=_bends_outside(opening, figure))
    if opening.clay:
        return opening
    return replace(opening, tilt=_tilt_over_hole(opening, figure), seam=higher_over_seam(opening, figure))


# From square to the wall: what leans more is cut along the clay, its rim twice as long as wide.
STEEPEST_LEAN_DEG = 60.0
STEEPEST_WINDOW_DEG = 30.0  # of a window: more takes the edge out of the jet's way, or leaves no near side to stand


def along_direction(opening: Opening, way: Direction, most_deg: float) -> Opening:
    """The opening cut along a way from the same middle on the wall; ValueError where that leads along the clay."""
    axis = np.array([way.across, way.along, way.up])
    axis = axis / np.linalg.norm(axis)
    off = float(np.degrees(np.arccos(np.clip(axis @ opening.axis, -1.0, 1.0))))
    if off > most_deg:
        x, y, z = opening.axis.round(2) + 0.0  # no minus before a zero
        runs = "into the air" if off > 90 else "along the clay"
        said = f"a direction out through the clay, at most {most_deg:g} degrees from square to the wall, "
        raise ValueError(f"{said}[{y:g}, {x:g}, {z:g}] there: this one is {off:.0f} off and leads {runs}")
    if off < 1e-3:  # degrees: square after all, and its exact axis is kept
        return opening
    # The width stays as near as can be to what it was, square to the new axis.
    across = opening.across - (opening.across @ axis) * axis
    return replace(opening, axis=axis, across=across / np.linalg.norm(across), square=opening.axis)


def _stays_in_clay(wall: Wall, opening: Opening) -> None:
    """ValueError where a hole's own direction leads through the chamber's air again before it comes out."""
    steps = np.linspace(0.0, 1.0, 60)[1:, None] * opening.through  # but for its own start, which is on the wall
    if (wall.level(opening.center + steps * opening.axis) < 0).any():
        raise ValueError("a direction out through the clay: this one leads through the chamber's air again")


@lru_cache(maxsize=64)
def _even_coat(wall: Wall, thickness: float) -> Wall:
    """The outer surface of an even wall, which a hole with a direction of its own does not cross squarely."""
    if thickness == 0:
        raise ValueError("no direction of its own in a wall without thickness: give clay.wall_mm, or leave it out")
    return OffsetWall(wall, thickness)


def _through_figure(opening: Opening, figure: Wall, own_mm: float | None) -> Opening:
    """An opening whose duct is as long as a figure's clay is thick there, unless it has a wall of its own."""
    clay = Coat((figure,), 0.0, figure=True).through(opening.center, opening.axis)
    own = clay if own_mm is None else own_mm * MM
    flat = own_mm is not None and abs(own - clay) >= LEAST_STEP_MM * MM
    return replace(opening, length=own, clay=clay if flat else 0.0, figure=figure)


def _even_hole(vessel: Vessel, wall: Wall, hole: Hole) -> Opening:
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


def window_opening(vessel: Vessel, wall: Wall, voicing: Voicing, figure: Wall | None = None) -> Opening:
    """The window: its width across the breath, the cut-up along it; ValueError where there is no wall."""
    own, voicing = voicing.wall_mm, vessel.with_clay(voicing)
    opening = _even_window(wall, voicing)
    if voicing.direction is not None:
        opening = along_direction(opening, voicing.direction, STEEPEST_WINDOW_DEG)
        if figure is None and opening.square is not None:
            figure = _even_coat(wall, vessel.clay.wall_mm * MM)
    if figure is None:
        return opening
    even, opening = isinstance(figure, OffsetWall), _through_figure(opening, figure, own)
    if opening.clay:
        return opening
    tilt, fuller = _over_window(opening, figure)
    return replace(opening, tilt=tilt, fuller=0.0 if even else fuller)


def _bends_outside(opening: Opening, figure: Wall) -> tuple[float, float]:
    """Curvatures of a figure's outside where an opening's axis comes out, across and forward, 1/m."""
    out = opening.center + opening.through * opening.axis
    normal = normals(figure, out[None])[0]
    along = opening.across - (opening.across @ normal) * normal
    return normal_curvatures(figure, out, along / np.linalg.norm(along))


def _tilt_over_hole(hole: Opening, figure: Wall) -> tuple[float, float]:
    """Slopes of a figure's outside where a hole's axis comes out, m/m."""
    out = normals(figure, (hole.center + hole.length * hole.axis)[None])[0]
    # The plane out . x = const rises by -out_across/out_axis for each metre across.
    steep = max(float(out @ hole.axis), 0.1)  # the axis comes out: only past an edge is it less
    return -float(out @ hole.across) / steep, -float(out @ hole.forward) / steep


def _over_window(window: Opening, figure: Wall) -> tuple[tuple[float, float], float]:
    """A figure's outside over a window: its slopes across and along the breath, m/m, and the mean height, m, by which
    it bends away less from over the middle than an even wall does; by the clay over the middles of its sides.
    """
    coat, slopes, fuller = Coat((figure,), 0.0, figure=True), [], 0.0
    # By the clay at both ends of either middle line: on the mean over the window, as its air is.
    halves = (window.width / 2 * window.across, window.height / 2 * window.forward)
    for half, bend in zip(halves, window.curvatures, strict=True):
        low, high = (coat.through(window.center + side * half, window.axis) for side in (-1, 1))
        size = float(np.linalg.norm(half))
        slopes.append((high - low) / (2 * size))
        k = bend / max(1 + bend * window.through, 0.1)
        even = -k * size**2 / (1 + float(np.sqrt(max(1 - (k * size) ** 2, 0.0))))  # of a circle bent by k
        fuller += ((low + high) / 2 - window.through - even) / 3
    return (slopes[0], slopes[1]), fuller


def _even_window(wall: Wall, voicing: Voicing) -> Opening:
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


def chamber_body(vessel: Vessel, chamber: Chamber, figure: Wall | None) -> ChamberBody:
    """One chamber's air with its openings; ValueError where an opening has no place. figure: that of `figure_of`."""
    wall = placed_wall(vessel, chamber)
    window = window_opening(vessel, wall, chamber.voicing, figure) if chamber.voicing else None
    openings = tuple(hole_opening(vessel, wall, hole, figure) for hole in chamber.holes)
    return ChamberBody(chamber.name, wall, thickness_of(vessel), window, openings, figure=figure)


def thickness_of(vessel: Vessel) -> float:
    """The even wall, m; of a figure whose wall is what lies between, the least that is asked for, or a millimetre."""
    # 0 of a figure says "no least": a millimetre stands in where a size is needed.
    return vessel.clay.wall_mm * MM or (MM if vessel.outside is not None else 0.0)


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
        # From the hole's centre to the rectangle, 0 within it.
        out = np.hypot(max(u - one.width / 2, 0.0), max(v - one.height / 2, 0.0))
        rise = local @ one.axis
        return float(np.hypot(out, rise)) - other.radius
    return apart - a.reach - b.reach
