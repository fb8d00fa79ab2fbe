"""Inertance and friction of openings: end corrections of holes in a flat wall of any thickness.

An opening of area S through a wall of thickness h has the conductivity K = S / (h + d_in + d_out). The end
corrections d (m) grow from Rayleigh's value for a thin wall to that of a long flanged duct, and shrink when the rim
is rounded, the more so the sharper the clay's corner: outside a ball more than inside. Friction has end corrections of
its own, the viscous lengths r: the surface integral of |u|^2 over all walls, for unit flow, is perimeter
(h + r_in + r_out) / S^2. By Hadamard's identity that integral is the rate at which 1/K grows when every wall moves into
the air, so each viscous length follows from its end correction.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator, RectBivariateSpline
from scipy.special import ellipe, ellipk

Reals: TypeAlias = Any  # a float, or an array of them; the answer is then an array too

THIN = np.pi / 4  # end correction over radius of a hole in a thin wall, each side (Rayleigh)
LONG = 0.821674  # of a long duct that ends in a wide flange (Norris & Sheng 1989 [Norris1989]: 0.8216)
# Corner flow phi = C rho^(2/3) cos(2 theta/3) past a right-angled rim that is rounded by f: the resistance of each
# metre of rim falls by pi * 0.1272 * C^2 f^(4/3).  From the flow through a long duct that makes 0.4556 below.

# Wall thickness over radius, end correction over radius, and rim relief (see `rim_relief`) of a round hole with
# right-angled rims, both sides flanged. Edge-singular Galerkin solution, the flow in the hole expanded in
# (1 - r^2)^(-1/3) times Jacobi polynomials; tests/sound/test_orifice.py solves it again.
_THICKNESS = (
    0.002, 0.005, 0.007, 0.01, 0.015, 0.02, 0.028, 0.035, 0.043, 0.05, 0.062, 0.075, 0.088, 0.1, 0.12, 0.14, 0.17,
    0.2, 0.24, 0.28, 0.34, 0.4, 0.47, 0.55, 0.65, 0.75, 0.87, 1, 1.2, 1.4, 1.7, 2, 2.5, 3,
)  # fmt: skip
_END = (
    0.7866672, 0.78801294, 0.78877622, 0.78980083, 0.79129214, 0.79259735, 0.79441931, 0.79581706, 0.7972459,
    0.79837818, 0.8001153, 0.80176567, 0.80322546, 0.80443481, 0.80621082, 0.8077443, 0.80969001, 0.81130434,
    0.81306545, 0.81448495, 0.81614219, 0.81738617, 0.81846723, 0.81935855, 0.82012251, 0.82062907, 0.82102081,
    0.82127995, 0.82149216, 0.8215899, 0.82164758, 0.8216658, 0.82167299, 0.82167405,
)  # fmt: skip
_RELIEF = (
    2.0264, 1.49677, 1.33805, 1.18878, 1.04496, 0.95828, 0.86723, 0.81269, 0.76646, 0.73503, 0.69365, 0.66028,
    0.63452, 0.61535, 0.59017, 0.5708, 0.54885, 0.5325, 0.51632, 0.50437, 0.4915, 0.48253, 0.47518, 0.46941,
    0.46467, 0.46162, 0.45933, 0.45784, 0.45663, 0.45608, 0.45576, 0.45566, 0.45562, 0.45561,
)  # fmt: skip
LONG_RELIEF = 0.45561
_SLOT_RELIEF = 0.4002  # of a long slot, from its conformal map, with the slot's width for the radius

_FADE = 3.83  # first zero of J1: decay rate of the influence of the other side through a thick wall


def _squeezed(x: Reals) -> Reals:
    """Thickness 0 to infinity drawn together to 0 to 1, where splines are even."""
    return -np.expm1(-2 * x)


def _thin_log(x: Reals) -> Reals:
    """The part of a thin wall's end correction that has a logarithm, (x/8) ln(17/x), faded out."""
    return x / 8 * np.log1p(17 / x) * np.exp(-_FADE * x)


_knots = np.array(_THICKNESS)
_end_spline = CubicSpline(
    np.r_[0.0, _squeezed(_knots), 1.0],
    np.r_[0.0, np.array(_END) - THIN - _thin_log(_knots), LONG - THIN],
    bc_type=("not-a-knot", (1, 0.0)),
)
# Towards a thin wall the relief grows like x^(-1/3), with the factor 0.2545.
_relief_spline = CubicSpline(
    np.r_[0.0, _squeezed(_knots), 1.0],
    np.r_[0.2545 * 2 ** (1 / 3), np.array(_RELIEF) * _squeezed(_knots) ** (1 / 3), LONG_RELIEF],
    bc_type=("not-a-knot", (1, 0.0)),
)
_THINNEST = 1e-9  # stands for no thickness, where the logarithms have their limit


def plate_end(x: Reals) -> Reals:
    """End correction over radius, each side, of a round hole in a wall x radii thick: 0.785 to 0.822.

    >>> round(float(plate_end(1.0)), 5)
    0.82128
    """
    x = np.maximum(x, _THINNEST)
    return THIN + _thin_log(x) + _end_spline(_squeezed(x))


def plate_end_slope(x: Reals) -> Reals:
    """The derivative of `plate_end` by the thickness x."""
    x = np.maximum(x, _THINNEST)
    log = np.log1p(17 / x)
    thin_log = np.exp(-_FADE * x) / 8 * (log - 17 / (x + 17) - _FADE * x * log)  # of `_thin_log`
    return thin_log + 2 * np.exp(-2 * x) * _end_spline(_squeezed(x), 1)


def rim_relief(x: Reals) -> Reals:
    """Coefficient of a small rounded rim: the end correction shortens by relief * radius * (rim / radius)^(4/3).

    0.4556 in a thick wall. What the rim's own size and a bent wall change is in `rounding`.
    """
    v = _squeezed(np.maximum(x, _THINNEST))  # the spline is of the relief without its pole at x = 0
    return _relief_spline(v) * v ** (-1 / 3)


def rim_relief_slope(x: Reals) -> Reals:
    """The derivative of `rim_relief` by the thickness x."""
    x = np.maximum(x, _THINNEST)
    v = _squeezed(x)
    by_v = (_relief_spline(v, 1) - _relief_spline(v) / (3 * v)) * v ** (-1 / 3)
    return 2 * np.exp(-2 * x) * by_v


class End(NamedTuple):
    """One end of an opening: its end correction and its viscous length, both in m."""

    correction: Reals
    viscous: Reals


def fitted_rims(length: Reals, rim: Reals, inside_rim: Reals) -> tuple[Reals, Reals]:
    """Rim radii (outside, inside) that fit the wall: together at most its thickness, shares kept."""
    both = np.maximum(rim + inside_rim, 1e-30)  # sharp ones: nothing to fit, and nothing divided by 0
    fit = np.minimum(1.0, length / both)
    return rim * fit, inside_rim * fit


# Relief of a bent wall by a rim, fitted to axisymmetric elements of long ducts into balls and out of them, a ball
# rolled along each rim: rims of 0.01 to 0.55 and balls of 2 (inside), 2.8 (outside) to 50 radii of the hole, a flat
# wall between them; to 1.8 % of the relief, 0.6 % where the ball has four radii or more.
HOLLOW = -0.36, 0.5
_BENT = 0.0, -1.995, -0.592, -0.979, -0.444  # of ln(rounding): powers of the hollow
_BENT_AND_WIDE = -0.047, -0.998, 1.279, -1.513  # the same, times the rim's share of the radius


class Rounding(NamedTuple):
    """Relief of a rounded rim over the thick flat wall's law, and its derivatives by the rim's share and the hollow."""

    value: Reals
    by_share: Reals
    by_hollow: Reals


def rounding(share: Reals, hollow: Reals = 0.0) -> Rounding:
    """(f/a)^(4/3) of a small rim in a flat wall; of any other (f/a)^(2 nu) e^(A(s) + B(s) f/a).

    share f/a; hollow s: the wall's mean curvature times the radius, positive where the air lies in the hollow (a/R
    inside a ball of radius R, -a/R outside). The clay's corner turns by arcsin s from a right angle, and the flow past
    it goes as the distance to the power nu = pi/(3 pi/2 - arcsin s). Beyond `HOLLOW` it stays as it is there.
    """
    f, s = np.maximum(share, 1e-12), np.clip(hollow, *HOLLOW)
    power = 2 * np.pi / (1.5 * np.pi - np.arcsin(s))
    bent, bent_slope = _polynomial(_BENT, s)
    wide, wide_slope = _polynomial(_BENT_AND_WIDE, s)
    log = np.log(f)
    value = np.exp(power * log + bent + f * wide)
    turn = power**2 / (2 * np.pi * np.sqrt(1 - s * s))  # d(2 nu)/ds
    # Beyond HOLLOW it is kept, and so has no slope.
    by_hollow = np.where(s == hollow, turn * log + bent_slope + f * wide_slope, 0.0)
    return Rounding(value, value * (power / f + wide), value * by_hollow)


def _polynomial(coefficients: tuple[float, ...], s: Reals) -> tuple[Reals, Reals]:
    """A polynomial, its constant first, and its derivative at s, by Horner's rule: numpy's takes ten times as long over
    one number, and a search asks tens of thousands of times."""
    value, slope = coefficients[-1], 0.0
    for c in coefficients[-2::-1]:
        slope = slope * s + value
        value = value * s + c
    return value, slope


def round_end(radius: Reals, length: Reals, rim: Reals = 0.0, hollow: Reals = 0.0) -> End:
    """One end of a round hole in a flat wall; arrays of holes are welcome. `hollow` of a bent one: see `rounding`.

    d = a [delta(h/a) - beta(h/a) w(f/a, s)];  r = d + (a/2) (1 + dd/dn), n moving every wall into the air:
    a -> a - n, h -> h + 2n, f -> f + n, 1/H -> 1/H - n.  Sharp and thick: d = 0.8217 a, r = 0.9108 a.

    >>> end = round_end(4e-3, 40e-3)
    >>> round(float(end.correction / 4e-3), 4), round(float(end.viscous / 4e-3), 4)
    (0.8217, 0.9108)
    """
    a, x, f = radius, length / radius, rim / radius
    delta, slope, beta = plate_end(x), plate_end_slope(x), rim_relief(x)
    w = rounding(f, hollow)
    correction = a * (delta - beta * w.value)
    # a times the change with n: of x, 2 + x; of f/a, 1 + f/a; of s, s^2 - s; and of the factor a itself, -1.
    moved = (2 + x) * (slope - rim_relief_slope(x) * w.value) - (delta - beta * w.value)
    moved = moved - beta * (w.by_share * (1 + f) - w.by_hollow * (hollow - np.square(hollow)))
    return End(correction, correction + a / 2 * (1 + moved))


# --- other outlines ------------------------------------------------------------------------------


class Outline(NamedTuple):
    """A rectangle (or ellipse) by its full width and height in m, and what is needed of it."""

    area: float
    perimeter: float
    thin: float  # end correction in a thin wall, m
    long: float  # end correction of a long flanged duct, m
    relief: float  # rim relief in a thick wall, with twice area over perimeter for the radius
    # From thin, 1, to long, 0, by the wall's thickness over a disc's radius of that area.
    fade: Callable[[float], float]


def ellipse(width: float, height: float) -> Outline:
    """An elliptic hole. Thin wall: K = pi A / K(m), m = 1 - B^2/A^2 with half axes A >= B (Rayleigh 1896, sec. 306).

    The piston's end correction is 1.081 of the thin one for every ellipse, so the long duct's is taken as the
    circle's share, 1.0462.
    """
    large, small = max(width, height) / 2, min(width, height) / 2
    m = 1 - (small / large) ** 2
    area = np.pi * large * small
    thin = small / 2 * ellipk(m)
    return Outline(area, 4 * large * ellipe(m), thin, thin * LONG / THIN, LONG_RELIEF, _round_fade)


# Thin rectangles by their aspect: conductivity over that of the ellipse of equal area and aspect (boundary elements;
# a square plate's capacitance 0.36679 * 4 pi eps0 L, Read 1997, IEEE Trans. Electron Devices, from memory, is 1.1523).
_THIN_RECTANGLE = PchipInterpolator(np.log([1, 2, 4, 10, 20]), [1.0212, 1.01656, 1.00459, 0.98414, 0.96934])
# Long rectangular ducts: end correction over that of the uniform piston (duct modes against Rayleigh's integral,
# extrapolated with the rim's exponent 4/3). The last point is the trend.
_LONG_RECTANGLE = PchipInterpolator(
    np.log([1, 1.5, 2, 3, 4, 10, 20]), [0.96600, 0.96668, 0.96794, 0.97052, 0.97269, 0.97979, 0.9845]
)


# How fast a thickening wall forgets its other side, -ln(fade)/x: rows by aspect, columns by its thickness x over the
# radius of a disc of equal area; fade is 1 in a thin wall and 0 in a thick one. The flow in the duct expanded in
# (1 - u^2)^(-1/3) times Gegenbauer's polynomials both ways, its duct modes against the integral outside. A slender
# window's two ends feel each other through the waves across it: at an aspect of 4 and x of 1 five times a disc's fade.
_FADE_ASPECT = (1, 1.5, 2, 3, 4, 6, 10, 20)
_FADE_THICKNESS = (0.05, 0.1, 0.2, 0.35, 0.6, 1, 1.6, 2.5, 4)
_FORGETTING = (
    (8.461, 7.083, 5.933, 5.182, 4.615, 4.221, 3.973, 3.82, 3.717),
    (8.36, 7.039, 5.903, 5.137, 4.53, 4.061, 3.71, 3.446, 3.246),
    (8.633, 7.189, 5.961, 5.121, 4.421, 3.843, 3.4, 3.089, 2.871),
    (8.953, 7.38, 6.02, 5.051, 4.205, 3.504, 2.999, 2.664, 2.433),
    (9.207, 7.537, 6.063, 4.987, 4.044, 3.289, 2.767, 2.42, 2.179),
    (9.779, 7.876, 6.17, 4.913, 3.847, 3.049, 2.512, 2.149, 1.89),
    (10.6, 8.356, 6.304, 4.82, 3.652, 2.831, 2.281, 1.9, 1.618),
    (12.2, 9.229, 6.544, 4.769, 3.511, 2.663, 2.092, 1.687, 1.377),
)
_forgetting = RectBivariateSpline(np.log(_FADE_ASPECT), np.log(_FADE_THICKNESS), _FORGETTING)


def rectangle_fade(aspect: float, x: float) -> float:
    """Fraction of the thin wall's end correction left in a rectangle's, 1 to 0, in a wall x disc's radii thick.

    Thinner than 0.05 the rate goes on as a logarithm does, which is the law of a thin wall; thicker than 4 it stays.
    """
    at = np.log(min(max(aspect, 1.0), 20.0)), np.log(min(x, _FADE_THICKNESS[-1]))
    low = np.log(_FADE_THICKNESS[0])
    rate = float(_forgetting(at[0], max(at[1], low))[0, 0])  # -ln(fade)/x
    if at[1] < low:
        rate += float(_forgetting(at[0], low, dy=1)[0, 0]) * (at[1] - low)
    return float(np.exp(-rate * x))


def _round_fade(x: float) -> float:
    return float((LONG - plate_end(x)) / (LONG - THIN))


# Rim relief of rectangles with twice area over perimeter for the radius: finite elements of ducts 0.8 of their height
# long, rims of 0.06 and 0.18 of it, two meshes each (to 1 %); then towards the slot's.
_RECTANGLE_RELIEF = PchipInterpolator(
    np.log([1, 1.5, 2.22, 3, 4, 20, 100]), [0.4488, 0.4472, 0.4422, 0.4400, 0.4376, 0.42, _SLOT_RELIEF]
)


def rectangle(width: float, height: float) -> Outline:
    """A rectangular hole, such as a window. Thin and long limits within 0.1 % up to an aspect of 10.

    Beyond an aspect of 20 the ratios to ellipse and piston stay as they are there.
    """
    a, b = max(width, height), min(width, height)
    aspect = a / b
    log = np.log(min(aspect, 20.0))
    like = ellipse(a * 2 / np.sqrt(np.pi), b * 2 / np.sqrt(np.pi))  # equal area
    return Outline(
        area=a * b,
        perimeter=2 * (a + b),
        thin=like.thin / float(_THIN_RECTANGLE(log)),
        long=piston_end(a, b) * float(_LONG_RECTANGLE(log)),
        relief=float(_RECTANGLE_RELIEF(np.log(min(aspect, 100.0)))),
        fade=partial(rectangle_fade, aspect),
    )


def piston_end(width: float, height: float) -> float:
    """End correction of a rectangular piston in a wide flange, an upper bound (m).

    delta = {2 [a^2 b ln((b+d)/a) + a b^2 ln((a+d)/b)] - (2/3) (d^3 - a^3 - b^3)} / (2 pi a b), d^2 = a^2 + b^2.
    """
    a, b = width, height
    d = np.hypot(a, b)
    logs = a * a * b * np.log((b + d) / a) + a * b * b * np.log((a + d) / b)
    return float((2 * logs - 2 / 3 * (d**3 - a**3 - b**3)) / (2 * np.pi * a * b))


def end_of(
    outline: Callable[[float, float], Outline],
    width: float,
    height: float,
    length: float,
    rim: float,
    hollows: tuple[float, float] = (0.0, 0.0),
) -> End:
    """One end of an opening of another outline than round, in a wall that is flat but for its rims.

    Between the thin and the long wall it goes as the outline's `fade` says. The
    rounded rim's relief uses twice area over perimeter as radius. hollows: the wall's curvature across and along times
    half the width and half the height, positive where the air lies in the hollow: the sides' rims, and those of the
    other two, relieve as `rounding` says of their corners, each by its length. The viscous length is Hadamard's
    derivative, by a central difference.
    """
    size = min(width, height)
    length = max(length, 1e-6 * size)  # friction at a wall without thickness has no limit
    rim = rim if rim > 1e-6 * size else 0.0

    def correction(n: float) -> float:
        here = outline(width - 2 * n, height - 2 * n)  # every wall moved into the air by n
        fade = here.fade((length + 2 * n) / np.sqrt(here.area / np.pi))
        radius = 2 * here.area / here.perimeter  # as much rim for its area as the disc of that radius
        rounded = rim + n if rim > 0 else 0.0  # of a sharp rim, relief and slope are none
        relief = here.relief * rim_relief((length + 2 * n) / radius) / LONG_RELIEF
        sides, ends = (rounding(rounded / radius, hollow).value for hollow in hollows)
        spared = relief * radius * (height * sides + width * ends) / (height + width)
        return float(here.long - (here.long - here.thin) * fade - spared)

    # Neither clay nor rim may vanish on the way.
    step = min(1e-4 * size, length / 4, rim / 2 if rim > 0 else size)
    moved = (correction(step) - correction(-step)) / (2 * step)
    here, d = outline(width, height), correction(0.0)
    return End(d, d + here.area / here.perimeter * (1 + moved))
