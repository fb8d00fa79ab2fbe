"""Radiation of openings into the room: compact sources on a body small against the wave."""

from __future__ import annotations

import numpy as np

from simkit.air import Air
from simkit.sound.elements.orifice import Reals


def radiation_resistance(air: Air, omega: Reals, baffled: bool = False) -> Reals:
    """Resistance that the room puts on the flow out of a body small against the wave, Pa s/m3.

    rho omega^2 / (4 pi c) into free space, twice that from a wide wall. Every opening of a compact body shares it:
    the sum of their flows radiates.
    """
    return air.density * omega**2 / ((2 if baffled else 4) * np.pi * air.sound_speed)
