"""The gases that air and breath are made of: heat, viscosity and heat conduction of each, and of their mixtures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

from simkit.frozen import frozen

Reals: TypeAlias = Any  # a float, or an array of them; the answer is then an array too

GAS_CONSTANT = 8.314462618  # J/(mol K), exact in the SI of 2019
_SECOND_RADIATION = 1.438776877e-2  # hc/k in m K


def plain(value: Reals) -> Reals:
    """One number as Python's own float, so that it prints and is written like one; an array as it is."""
    return float(value) if np.ndim(value) == 0 else value


@frozen
class Gases:
    """Composition of a gas mixture: mole fractions that sum to one; each may be an array.

    >>> Gases.of_dry(carbon_dioxide=0.04, oxygen=0.165, water=0.05).carbon_dioxide
    0.038
    """

    nitrogen: Reals
    oxygen: Reals
    argon: Reals
    carbon_dioxide: Reals
    water: Reals

    @classmethod
    def of_dry(cls, carbon_dioxide: Reals, oxygen: Reals, water: Reals) -> Gases:
        """Dry-gas shares, moistened to the mole fraction `water`; argon 0.934 %, rest nitrogen."""
        argon = 0.00934
        dry = 1 - water
        nitrogen = 1 - oxygen - argon - carbon_dioxide
        return cls(dry * nitrogen, dry * oxygen, dry * argon, dry * carbon_dioxide, water)

    def shares(self) -> tuple[Reals, ...]:
        """The five mole fractions in the order of `GASES`."""
        return (self.nitrogen, self.oxygen, self.argon, self.carbon_dioxide, self.water)


@dataclass(frozen=True)
class Gas:
    """One pure gas: molar mass kg/mol, rigid c_p/R, vibrations 1/cm, Sutherland's viscosity."""

    molar_mass: float
    rigid_heat: float
    vibrations: tuple[float, ...]
    viscosity: float  # Pa s at `reference` K
    reference: float
    sutherland: float

    def molar_heat(self, kelvin: Reals) -> Reals:
        """c_p in J/(mol K): R times the rigid part and an Einstein function for each vibration."""
        total = self.rigid_heat
        for wavenumber in self.vibrations:
            x = _SECOND_RADIATION * 100 * wavenumber / kelvin
            total += x**2 * np.exp(x) / np.expm1(x) ** 2  # expm1: exact where x is small
        return GAS_CONSTANT * total

    def viscosity_at(self, kelvin: Reals) -> Reals:
        """Sutherland's law in Pa s."""
        warm = kelvin / self.reference
        return self.viscosity * warm**1.5 * ((self.reference + self.sutherland) / (kelvin + self.sutherland))

    def conductivity_at(self, kelvin: Reals) -> Reals:
        """Eucken's relation k = eta (c_p + 5R/4) / M in W/(m K)."""
        heat = self.molar_heat(kelvin) + 1.25 * GAS_CONSTANT
        return self.viscosity_at(kelvin) * heat / self.molar_mass


# Molar masses: CIPM-2007 and IUPAC.  Fundamentals: Herzberg, Molecular Spectra and Molecular
# Structure (1945, 1950).  Sutherland's constants: Crane Technical Paper 410; steam from White,
# Viscous Fluid Flow, Table 1-2 (both from memory).
GASES = (
    Gas(28.0134e-3, 3.5, (2330.0,), 17.81e-6, 300.55, 111.0),  # nitrogen
    Gas(31.9988e-3, 3.5, (1556.0,), 20.18e-6, 292.25, 127.0),  # oxygen
    Gas(39.948e-3, 2.5, (), 21.25e-6, 273.15, 144.0),  # argon
    Gas(44.0095e-3, 3.5, (667.0, 667.0, 1333.0, 2349.0), 14.8e-6, 293.15, 240.0),  # CO2
    Gas(18.01528e-3, 4.0, (1595.0, 3657.0, 3756.0), 11.2e-6, 350.0, 1064.0),  # water
)


def molar_heat(gases: Gases, kelvin: Reals) -> Reals:
    """Molar heat capacity of the mixture at constant pressure, c_p, J/(mol K)."""
    return sum(x * gas.molar_heat(kelvin) for x, gas in zip(gases.shares(), GASES, strict=True))


def viscosity_and_conduction(gases: Gases, kelvin: Reals) -> tuple[Reals, Reals]:
    """Viscosity and heat conduction of the mixture: sum_i x_i y_i / sum_j x_j phi_ij.

    phi_ij = [1 + sqrt(eta_i/eta_j) (M_j/M_i)^(1/4)]^2 / sqrt(8 (1 + M_i/M_j)).
    Wilke 1950, J. Chem. Phys. 18, 517; for conduction Mason & Saxena 1958 [Mason1958], Phys. Fluids 1, 361.
    """
    viscosity = conductivity = 0.0
    # Gases that are absent would give 0/0 where a mixture is made of one gas alone.
    present = [
        (x, gas, gas.viscosity_at(kelvin)) for x, gas in zip(gases.shares(), GASES, strict=True) if np.any(x > 0)
    ]
    for x_i, one, eta_i in present:
        crowd = 0.0
        for x_j, other, eta_j in present:
            ratio = other.molar_mass / one.molar_mass  # M_j/M_i
            pull = 1 + np.sqrt(eta_i / eta_j) * ratio**0.25
            crowd += x_j * pull**2 / np.sqrt(8 * (1 + 1 / ratio))
        viscosity += x_i * eta_i / crowd
        conductivity += x_i * one.conductivity_at(kelvin) / crowd
    return viscosity, conductivity
