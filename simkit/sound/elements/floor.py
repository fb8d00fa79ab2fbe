"""The clay that carries the windway's end: it hangs into the chamber before the window, whose air it makes heavier.

The edge lies at the inner face and the jet blows at it, so about half of the windway lies below that face, and the clay
under it lower still. It is straight, as windways are, where the wall may bend: that adds or takes up to 15 percent. The
laws' own 3 percent and the little air that the clay takes from the chamber are less than how makers differ.
"""

from __future__ import annotations

from dataclasses import replace

from simkit.body.chambers import Opening
from simkit.body.mouthpiece import USUAL_FLOOR
from simkit.field.window.ledge import bend_shares, floor_burden
from simkit.frozen import frozen
from simkit.sound.elements.openings import Aperture
from simkit.sound.elements.orifice import Reals
from simkit.vessel import Chamber, Voicing

SPREAD = 1.0e-3, 3.0e-3  # m: what makers leave there, common practice, no source
BY_HAND = 0.5e-3  # m: tolerance of hand work, common practice, no source


@frozen
class Ledge:
    """Clay that carries the windway's end: under it and beside it, the least and the most that may be under it, m."""

    under: float = USUAL_FLOOR
    beside: float = USUAL_FLOOR
    least: float = SPREAD[0]
    most: float = SPREAD[1]

    @property
    def ends(self) -> tuple[Ledge, Ledge]:
        """The least and the most that may be under the windway."""
        return self.but(self.least), self.but(self.most)

    def but(self, under: float) -> Ledge:
        """Copy with another thickness under the windway, that beside it as much more or less where it was alike."""
        return replace(self, under=under, beside=under if self.beside == self.under else self.beside)


def ledge_of(chamber: Chamber) -> Ledge:
    """Clay under and beside the windway's end: the mouthpiece's, as the design has it, else the usual."""
    if chamber.mouthpiece is None:
        return Ledge()
    under, beside = 1e-3 * chamber.mouthpiece.floor_mm, 1e-3 * chamber.mouthpiece.sides_mm
    return Ledge(under, beside, under - BY_HAND, under + BY_HAND)  # drawn: known but for the hand


@frozen
class Floor:
    """Additions of a floor at the window's inner end: to 1/K, 1/m, and to the friction integral, 1/m2.

    clay: what it is made of; None where there is none.
    """

    clay: Ledge | None = None
    inertance: Reals = 0.0
    friction: Reals = 0.0

    def scaled(self, size: Reals) -> Floor:
        """Copy with every length larger by a factor, or by several."""
        return replace(self, inertance=self.inertance / size, friction=self.friction / size**2)

    def before(self, aperture: Aperture) -> Aperture:
        """The window with the floor before its inner end."""
        if self.clay is None:
            return aperture
        a = aperture
        return replace(
            a,
            inner=a.inner + a.area * self.inertance,
            # As 1/K = (h + d)/S and G = P (h + r)/S^2, d grows by S times the one, r by S^2/P times the other.
            inner_viscous=a.inner_viscous + a.area**2 / a.perimeter * self.friction,
        )


NO_FLOOR = Floor()


def floor_of(voicing: Voicing, window: Opening, clay: Ledge) -> Floor:
    """The floor of a windway before its window: it hangs as far below the inner face as windway and clay reach.

    Under a window that leans, the face lies lower at the windway's end than at the edge, or higher.
    """
    # The windway's middle is at the inner face, or `exit_rise_mm` above it.
    depth = 1e-3 * (voicing.windway_height_mm / 2 - voicing.exit_rise_mm) + clay.under
    depth = max(depth - window.inner_tilt[1] * window.height, 0.0)
    burden = floor_burden(window.width, window.height, window.edge_deg, depth, clay.beside)
    more = bend_shares(window.width, window.height, depth, clay.beside, window.curvatures)
    return Floor(clay, burden.inertance * (1 + more.inertance), burden.friction * (1 + more.friction))
