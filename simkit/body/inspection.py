"""Geometric faults that make a design impossible in clay, every one, in the words of the design file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache, partial
from itertools import combinations, permutations, product

import numpy as np

from simkit.body.assembly import (
    MM,
    chamber_body,
    figure_of,
    gap,
    hole_opening,
    placed_wall,
    thickness_of,
    window_opening,
)
from simkit.body.between import between, boxes_apart, buried, windway_room
from simkit.body.chambers import Body, ChamberBody, Opening
from simkit.body.figures import figure_cautions, figure_faults
from simkit.body.millimetres import place_words
from simkit.body.mouthpiece import windway_cut
from simkit.body.walls.triangulated import SurfaceError
from simkit.body.walls.wall import Wall, cast, clearance, curvatures, on_wall
from simkit.errors import Fault
from simkit.vessel import Chamber, DesignError, Vessel, Voicing

JOINED = 1.9  # thicknesses: beyond, the clay of two chambers hangs together by a thread
ROUNDING_MM = 5e-3  # tolerance for a design file's rounded numbers
LEAST_ROOF_MM = 0.5  # of clay over the end of a windway that slopes: common practice, no source


def body_of(vessel: Vessel) -> Body:
    """The solid that a vessel describes, after every geometric check; DesignError lists all that fails."""
    faults = inspect(vessel)
    if faults:
        raise DesignError(faults)
    figure = figure_of(vessel)
    # Only after every check: an opening without a place would raise here.
    chambers = tuple(chamber_body(vessel, c, figure) for c in vessel.chambers)
    cautions = tuple(f"{c.name}: {said}" for c in chambers for said in _cautions(c))
    body = Body(chambers, thickness_of(vessel), cautions)
    return replace(body, cautions=(*cautions, *figure_cautions(body)))


def without_further_ducts(vessel: Vessel, what: str) -> None:
    """Refuse, by its key, every duct of another package where something takes all holes for plain ones."""
    faults = [
        Fault(vessel.source, f"{chamber.name}.hole.{hole.name}.duct", hole.duct.kind, f"none here: {what}")
        for chamber in vessel.chambers
        for hole in chamber.holes
        if hole.duct is not None
    ]
    if faults:
        raise DesignError(faults)


def _cautions(chamber: ChamberBody) -> Iterator[str]:
    """Doubts about a wall, and the place where its clay fills a groove."""
    if chamber.wall.caution:
        yield chamber.wall.caution
    filled = chamber.wall.filled(chamber.thickness)
    if filled and chamber.figure is None:
        yield (
            f"clay fills a groove of the outside, up to {filled[0] / MM:.1f} mm more than wall_mm "
            f"at {place_words(filled[1])}"
        )


def inspect(vessel: Vessel) -> list[Fault]:
    """All geometric faults of a vessel: chamber by chamber, then between chambers."""
    faults: list[Fault] = []
    inspected: list[_Inspection] = []
    for chamber in vessel.chambers:
        try:
            wall = placed_wall(vessel, chamber)
        except SurfaceError as why:
            file = getattr(chamber.shape, "file", None)
            faults.append(Fault(vessel.source, f"{chamber.name}.file", file, str(why)))
            continue
        here = _Inspection(vessel, chamber, wall)
        faults += here.faults()
        inspected.append(here)
    # Between chambers only where each is sound by itself; one cause would be told many times over.
    if not faults:
        for one, other in combinations(inspected, 2):
            faults += _between(one, other)
        for one, other in permutations(inspected, 2):
            faults += _before_openings(one, other)
        faults += _in_one_piece(inspected) if vessel.outside is None else []  # a figure's outside joins them
    return faults or figure_faults(vessel)


def _in_one_piece(chambers: list[_Inspection]) -> Iterator[Fault]:
    """The clay around the chambers must join: the walls of neighbours are less than two thicknesses apart."""
    thickness = chambers[0].vessel.clay.wall_mm if chambers else 0.0
    # Grown from the first chamber, always by the one that is nearest to any in it (Prim).
    joined, apart = chambers[:1], chambers[1:] if thickness > 0 else []
    while apart:
        clear, one, other = np.inf, joined[0], apart[0]
        # By their boxes, which are quick: past the best gap found no pair can be nearer.
        near = sorted(product(joined, apart), key=lambda pair: boxes_apart(pair[0].wall, pair[1].wall))
        for a, b in near:
            if boxes_apart(a.wall, b.wall) / MM >= clear:
                break
            found = between(a.wall, b.wall).thickness / MM
            if found < clear:
                clear, one, other = found, a, b
        if clear > JOINED * thickness:
            allowed = (
                f"nearer to {one.chamber.name}: with {clear:.2f} mm between them walls of {thickness:g} mm do not "
            )
            allowed += f"join to one piece of clay; move it {clear - JOINED * thickness:.2f} mm nearer"
            yield Fault(one.vessel.source, f"{other.chamber.name}.offset_mm", list(other.chamber.offset_mm), allowed)
        joined.append(other)
        apart.remove(other)


def _between(one: _Inspection, other: _Inspection) -> Iterator[Fault]:
    """Two chambers must leave clay between them."""
    least = one.vessel.clay.least_between_mm
    # Far apart: what `between` would find is not needed.
    if boxes_apart(one.wall, other.wall) > max(least, ROUNDING_MM) * MM:
        return
    clay = between(one.wall, other.wall)
    missing = least - clay.thickness / MM
    if missing > ROUNDING_MM or clay.thickness <= 0:  # rounded files may miss a rule by a hair, air may never meet
        rule = f"at least {least:g} mm of clay (clay.{'wall' if one.vessel.clay.between_mm is None else 'between'}_mm)"
        left = (
            f"they overlap by {-clay.thickness / MM:.2f} mm"
            if clay.thickness <= 0
            else f"only {clay.thickness / MM:.2f} mm are left"
        )
        allowed = f"{rule} between it and {one.chamber.name}: {left} at {place_words(clay.place)}; "
        allowed += f"move it {missing:.2f} mm away"
        offset = list(other.chamber.offset_mm)
        yield Fault(one.vessel.source, f"{other.chamber.name}.offset_mm", offset, allowed)


def _before_openings(one: _Inspection, other: _Inspection) -> Iterator[Fault]:
    """The openings of one chamber come out into the open, not into another's clay or air."""
    thickness = one.vessel.clay.wall_mm * MM
    figure = figure_of(one.vessel)
    for key, opening in one.placed.items():
        outer = opening.figure if figure is None else figure  # of a leaning hole in an even wall, its own
        if outer is not None and _runs_through(outer, opening, other.wall):
            allowed = f"a way out beside {other.chamber.name}: here it runs through that chamber's air"
            yield one.fault(f"{key}.around_deg", allowed)
        # A figure's duct ends where it leaves all of the clay: it cannot come out in another's.
        if figure is not None:
            continue
        depth = buried(opening, thickness, other.wall) / MM
        if depth > ROUNDING_MM:
            where = place_words(opening.center + (opening.through if outer else thickness) * opening.axis)
            allowed = f"a place that comes out into the open: at {where} it is {depth:.2f} mm deep in "
            yield one.fault(f"{key}.around_deg", f"{allowed}the clay around {other.chamber.name}")
    voicing = one.chamber.voicing
    window = one.placed.get(f"{one.chamber.name}.voicing")
    if voicing and window:
        room = windway_room(windway_cut(window, voicing, one.chamber.mouthpiece), other.wall) / MM
        if room < 0:
            allowed = f"a windway beside {other.chamber.name}: it runs {-room:.2f} mm deep in that chamber's air"
            yield one.fault(f"{one.chamber.name}.voicing.breath_toward_deg", allowed)


def _runs_through(figure: Wall, opening: Opening, other: Wall) -> bool:
    """Whether an opening's duct through a figure's clay meets another chamber's air."""
    out = cast(figure, opening.center, opening.axis)
    if out is None:
        return False
    way = np.linspace(0.0, 1.0, 80)[:, None] * (out - opening.center)  # some tenths of a millimetre apart
    return bool((other.level(opening.center + way) < 0).any())


class _Inspection:
    """One chamber and what its inspection has found."""

    def __init__(self, vessel: Vessel, chamber: Chamber, wall: Wall):
        self.vessel, self.chamber, self.wall = vessel, chamber, wall
        self.placed: dict[str, Opening] = {}

    def faults(self) -> Iterator[Fault]:
        """Wall, then each opening's place and rim, then every pair."""
        chamber, vessel, wall = self.chamber, self.vessel, self.wall
        yield from self._wall()
        if chamber.voicing:
            voicing = chamber.voicing
            key = f"{chamber.name}.voicing"
            yield from self._place(key, partial(window_opening, vessel, wall, voicing))
            if key in self.placed and voicing.windway_slope_deg:
                yield from self._windway(key, voicing, self.placed[key])
        for hole in chamber.holes:
            yield from self._place(f"{chamber.name}.hole.{hole.name}", partial(hole_opening, vessel, wall, hole))
        for key, opening in self.placed.items():
            yield from self._rim(key, opening)
        for (key, a), (other, b) in combinations(self.placed.items(), 2):
            left = gap(a, b)
            if left <= 0:
                yield self.fault(f"{other}.along_mm", f"{-left / MM:.2f} mm or more farther from {key}: they meet")

    def fault(self, key: str, allowed: str) -> Fault:
        # A direction is three numbers, so not one of the vessel's: told as the row in the file.
        rows = {f"{self.chamber.name}.hole.{hole.name}.direction": hole.direction for hole in self.chamber.holes}
        if self.chamber.voicing:
            rows[f"{self.chamber.name}.voicing.direction"] = self.chamber.voicing.direction
        value = list(rows[key] or ()) if key in rows else self.vessel.value(key)
        return Fault(self.vessel.source, key, value, allowed)

    def _wall(self) -> Iterator[Fault]:
        """The outside is the wall moved out: where the wall bulges into the air more tightly, it meets itself."""
        if complaint := self.wall.complaint():
            key, allowed = complaint
            yield Fault(self.vessel.source, f"{self.chamber.name}.{key}", None, allowed)
        tightest = _tightest(self.wall)
        thickness = self.vessel.clay.wall_mm * MM
        if (
            self.vessel.outside is None
            and thickness > 0
            and tightest < -1 / thickness
            and not self.wall.filled(thickness)
        ):
            most = -1 / tightest / MM  # at this thickness the outside has a point there
            yield self.fault(
                "clay.wall_mm", f"at most {most:.2f} for {self.chamber.name}: at its waist the outside meets itself"
            )

    def _place(self, key: str, make: Callable[[], Opening]) -> Iterator[Fault]:
        try:
            self.placed[key] = make()
        except ValueError as why:
            yield self.fault(f"{key}.{_key_of(str(why))}", str(why))

    def _windway(self, key: str, voicing: Voicing, window: Opening) -> Iterator[Fault]:
        """A windway that slopes must still leave for the window: between the inside and the outside of its clay."""
        # The windway's end is cut upright.
        half = voicing.windway_height_mm / 2 / np.cos(np.deg2rad(voicing.windway_slope_deg))
        least, most = -half - voicing.edge_offset_mm, window.length / MM - half - voicing.edge_offset_mm - LEAST_ROOF_MM
        if not least < voicing.exit_rise_mm - voicing.edge_offset_mm < most:
            low, high = (float(np.degrees(np.arctan(rise / voicing.cut_up_mm))) for rise in (least, max(most, least)))
            allowed = f"from {low:.1f} to {high:.1f}: else the windway ends over the clay at the window, or under it"
            yield self.fault(f"{key}.windway_slope_deg", allowed)

    def _rim(self, key: str, opening: Opening) -> Iterator[Fault]:
        """The rim must lie on the wall all round: not off an end, not as wide as the chamber."""
        if not lies_on(self.wall, opening):
            number = "diameter_mm" if opening.is_round else "window_width_mm"
            deep = clearance(self.wall, opening.center, opening.normal) / MM
            yield self.fault(
                f"{key}.{number}",
                f"an opening wholly on the wall: with {deep:.3g} mm of air below, this one reaches past it",
            )


def _key_of(why: str) -> str:
    """Key of the opening's number that a complaint is about."""
    if "direction" not in why:
        return "along_mm"
    return "breath_toward_deg" if "runs along the wall" in why else "direction"


@lru_cache(maxsize=64)
def _tightest(wall: Wall) -> float:
    """The least of a wall's curvatures, 1/m: negative where it bulges into the air."""
    return float(np.nanmin(curvatures(wall, on_wall(wall))[1]))


@lru_cache(maxsize=1024)
def lies_on(wall: Wall, opening: Opening) -> bool:
    """Whether an opening's rim lies on the wall all round."""
    return bool(np.isfinite(rim_depths(wall, opening)).all())


def rim_depths(wall: Wall, opening: Opening) -> np.ndarray:
    """Depth below its tangent plane at which an opening's rim meets the air, m (32,).

    Infinite where it does not within 0.45 of the depth of the air there: the wall has ended or turned away.
    """
    rim = opening.rim_points()
    steps = np.linspace(0.0, 0.45 * clearance(wall, opening.center, opening.normal), 60)
    ray = rim[:, None, :] - steps[None, :, None] * opening.axis
    within = wall.level(ray.reshape(-1, 3)).reshape(len(rim), -1) < 0
    return np.where(within.any(axis=1), steps[within.argmax(axis=1)], np.inf)
