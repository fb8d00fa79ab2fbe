"""What a small change of a window does to its duct: smooth where the window's own numbers are not.

The relief that a sloping edge brings is solved on a small mesh of each window (`simkit.field.cell`) and jumps by some
half a percent from one mesh to the next; it costs two seconds. Beside a window it is taken to follow a law of its
sizes instead, a polynomial of their logarithms, fitted to 171 windows of that cell (width 1.2 to 3.2 and wall 0.45 to
1.5 of the cut-up, edges of 25 to 75 degrees, rims of 0.02 to 0.1 of it, walls bent to down to three cut-ups) by
`benchmarks/windows.py`. Over all of them the law is right to 1.8 % of the relief of 1/K and to 3.0 % of that of the
friction (standard deviation, windows left out one by one); beside a window, as it is used, to a percent and to three.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations_with_replacement

import numpy as np

from simkit.body import Opening
from simkit.field.cell import LEAST_NOSE
from simkit.sound.openings import Aperture, aperture_of

# Of ln(relief of 1/K times the cut-up) and of ln(relief of the friction times its square), by the terms of `law_terms`.
_INERTANCE = np.array([
    -0.9255, 2.099, 0.3353, -0.4926, -0.2658,
    0.0269, -0.0405, 0.0239, -0.006, 0.0109, -0.0265, -0.0819, 0.1358, 0.0293, -0.1576, -0.0172, 0.0035, -0.0491,
    -0.0178, -0.0309,
    -0.1149, 0.0108, -0.0482, -0.0686, -0.215, 0.1527, 0.2089, 0.4602,
])  # fmt: skip
_FRICTION = np.array([
    -1.3521, 2.0418, 0.4049, -0.3739, -0.3478,
    0.0968, -0.0226, 0.0092, -0.0059, -0.0097, -0.101, -0.0645, 0.1057, 0.0517, -0.1766, 0.0291, 0.0187, -0.0403,
    -0.008, -0.0512,
    -0.217, 0.022, -0.0601, 0.0257, -0.3987, 0.1627, 0.4171, 0.6058,
])  # fmt: skip
# Exponents of width, height, length, edge_deg and inside_rim in the labium's share of the jet's dipole, to 1.4 %.
_LABIUM = np.array([0.09, -0.19, 0.06, -0.03, 0.05])


def law_terms(
    width: float, wall: float, edge_deg: float, nose: float, rim: float, across: float, along: float
) -> np.ndarray:
    """The terms of the law (28,): lengths over the cut-up, curvatures times it.

    The logarithms of width, wall, the slope's run over its rise, the rims' radii inside and outside; their products,
    each with itself too; the wall's curvatures across and along the window, and some of their products.
    """
    run = 1 / np.tan(np.deg2rad(min(edge_deg, _STEEPEST)))
    first = np.log([width, wall, run, nose, rim])
    second = [a * b for a, b in combinations_with_replacement(first, 2)]
    a, b, c, t = across, along, first[2], first[1]
    return np.array([*first, *second, a, b, a * c, b * c, b * t, a * a, a * b, b * b])


_STEEPEST = 89.0  # degrees: beyond, the relief is as good as none


def aperture_beside(old: Opening, new: Opening, at_rest: Aperture | None = None) -> Aperture:
    """The aperture of an opening `new` that differs a little from `old`, whose own is `at_rest`.

    Where that is itself one beside another, as of a design that leans, nothing is meshed anew, and nothing jumps.
    """
    if new.is_round:
        return aperture_of(new)
    rest = aperture_of(old) if at_rest is None else at_rest
    if _shape(new) == _shape(old):
        return rest
    upright, was = aperture_of(replace(new, edge_deg=90.0)), aperture_of(replace(old, edge_deg=90.0))
    grown, smaller = _law_terms(new) - _law_terms(old), old.height / new.height
    inertance = (rest.outer - was.outer) / was.area * smaller * float(np.exp(_INERTANCE @ grown))
    friction = (rest.outer_rub - was.outer_rub) * was.perimeter / was.area**2
    friction *= smaller**2 * float(np.exp(_FRICTION @ grown))
    return replace(
        upright,
        outer=upright.outer + upright.area * inertance,
        outer_rub=upright.outer_rub + upright.area**2 / upright.perimeter * friction,
    )


def _law_terms(opening: Opening) -> np.ndarray:
    """The law's terms of a window; rims as its cell has them."""
    cut_up = opening.height
    least, most = LEAST_NOSE, min(0.2 * cut_up, 0.25 * opening.length)
    nose, rim = (min(max(radius, least), most) / cut_up for radius in (opening.inside_rim, opening.rim))
    bend = (float(k) * cut_up for k in opening.bend)
    return law_terms(opening.width / cut_up, max(opening.length, least) / cut_up, opening.edge_deg, nose, rim, *bend)


def labium_beside(old: Opening, new: Opening) -> float:
    """By what factor the labium's share of the jet's dipole is another at a window `new` that differs a little."""
    return float(np.exp(_LABIUM @ _grown(old, new)))


def _grown(old: Opening, new: Opening) -> np.ndarray:
    """Logarithms by which the labium's sizes grow."""
    sizes, before = _labium_sizes(new), _labium_sizes(old)
    return np.log(np.where(before > 0, sizes / np.where(before > 0, before, 1.0), 1.0))


def _labium_sizes(opening: Opening) -> np.ndarray:
    return np.array([getattr(opening, name) for name in ("width", "height", "length", "edge_deg", "inside_rim")])


def _shape(opening: Opening) -> tuple[float, ...]:
    """All that a window's relief depends on."""
    o = opening
    return (o.width, o.height, o.length, o.edge_deg, o.inside_rim, o.rim, *(float(k) for k in o.bend))
