"""The air in and around the piece: its sound speed, density, viscosity and conduction of heat.

Room air follows IEC 61094-2:2009, Annex F (Cramer's sound speed, the CIPM-2007 density).
Breath holds ten times more carbon dioxide than that formula allows, so it is computed as a mixture
of ideal gases; on room air the two agree to 0.03 % in sound speed (half a cent).

Sound speeds are those of slow sound (zero frequency).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from simkit.frozen import frozen
from simkit.gases import GAS_CONSTANT, GASES, Gases, Reals, molar_heat, plain, viscosity_and_conduction

Omega = TypeVar("Omega", float, complex, np.ndarray)  # angular frequency, rad/s

STANDARD_PRESSURE = 101325.0
_KELVIN = 273.15


@frozen
class Air:
    """A still gas: what sound needs to know about it, in SI units.

    Each number may be an array, over fingerings, say, where the player's breath differs from one to the next.

    sound_speed m/s, density kg/m3, viscosity Pa s, thermal_conductivity W/(m K), specific_heat
    J/(kg K) at constant pressure, gamma their ratio.  `cautions` says where a formula was used
    outside the range that its authors state.

    >>> air = moist_air(23, 50)
    >>> round(air.sound_speed, 5), round(air.density, 6)
    (345.86652, 1.186085)
    """

    temperature_c: Reals
    pressure_pa: Reals
    gases: Gases
    sound_speed: Reals
    density: Reals
    gamma: Reals
    viscosity: Reals
    thermal_conductivity: Reals
    specific_heat: Reals
    cautions: tuple[str, ...] = ()

    @property
    def kinematic_viscosity(self) -> Reals:
        """nu = eta / rho in m2/s."""
        return self.viscosity / self.density

    @property
    def thermal_diffusivity(self) -> Reals:
        """alpha_t = k / (rho c_p) in m2/s."""
        return self.thermal_conductivity / (self.density * self.specific_heat)

    @property
    def prandtl(self) -> Reals:
        """Prandtl number, nu / alpha_t."""
        return self.kinematic_viscosity / self.thermal_diffusivity

    @property
    def humidity_percent(self) -> Reals:
        """Relative humidity, %; above 100 the gas holds more water than it can keep."""
        # Both are mole fractions of the whole gas, so their ratio is that of the vapour pressures.
        full = saturated_water(self.temperature_c, self.pressure_pa)
        return 100 * self.gases.water / full

    @property
    def co2_ppm(self) -> Reals:
        """Mole fraction of carbon dioxide, ppm."""
        return 1e6 * self.gases.carbon_dioxide

    @cached_property
    def over_ideal(self) -> Mapping[str, Reals]:
        """Ratio of what the gas law says to that of its gases' ideal mixture, by name: within a thousandth of 1."""
        ideal = _gas_law(self.temperature_c + _KELVIN, self.pressure_pa, self.gases)
        return {name: getattr(self, name) / value for name, value in ideal.items()}

    @cached_property
    def transport_over_ideal(self) -> Mapping[str, Reals]:
        """The same of its viscosity and conduction of heat, which take ten times as long."""
        ideal = _transport(self.temperature_c + _KELVIN, self.gases)
        return {name: getattr(self, name) / value for name, value in ideal.items()}

    def delta_v(self, omega: Omega) -> Omega:
        """Thickness of the viscous boundary layer at a wall: sqrt(2 nu / omega) in m; omega in rad/s."""
        return (2 * self.kinematic_viscosity / omega) ** 0.5

    def delta_t(self, omega: Omega) -> Omega:
        """Thickness of the thermal boundary layer at a wall: sqrt(2 alpha_t / omega) in m; omega in rad/s."""
        return (2 * self.thermal_diffusivity / omega) ** 0.5


# --- room air ------------------------------------------------------------------------------------


def moist_air(
    temperature_c: float = 20.0,
    humidity_percent: float = 50.0,
    pressure_pa: float = STANDARD_PRESSURE,
    co2_ppm: float = 400.0,
) -> Air:
    """The air of a room from thermometer, hygrometer and barometer.

    IEC 61094-2:2009 Annex F; its sound speed is Cramer 1993 [Cramer1993], J. Acoust. Soc. Am. 93, 2510, stated
    for 0 to 30 degC, 75 to 102 kPa, less than 6 % water and at most 1 % carbon dioxide.  Up to
    40 degC, and from 60 to 110 kPa, the value is given with a caution; beyond that it is refused.
    """
    t = _within("temperature_c", temperature_c, 0, 40)
    humidity = _within("humidity_percent", humidity_percent, 0, 100) / 100
    p = _within("pressure_pa", pressure_pa, 60_000, 110_000)
    x_c = _within("co2_ppm", co2_ppm, 0, 10_000) * 1e-6
    # IEC's polynomials are in mole fractions of the moist air, humidity in the share of what it can hold.
    x_w = humidity * saturated_water(t, p)
    kelvin = t + _KELVIN
    return Air(
        temperature_c=t,
        pressure_pa=p,
        # The CIPM's dry air keeps oxygen and carbon dioxide together at 20.98 %.
        gases=Gases.of_dry(carbon_dioxide=x_c, oxygen=0.2098 - x_c, water=x_w),
        sound_speed=_polynomial(_SOUND_SPEED, t, p, x_w, x_c),
        density=_cipm_density(t, p, x_w, x_c),
        gamma=_polynomial(_GAMMA, t, p, x_w, x_c),
        viscosity=_viscosity(kelvin, x_w),
        thermal_conductivity=_thermal_conductivity(kelvin, x_w),
        specific_heat=_specific_heat(kelvin, x_w),
        cautions=_cramer_cautions(t, p, x_w),
    )


def saturated_water(temperature_c: Reals, pressure_pa: Reals = STANDARD_PRESSURE) -> Reals:
    """Mole fraction of water in saturated air.

    x_sv = f p_sv / p, Davis 1992 [Davis1992], Metrologia 29, 67 (CIPM 1981/91), as in IEC 61094-2 Annex F.
    """
    t, kelvin = temperature_c, temperature_c + _KELVIN
    pressure_sv = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6343.1645 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * t**2
    return plain(enhancement * pressure_sv / pressure_pa)


# IEC 61094-2:2009 Table F.2, a0 to a15.
_SOUND_SPEED = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip
_GAMMA = (
    1.400822, -1.75e-5, -1.73e-7, -0.0873629, -1.665e-4, -3.26e-6, 2.047e-8, -1.26e-10,
    5.939e-14, -0.1199717, -8.693e-4, 1.979e-6, -0.01104, -3.478e-16, 0.0450616, 1.82e-6,
)  # fmt: skip


def _polynomial(a: tuple[float, ...], t: float, p: float, x_w: float, x_c: float) -> float:
    """Cramer 1993 eq. 15: the polynomial shared by sound speed and gamma; t in degC, p in Pa."""
    return (
        a[0] + a[1] * t + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * x_w
        + (a[6] + a[7] * t + a[8] * t**2) * p
        + (a[9] + a[10] * t + a[11] * t**2) * x_c
        + a[12] * x_w**2 + a[13] * p**2 + a[14] * x_c**2 + a[15] * x_w * p * x_c
    )  # fmt: skip


def _cipm_density(t: float, p: float, x_w: float, x_c: float) -> float:
    """CIPM-2007: Picard, Davis, Glaeser & Fujii 2008 [Picard2008], Metrologia 45, 149, eqs. 1 and A1.4."""
    kelvin = t + _KELVIN
    by_p = (
        1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * x_w
        + (1.9898e-4 - 2.376e-6 * t) * x_w**2
    )  # fmt: skip
    compressibility = 1 - p / kelvin * by_p + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * x_w**2)
    # 3.48374e-3 is M_dry/R, kg K/J: R is in it already, so none is divided by below.
    molar = (3.483740 + 1.4446 * (x_c - 0.0004)) * 1e-3
    return molar * p / (compressibility * kelvin) * (1 - 0.3780 * x_w)


def _viscosity(kelvin: Reals, x_w: Reals) -> Reals:
    """IEC 61094-2:2009 eq. F.5 (Zuckerwar & Meredith 1985, J. Acoust. Soc. Am. 77, 1) in Pa s."""
    return 1e-8 * (84.986 + 7.0 * kelvin + (113.157 - kelvin) * x_w - 3.7501e-3 * kelvin**2 - 100.015 * x_w**2)


def _thermal_conductivity(kelvin: Reals, x_w: Reals) -> Reals:
    """IEC 61094-2:2009 Annex F, in W/(m K)."""
    return 4186.8e-8 * (60.054 + 1.846 * kelvin + 2.06e-6 * kelvin**2 + (40 - 1.775e-4 * kelvin) * x_w)


def _specific_heat(kelvin: float, x_w: float) -> float:
    """IEC 61094-2:2009 Annex F, at constant pressure, in J/(kg K)."""
    return 4186.8 * (
        0.251625 - 9.2525e-5 * kelvin + 2.1334e-7 * kelvin**2 - 1.0043e-10 * kelvin**3
        + (0.12477 - 2.283e-5 * kelvin + 1.267e-7 * kelvin**2) * x_w
        + (0.01116 + 4.61e-6 * kelvin + 1.74e-8 * kelvin**2) * x_w**2
    )  # fmt: skip


def _cramer_cautions(t: float, p: float, x_w: float) -> tuple[str, ...]:
    said = []
    # Below 0 degC, where the formula would want a caution too, moist_air refuses.
    if t > 30:
        said.append(f"air at {t:g} degC: the sound speed formula is stated for 0 to 30 degC")
    if not 75_000 <= p <= 102_000:
        said.append(f"air at {p / 1000:g} kPa: the sound speed formula is stated for 75 to 102 kPa")
    if x_w >= 0.06:
        said.append(f"air with {100 * x_w:.1f} % water: the sound speed formula is stated below 6 %")
    return tuple(said)


def _within(name: str, value: float, low: float, high: float) -> float:
    if not low <= value <= high:  # also refuses NaN
        raise ValueError(f"{name} = {value!r}: allowed: {low:g} to {high:g}")
    return float(value)


# --- breath --------------------------------------------------------------------------------------

# Oxygen taken up per carbon dioxide given off is 1/0.89 here: 4 % of the one leaves 16.5 % of
# the other, the shares usually quoted for mixed expired air.
_RESPIRATORY_QUOTIENT = 0.89


def exhaled(
    temperature_c: float = 34.0,
    humidity_percent: float = 100.0,
    co2_percent: float = 4.0,
    oxygen_percent: float | None = None,
    pressure_pa: float = STANDARD_PRESSURE,
) -> Air:
    """The player's breath as a mixture of ideal gases; shares are of the dry gas.

    Heat capacities are rigid rotors and harmonic vibrations (Einstein functions), so c, rho, gamma
    and c_p hold to about 0.03 %.  Viscosity and conductivity are those of moist air at the same
    temperature and water (IEC 61094-2 Annex F) times the ratio that the changed dry gas makes by
    the mixing rule of Wilke 1950 [Wilke1950], J. Chem. Phys. 18, 517: good to about 1 %.
    Measured breath at the mouth is 31 to 35 degC and 42 to 91 % moist, not always saturated.
    """
    t = _within("temperature_c", temperature_c, 20, 40)
    humidity = _within("humidity_percent", humidity_percent, 0, 100) / 100
    x_c = _within("co2_percent", co2_percent, 0, 10) / 100
    p = _within("pressure_pa", pressure_pa, 60_000, 110_000)
    if oxygen_percent is None:
        # Of fresh air what was there is left; only the carbon dioxide above its 400 ppm has cost oxygen.
        oxygen = 0.20946 - max(x_c - 0.0004, 0.0) / _RESPIRATORY_QUOTIENT
    else:
        oxygen = _within("oxygen_percent", oxygen_percent, 8, 21) / 100
    water = humidity * saturated_water(t, p)
    return _ideal_mixture(t, p, Gases.of_dry(x_c, oxygen, water))


def composed(room: Air, breath: Air, share: Reals, temperature_c: Reals, water: Reals) -> Air:
    """Room air and breath in one, warmed or cooled to a temperature, dried or moistened to a mole fraction of water.

    share: of breath among all molecules before water came or went. All three may be arrays. The ideal mixture, times
    the small factors by which `room` and `breath` differ from their own ideal mixtures, each by its share.
    """
    gases, p = _mixed(room, breath, share, water)
    mixture = _ideal_mixture(plain(temperature_c), plain(p), gases)
    anchored = {name: plain(getattr(mixture, name) * _anchor(name, room, breath, share)) for name in _MEASURES}
    return replace(mixture, **anchored, cautions=room.cautions + breath.cautions)


def density_of(room: Air, breath: Air, share: Reals, temperature_c: Reals, water: Reals) -> Reals:
    """Density of `composed` alone, kg/m3: without the viscosity it takes a hundredth of the time."""
    # Of dry gases alone, which are mixed; water is given.
    low, high = ((1 - air.gases.water, _molar_mass(air.gases) - air.gases.water * _WATER) for air in (room, breath))
    dry, mass = ((1 - share) * a + share * b for a, b in zip(low, high, strict=True))
    molar_mass = (1 - water) * (mass / dry) + water * _WATER
    p = (1 - share) * room.pressure_pa + share * breath.pressure_pa
    return p * molar_mass / (GAS_CONSTANT * (temperature_c + _KELVIN)) * _anchor("density", room, breath, share)


def stiffness_of(room: Air, breath: Air, share: Reals, temperature_c: Reals, water: Reals) -> Reals:
    """rho c^2 of `composed`, Pa: that of an ideal mixture is gamma p."""
    gases, p = _mixed(room, breath, share, water)
    heat = molar_heat(gases, temperature_c + _KELVIN)
    # rho c^2: the sound speed's factor counts twice.
    anchors = (_anchor(name, room, breath, share) for name in ("density", "sound_speed", "sound_speed"))
    return p * heat / (heat - GAS_CONSTANT) * math.prod(anchors)


def _anchor(name: str, room: Air, breath: Air, share: Reals) -> Reals:
    """Ratio of a mixture's measure to the ideal one's, interpolated between room air's and breath's by their shares."""
    # Geometric: a product or ratio of measures, rho c^2 say, is then anchored by that of their factors.
    measured = ((each.over_ideal if name in each.over_ideal else each.transport_over_ideal) for each in (room, breath))
    low, high = (each[name] for each in measured)
    return low * np.exp(share * np.log(high / low))


def _mixed(room: Air, breath: Air, s: Reals, x_w: Reals) -> tuple[Gases, Reals]:
    """The gases of room air and breath in one, and their pressure."""
    both = zip(room.gases.shares(), breath.gases.shares(), strict=True)
    nitrogen, oxygen, argon, carbon_dioxide, _ = ((1 - s) * a + s * b for a, b in both)
    # Water is given, not mixed: what it leaves is shared by the dry gases as they were mixed.
    dry = (1 - x_w) / (nitrogen + oxygen + argon + carbon_dioxide)
    gases = Gases(*(plain(x) for x in (nitrogen * dry, oxygen * dry, argon * dry, carbon_dioxide * dry, x_w)))
    return gases, (1 - s) * room.pressure_pa + s * breath.pressure_pa


_WATER = GASES[-1].molar_mass


def _molar_mass(gases: Gases) -> Reals:
    """kg/mol."""
    return sum(x * gas.molar_mass for x, gas in zip(gases.shares(), GASES, strict=True))


# The numbers of an air, and those of them that are measured: all but temperature and pressure.
NUMBERS = tuple(field.name for field in fields(Air) if field.name not in ("gases", "cautions"))
_MEASURES = NUMBERS[2:]


def _ideal_mixture(t: Reals, p: Reals, gases: Gases) -> Air:
    kelvin = t + _KELVIN
    return Air(temperature_c=t, pressure_pa=p, gases=gases, **_gas_law(kelvin, p, gases), **_transport(kelvin, gases))


def _gas_law(kelvin: Reals, p: Reals, gases: Gases) -> dict[str, Reals]:
    """c = sqrt(gamma R T / M), rho = p M / (R T), gamma = c_p / (c_p - R), by name."""
    molar_mass = _molar_mass(gases)
    heat = molar_heat(gases, kelvin)
    gamma = heat / (heat - GAS_CONSTANT)
    return {
        "sound_speed": plain(np.sqrt(gamma * GAS_CONSTANT * kelvin / molar_mass)),
        "density": plain(p * molar_mass / (GAS_CONSTANT * kelvin)),
        "gamma": plain(gamma),
        "specific_heat": plain(heat / molar_mass),
    }


def _transport(kelvin: Reals, gases: Gases) -> dict[str, Reals]:
    """Viscosity and conduction of heat of moist air, by name, times what the mixing rule says of other shares."""
    # IEC's viscosity and conduction hold for this dry gas; the mixing rule says what other shares change of them.
    ordinary = Gases.of_dry(0.0004, 0.2094, gases.water)
    viscosity, conductivity = viscosity_and_conduction(gases, kelvin)
    plain_viscosity, plain_conductivity = viscosity_and_conduction(ordinary, kelvin)
    return {
        "viscosity": plain(_viscosity(kelvin, gases.water) * viscosity / plain_viscosity),
        "thermal_conductivity": plain(_thermal_conductivity(kelvin, gases.water) * (conductivity / plain_conductivity)),
    }
