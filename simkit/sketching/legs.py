"""Legs drawn from the side, each a closed line of its own, as pairs of parts of clay."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from json import dumps

import numpy as np

from simkit.errors import Fault, InputError
from simkit.sketching.marks import frames
from simkit.sketching.section_rows import Profiles
from simkit.sketching.silhouettes import Profile
from simkit.sketching.strokes import LEGS, SIDE, MarkedStroke, Sketch, area

_APART = 0.5  # of half the body's width: how far a leg stands from the middle
_SUNK = 0.5  # of its thickness: how deep it stands in the body at least
_LEAST_MM = 2.0


@dataclass(frozen=True)
class LegPair:
    """An ellipsoid to the left and one to the right: sizes and where the upper end lies, mm, and its tilt, degrees."""

    name: str
    along_mm: float
    across_mm: float
    up_mm: float
    length_mm: float
    thick_mm: float
    tilt_deg: float


def leg_pairs(sketch: Sketch, inside: Profiles, outside: Profiles | None, wall_mm: float) -> tuple[LegPair, ...]:
    """Every leg of a sketch; an InputError for each line that is none, or where there is no view from the side."""
    marks = [mark for mark in sketch.marks if mark.layer == LEGS]
    if not marks:
        return ()
    body = outside.side if outside is not None and outside.side is not None else inside.side
    frame = frames(sketch, inside).get(SIDE)
    if body is None or frame is None:
        allowed = "legs beside an outline of inside or outside from the side: only there one sees how long they are"
        raise InputError([Fault(sketch.source, f"layer {LEGS}", None, allowed)])
    # A drawn outside is the clay's own line.
    clay = 0.0 if outside is not None and outside.side is not None else wall_mm
    found, faults = [], []
    # from the mouth end on: numbered as they are seen
    for number, mark in enumerate(sorted(marks, key=lambda each: float(each.stroke.box[0, 0])), 1):
        try:
            top, foot, thick = _ends(mark, body, clay)
        except ValueError as why:
            faults.append(Fault(sketch.source, f"layer {LEGS}", None, str(why)))
            continue
        (along, up), below = frame.place(np.array([top, foot]))
        way = below - [along, up]
        across = _APART * _half_width((top + foot)[0] / 2, inside, outside, body) + clay / 2
        sizes = (along, across, up, float(np.linalg.norm(way)), thick, float(np.degrees(np.arctan2(way[1], way[0]))))
        found.append(LegPair(mark.stroke.name or f"leg {number}", *(round(float(size), 1) for size in sizes)))
    if faults:
        raise InputError(faults)
    return tuple(found)


def _ends(mark: MarkedStroke, body: Profile, clay: float) -> tuple[np.ndarray, np.ndarray, float]:
    """The upper and the lower end (2,) of a leg's ellipse in the drawing, and its thickness, mm.

    As long as the line, along the way in which it is longest, and of its area; drawn out upward until it stands in the
    body. ValueError where it is no closed line, or does not reach out below the body.
    """
    points = mark.stroke.points
    if not mark.stroke.closed or min(np.ptp(points, axis=0)) < _LEAST_MM:
        raise ValueError(f"closed lines, at least {_LEAST_MM:g} mm wide, one for each leg; one is open, or thinner")
    middle = points.mean(axis=0)
    # The longest way is the eigenvector of the largest spread, the last.
    _, ways = np.linalg.eigh((points - middle).T @ (points - middle))
    way = ways[:, 1] * (-1.0 if ways[1, 1] > 0 else 1.0)  # downward
    reach = (points - middle) @ way
    top, foot = middle + reach.min() * way, middle + reach.max() * way
    thick = 4 * area(points) / (np.pi * float(np.ptp(reach)))  # of an ellipse: area = pi/4 length thickness
    under = float(np.interp((top[0] - body.left) / body.length, body.share, body.low)) - clay
    if foot[1] > under - _LEAST_MM:
        raise ValueError("legs that reach out below the body; draw what sticks out elsewhere as a [[part]] by hand")
    missing = under + _SUNK * thick - top[1]  # how much higher the upper end must lie
    if missing > 0:
        top = top + missing / way[1] * way
    return top, foot, thick


def _half_width(x: float, inside: Profiles, outside: Profiles | None, body: Profile) -> float:
    """Half the body's width at a place of the drawing from the side, mm; where it is not drawn from above, half its
    height."""
    share = np.array([np.clip((x - body.left) / body.length, 0, 1)])
    above = next((each.above for each in (outside, inside) if each is not None and each.above is not None), body)
    return float(above.thick(share)[0]) / 2


_PART = """
[[part]]
name = {name}
shape = "ellipsoid"
length_mm = {leg.length_mm:g}
width_mm = {leg.thick_mm:g}
height_mm = {leg.thick_mm:g}
offset_mm = [{leg.along_mm:g}, {across:g}, {leg.up_mm:g}]
tilt_deg = {leg.tilt_deg:g}
"""


def leg_text(legs: tuple[LegPair, ...]) -> Iterator[str]:
    """The tables of all legs, left and right."""
    for leg in legs:
        for side, across in (("left", -leg.across_mm), ("right", leg.across_mm)):
            yield _PART.format(name=dumps(f"{side} {leg.name}", ensure_ascii=False), leg=leg, across=across)


def leg_words(legs: tuple[LegPair, ...]) -> list[str]:
    """Remarks on the legs."""
    return [
        f"{leg.name}: drawn from the side, taken for a pair, {leg.across_mm:g} mm to the left and to the right, "
        f"as wide as it is thick, {leg.thick_mm:g} mm"
        for leg in legs
    ]
