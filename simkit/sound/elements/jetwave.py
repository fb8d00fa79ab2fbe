"""The wave that runs down a jet and grows: sinuous instability of the jet U sech^2(y/b) between still air.

Rayleigh's equation (U - c)(phi'' - k^2 phi) = U'' phi for disturbances phi(y) exp i(omega t - k x), phi even, of the
profile of Bickley 1937 [Bickley1937]: real omega, complex k (spatial growth). All in units of b and U:
theta = omega b/U, kb. Neutral at theta = 4/3, kb = 2 exactly (Drazin & Howard 1966, Adv. Appl. Mech. 9, 1, from
memory); beyond it the wave is damped (the limit of small viscosity, by a path of integration below the critical
layer). For long waves kb -> (3 theta^2/2)^(1/3) exp(-i pi/3), a sheet that carries momentum and no mass.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from simkit.sound.elements.orifice import Reals

# theta, Re kb, -Im kb: shooting on Riccati's form of the equation; the tests solve it again.
_TABLE = np.array([
    (0.001, 0.006762, 0.009956), (0.002, 0.011195, 0.015833), (0.004, 0.018735, 0.025197),
    (0.007, 0.028675, 0.036685), (0.012, 0.043670, 0.052688), (0.02, 0.065862, 0.074224),
    (0.03, 0.092240, 0.097285), (0.045, 0.130706, 0.127034), (0.065, 0.181458, 0.160555),
    (0.09, 0.244995, 0.194865), (0.12, 0.321311, 0.226522), (0.16, 0.421349, 0.254724),
    (0.2, 0.516928, 0.269983), (0.25, 0.627983, 0.276173), (0.31, 0.748785, 0.271858),
    (0.38, 0.875038, 0.258050), (0.46, 1.004303, 0.236724), (0.55, 1.135510, 0.209860),
    (0.65, 1.268387, 0.179131), (0.76, 1.403074, 0.145882), (0.88, 1.539920, 0.111204),
    (1.0, 1.668918, 0.078618), (1.12, 1.791963, 0.048288), (1.24, 1.910406, 0.020246),
    (4 / 3, 2.0, 0.0), (1.45, 2.109498, -0.023426), (1.6, 2.247075, -0.050577),
    (1.8, 2.426441, -0.081857), (2.0, 2.602742, -0.107914),
])  # fmt: skip
_SHORTEST = 2.0  # theta of the table's end; shorter waves are taken like that one, which is damped

_roots = np.cbrt(_TABLE[:, 0])
_long = np.cbrt(1.5) * _roots**2
_knots = np.r_[0.0, _roots]
# Both parts over the long-wave law: smooth in the cube root of theta from 0 on. Each is real for real theta and
# analytic, so that a growing oscillation (complex theta) may ask too.
_pieces = CubicSpline(_knots, np.c_[np.r_[0.5, _TABLE[:, 1] / _long], np.r_[np.sqrt(0.75), _TABLE[:, 2] / _long]]).c


def wave(theta: Reals) -> tuple[Reals, Reals]:
    """(kb, gb) of the jet's wave at theta = omega b/U: it turns by k and grows by g for every metre.

    Within 0.1 % of the equation for 0 < theta < 2 (frequency times windway height over jet speed up to 0.8).

    >>> turn, growth = wave(0.2)  # frequency x height over speed 0.0796
    >>> round(float(0.2 / turn), 3), round(float(growth / 0.4), 3)
    (0.387, 0.675)
    """
    theta = np.asarray(theta)
    beyond = np.real(theta) > _SHORTEST
    z = np.where(beyond, _SHORTEST, theta) ** (1 / 3)
    # Asked a hundred thousand times for a few numbers each: numpy's `clip` alone would take a third of the time.
    piece = np.minimum(np.maximum(_knots.searchsorted(np.real(z), side="right") - 1, 0), len(_knots) - 2)
    c, d = _pieces[:, piece], (z - _knots[piece])[..., None]
    # Beyond the table turn and damping go on in proportion to theta.
    scale = np.cbrt(1.5) * z**2 * np.where(beyond, theta / _SHORTEST, 1.0)
    both = scale[..., None] * (((c[0] * d + c[1]) * d + c[2]) * d + c[3])
    return both[..., 0], both[..., 1]


def theta_for(phase: Reals) -> Reals:
    """The theta at which the wave turns by `phase` = Re kb: the inverse of `wave`."""
    phase = np.asarray(phase, float)
    theta = np.interp(phase, np.r_[0.0, _TABLE[:, 1]], np.r_[0.0, _TABLE[:, 0]])
    theta = np.where(phase > _TABLE[-1, 1], phase / _TABLE[-1, 1] * _SHORTEST, np.maximum(theta, 1e-12))
    for _ in range(4):  # Newton, from the table's own straight lines
        here, ahead = wave(np.array([theta, theta * 1.0001]))[0]
        slope = (ahead - here) / (theta * 0.0001)
        theta = np.maximum(theta - (here - phase) / slope, theta / 2)
    return theta
