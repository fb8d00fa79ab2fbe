"""Rules of clay: thickness, weight, how a piece stands, is held, and leaves a mould."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from simkit.body import Body
from simkit.body.assembly import MM
from simkit.body.between import between
from simkit.body.clay import FIRED_G_PER_ML, clay_volume
from simkit.body.coat import Coat
from simkit.body.figures import thinnest_clay
from simkit.body.mass import (
    ROUND_M,
    Standing,
    Undercut,
    clay_centre,
    outer_distance,
    outer_points,
    standing,
    thickest_clay,
    undercut,
)
from simkit.body.millimetres import place_words
from simkit.body.mouthpiece import windway_clay, windway_of
from simkit.body.printing import SEAMS, Seam, SeamError, seam_place
from simkit.body.walls.wall import on_wall
from simkit.making.shrinkage import Shrinkage, Stage
from simkit.vessel import Vessel

# All common practice, no source.
WET_G_PER_ML = 1.9  # of plastic clay
THICK_MM = (10.0, 12.0)  # of wet clay: from here on it dries unevenly, and steam may burst it in the kiln
THIN_MM = 3.0  # of wet clay: less tears and warps in the hand
WINDWAY_MM = 2.0  # of wet clay between a windway and the outside: less breaks in as it is cut
_TIPS_DEG = 8.0  # a table or a shelf may slope by so much, and a finger knock
_SLIGHT = 0.01  # share of a surface that gives way in soft clay
_EVEN_MM = 3.0  # a weight's centre so near the middle of the holes is held without tipping


@dataclass(frozen=True)
class ClayWork:
    """The clay of a piece: its volume (m^3 fired), its weight's centre (3,), how it stands, its extremes of thickness.

    Thicknesses in m of the fired piece with their places (3,); windways: of each chamber that has clay around its
    windway the least of it, m, and how far from the lips; size: wet over fired; holes: the middle of all holes (3,).
    """

    volume: float
    centre: tuple[float, ...]
    stands: Standing | None
    thickest: tuple[float, tuple[float, ...]]
    thinnest: tuple[float, tuple[float, ...]]
    windways: tuple[tuple[str, float, float], ...]
    undercut: Undercut | None
    seam: str
    holes: tuple[float, ...] | None
    size: float

    @property
    def wet_g(self) -> float:
        return weights_g(self.volume, self.size)[0]

    @property
    def fired_g(self) -> float:
        return weights_g(self.volume, self.size)[1]

    def as_dict(self) -> dict[str, Any]:
        """Content under the keys of the command line's JSON: grams, and mm of the fired piece."""
        stands = self.stands
        return {
            "wet_g": self.wet_g,
            "fired_g": self.fired_g,
            "volume_ml": 1e6 * self.volume,
            "centre_mm": _mm(self.centre),
            "holes_mm": None if self.holes is None else _mm(self.holes),
            "thickest_mm": {"clay": self.thickest[0] / MM, **_mm(self.thickest[1])},
            "thinnest_mm": {"clay": self.thinnest[0] / MM, **_mm(self.thinnest[1])},
            "windway_clay": [
                {"name": name, "clay_mm": clay / MM, "from_lips_mm": at / MM} for name, clay, at in self.windways
            ],
            "stands": None
            if stands is None
            else {
                "on_feet": stands.margin >= ROUND_M,
                "lean_deg": stands.lean_deg,
                "tipping_deg": stands.tipping_deg,
                "margin_mm": stands.margin / MM,
                "height_mm": stands.height / MM,
                "feet_mm": [_mm(foot) for foot in stands.feet],
            },
            "undercut": None
            if self.undercut is None
            else {"seam": self.seam, "share": self.undercut.share, "lean_deg": self.undercut.lean_deg}
            | {"at_mm": _mm(self.undercut.place)},
        }

    @property
    def said(self) -> tuple[str, ...]:
        """Summary in a few lines for the bench."""
        along, across, up = (round(each, 1) + 0.0 for each in _mm(self.centre).values())  # no minus before a zero
        thin, thick = (f"{each[0] / MM:.1f}" for each in (self.thinnest, self.thickest))
        spread = f"{thin} mm thick" if thin == thick else f"from {thin} to {thick} mm thick"
        lines = [
            f"clay: {self.wet_g:.0f} g wet, {self.fired_g:.0f} g fired (common practice, no source: "
            f"{WET_G_PER_ML:g} g/ml both), {spread}",
            f"its weight's centre: along {along:.1f}, across {across:.1f}, up {up:.1f} mm{self._held()}",
        ]
        return (*lines, *([self._stands()] if self.stands else []))

    def _held(self) -> str:
        if self.holes is None:
            return ""
        off = (self.centre[1] - self.holes[1]) / MM  # along
        if abs(off) <= _EVEN_MM:
            return "; it balances between the fingers"
        return f"; {abs(off):.0f} mm {'beyond' if off > 0 else 'nearer the lips than'} the middle of the holes"

    def _stands(self) -> str:
        stands = self.stands
        assert stands is not None
        lean = f", {stands.lean_deg:.0f} degrees from how it is drawn" if stands.lean_deg >= 1 else ""
        if stands.margin < ROUND_M:
            return f"it stands on no feet: on a table it rolls, and comes to rest on a rounded place{lean}"
        long, wide = stands.spread
        return (
            f"it stands{lean}: on feet {long / MM:.0f} by {wide / MM:.0f} mm apart, and tips over at "
            f"{stands.tipping_deg:.0f} degrees"
        )

    @property
    def cautions(self) -> Iterator[str]:
        """Cautions where clay's rules are broken: the place, how much, what to do."""
        thick, where = self.thickest
        least, most = THICK_MM
        if thick * self.size > least * MM:
            yield (
                f"clay is {thick * self.size / MM:.1f} mm thick when wet, at {_words(where)}: more than {least:g} to "
                f"{most:g} mm dries unevenly and may burst in the kiln (common practice, no source): hollow it from "
                "below, or pierce it with a needle"
            )
        thin, where = self.thinnest
        if thin * self.size < THIN_MM * MM:
            yield (
                f"clay is only {thin * self.size / MM:.1f} mm thick when wet, at {_words(where)}: less than "
                f"{THIN_MM:g} mm tears and warps (common practice, no source)"
            )
        for name, clay, at in self.windways:
            if clay <= 0:
                yield (
                    f"{name}: the windway breaks out of the clay by {-clay * self.size / MM:.1f} mm when wet, "
                    f"{at / MM:.0f} mm from the lips: more clay there, or a [chamber.mouthpiece]"
                )
            elif clay * self.size < WINDWAY_MM * MM:
                yield (
                    f"{name}: only {clay * self.size / MM:.1f} mm of wet clay between windway and outside, "
                    f"{at / MM:.0f} mm from the lips: less than {WINDWAY_MM:g} mm breaks as it is cut (common "
                    "practice, no source)"
                )
        stands = self.stands
        if stands is not None and stands.margin >= ROUND_M and stands.tipping_deg < _TIPS_DEG:
            yield (
                f"it tips over at {stands.tipping_deg:.0f} degrees: its weight lies only {stands.margin / MM:.1f} mm "
                "within its feet; set them wider, or make it lower"
            )
        if self.undercut is not None:
            yield (
                f"in a two-part mould parted square to {self.seam}, {100 * self.undercut.share:.0f} % of the outside "
                f"leans back, by {self.undercut.lean_deg:.0f} degrees at {_words(tuple(self.undercut.place))}: another "
                "seam, or a third part of the mould"
            )


def weights_g(volume: float, size: float) -> tuple[float, float]:
    """Mass of so much fired clay, m3, wet and fired, g; size: wet lengths over fired ones."""
    return 1e6 * volume * size**3 * WET_G_PER_ML, 1e6 * volume * FIRED_G_PER_ML


def leaning_back(body: Body, coat: Coat, seam: Seam) -> Undercut | None:
    """Undercut of a surface of the body parted at a seam; None where soft clay comes off all the same."""
    found = undercut(coat, SEAMS[seam.square_to][0], seam_place(body, seam))
    return found if found is not None and found.share >= _SLIGHT else None


def clay_work(vessel: Vessel, body: Body, shrinkage: Shrinkage, seam: Seam | None = None) -> ClayWork:
    """All that clay's rules ask of a piece; `seam`: where its outside is parted for a mould."""
    seam = seam or Seam()
    centre = clay_centre(body)
    thick, thick_at = thickest_clay(body)
    thin, thin_at = _thinnest(body)
    places = [opening.center for chamber in body.chambers for opening in chamber.openings]
    windways = []
    for chamber, solid in zip(vessel.chambers, body.chambers, strict=True):
        # An even wall says nothing of the clay around it.
        cut = windway_of(solid.window, chamber) if body.coat.figure else None
        if cut is not None and (found := windway_clay(cut, outer_distance(body.coat))):
            windways.append((chamber.name, *found))
    try:
        hollow = leaning_back(body, body.coat, seam)
    except SeamError:  # the solids say so
        hollow = None
    return ClayWork(
        clay_volume(body),
        tuple(centre.tolist()),
        standing(outer_points(body.coat), centre),
        (thick, tuple(thick_at.tolist())),
        (thin, tuple(thin_at.tolist())),
        tuple(windways),
        hollow,
        seam.square_to,
        tuple(np.mean(places, axis=0).tolist()) if places else None,
        shrinkage.size(Stage.WET),
    )


def _thinnest(body: Body) -> tuple[float, np.ndarray]:
    """The least clay over any chamber's air, or between two of them, m, and where (3,)."""
    walls = [chamber.wall for chamber in body.chambers]
    found = [(pair.thickness, pair.place) for pair in (between(a, b) for a, b in combinations(walls, 2))]
    if body.coat.figure:
        found += [thinnest_clay(wall, body.coat) for wall in walls]
    else:
        found.append((body.thickness, on_wall(walls[0])[0]))  # alike everywhere: any place will do
    return min(found, key=lambda pair: pair[0])


def _mm(place: Any) -> dict[str, float]:
    across, along, up = (float(each) / MM + 0.0 for each in place)
    return {"along_mm": along, "across_mm": across, "up_mm": up}


def _words(place: tuple[float, ...]) -> str:
    return place_words(np.array(place))
