"""The air that moves in a hole or a window: its conductivity, its friction, and its volume under a finger.

Each opening is taken as if its wall were flat and it stood alone; what curvature, neighbours and the chamber's own
shape change is the business of the models that see them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np

from simkit import plugins
from simkit.air import Air
from simkit.body.chambers import Opening
from simkit.field.window.cell import UPRIGHT, slope_relief
from simkit.sound.elements import ducts
from simkit.sound.elements.orifice import THIN, Reals, end_of, fitted_rims, rectangle, round_end
from simkit.vessel.further_ducts import GROUP as DUCTS

# A fingertip sinks into the hole it covers, as a cap a tenth of the diameter deep: common practice, no source.
PAD_DEPTH = 0.1


@dataclass(frozen=True)
class Aperture:
    """The air in one opening, in m: a duct, and beyond each end what moves with it, friction included.

    inner, outer: end corrections; inner_viscous, outer_viscous: viscous lengths (see `elements.orifice`); inner_cap,
    outer_cap: mean depth of the inner and the outer face below their own middles, where the wall is bent; deeper: by
    which the air under a finger is more than area times length, as in a duct that widens.
    Every number may be an array over openings.
    """

    area: Reals
    perimeter: Reals
    length: Reals
    inner: Reals
    outer: Reals
    inner_viscous: Reals
    outer_viscous: Reals
    inner_cap: Reals = 0.0
    outer_cap: Reals = 0.0
    deeper: Reals = 0.0

    @property
    def dip(self) -> Reals:
        """Depth by which the air under a finger is shorter than the duct, m.

        The finger rests on the rim, twice as far below the middle of the outer face as that face is on the mean; the
        duct begins at the inner face.
        """
        return 2 * self.outer_cap - self.inner_cap - self.deeper

    @property
    def conductivity(self) -> Reals:
        """Rayleigh's conductivity K = S / (h + d_in + d_out), m: the larger, the sharper the note."""
        return self.area / (self.length + self.inner + self.outer)

    @property
    def friction(self) -> Reals:
        """G = integral of |u|^2 over the opening's walls for unit flow, 1/m2: P (h + r_in + r_out) / S^2."""
        return self.perimeter * (self.length + self.inner_viscous + self.outer_viscous) / self.area**2

    @property
    def pipe_radius(self) -> Reals:
        """Twice area over perimeter, m: the radius of a round duct with the same friction."""
        return 2 * self.area / self.perimeter

    def impedance(self, air: Air, omega: Reals, lossless: bool = False) -> Reals:
        """Pressure across the opening over the flow through it, radiation apart, Pa s/m3.

        The duct by Zwikker and Kosten's density, each end by its correction and viscous length. The duct's own
        springiness is left out here (see `ducts.duct`).
        """
        # Of the filling only the density, heavy with friction.
        filling = ducts.plain_filling(air) if lossless else ducts.bore_filling(air, omega, self.pipe_radius)
        inside = 1j * omega * filling.density * self.length / self.area
        return inside + ducts.end_impedance(
            air,
            omega,
            self.area,
            self.perimeter,
            self.inner + self.outer,
            self.inner_viscous + self.outer_viscous,
            lossless,
        )

    def covered_volume(self) -> Reals:
        """Air left in the opening under a finger, m3: the duct up to its outer rim, less the pad's bulge.

        The bulge is a spherical cap of depth d = 0.1 of the diameter: pi d (3 a^2 + d^2) / 6.
        """
        radius = np.sqrt(self.area / np.pi)
        depth = 2 * PAD_DEPTH * radius
        return self.area * (self.length - self.dip) - np.pi * depth * (3 * radius**2 + depth**2) / 6

    def covered_wall(self) -> Reals:
        """Wall that a covered opening adds to the chamber, m2: its duct's."""
        return self.perimeter * self.length


def round_hole(
    radius: Reals, length: Reals, rim: Reals = 0.0, inside_rim: Reals = 0.0, bends: tuple[float, float] = (0.0, 0.0)
) -> Aperture:
    """A round hole through a wall of thickness `length`, its rims rounded by `rim` outside and `inside_rim` inside.

    bends: mean curvature of the inner and of the outer face, 1/m, positive for a ball's: a rim relieves more
    where the clay's corner is sharp, as outside a ball, than where it is blunt.

    >>> round(float(1e3 * round_hole(4e-3, 4e-3).conductivity), 5)
    4.75538
    """
    outside, inside = fitted_rims(length, rim, inside_rim)
    inner = round_end(radius, length, inside, bends[0] * radius)
    outer = round_end(radius, length, outside, -bends[1] * radius)
    return Aperture(
        np.pi * radius**2, 2 * np.pi * radius, length, inner.correction, outer.correction, inner.viscous, outer.viscous
    )


def rectangular_hole(
    width: float,
    height: float,
    length: float,
    rim: float = 0.0,
    inside_rim: float = 0.0,
    bend: tuple[float, float] = (0.0, 0.0),
) -> Aperture:
    """A rectangular opening, such as a window, through a wall of thickness `length`.

    bend: the inner face's curvature along its width and along its height, 1/m; it turns the corners of the rims.
    """
    outside, inside = (float(f) for f in fitted_rims(length, rim, inside_rim))
    # Inside the air lies in the hollow, outside on the hill: hence the sign below.
    hollows = [(float(k) * width / 2, float(m) * height / 2) for k, m in (bend, _bent_outside(bend, length))]
    inner = end_of(rectangle, width, height, length, inside, hollows[0])
    outer = end_of(rectangle, width, height, length, outside, (-hollows[1][0], -hollows[1][1]))
    shape = rectangle(width, height)
    return Aperture(
        shape.area, shape.perimeter, length, inner.correction, outer.correction, inner.viscous, outer.viscous
    )


@lru_cache(maxsize=1024)
def aperture_of(opening: Opening) -> Aperture:
    """The air of an opening of the body, with its own duct length and rims, and a window's sloping far side."""
    if opening.is_round:
        return air_of_hole(opening, opening.radius, opening.length)
    o, rims = opening, (opening.inside_rim, opening.rim)
    # What a slope, a lean or a tilt changes is added to it.
    upright = rectangular_hole(o.width, o.height, o.length, o.rim, o.inside_rim, o.curvatures)
    clay = max(o.length + FULLER * o.fuller, o.length / 2)  # never less than half of it, however fast the clay thins
    relief = slope_relief(o.width, o.height, clay, o.edge_deg, *rims, o.curvatures)
    # The slope lets the flow spread on its way out: less air moves at the outer end, and less friction acts on it.
    return replace(
        upright,
        inner=upright.inner + _within_tilted(o),
        outer=upright.outer + _under_tilted(o) + upright.area * relief.inertance,
        outer_viscous=upright.outer_viscous + upright.area**2 / upright.perimeter * relief.friction,
    )


def air_of_hole(opening: Opening, radius: Reals, length: Reals) -> Aperture:
    """The air of a round hole of the body, of its own or of another radius and length of the duct, m."""
    plain = round_hole(radius, length, opening.rim, opening.inside_rim, bends_of(opening))
    # Mean depth of either face below its middle: H a^2/4, H its mean curvature.
    inner_cap, outer_cap = (bend * opening.radius**2 / 4 for bend in bends_of(opening))
    inside, outside = _spared_aslant(opening, plain)
    # A face of its own is square to the hole.
    outer = plain.outer + face_end(opening) + opening.seam - (0.0 if opening.clay else outside)
    plain = replace(plain, inner=plain.inner - inside, outer=outer, inner_cap=inner_cap, outer_cap=outer_cap)
    if opening.duct is None:
        return plain
    try:
        air = opening.duct.air(plain)
    except Exception as error:
        raise plugins.misfit(DUCTS, opening.duct.kind, f"its air: {plugins.in_line(error)}") from error
    said = _no_air(air, plain) if isinstance(air, Aperture) else f"a {type(air).__name__}"
    if said:
        raise plugins.misfit(DUCTS, opening.duct.kind, f"its air is {said}, allowed: an Aperture of numbers")
    return air


def _no_air(air: Aperture, plain: Aperture) -> str:
    """The number of a duct's air that is none, or of no opening, or more than a plain hole's; nothing where all are."""
    # Of a plain hole: numbers for so many pieces or radii at once.
    most = np.broadcast_shapes(*(np.shape(getattr(plain, each.name)) for each in fields(plain)))
    for name, value in ((each.name, getattr(air, each.name)) for each in fields(air)):
        numbers = np.asarray(value)
        if numbers.dtype.kind not in "fiu" or not np.isfinite(numbers).all():
            return f"an Aperture whose {name} is {value!r}"
        if np.broadcast_shapes(numbers.shape, most) != most:
            return f"an Aperture whose {name} is {numbers.shape} for {most}"
        if name in ("area", "perimeter") and (numbers <= 0).any():
            return f"an Aperture whose {name} is {value!r}"
    if (np.asarray(air.length + air.inner + air.outer) <= 0).any():
        return "an Aperture shorter than nothing with its ends"
    return ""


FACE = 1.6  # radii of the flat face of a hole with a wall of its own


def _spared_aslant(opening: Opening, plain: Aperture) -> tuple[Reals, Reals]:
    """Lengths that the inner and the outer end of a hole aslant are shorter by than a square one's, m.

    The flow leaves by the short side: beyond what a longer mouth spares, which is all of it in a thin wall, that is
    0.35 (1 - e^(-t/0.68)) sin^2/cos^1.5 of the lean in radii, t the clay over the radius. And a rounded rim, blunt on
    one side and sharp on the other, spares 1 + 3.1 tan^2 times as much. By elements, `benchmarks/slants.py`, at
    t of 0.8 to 3, leans of 15 to 48 degrees, rims of 0.06 to 0.1 radii: within 0.01 radii, and a tenth of the rims'. A
    wall that bends away, by H seen from inside, meets the duct's outer end at less of a slant: sin/(1 + H t).
    A figure's outside has a tilt of its own: of a square duct the outer end alone is aslant then, and within 0.002
    radii the law is the same to 29 degrees (the same benchmark).
    """
    if opening.lean == 0 and opening.tilt == (0.0, 0.0):
        return 0.0, 0.0
    radius, through = np.sqrt(plain.area / np.pi), plain.length * np.cos(opening.lean)
    sharp = round_hole(radius, plain.length, bends=bends_of(opening))  # less `plain`: what round rims spare
    # At the outer end, where a bent wall has turned towards the duct, or a figure's has a tilt of its own.
    out = np.sin(opening.lean) / np.maximum(1 + float(np.mean(opening.curvatures)) * through, 0.5)
    if opening.tilt != (0.0, 0.0):
        out = np.sin(np.arctan(np.hypot(*opening.tilt)))
    spared = []
    for sine, rim in ((np.sin(opening.lean), sharp.inner - plain.inner), (out, sharp.outer - plain.outer)):
        lean = np.minimum(np.arcsin(np.minimum(sine, 1.0)), STEEPEST)
        share = -0.35 * np.expm1(-through / (0.68 * radius)) * np.sin(lean) ** 2 / np.cos(lean) ** 1.5
        spared.append(share * radius + 3.1 * np.tan(lean) ** 2 * rim)
    return spared[0], spared[1]


STEEPEST = np.deg2rad(50.0)  # lean beyond which these laws go no further
# By how much thicker clay counts, that is so on the mean over a window: its mouth has it as of an upright duct, 1.2 to
# 1.4 times (`field.reduced.mouth`), and so much deeper is the slope.
FULLER = 1.3


def _sloping(window: Opening) -> tuple[float, float]:
    """Share of a slope in a window's far side, 1 - e^(-c/0.457) of its cotangent c, and its clay over its cut-up."""
    cotangent = 1 / np.tan(np.deg2rad(window.edge_deg)) if window.edge_deg < UPRIGHT else 0.0
    return float(-np.expm1(-cotangent / 0.457)), window.length / window.height


def _under_tilted(window: Opening) -> float:
    """Length that a window is longer by where its outer end meets a tilted outside, m, beside a square one.

    Across and along it leaves by a longer mouth, and by the low side: shorter by 0.34 - (0.12 + 0.025 t) u of that side
    of it, times sin^2, t the clay over the cut-up and u its share of a slope (`_sloping`). Where the outside
    rises by s along the breath, flow leaves a slope beyond the middle through more clay, and the near side's sharp rim
    holds it up the more: longer by s u (0.105 t - 0.118) cut-ups. From 73 cells whose outer half is sheared by -0.3 to
    0.3, 1.75 and 2.75 cut-ups wide, clay of 0.75 to 2.3, edges of 35 to 90 degrees: within 0.004 cut-ups to slopes of
    0.2, and 0.008 to 0.3; across, from 16 windows in figures, all air meshed.
    """
    (u, t), (across, s) = _sloping(window), window.tilt
    sides = (window.width * across**2 + window.height * s**2) / (1 + across**2 + s**2)
    return s * u * (0.105 * t - 0.118) * window.height - (0.34 - (0.12 + 0.025 * t) * u) * sides


def _within_tilted(window: Opening) -> float:
    """Length that a window which leans is longer by where its inner end meets a tilted wall, m, beside a square one.

    Leaning along the breath it leaves by a longer mouth: shorter by (0.52 r - 0.08) sin^2 cut-ups, r the radius of a
    disc as large. And where the wall rises by s along the breath its slope begins further out than the near side, under
    a nose that is drawn back: longer by s u (0.128 - 0.115 s^2 + 0.096 t), u and t as of the outer end. From 134 cells
    sheared by -0.5 to 0.5, so that both faces rise, clay of 0.75 to 1.6 cut-ups, widths of 1.5 to 4.5, edges of 35 to
    90 degrees: together with what the outer end does within 0.015 cut-ups to slopes of 0.25, and within 0.03 to 0.5,
    where r is 0.94; half as much by r as these flat cells have it, for wide windows in an egg and a ball have none.
    Leaning across, shorter by (0.23 t + 0.16 u - 0.05) r tan^2: from seven windows in a ball, all air meshed.
    """
    (u, t), (across, s) = _sloping(window), window.inner_tilt
    r = np.sqrt(window.area / np.pi) / window.height
    longer_mouth = (0.52 * r - 0.08) * s**2 / (1 + s**2) + (0.23 * t + 0.16 * u - 0.05) * r * across**2
    drawn_back = s * u * (0.128 - 0.115 * s**2 + 0.096 * t)
    return float((drawn_back - longer_mouth) * window.height)


def face_end(opening: Opening) -> float:
    """Outer end correction added by a flat spot or taken off by a collar, m.

    At the face's edge the clay stands d radii above it, or t below, and bends by s, its mean curvature outside times
    the hole's radius: 0.3976 d - (0.1296 + 0.0731 s/(1 + 0.9152 s)) (1 - e^(-2.18 d)) radii, or -A t/(t + Q) with
    A = 0.0966/(1 + 5.558 s + 17.86 s^2), Q = 1.028/(1 + 6.124 s). Fitted to 0.0005 and 0.002 radii to axisymmetric
    elements of long pipes out of flat clay and out of balls of 2.7 radii or more, d up to 1.2 and t up to 12.
    """
    if not opening.clay:
        return 0.0
    bend = _outer_bend(opening, opening.clay)
    drop = bend * (FACE * opening.radius) ** 2 / 2  # by which the bent clay lies lower at the face's edge
    d = (opening.clay - opening.length - drop) / opening.radius
    s = float(np.clip(bend * opening.radius, 0.0, 0.37))  # to balls of 2.7 radii, as fitted
    if d > 0:
        share = 0.3976 * d - (0.1296 + 0.0731 * s / (1 + 0.9152 * s)) * -np.expm1(-2.18 * d)
    else:
        share = 0.0966 / (1 + 5.558 * s + 17.86 * s * s) * d / (1.028 / (1 + 6.124 * s) - d)
    return float(share * opening.radius)


def bends_of(opening: Opening) -> tuple[float, float]:
    """Mean curvature of the inner and of the outer face at a hole, 1/m; a hole with a wall of its own ends flat."""
    return float(np.mean(opening.curvatures)), 0.0 if opening.clay else _outer_bend(opening, opening.length)


def _outer_bend(opening: Opening, clay: float) -> float:
    """Mean curvature of the outer face above an opening, 1/m."""
    return float(np.mean(opening.outside or _bent_outside(opening.curvatures, clay)))


def _bent_outside(bend: tuple[float, float], clay: float) -> np.ndarray:
    """Curvatures (2,) of the true offset of an inner face with those of `bend`, 1/m."""
    inner = np.array(bend)
    return np.asarray(inner / np.maximum(1 + inner * clay, 0.1))  # an offset past the centre of the bend has none


def partly_covered(aperture: Aperture, openness: Reals) -> Aperture:
    """The opening with a finger over part of its outside; `openness` is the free share of its area, above 0 to 1.

    The free part is a round thin-lipped hole of that area at the mouth of the duct: outside it has the end
    correction of its own radius, inside that of a diaphragm in a tube (Fok 1941, in Rayleigh's form K = 2 a psi).
    A crescent under a finger is not round, so this is good to some tenth of the change; its friction is a guess.
    """
    share = np.sqrt(openness)
    radius = np.sqrt(aperture.area / np.pi)
    lip = THIN * radius * (1 - openness) + aperture.outer * openness
    throttled = THIN * radius * (_fok(share) - _fok(1.0))  # nothing where all is free
    return replace(
        aperture,
        outer=(lip + throttled) / share,
        outer_viscous=aperture.outer_viscous * (2 / openness - 1),
    )


def _fok(ratio: Reals) -> Reals:
    """1/psi of a thin diaphragm in a tube, hole over tube radius: 1 for a small hole, about 0 for none."""
    terms = (1, -1.40925, 0, 0.33818, 0, 0.06793, -0.02287, 0.03015, -0.01641)
    return sum(c * ratio**n for n, c in enumerate(terms))


def organ_mouth(area: Reals) -> Reals:
    """Conductivity of an organ pipe's mouth of that area, m: 1/K = 0.73/sqrt(S), a thin lip, almost no wall.

    Ingerslev & Frobenius 1947, Trans. Dan. Acad. Tech. Sci. 1 (from memory). A window in clay has a wall and conducts
    less; the rule is for comparison only.

    >>> round(float(1e3 * organ_mouth(66e-6)), 2)
    11.13
    """
    return np.sqrt(area) / 0.73
