"""Losses: friction where air slides along walls, heat conduction where pressure swings, and radiation into the room.

Those at walls to first order in the boundary layers; each is given as 1/Q and also lowers the frequency (`shifted`).
"""

from __future__ import annotations

import numpy as np

from simkit.air import Air
from simkit.sound.elements.orifice import Reals


def heat_loss(air: Air, omega: Reals, area: Reals, volume: Reals) -> Reals:
    """1/Q_t of air that a wall of `area` encloses, pressure the same throughout: (gamma - 1) delta_t S / (2 V)."""
    return (air.gamma - 1) * air.delta_t(omega) * area / (2 * volume)


def friction_loss(air: Air, omega: Reals, conductivity: Reals, friction: Reals) -> Reals:
    """1/Q_v of one opening: R / (omega M) = delta_v K G / 2.

    `friction` G = integral of |u|^2 over its walls for unit flow, 1/m2 (see `openings.Aperture.friction`).
    """
    return air.delta_v(omega) * conductivity * friction / 2


def mode_loss(
    air: Air, omega: Reals, pressure_wall: Reals, gradient_wall: Reals, pressure: Reals, gradient: Reals
) -> tuple[Reals, Reals]:
    """(1/Q_v, 1/Q_t) of any mode from four integrals of its pressure p.

    pressure_wall = int |p|^2 dS, gradient_wall = int |grad_T p|^2 dS, pressure = int |p|^2 dV, gradient =
    int |grad p|^2 dV: 1/Q_v = delta_v/2 * gradient_wall/gradient, 1/Q_t = (gamma - 1) delta_t/2 *
    pressure_wall/pressure. From the wall condition of Berggren, Bernland & Noreland 2018 [Berggren2018].
    """
    viscous = air.delta_v(omega) / 2 * gradient_wall / gradient
    thermal = (air.gamma - 1) * air.delta_t(omega) / 2 * pressure_wall / pressure
    return viscous, thermal


FIRST_ORDER = 0.05  # of the walls' shift: what linearised Navier-Stokes flow differs by at sharp rims (see the tests)


def first_order_doubt(omega: Reals, lossless: Reals, sharp: bool = True) -> Reals:
    """Cents by which losses to first order may miss: the square of their shift, and a twentieth of it at sharp rims.

    omega, lossless: the complex frequency with and without the walls' losses.
    """
    lost = np.abs((omega - lossless) / lossless)
    return 1200 / np.log(2) * (np.square(lost) + FIRST_ORDER * sharp * lost)


def shifted(omega: Reals, inverse_q: Reals) -> Reals:
    """The complex frequency of a mode with wall loss 1/Q: omega [1 + (i - 1)/2 * 1/Q].

    A boundary layer takes as much frequency as it takes breadth: df/f = -1/(2Q).
    """
    return omega * (1 + (1j - 1) / 2 * inverse_q)


def radiation_resistance(air: Air, omega: Reals, baffled: bool = False) -> Reals:
    """Resistance that the room puts on the flow out of a body small against the wave, Pa s/m3.

    rho omega^2 / (4 pi c) into free space, twice that from a wide wall. Every opening of a compact body shares it:
    the sum of their flows radiates.
    """
    return air.density * omega**2 / ((2 if baffled else 4) * np.pi * air.sound_speed)
