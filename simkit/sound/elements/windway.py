"""The windway as a side branch: a slit from the window back into the player's mouth, and the breath that streams in it.

While the note sounds, some of the air in the window moves into the windway's exit instead of out of the window, and
the note rises. Models close it unless asked.
"""

from __future__ import annotations

from dataclasses import field, replace
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

from simkit.air import Air
from simkit.body.chambers import Opening
from simkit.frozen import frozen
from simkit.sound.elements import ducts
from simkit.sound.elements.orifice import End, Reals, end_of, rectangle
from simkit.sound.elements.vocal_tract import VocalTract
from simkit.vessel import Chamber


@frozen
class Windway:
    """A slit of that width, height and length (m) from the window to the player's mouth.

    level: distance of its middle outward of the window's inner face, m; the edge lies at that face. air: the breath
    that fills it and the mouth, without it the window's air. speed: of that breath, its mean over the slit, m/s, and
    per_hertz, m, what it is more for each Hz of the note; both 0 while nobody blows. width and height are those of its
    exit; lips_width and lips_height, m, where given, of its other end: between them both change evenly.
    """

    width: float
    height: float
    length: float
    mouth: VocalTract = field(default_factory=VocalTract)
    air: Air | None = None
    speed: float = 0.0
    level: float = 0.0
    per_hertz: float = 0.0
    lips_width: float | None = None
    lips_height: float | None = None

    @property
    def area(self) -> float:
        """Cross-section of its exit, m2."""
        return self.width * self.height

    @property
    def shut(self) -> Windway:
        """The slit by itself: nobody blows."""
        return replace(self, mouth=VocalTract(), air=None, speed=0.0, per_hertz=0.0)

    @property
    def slices(self) -> tuple[tuple[float, float, float], ...]:
        """Width, height and length (m) of its parts, from the exit to the mouth: one, or many of one that tapers."""
        if self.lips_width is None and self.lips_height is None:
            return ((self.width, self.height, self.length),)
        return tuple((*self._size_at((n + 0.5) / _SLICES), self.length / _SLICES) for n in range(_SLICES))

    @property
    def lips(self) -> tuple[float, float]:
        """Width and height at the lips, m."""
        return self._size_at(1.0)

    def _size_at(self, share: float) -> tuple[float, float]:
        wide = self.width if self.lips_width is None else self.lips_width
        high = self.height if self.lips_height is None else self.lips_height
        return self.width + share * (wide - self.width), self.height + share * (high - self.height)

    @property
    def friction_length(self) -> float:
        """Length of an even slit like the exit with the same friction: its own length where it does not taper.

        The pressure of a parabola's friction falls by 12 eta Q/(w h^3) a metre: w h^3 at the exit times the integral of
        1/(w h^3), by parts that are even.
        """
        strength = self.width * self.height**3  # side walls left out, as by `friction_heads`
        return sum(strength / (wide * high**3) * part for wide, high, part in self.slices)

    @property
    def conductivity(self) -> float:
        """Conductivity of its air at rest, m: one over the integral of 1/(w h)."""
        return 1 / sum(part / (wide * high) for wide, high, part in self.slices)

    def speed_at(self, omega: Reals) -> Reals:
        """Mean speed of the breath at omega, rad/s: m/s."""
        return self.speed + self.per_hertz * np.asarray(omega) / (2 * np.pi)


_SLICES = 24  # of a windway that tapers: twice as many change its impedance by less than a thousandth


def windway_of(
    chamber: Chamber, mouth: VocalTract | None = None, air: Air | None = None, per_hertz: float = 0.0
) -> Windway | None:
    """The windway that a design's voicing describes, with who blows it; None where there is no voicing.

    air: the breath; per_hertz: its speed for each Hz of the note, m.
    """
    voicing = chamber.voicing
    if voicing is None:
        return None
    sizes = voicing.window_width_mm * 1e-3, voicing.windway_height_mm * 1e-3, voicing.windway_length_mm * 1e-3
    level = voicing.exit_rise_mm * 1e-3  # the slit's middle; 0 is the inner face, where the edge lies
    wide, high = lips_of(chamber)
    mouth = mouth or VocalTract()
    return Windway(*sizes, mouth, air, level=level, per_hertz=per_hertz, lips_width=wide, lips_height=high)


def lips_of(chamber: Chamber) -> tuple[float | None, float | None]:
    """Width and height of a windway at the lips, m; None where they are those of its exit."""
    piece = chamber.mouthpiece
    if piece is None:
        return None, None
    wide, high = (None if size is None else 1e-3 * size for size in (piece.lips_width_mm, piece.lips_height_mm))
    return wide, high


def friction_length_of(chamber: Chamber) -> float | None:
    """`Windway.friction_length` of a design's windway, m; None where there is no voicing."""
    windway = windway_of(chamber)
    return None if windway is None else windway.friction_length


def windway_impedance(
    windway: Windway, air: Air, omega: Reals, lossless: bool = False, inertance: float = 0.0
) -> Reals:
    """Pressure at the windway's exit over the flow into it, Pa s/m3, at complex omega (...).

    Viscothermal slits, the air that moves beyond the lips' end, what the stream adds (`stream_resistance`), and the
    mouth, which takes its share of the sound even where `lossless` leaves out the slit's friction, heat and stream.
    inertance: of the air that gathers before the exit in the window, 1/m (`Junction`), none for a model whose
    own field has it; air: that of the window.
    """
    breath = windway.air or air
    # First what gathers before the exit, then slice by slice to the mouth.
    branch = ducts.in_series(1j * omega * air.density * inertance)
    for width, height, length in windway.slices:
        filling = ducts.plain_filling(breath) if lossless else ducts.slit_filling(breath, omega, height)
        branch = branch.then(ducts.duct(filling, omega, width * height, length))
    width, height = windway.lips
    lips, around = _lips_end(width, height, windway.length), 2 * (width + height)
    end = ducts.end_impedance(breath, omega, width * height, around, lips.correction, lips.viscous, lossless)
    if not lossless:
        end = end + stream_resistance(windway, breath, omega)
    mouth = windway.mouth.impedance(breath, omega, windway.speed_at(omega) * windway.area)
    return branch.then(ducts.in_series(end)).input_impedance(mouth)


@lru_cache(maxsize=64)
def _lips_end(width: float, height: float, length: float) -> End:
    """Kept: a search for a resonance asks for it at every step."""
    return end_of(rectangle, width, height, length, 0.0)


# --- where it opens ---


@frozen
class Junction:
    """Branch point of the windway on the axis of a window's duct, m outward of the inner face, and the inertance of
    the air that gathers before its exit, 1/m.

    At rest-like flow any three openings that meet in still air are three inertances that meet in one point: from the
    chamber to it, from it to the outside, and from it into the exit. The first two are the window's own, split where
    its potential is that of the exit; so the branch is exact but for the sound that the window's small air could store.
    """

    depth: float
    inertance: float


AT_FACE = Junction(0.0, 0.0)


def exit_band(windway: Windway, window: Opening) -> tuple[float, float]:
    """Lower and upper end of the windway's exit in the upright wall of the window, m outward of the inner face.

    Its lower half mostly lies below that face, in front of the clay that carries the windway, which no model has. With
    a lip of 1.5 mm of clay below it, the inertance between the whole exit and the outside is within 1.5 % of that
    between the upper half and the outside without it, in cells of four windows. A quarter of the windway's height is
    left upright between the rims in any case, however far from the window an edge's offset would put it.
    """
    least = windway.height / 4
    low, high = window.inside_rim, window.length - window.rim
    top = max(windway.level + windway.height / 2, low + least)
    return min(windway.level - windway.height / 2, max(high, low + least) - least), top


def junction_of(windway: Windway, window: Opening) -> Junction:
    """Branch point of a windway on its window's axis, and the inertance before its exit.

    The wall's potential as in a slit of the cut-up's height H that ends in a wide flange: at z from the flange it is
    that of the even flow further up at the depth (H/pi)(ln(2 cosh s) - 1), s - tanh s = pi z/H (Schwarz-Christoffel's
    map). What else the window's cells (`field.window.cell`) have is small: 0.006 H for its sides, and where the far
    side slopes, so that the flow turns off, (0.028 + 0.128 z/H + 0.022 ln(wall/H)) H. The inertance is that of a
    source beside a corner of clay, 0.22 ln(H/p)/W, p the part of H that the exit takes up, and 0.19/W. Fitted to 29
    cells, widths of 1.2 to 5.5 H, walls of 0.5 to 1.6, rims of 0.03 to 0.12, edges of 20 to 90 degrees: depths to
    0.005 H, the inertance to 4 % (standard deviations).
    """
    height, width, rim = window.height, window.width, window.inside_rim
    bottom, top = exit_band(windway, window)
    top = min(top, max(window.length - window.rim, rim + windway.height / 4))
    # At the exit the bent inner face lies below the window's middle, so that more of the wall is upright.
    across, along = window.curvatures
    sunk = across * width**2 / 24 + along * height**2 / 8
    bottom = min(max(bottom, rim - sunk), top - windway.height / 8)
    z = max(bottom + top, 0.0) / (2 * height)  # of the exit's middle
    run = 1 / np.tan(np.deg2rad(window.edge_deg)) if window.edge_deg < 90 else 0.0
    wall = np.clip(window.length / height, 0.5, 1.6)  # the walls of the fit
    detour = -np.expm1(-2.5 * run) * (0.028 + 0.128 * min(z, 0.4) + 0.022 * np.log(wall))
    depth = height * (_slit_depth(z) - 0.006 - detour)
    return Junction(
        min(float(depth), window.length), float(0.19 + 0.22 * np.log(height / min(top - bottom, height))) / width
    )


def _slit_depth(z: float) -> float:
    """Depth of the even flow with the potential that the wall of a flanged slit has at z, both over its height."""
    # s exceeds pi z by less than 1, as tanh does.
    s = brentq(lambda s: s - np.tanh(s) - np.pi * z, 0.0, np.pi * z + 1.0)
    return float((s + np.log1p(np.exp(-2 * s)) - 1) / np.pi)  # ln(2 cosh s), without its overflow


# --- the stream ---


def friction_heads(length: Reals, height: Reals, kinematic_viscosity: float, speed: Reals) -> Reals:
    """Pressure spent on friction and on shaping the profile, in mean velocity heads rho V^2/2.

    Laminar flow between parallel plates from an even inlet, z = L / (D Re), D = 2h, Re = V D/nu:
    F = 4 z (3.44/sqrt(z) + [24 + 0.674/(4z) - 3.44/sqrt(z)] / (1 + 0.000029/z^2)).
    Shah & London 1978, Laminar Flow Forced Convection in Ducts, ch. VI (from memory). Side walls are left out.
    """
    return friction_and_slope(length, height, kinematic_viscosity, speed)[0]


def friction_and_slope(length: Reals, height: Reals, kinematic_viscosity: float, speed: Reals) -> tuple[Reals, Reals]:
    """`friction_heads` F and dF/d ln V."""
    z = _entry(length, height, kinematic_viscosity, np.maximum(speed, _CREEPING))
    heads, slope = _heads(z)
    return heads, -z * slope


def stream_resistance(windway: Windway, air: Air, omega: Reals) -> Reals:
    """Impedance added to the windway by a steady stream, Pa s/m3, at complex omega (...); 0 without one.

    Slow changes follow the steady law p = (rho V^2/2)(1 + F): dp/dV, of which 12 eta L/h^2, friction once the profile
    is a parabola, is the slit's own. Fast ones leave the profile as it is: then the inlet takes rho v V and no more,
    and the jet's end, at the pressure of the window, gives nothing back: rho V/S, an orifice's with a stream through it
    (Ingard & Ising 1967 [Ingard1967]). Between them the profile takes as long to change as the stream needs to pass:
    E = (1 - e^{-i theta})/(i theta), theta = omega L/V, of what the steady law has over that. In a windway that tapers
    the friction's L is `friction_length`; that the stream speeds up towards a narrower exit is left out of F.
    """
    if not (windway.speed or windway.per_hertz):  # theta would have no value
        return 0.0 * np.asarray(omega)
    V = windway.speed_at(omega)
    length = windway.friction_length
    z = _entry(length, windway.height, air.kinematic_viscosity, V)
    heads, slope = _heads(z)
    kinetic = air.density * V
    steady = kinetic * (1 + heads - z * slope / 2)  # dp/dV of (rho V^2/2)(1 + F(z)), z going as 1/V
    poiseuille = 12 * air.viscosity * length / windway.height**2
    turn = 1j * np.asarray(omega) * windway.length / V  # theta: how far the note swings while the stream passes
    return (kinetic + (steady - poiseuille - kinetic) * -np.expm1(-turn) / turn) / windway.area


_CREEPING = 1e-9  # m/s: slower breath has this one's friction


def _entry(length: Reals, height: Reals, kinematic_viscosity: float, speed: Reals) -> Reals:
    """Entry length z = L / (D Re), D = 2h: development of the profile towards a parabola."""
    return length * kinematic_viscosity / ((2 * height) ** 2 * speed)


def _heads(z: Reals) -> tuple[Reals, Reals]:
    """F and dF/dz."""
    root = np.sqrt(z)
    short = 1 / z  # numpy's power of complex numbers is ten times slower than their product
    rest, fade = 24 * z + 0.1685 - 3.44 * root, 1 + 0.000029 * short * short
    rest_slope, fade_slope = 24 - 1.72 / root, -0.000058 * short * short * short
    return 4 * (3.44 * root + rest / fade), 4 * (1.72 / root + (rest_slope - rest * fade_slope / fade) / fade)
