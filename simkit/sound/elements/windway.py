"""The windway as a side branch: a slit from the window back into the player's mouth.

While the note sounds, some of the air in the window moves into the windway's exit instead of out of the window, and
the note rises. Models close it unless asked.
"""

from __future__ import annotations

from dataclasses import dataclass

from simkit.air import Air
from simkit.sound.elements import ducts
from simkit.sound.elements.orifice import Reals, end_of, rectangle
from simkit.vessel import Chamber

MOUTH_VOLUME = 50e-6  # m3 behind the lips, tongue low: order of magnitude, no source


@dataclass(frozen=True)
class Windway:
    """A slit of that width, height and length (m), opening at the window, and a closed mouth of that volume (m3)."""

    width: float
    height: float
    length: float
    mouth_volume: float = MOUTH_VOLUME

    @property
    def middle(self) -> float:
        """How high over the inner face its exit lies in the window's duct, m: the jet meets the edge at that face."""
        return self.height / 2


def windway_of(chamber: Chamber) -> Windway | None:
    """The windway that a design's voicing describes; None where there is no voicing."""
    voicing = chamber.voicing
    if voicing is None:
        return None
    return Windway(voicing.window_width_mm * 1e-3, voicing.windway_height_mm * 1e-3, voicing.windway_length_mm * 1e-3)


def windway_impedance(windway: Windway, air: Air, omega: Reals, lossless: bool = False, ended: bool = True) -> Reals:
    """Pressure at the windway's exit over the flow into it, Pa s/m3.

    A viscothermal slit with an end correction at either end (a wide flange), and behind it the mouth's air as a
    spring, 1 / (i omega V / rho c^2). `ended` False leaves the correction out at the window, for a model whose own
    field has it.
    """
    filling = ducts.plain_filling(air) if lossless else ducts.slit_filling(air, omega, windway.height)
    area = windway.width * windway.height
    end = end_of(rectangle, windway.width, windway.height, windway.length, 0.0).correction
    moved = ducts.in_series(1j * omega * air.density * end / area)
    branch = ducts.duct(filling, omega, area, windway.length).then(moved)
    branch = moved.then(branch) if ended else branch
    return branch.input_impedance(air.density * air.sound_speed**2 / (1j * omega * windway.mouth_volume))
