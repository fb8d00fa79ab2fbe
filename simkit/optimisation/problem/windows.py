"""Derivatives of a window's duct by the window's numbers: smooth where the duct's own are not.

The relief that a sloping edge brings follows a law (`field.window.relief`); where that does not hold it is solved on a
small mesh of each window, jumps by some half a percent from one mesh to the next, and costs two seconds. Beside such a
window it is taken to change as the law does, continued straight.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simkit.body import Opening
from simkit.field.window.relief import LEAST_NOSE, logarithms, place, window_cell
from simkit.optimisation.problem.trial import Neighbour
from simkit.sound.elements.floor import floor_of
from simkit.sound.elements.openings import Aperture, aperture_of
from simkit.sound.elements.windway import junction_of
from simkit.sound.models.circuit import Duct
from simkit.vessel import Voicing

# Exponents of width, height, length, edge_deg and inside_rim in the labium's share of the jet's dipole, to 1.4 %.
_LABIUM = np.array([0.09, -0.19, 0.06, -0.03, 0.05])


def aperture_beside(old: Opening, new: Opening, at_rest: Aperture | None = None) -> Aperture:
    """The aperture of an opening `new` that differs a little from `old`, whose own is `at_rest`.

    Where that is itself one beside another, as of a perturbed design, nothing is meshed anew, and nothing jumps.
    """
    if new.is_round:
        return aperture_of(new)
    rest = aperture_of(old) if at_rest is None else at_rest
    if _shape(new) == _shape(old):  # nothing that the relief depends on
        return rest
    # The relief is what is over an upright edge; only that part goes by the law, the rest is exact.
    upright, was = aperture_of(replace(new, edge_deg=90.0)), aperture_of(replace(old, edge_deg=90.0))
    grown, smaller = np.exp(_law(new) - _law(old)), old.height / new.height
    # Per area the inertance goes as the law over the height, the friction as the law over its square.
    inertance = (rest.outer - was.outer) / was.area * smaller * float(grown[0])
    friction = (rest.outer_viscous - was.outer_viscous) * was.perimeter / was.area**2 * smaller**2 * float(grown[1])
    within = (rest.inner - was.inner) / was.area * smaller  # of a window that leans
    return replace(
        upright,
        inner=upright.inner + upright.area * within,
        outer=upright.outer + upright.area * inertance,
        outer_viscous=upright.outer_viscous + upright.area**2 / upright.perimeter * friction,
    )


def _law(opening: Opening) -> np.ndarray:
    """The law's logarithms (2,) of a window."""
    o = opening
    wall = max(o.length, LEAST_NOSE)
    cell = window_cell(o.width, o.height, wall, o.edge_deg, o.inside_rim, o.rim)
    return logarithms(place(cell, o.curvatures))


def duct_beside(was: Duct, opening: Opening, aperture: Aperture, voicing: Voicing | None) -> Duct:
    """The duct of an opening that takes the place of another, with its aperture; of a window whose windway is open also
    with the windway of its voicing, None of a hole, the clay under its end, and who blows it as before."""
    duct = replace(was, aperture=aperture)
    if was.floor.clay is not None and voicing is not None:
        duct = replace(duct, floor=floor_of(voicing, opening, was.floor.clay))
    if was.windway is None or voicing is None:  # still: nobody blows
        return duct
    sizes = voicing.window_width_mm, voicing.windway_height_mm, voicing.windway_length_mm
    width, height, length = (1e-3 * size for size in sizes)
    windway = replace(was.windway, width=width, height=height, length=length, level=1e-3 * voicing.exit_rise_mm)
    return replace(duct, windway=windway, junction=junction_of(windway, opening))


def voicing_of(neighbour: Neighbour, opening: Opening) -> Voicing | None:
    """The voicing of the window that an opening is; None of a hole."""
    chambers = neighbour.body.chambers
    name = next((chamber.name for chamber in chambers if chamber.window is opening), None)
    return None if name is None else neighbour.vessel.chamber(name).voicing


def labium_beside(old: Opening, new: Opening) -> float:
    """Ratio of the labium's share of the jet's dipole at a window `new` that differs a little to that at the old."""
    sizes = ("width", "height", "length", "edge_deg", "inside_rim")
    before, after = (np.array([getattr(each, size) for size in sizes]) for each in (old, new))
    # A rim of no radius has no logarithm, and counts as unchanged.
    grown = np.where(before > 0, after / np.where(before > 0, before, 1.0), 1.0)
    return float(np.exp(_LABIUM @ np.log(grown)))  # power law, linear in logarithms


def _shape(opening: Opening) -> tuple[float, ...]:
    """Numbers that a window's relief depends on."""
    o = opening
    return (o.width, o.height, o.length, o.edge_deg, o.inside_rim, o.rim, *(float(k) for k in o.curvatures))
