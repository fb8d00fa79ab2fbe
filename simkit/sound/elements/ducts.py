"""Narrow ducts with friction and heat conduction at their walls: sound from one end to the other.

Zwikker & Kosten 1949, Sound Absorbing Materials, ch. 2: plane waves in a gas whose density is made heavier by
friction and whose stiffness is softened by heat. Time factor e^{+i omega t}; lengths in m, omega in rad/s, complex
where a mode decays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import jve

from simkit.air import Air
from simkit.sound.elements.orifice import Reals


class Filling(NamedTuple):
    """The air in a duct as plane waves see it: complex density (kg/m3) and stiffness (Pa)."""

    density: Reals
    stiffness: Reals

    def wavenumber(self, omega: Reals) -> Reals:
        """k = omega sqrt(rho_e / K_e), 1/m; its imaginary part is negative where sound dies out."""
        return omega * np.sqrt(self.density / self.stiffness)

    @property
    def wave_impedance(self) -> Reals:
        """rho c of the filling: sqrt(rho_e K_e), Pa s/m."""
        return np.sqrt(self.density * self.stiffness)


def bore_filling(air: Air, omega: Reals, radius: Reals) -> Filling:
    """Air in a round bore: F(z) = 2 J1(z) / (z J0(z)), z = a sqrt(-i omega / (nu or alpha_t)).

    rho_e = rho / (1 - F_v), 1/K_e = (1 + (gamma - 1) F_t) / (rho c^2). A bore of any other outline is
    taken as the round one with the same area over perimeter, which is right while the layers are thin.
    """
    return _filled(air, omega, _round_share, radius)


def slit_filling(air: Air, omega: Reals, height: Reals) -> Filling:
    """Air between two plates: the same with F(z) = tan(z) / z, z = (h/2) sqrt(-i omega / (nu or alpha_t))."""
    return _filled(air, omega, lambda z: np.tan(z) / z, height / 2)


def _filled(air: Air, omega: Reals, share: Callable[[Reals], Reals], half: Reals) -> Filling:
    turned = np.sqrt(-1j * np.asarray(omega))  # of the two roots the one with Im z < 0, as `_round_share` has it
    # F: the share of the section that the walls hold back, in velocity (nu) and in temperature (alpha_t).
    layers = air.kinematic_viscosity, air.thermal_diffusivity
    held, warmed = share(np.array([half * turned / np.sqrt(each) for each in layers]))
    return Filling(
        density=air.density / (1 - held),
        stiffness=air.density * air.sound_speed**2 / (1 + (air.gamma - 1) * warmed),
    )


def _round_share(z: Reals) -> Reals:
    """2 J1(z)/(z J0(z)), Im z < 0; where layers are thin by the series of I1/I0 at y = iz, which takes a tenth of the
    time. What it leaves out is of the size of e^(-2y)."""
    y = 1j * np.asarray(z)
    if y.size and y.real.min() > _THIN:
        return 2 / y * np.polyval(_OVER_Y, 1 / y)  # J1(z)/J0(z) = -i I1(y)/I0(y) at z = -iy
    # Scaled Bessel functions: both grow like exp|Im z|, and the growth cancels.
    return 2 * jve(1, z) / (z * jve(0, z))


def _ratio_series(terms: int) -> np.ndarray:
    """Coefficients of I1(y)/I0(y) = sum of a_n/y^n, the highest first: r' = 1 - r/y - r^2 (DLMF 10.29)."""
    a = [1.0]
    for n in range(1, terms):  # the power y^-n of both sides
        a.append(((n - 2) * a[n - 1] - sum(a[i] * a[n - i] for i in range(1, n))) / 2)
    return np.array(a[::-1])


_THIN, _OVER_Y = 14.0, _ratio_series(20)


def plain_filling(air: Air) -> Filling:
    """Air without friction and heat: rho and rho c^2."""
    return Filling(air.density, air.density * air.sound_speed**2)


@dataclass(frozen=True)
class TwoPort:
    """Transmission matrix of a duct: p1 = A p2 + B U2, U1 = C p2 + D U2, flow from 1 to 2."""

    A: Reals
    B: Reals
    C: Reals
    D: Reals

    def then(self, other: TwoPort) -> TwoPort:
        """The cascade of this and another behind it."""
        return TwoPort(
            _plus(_times(self.A, other.A), _times(self.B, other.C)),
            _plus(_times(self.A, other.B), _times(self.B, other.D)),
            _plus(_times(self.C, other.A), _times(self.D, other.C)),
            _plus(_times(self.C, other.B), _times(self.D, other.D)),
        )

    def input_impedance(self, load: Reals) -> Reals:
        """p1/U1 with the impedance `load` = p2/U2 at the far end, Pa s/m3."""
        return (self.A * load + self.B) / (self.C * load + self.D)

    @property
    def closed(self) -> Reals:
        """Input impedance p1/U1 with the far end shut, Pa s/m3."""
        return self.A / self.C


# The 0 and 1 of a lumped part are plain numbers, and cost nothing.


def _times(a: Reals, b: Reals) -> Reals:
    if isinstance(b, float):
        a, b = b, a
    return a * b if not isinstance(a, float) else b if a == 1.0 else 0.0 if a == 0.0 else a * b


def _plus(a: Reals, b: Reals) -> Reals:
    if isinstance(b, float):
        a, b = b, a
    return b if isinstance(a, float) and a == 0.0 else a + b


def duct(filling: Filling, omega: Reals, area: Reals, length: Reals) -> TwoPort:
    """A straight duct: cosh and sinh of i k l, with the wave impedance over the area."""
    impedance = filling.wave_impedance
    onward = np.exp(1j * omega * filling.density / impedance * length)  # omega rho_e over sqrt(rho_e K_e) is k
    back = 1 / onward
    even, odd, impedance = (onward + back) / 2, (onward - back) / 2, impedance / area
    return TwoPort(even, impedance * odd, odd / impedance, even)


def stopped(filling: Filling, omega: Reals, area: Reals, length: Reals) -> Reals:
    """Impedance p1/U1 of a straight duct with its far end shut, Pa s/m3."""
    # Cosh over sinh of the same angle as in `duct`.
    return filling.wave_impedance / area / np.tanh(1j * filling.wavenumber(omega) * length)


def in_series(impedance: Reals) -> TwoPort:
    """A lumped impedance in the path of the flow: an end correction, a rim's friction."""
    return TwoPort(1.0, impedance, 0.0, 1.0)


def in_parallel(admittance: Reals) -> TwoPort:
    """A lumped admittance beside the path of the flow, m3/(s Pa): a little air that only springs."""
    return TwoPort(1.0, 0.0, admittance, 1.0)


def end_impedance(
    air: Air, omega: Reals, area: Reals, perimeter: Reals, correction: Reals, viscous: Reals, lossless: bool = False
) -> Reals:
    """Impedance of the air that moves beyond one end of a duct, with its friction: Pa s/m3.

    Z = i omega rho d/S + (1 + i)/2 rho omega delta_v P r/S^2, with end correction d and viscous length r in m.
    """
    moved = 1j * omega * air.density * correction / area
    if lossless:
        return moved
    # The thin layer's part of a duct's impedance, for a duct as long as `viscous`.
    layer = np.sqrt(2 * air.kinematic_viscosity / np.asarray(omega))
    return moved + (1 + 1j) / 2 * air.density * omega * layer * perimeter * viscous / area**2
