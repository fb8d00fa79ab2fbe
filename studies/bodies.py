"""The bodies of studies 01 and 02: each holds the same air and has the same openings, only the shape differs.

Every body is written down about as large as it should be, then scaled to the volume exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.optimize import brentq

import simkit
from simkit.body import body_of
from simkit.body.places import Place
from simkit.body.walls.wall import Wall
from simkit.vessel import Vessel

VOLUME_ML = 60.0
HOLE_MM = 8.0
APART_MM = 14.0  # from the middle of the window to that of the hole beside it
TWIN_MM = 10.4  # from middle to middle of two holes that stand close together: 2.4 mm of clay at the inside
MM = 1e3

Spot = tuple[float, float]  # share of the length, and around_deg

WINDOW = """
[chamber.voicing]
along_mm = {0:.3f}
around_deg = {1:g}
window_width_mm = 10
cut_up_mm = 4.5
windway_height_mm = 1.2
windway_length_mm = 25
edge_deg = 45
"""
HOLE = """
[[chamber.hole]]
name = "{name}"
along_mm = {along:.3f}
around_deg = {around:.3f}
diameter_mm = {diameter:g}
"""


@dataclass(frozen=True)
class Body:
    """One body: its name, what a maker would call it, its written sizes, and where its openings sit."""

    name: str
    words: str
    sizes: Mapping[str, Any]
    window: Spot = (0.2, 180.0)
    near: Spot | None = None  # None: beside the window, APART_MM from it
    opposite: Spot = (0.2, 0.0)
    far: Spot = (0.88, 0.0)
    twin: Spot | None = None  # None: beside the opposite hole, TWIN_MM from it

    @cached_property
    def scale(self) -> float:
        """What the written sizes are multiplied with to hold VOLUME_ML."""
        return (VOLUME_ML / volume_ml(chamber(self.words, self.sizes))) ** (1 / 3)

    @cached_property
    def wall(self) -> Wall:
        """The chamber's wall, to place the openings on."""
        return body_of(simkit.loads(self.chamber_text, self.name)).chambers[0].wall

    def at(self, spot: Spot) -> Place:
        """A spot as a place in m."""
        low, high = self.wall.box[:, 1]
        return Place(low + spot[0] * (high - low), spot[1])

    @cached_property
    def design(self) -> Vessel:
        """The body with its openings, as a design."""
        window, opposite = self.at(self.window), self.at(self.opposite)
        near = self.at(self.near) if self.near else beside(self.wall, window, APART_MM)
        twin = self.at(self.twin) if self.twin else beside(self.wall, opposite, TWIN_MM)
        places = {"near": near, "opposite": opposite, "twin": twin, "far": self.at(self.far)}
        text = self.chamber_text + WINDOW.format(MM * window.along, window.around_deg)
        for name, place in places.items():
            text += HOLE.format(name=name, along=MM * place.along, around=place.around_deg, diameter=HOLE_MM)
        return simkit.loads(text, self.name)

    @property
    def chamber_text(self) -> str:
        """The beginning of its design file, without openings."""
        return chamber(self.words, scaled(self.sizes, self.scale))


def chamber(words: str, sizes: Mapping[str, Any]) -> str:
    """A design file's beginning: wall, rims, and one chamber of these sizes."""
    head = f'title = "{words}"\n[clay]\nwall_mm = 4\nedge_radius_mm = 0.5\nedge_inside_radius_mm = 0.5\n'
    return head + '[[chamber]]\nname = "body"\n' + "".join(f"{k} = {written(v)}\n" for k, v in sizes.items())


def written(value: Any) -> str:
    """A value as TOML has it."""
    match value:
        case str():
            return f'"{value}"'
        case list() | tuple():
            return "[" + ", ".join(map(written, value)) + "]"
    return f"{value:.6g}"


def scaled(sizes: Mapping[str, Any], scale: float) -> dict[str, Any]:
    """The sizes times `scale`; shares, squareness and words stay."""
    out: dict[str, Any] = {}
    for key, value in sizes.items():
        if key == "sections":
            out[key] = [[*(scale * v for v in row[:4]), row[4]] for row in value]
        elif key == "lobes":
            out[key] = [[scale * v for v in row] for row in value]
        else:
            out[key] = scale * value if key.endswith("_mm") else value
    return out


def volume_ml(text: str) -> float:
    """Of the chamber in a design without openings."""
    return 1e6 * body_of(simkit.loads(text, "volume")).chambers[0].volume


def beside(wall: Wall, start: Place, apart_mm: float) -> Place:
    """The place so far from another as the crow flies, round the chamber against the clock seen from the mouth end."""
    center = start.on(wall)[0]

    def short_by(turn: float) -> float:
        point = Place(start.along, start.around_deg - turn).on(wall)[0]
        return MM * float(np.linalg.norm(point - center)) - apart_mm

    return Place(start.along, start.around_deg - brentq(short_by, 0.0, 150.0))


# --- the bodies, from plain to odd -------------------------------------------------------------------------


def ellipsoid(stretch: float) -> dict[str, Any]:
    """So many times as long as wide."""
    return {"shape": "ellipsoid", "length_mm": 48.6 * stretch, "width_mm": 48.6, "height_mm": 48.6}


def waisted(neck_mm: float) -> Body:
    """Two bulbs with a neck between them; the neck is that wide once the body is scaled."""

    def sizes(neck: float) -> dict[str, Any]:
        half = ((0, 0), (4, 23.3), (10, 33.5), (19, 38), (29, 32.3), (40, 0.66 * neck + 10))
        widths = (*half, (49, neck), *((98 - along, wide) for along, wide in reversed(half)))
        return {"shape": "sections", "sections": [[along, wide, wide, 0, 2] for along, wide in widths]}

    neck = neck_mm
    for _ in range(6):  # scaling to the volume moves the neck as well
        neck = neck_mm / (VOLUME_ML / volume_ml(chamber("neck", sizes(neck)))) ** (1 / 3)
    return Body(f"waist_{neck_mm:g}", f"waist of {neck_mm:g} mm", sizes(neck))


LEGS = [[along, across, -15, 13, 13, 26] for along in (13, 55) for across in (-10, 10)]
FIGURE = [[34, 0, 0, 66, 36, 32], [68, 0, 10, 27, 24, 24], *LEGS]
RING = [[36 + 22 * np.sin(t), 22 * np.cos(t), 0, 29, 29, 29] for t in np.deg2rad([90, 150, 210, 270, 330, 30])]

BODIES = (
    Body("sphere", "ball", {"shape": "sphere", "diameter_mm": 48.6}),
    Body("egg", "egg", {"shape": "egg", "length_mm": 68, "width_mm": 46, "height_mm": 38, "widest_at": 0.4}),
    Body("ellipsoid_2", "ellipsoid 2:1", ellipsoid(2)),
    Body("ellipsoid_3", "ellipsoid 3:1", ellipsoid(3)),
    Body("ellipsoid_4", "ellipsoid 4:1", ellipsoid(4)),
    Body("tube", "tube 3:1", {"shape": "tube", "length_mm": 88, "diameter_mm": 29.4, "ends": "flat"}),
    Body("lens", "flat lens", {"shape": "lens", "length_mm": 70, "width_mm": 62, "height_mm": 27, "rim_mm": 6},
         (0.25, 180), None, (0.25, 0), (0.78, 0)),
    *(waisted(neck) for neck in (24, 18, 13, 10, 7)),
    Body("figure", "figure on four legs", {"shape": "lobes", "lobes": FIGURE}, (0.41, 180), None, (0.41, 0),
         (0.82, 0)),
    Body("trunk", "the same without legs", {"shape": "lobes", "lobes": FIGURE[:2]}, (0.41, 180), None, (0.41, 0),
         (0.82, 0)),
    Body("ring", "ring of six lobes", {"shape": "lobes", "lobes": RING}, (0.2, 180), (0.07, 130), (0.2, 0),
         (0.8, 0), (0.055, -20)),
)  # fmt: skip

# Which holes are open: few and many, near and far.
FINGERINGS: dict[str, tuple[str, ...]] = {
    "none": (),
    "near": ("near",),
    "opposite": ("opposite",),
    "far": ("far",),
    "pair": ("opposite", "twin"),
    "all": ("near", "opposite", "twin", "far"),
}


# --- a tube with one hole that grows to the tube's own width -----------------------------------------------

TUBE_MM = 29.4
WIDTHS = (0.25, 0.4, 0.55, 0.7, 0.85)  # of the wide hole, over that of the tube
WIDE_FINGERINGS: dict[str, tuple[str, ...]] = {"none": (), "far": ("far",), "wide": ("wide",), "both": ("wide", "far")}


def wide_tube(share: float) -> Vessel:
    """The tube with its window near one end, a hole of that share of its width halfway, and a hole near the far end."""
    length = 4 * VOLUME_ML * 1e3 / (np.pi * TUBE_MM**2)
    sizes = {"shape": "tube", "length_mm": length, "diameter_mm": TUBE_MM, "ends": "flat"}
    text = chamber(f"tube with a hole {share:.0%} of its width", sizes) + WINDOW.format(0.15 * length, 180)
    for name, along, diameter in (("wide", 0.5, share * TUBE_MM), ("far", 0.85, HOLE_MM)):
        text += HOLE.format(name=name, along=along * length, around=0, diameter=diameter)
    return simkit.loads(text, f"wide_{share:g}")
