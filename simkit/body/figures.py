"""Faults of a figure's outside that make it impossible in clay, in the words of the design file."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from scipy.spatial import cKDTree

from simkit.body.assembly import MM, body_coat, figure_of, placed_wall, window_opening
from simkit.body.between import between, overlapping
from simkit.body.chambers import Body
from simkit.body.coat import Coat
from simkit.body.millimetres import place_words
from simkit.body.mouthpiece import LOOSE_MM, breaks_out, stands_out, windway_cut
from simkit.body.walls.triangulated import SurfaceError
from simkit.body.walls.union import solids_of
from simkit.body.walls.wall import Wall, on_wall
from simkit.errors import Fault
from simkit.vessel import Chamber, Vessel

LEAST_CLAY_MM = 0.3  # less between inside and outside than a hand can leave: they cut each other
LEAST_LIPS_MM = 3.0  # that the lips must be beyond the body: common practice, no source
_THIN = 12  # of the places that look thinnest, how many are measured exactly


def figure_faults(vessel: Vessel) -> list[Fault]:
    """Faults of outside, parts and mouthpieces; chambers and their openings have been looked at."""
    if not (vessel.outside or vessel.parts or any(c.voicing and c.mouthpiece for c in vessel.chambers)):
        return []  # the outside is the chambers' walls moved out, and nothing else
    faults = list(_solids(vessel))
    faults = faults or [*_apart(vessel), *_cut_into(vessel)]  # a solid that is none cannot be measured against others
    if not faults:
        for chamber in vessel.chambers:
            faults += _mouthpiece(vessel, chamber)
    return faults


def figure_cautions(body: Body) -> Iterator[str]:
    """Clay thinner than asked for."""
    if body.figure is None:
        return
    for chamber in body.chambers:
        thin, place = thinnest_clay(chamber.wall, body.coat)
        if thin < chamber.thickness - 5e-5:  # m: half a tenth of a mm is rounding
            yield (
                f"{chamber.name}: only {thin / MM:.1f} mm of clay at {place_words(place)}, "
                f"less than clay.wall_mm = {chamber.thickness / MM:g}"
            )


@lru_cache(maxsize=64)
def thinnest_clay(wall: Wall, coat: Coat) -> tuple[float, np.ndarray]:
    """The least clay over a chamber's wall, m, negative where the outside cuts into the air, and where (3,).

    By points all over it, from each to the nearest of the outside.
    """
    points = on_wall(wall, 2)
    bare = points[coat.level(points) >= 0]
    if len(bare):
        some = bare
    else:  # a level is no distance, least of all of lofted skins: the nearest of points all over the outside tell more
        away, _ = _skin(coat).query(points)
        some = points[np.argsort(away)[:_THIN]]
    clay = -coat.distance(some)
    n = int(clay.argmin())
    return float(clay[n]), some[n]


@lru_cache(maxsize=16)
def _skin(coat: Coat) -> cKDTree:
    """Points all over the outside of a figure."""
    from simkit.body.mass import outer_points  # here: an even wall does without

    points = outer_points(coat)
    return cKDTree(points[coat.level(points) > -1e-5])


def _solids(vessel: Vessel) -> Iterator[Fault]:
    named = [("outside", vessel.outside)] if vessel.outside is not None else []
    for key, solid in [*named, *((f"part.{lump.name}", lump) for lump in vessel.parts)]:
        assert solid is not None
        try:
            wall = placed_wall(vessel, solid)
        except SurfaceError as why:
            yield Fault(vessel.source, f"{key}.file", getattr(solid.shape, "file", None), str(why))
            continue
        if complaint := wall.complaint():
            yield Fault(vessel.source, f"{key}.{complaint[0]}", None, complaint[1])


def _apart(vessel: Vessel) -> Iterator[Fault]:
    """Parts that do not touch the body, nor another part that does."""
    solids = solids_of(body_coat(vessel).walls[0])
    joined, names = list(solids[: len(solids) - len(vessel.parts)]), ["the body"]
    names = names * len(joined)
    left = list(zip(vessel.parts, solids[len(joined) :], strict=True))
    while left:
        # By touch first, which is quick; distances are measured only of what touches nothing.
        held = [n for n, (_, wall) in enumerate(left) if any(overlapping(other, wall) for other in joined)]
        if held:
            lump, wall = left.pop(held[0])
            joined.append(wall)
            names.append(f"part {lump.name}")
            continue
        gaps = [[between(other, wall).thickness for other in joined] for _, wall in left]
        nearest = [min(row) for row in gaps]
        n = int(np.argmin(nearest))
        lump, wall = left.pop(n)
        if nearest[n] > 0:
            to = names[int(np.argmin(gaps[n]))]
            allowed = f"a part that touches the rest: {nearest[n] / MM:.2f} mm lie between it and {to}; move it nearer"
            yield Fault(vessel.source, f"part.{lump.name}.offset_mm", list(lump.offset_mm), allowed)
        joined.append(wall)
        names.append(f"part {lump.name}")


def _cut_into(vessel: Vessel) -> Iterator[Fault]:
    """An outside that cuts into a chamber's air."""
    if vessel.outside is None:
        return
    coat = body_coat(vessel)
    for chamber in vessel.chambers:
        clay, place = thinnest_clay(placed_wall(vessel, chamber), coat)
        if clay < LEAST_CLAY_MM * MM:
            cuts = f"it cuts {-clay / MM:.2f} mm into" if clay < 0 else f"it leaves only {clay / MM:.2f} mm over"
            allowed = f"clay round all the air: {cuts} {chamber.name} at {place_words(place)}"
            yield Fault(vessel.source, "outside.offset_mm", list(vessel.outside.offset_mm), allowed)


def _mouthpiece(vessel: Vessel, chamber: Chamber) -> Iterator[Fault]:
    """A windway that ends within the body, a length that is not the windway's, a windway that leaves its clay."""
    voicing, piece = chamber.voicing, chamber.mouthpiece
    if voicing is None or piece is None:
        return
    window = window_opening(vessel, placed_wall(vessel, chamber), voicing)
    cut = windway_cut(window, voicing, piece)  # of an even wall: where it comes out does not matter here
    out = stands_out(cut, body_coat(vessel)) / MM
    key = f"{chamber.name}.voicing.windway_length_mm"
    least = voicing.windway_length_mm - out + LEAST_LIPS_MM
    if out < LEAST_LIPS_MM:
        allowed = f"at least {least:.1f}: with it the lips are {LEAST_LIPS_MM:g} mm beyond the body, now {out:.1f}"
        yield Fault(vessel.source, key, voicing.windway_length_mm, allowed)
        return
    if piece.length_mm is not None and abs(piece.length_mm - out) > LOOSE_MM:
        other = voicing.windway_length_mm + piece.length_mm - out
        allowed = f"about {out:.1f}, what the windway's length leaves; or windway_length_mm = {other:.1f}"
        yield Fault(vessel.source, f"{chamber.name}.mouthpiece.length_mm", piece.length_mm, allowed)
    figure = figure_of(vessel)
    assert figure is not None
    for side, place in breaks_out(cut, Coat((figure,), 0.0, figure=True)):
        asked = {"roof": piece.roof_mm, "floor": piece.floor_mm}[side]
        allowed = f"more clay: the windway breaks out of it, {place / MM:.1f} mm from the lips"
        yield Fault(vessel.source, f"{chamber.name}.mouthpiece.{side}_mm", asked, allowed)
