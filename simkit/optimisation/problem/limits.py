"""Limits of clay and hands: each as rows of numbers that must not fall below zero, in mm of room left."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations
from typing import NamedTuple

import numpy as np

from simkit.body import Body, ChamberBody
from simkit.body.assembly import gap
from simkit.body.between import between
from simkit.body.clay import fired_g
from simkit.body.figures import thinnest_clay
from simkit.body.millimetres import place_words
from simkit.body.places import axis_ends_mm
from simkit.body.walls.lobes import lobes_of
from simkit.body.walls.wall import curvatures, distance
from simkit.optimisation.problem.bounds import TIP_MM
from simkit.vessel import Chamber, Vessel
from simkit.vessel.hands import fingertip_mm

_LIPS_MM = 12.0  # of the windway's length, within the lips
_BESIDE_MM = 4.0  # clay between a hole and a windway that runs past it
_LEAST_DOWN = 0.5  # of a hole's direction: one that is underneath looks within 60 degrees of straight down
_ROUNDEST = 0.7  # a hole's radius over the wall's radius of curvature: beyond, its rim comes near falling off the wall
# Half a window's width over that across it: beyond, no windway ends in it; common practice, no source.
_BENT_WINDOW = 0.75
_RATIO_MM = 10.0  # one unit of a plain ratio counts as so many mm of room


class LimitRow(NamedTuple):
    """One row of a limit in words: what is held, and by which rule; `per_mm` units go to each mm of its room.

    asked: somebody asked for it outright, so that it counts as missed even where nothing that is free can mend it.
    """

    what: str
    rule: str
    unit: str = "mm"
    per_mm: float = 1.0
    asked: bool = False

    def __str__(self) -> str:
        return f"{self.what}, {self.rule}"

    def lacks(self, room: float) -> str:
        """Shortfall of a negative `room`, mm, with its unit."""
        return f"{-room * self.per_mm:.2f} {self.unit}".rstrip()


@dataclass(frozen=True)
class Limits:
    """Limits of every design, beside the bounds of its free numbers.

    clay_mm: least clay left between the rims of two holes, inside and outside; window_mm: between a hole and the
    window; box_mm: the most that the whole piece may measure along, across and up, clay included. Hand limits apply
    where the design's `[hand]` writes their key: `spacing_mm` between the middles of holes that different fingers
    cover, `span_mm` between the farthest holes of one hand; both chamber by chamber, as hands go from one to the next.
    A hole named for a thumb must be underneath, one named for another finger not, and every opening stand clear of the
    seams between lobes. A finger keeps off the player's face, half a fingertip and as much of the windway as lips take
    in, and a hole off the windway. Between chambers stays the clay that the design asks for (`clay.between_mm`), and
    every opening comes out into the open. mass_g: the most that the fired clay may weigh.
    """

    clay_mm: float = 3.0
    window_mm: float = 5.0
    box_mm: tuple[float, float, float] | None = None
    mass_g: float | None = None

    def left(self, vessel: Vessel, body: Body) -> np.ndarray:
        """The room left in each row (c,), mm; negative where a limit is broken."""
        return np.concatenate([np.zeros(0), *(part.left for part in self._parts(vessel, body))])

    def rows(self, vessel: Vessel, body: Body) -> tuple[LimitRow, ...]:
        """The rows in words, in the order of `left`."""
        return tuple(row for part in self._parts(vessel, body) for row in part.rows())

    def _parts(self, vessel: Vessel, body: Body) -> list[_Part]:
        parts, hand = [], vessel.hand
        sites = [_Site(vessel, c, s, body.thickness) for c, s in zip(vessel.chambers, body.chambers, strict=True)]
        for site in sites:
            parts += [_clay(site, self.clay_mm), _window(site, self.window_mm), _ends(site), _rims(site)]
            parts += [_seams(site), _underneath(site), _cut_up(site), _windway(site)]
        if hand and hand.spacing_mm is not None:
            parts += [_spacing(site, hand.spacing_mm) for site in sites]
        if hand and hand.span_mm is not None:
            parts += [_span(site, hand.span_mm) for site in sites]
        parts += [_between(one, other) for one, other in combinations(sites, 2)]
        parts += [_in_the_open(one, other) for one, other in permutations(sites, 2)]
        if vessel.outside is not None:
            parts += [_under_the_outside(site) for site in sites]
        if self.box_mm is not None:
            parts.append(_box(body, self.box_mm))
        if self.mass_g is not None:
            parts.append(_mass(body, self.mass_g))
        return parts


@dataclass(frozen=True, eq=False)
class _Part:
    """Some rows of one kind: their numbers, and how they are worded when somebody asks."""

    left: np.ndarray
    rows: Callable[[], Sequence[LimitRow]]


@dataclass(frozen=True)
class _Site:
    """A chamber's openings as the limits look at them; lengths in mm."""

    vessel: Vessel
    chamber: Chamber
    solid: ChamberBody
    thickness: float

    @property
    def names(self) -> list[str]:
        several = len(self.vessel.chambers) > 1
        return [f"hole {self.chamber.name + ' ' if several else ''}{hole.name}" for hole in self.chamber.holes]

    @property
    def fingers(self) -> list[str | None]:
        return [hole.finger for hole in self.chamber.holes]

    def centers(self, outside: bool) -> np.ndarray:
        """Middles of the holes (n, 3), mm, on the inside wall or on the outside."""
        openings = self.solid.openings
        # A figure's clay is not equally thick: the opening knows how far out its own mouth lies.
        lifts = [(o.through if o.figure is not None else self.thickness) if outside else 0.0 for o in openings]
        return 1e3 * np.array([o.center + t * o.axis for o, t in zip(openings, lifts, strict=True)]).reshape(-1, 3)

    @property
    def radii(self) -> np.ndarray:
        return 1e3 * np.array([o.radius for o in self.solid.openings])


def _clay(site: _Site, least: float) -> _Part:
    """Clay between the rims of every two holes, on the inside and on the outside."""
    radii = site.radii
    one, other = np.triu_indices(len(radii), 1)  # each pair once
    # Straight distances: a little less than along the wall, so to the safe side.
    apart = [np.linalg.norm(c[one] - c[other], axis=1) for c in (site.centers(False), site.centers(True))]
    left = np.concatenate([gap - radii[one] - radii[other] - least for gap in apart])

    def rows() -> list[LimitRow]:
        names = site.names
        pairs = [f"clay between {names[i]} and {names[j]}" for i, j in zip(one, other, strict=True)]
        return [LimitRow(f"{what}{side}", f"at least {least:g} mm") for side in ("", " outside") for what in pairs]

    return _Part(left, rows)


def _window(site: _Site, least: float) -> _Part:
    window = site.solid.window
    holes = site.solid.openings if window else ()
    left = np.array([1e3 * gap(window, hole) - least for hole in holes]) if window else np.zeros(0)
    names = site.names[: len(holes)]
    return _Part(left, lambda: [LimitRow(f"clay between the window and {n}", f"at least {least:g} mm") for n in names])


def _ends(site: _Site) -> _Part:
    """Holes keep off the two ends where the axis, from which they are aimed, leaves the air."""
    first, last = axis_ends_mm(site.solid.wall)
    along = np.array([hole.along_mm for hole in site.chamber.holes])
    left = np.concatenate([along - first - TIP_MM, last - TIP_MM - along])

    def rows() -> list[LimitRow]:
        return [
            LimitRow(f"{n}'s distance to the {end} end", f"at least {TIP_MM:g} mm") for end in _ENDS for n in site.names
        ]

    return _Part(left, rows)


_ENDS = ("mouth", "far")


def _rims(site: _Site) -> _Part:
    """A hole is not so wide for the wall's bend there that its rim falls off, nor a window for the bend across it."""
    openings, window = site.solid.all_openings, site.solid.window
    if not openings:
        return _Part(np.zeros(0), list)
    bend, least, way = curvatures(site.solid.wall, np.array([o.center for o in openings]))
    half = np.array([o.radius for o in openings])
    whats = [f"{name}'s radius" for name in site.names]
    if window is not None:
        # Euler's theorem: curvature across the breath from the principal ones, by the angle between.
        turned = float(way[0] @ window.across) ** 2
        bend[0], half[0] = bend[0] * turned + least[0] * (1 - turned), window.width / 2
        whats = ["half the window's width", *whats]
    most = [_BENT_WINDOW] * (window is not None) + [_ROUNDEST] * len(site.names)  # the window's row comes first
    rules = [f"at most {each:g} of the radius that the wall is bent to there" for each in most]
    # half * bend is half width over radius of curvature, a pure number.
    left = _RATIO_MM * (np.array(most) - half * bend)
    return _Part(left, lambda: [LimitRow(*each, "of it", 1 / _RATIO_MM) for each in zip(whats, rules, strict=True)])


def _seams(site: _Site) -> _Part:
    """Openings stand clear of the seams where lobes meet: no fingertip seals a groove, no model is sure of one.

    Clear is half a radius around the rim, inside and outside, as `simkit.field.reduced.doubts` counts it.
    """
    lobes, openings = lobes_of(site.solid.wall), site.solid.all_openings
    if len(lobes) < 2 or not openings:
        return _Part(np.zeros(0), list)
    rooms = []
    for lift in (0.0, site.thickness):  # inside and outside
        rings = []
        for o in openings:
            # The rim scaled about its middle: half a radius of clearance, for windows by the circle of equal area.
            middle, around = o.center + lift * o.axis, 1 + 0.5 * np.sqrt(o.area / np.pi) / o.reach
            rings.append([middle, *(middle + around * (o.rim_points(16, out=lift) - middle))])
        points = np.array(rings).reshape(-1, 3)
        off = np.array([distance(lobe, points) - lift for lobe in lobes]).reshape(len(lobes), len(openings), -1)
        own = np.abs(off[:, :, 0]).argmin(axis=0)  # the lobe that each opening is in, by its middle
        off[own, np.arange(len(openings))] = np.inf  # its own lobe is no neighbour to keep clear of
        rooms.append(1e3 * off.min(axis=(0, 2)))
    names = (["the window"] if site.solid.window else []) + site.names
    rule = "half a radius clear of the seams between lobes"
    return _Part(
        np.concatenate(rooms),
        lambda: [LimitRow(f"{name}'s rim {side}", rule) for side in ("inside", "outside") for name in names],
    )


def _underneath(site: _Site) -> _Part:
    """Holes for thumbs look down, and those for other fingers do not."""
    fingers = [(n, "thumb" in hole.finger) for n, hole in enumerate(site.chamber.holes) if hole.finger]
    left = []
    for n, is_thumb in fingers:
        down = -site.solid.openings[n].axis[2]  # cosine between the hole's axis and straight down
        left.append(_RATIO_MM * (down - _LEAST_DOWN if is_thumb else _LEAST_DOWN - down))

    def rows() -> list[LimitRow]:
        rules = {True: "underneath, as it is a thumb's", False: "not underneath, as it is no thumb's"}
        return [LimitRow(site.names[n], rules[is_thumb], "of straight down", 1 / _RATIO_MM) for n, is_thumb in fingers]

    return _Part(np.array(left), rows)


def _cut_up(site: _Site) -> _Part:
    voicing = site.chamber.voicing
    left = np.array([voicing.window_width_mm - voicing.cut_up_mm]) if voicing else np.zeros(0)
    return _Part(left, lambda: [LimitRow("the window's cut-up", "at most its width")] * len(left))


def _windway(site: _Site) -> _Part:
    """Fingers keep clear of the player's face, and holes of the windway where it runs past them.

    The windway ends in the mouth, which takes some of it in (common practice, no source); the face is a plane there.
    """
    window, voicing = site.solid.window, site.chamber.voicing
    if window is None or voicing is None:
        return _Part(np.zeros(0), list)
    away, half = site.centers(False) - 1e3 * window.center, voicing.cut_up_mm / 2
    ahead, aside, up = (away @ way for way in (window.forward, window.across, window.axis))
    tips = np.array([fingertip_mm(site.vessel, hole.finger) for hole in site.chamber.holes])
    # From the face, a plane where the lips end on the windway, to the nearer edge of the fingertip.
    face = ahead + half + voicing.windway_length_mm - _LIPS_MM - tips / 2
    # In front of its exit, beside it, or on another side of the body.
    # Largest of three rooms: one of them is enough.
    past = np.max([ahead + half, np.abs(aside) - voicing.window_width_mm / 2 - _BESIDE_MM, -up], axis=0) - site.radii

    def rows() -> list[LimitRow]:
        face_rows = [LimitRow(f"{name} from the player's face", "half a fingertip at least") for name in site.names]
        return face_rows + [LimitRow(f"{name} from the windway", f"at least {_BESIDE_MM:g} mm") for name in site.names]

    return _Part(np.concatenate([face, past]), rows)


def _spacing(site: _Site, least: float) -> _Part:
    """Middles of holes that different fingers cover, where the fingers lie: on the outside."""
    names, fingers, centers = site.names, site.fingers, site.centers(True)
    pairs = [(i, j) for i, j in combinations(range(len(names)), 2) if fingers[i] is None or fingers[i] != fingers[j]]
    left = np.array([np.linalg.norm(centers[i] - centers[j]) - least for i, j in pairs])
    rule = f"at least {least:g} mm ([hand] spacing_mm)"
    return _Part(left, lambda: [LimitRow(f"{names[i]} to {names[j]}, middle to middle", rule) for i, j in pairs])


def _span(site: _Site, most: float) -> _Part:
    """Holes of one hand lie within its span."""
    names, centers = site.names, site.centers(True)
    hands = [finger.split()[0] if finger else None for finger in site.fingers]
    pairs = [(i, j) for i, j in combinations(range(len(names)), 2) if hands[i] and hands[i] == hands[j]]
    left = np.array([most - np.linalg.norm(centers[i] - centers[j]) for i, j in pairs])
    rule = f"at most {most:g} mm ([hand] span_mm)"
    return _Part(left, lambda: [LimitRow(f"{names[i]} to {names[j]}, {hands[i]} hand", rule) for i, j in pairs])


def _between(one: _Site, other: _Site) -> _Part:
    """Clay between the air of two chambers."""
    least = one.vessel.clay.least_between_mm
    left = np.array([1e3 * between(one.solid.wall, other.solid.wall).thickness - least])
    what = f"clay between {one.chamber.name} and {other.chamber.name}"
    return _Part(left, lambda: [LimitRow(what, f"at least {least:g} mm")])


def _under_the_outside(site: _Site) -> _Part:
    """Clay between a chamber's air and the outside that a figure gives: nowhere thinner than asked."""
    least = site.vessel.clay.wall_mm
    thinnest, place = thinnest_clay(site.solid.wall, site.solid.coat)
    what = f"clay between {site.chamber.name} and the outside, at {place_words(place)}"
    return _Part(np.array([1e3 * thinnest - least]), lambda: [LimitRow(what, f"at least {least:g} mm (clay.wall_mm)")])


def _in_the_open(one: _Site, other: _Site) -> _Part:
    """The outer mouths of one chamber's openings lie outside the clay around another."""
    openings = one.solid.all_openings if one.solid.figure is None else ()  # a figure's come out where its clay ends
    left = np.zeros(0)
    if openings:
        rims = np.concatenate([o.rim_points(8, out=one.thickness) for o in openings])
        left = 1e3 * (distance(other.solid.wall, rims).reshape(-1, 8).min(axis=1) - one.thickness)
    names = [o.name for o in openings]
    rule = f"outside the clay around {other.chamber.name}"
    return _Part(left, lambda: [LimitRow(f"the outer mouth of {one.chamber.name} {name}", rule) for name in names])


def _box(body: Body, most: tuple[float, float, float]) -> _Part:
    low, high = body.coat.box
    across, along, up = 1e3 * (high - low)
    left = np.subtract(most, (along, across, up))  # across is x, along is y, up is z

    def rows() -> list[LimitRow]:
        ways = zip(_BOX, most, strict=True)
        return [LimitRow(f"the piece's size {way}", f"at most {m:g} mm", asked=True) for way, m in ways]

    return _Part(left, rows)


def _mass(body: Body, most: float) -> _Part:
    left = np.array([_RATIO_MM * (1 - fired_g(body) / most)])  # as a ratio: a gram is no millimetre
    return _Part(left, lambda: [LimitRow("the fired clay", f"at most {most:g} g", "g", most / _RATIO_MM, asked=True)])


_BOX = ("along", "across", "up")
