"""What openings send into the room: pistons, ends of pipes, and small sources near a compact body."""

from __future__ import annotations

import numpy as np
from scipy.special import j1, struve

from simkit.air import Air
from simkit.sound.elements.orifice import Reals


def radiation_resistance(air: Air, omega: Reals, baffled: bool = False) -> Reals:
    """Resistance that the room puts on the flow out of a body small against the wave, Pa s/m3.

    rho omega^2 / (4 pi c) into free space, twice that from a wide wall. Every opening of a compact body shares it:
    the sum of their flows radiates.
    """
    return air.density * omega**2 / ((2 if baffled else 4) * np.pi * air.sound_speed)


def baffled_piston(ka: Reals) -> Reals:
    """Z / (rho c / S) of a round piston in a wide wall: 1 - J1(2ka)/ka + i H1(2ka)/ka, H1 being Struve's function.

    Rayleigh 1896, Theory of Sound, sec. 302.
    """
    return 1 - j1(2 * ka) / ka + 1j * struve(1, 2 * ka) / ka


# eta, beta, (a1, a2, a3), (b1, ..., b4) of Silva, Guillemain, Kergomard, Mallaroni & Norris 2009,
# J. Sound Vib. 322, 255, Table 1, non-causal model (coefficients from memory).
_UNFLANGED = (0.6133, 0.5, (0.800, 0.266, 0.0263), (0.0599, 0.238, -0.0153, 0.00150))
_FLANGED = (0.8216, 1.0, (0.730, 0.372, 0.0231), (0.244, 0.723, -0.0198, 0.00366))


def pipe_end(ka: Reals, flanged: bool = False) -> tuple[Reals, Reals]:
    """(|R|, L/a): reflection of plane waves and length correction at the open end of a pipe, ka up to 3.

    R = -|R| exp(-2 i k L). Fits of Silva et al. 2009 to Levine & Schwinger 1948 (thin wall) and to the wide flange:
    |R| within 0.3 %, L within about 1 %.
    """
    eta, beta, a, b = _FLANGED if flanged else _UNFLANGED
    z = np.asarray(ka) ** 2
    reflection = (1 + a[0] * z) / (1 + (beta + a[0]) * z + a[1] * z**2 + a[2] * z**3)
    length = eta * (1 + b[0] * z) / (1 + b[1] * z + b[2] * z**2 + b[3] * z**3)
    return reflection, length


def pipe_impedance(ka: Reals, flanged: bool = False) -> Reals:
    """Z / (rho c / S) at a pipe's open end, from `pipe_end`: (1 + R) / (1 - R)."""
    reflection, length = pipe_end(ka, flanged)
    R = -reflection * np.exp(-2j * ka * length)
    return (1 + R) / (1 - R)
