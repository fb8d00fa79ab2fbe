"""Resonators that can be written down: one chamber and its holes, chambers joined by necks; and the wave on a jet."""

from dataclasses import dataclass
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simkit.air import moist_air
from simkit.sound.blowing.behaviour import blow_fingerings
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.resonator import Motion, helmholtz_motion

AIR = moist_air()


@dataclass(frozen=True)
class Instruments:
    """Windows, holes and chambers in SI units; losses given, not computed."""

    air = AIR
    window = 5.5e-3  # conductivity, m
    window_area = 66e-6
    hole = 4.5e-3
    hole_area = 38e-6

    def jet(self, **changes) -> AirJet:
        """A window 12 mm wide with a cut-up of 5.5 mm, a windway 1.4 mm high and 32 mm long."""
        sizes = {"height": 1.4e-3, "length": 32e-3, "width": 12e-3, "cut_up": 5.5e-3, "breath": AIR}
        return AirJet(**(sizes | changes))

    def plain(self, open_holes=(0,), volume=1e-4, q=25.0, holes=8) -> Motion:
        """A chamber with a window and equal holes, one resonance; `open_holes` counts them for each fingering."""
        counts = np.array(open_holes)
        conductivity = np.zeros((len(counts), 1 + holes))
        conductivity[:, 0] = self.window
        conductivity[:, 1:] = self.hole * (np.arange(holes) < counts[:, None])
        k = np.sqrt(conductivity.sum(axis=1) / volume)
        area = np.r_[self.window_area, np.full(holes, self.hole_area)]
        return helmholtz_motion(AIR, k * AIR.sound_speed * (1 + 0.5j / q), conductivity, area)

    @cache  # noqa: B019 there is one of these
    def blown(self, *open_holes, careful=True):
        """The plain chamber with so many holes open in each fingering, blown by the plain jet: found out once."""
        return blow_fingerings(self.plain(open_holes), self.jet(), careful=careful)

    @cache  # noqa: B019
    def blown_waisted(self, neck):
        """Two chambers joined by that neck, blown."""
        return blow_fingerings(self.waisted(neck), self.jet(), careful=False)

    def at(self, frequency, q=25.0) -> Motion:
        """A chamber with a window alone that rings at `frequency`."""
        omega = np.array([2 * np.pi * frequency * (1 + 0.5j / q)])
        return helmholtz_motion(AIR, omega, np.array([[self.window]]), np.array([self.window_area]))

    def joined(self, volumes, necks, openings, q) -> Motion:
        """Chambers (m3) joined by necks (i, j, conductivity), with openings (chamber, conductivity, area).

        The window comes first. Pressures p of the chambers: L p = k^2 V p, L the sum of conductivities as in a
        network of masses and springs; flow of an opening w = K p/k with p' V p = 1.
        """
        stiff = np.zeros((len(volumes), len(volumes)))
        for i, j, conductivity in necks:
            stiff[[i, j], [i, j]] += conductivity
            stiff[[i, j], [j, i]] -= conductivity
        where = [chamber for chamber, _, _ in openings]
        K = np.array([conductivity for _, conductivity, _ in openings])
        np.add.at(stiff, (where, where), K)
        scale = 1 / np.sqrt(np.array(volumes))
        k2, shapes = np.linalg.eigh(stiff * np.outer(scale, scale))
        pressure = shapes * scale[:, None]
        flow = (K[:, None] * pressure[where] / np.sqrt(k2)).T
        still = np.linalg.solve(stiff, K[0] * np.eye(len(volumes))[where[0]])
        column = K[0] * np.eye(len(K))[0] - K * still[where]
        through = column / np.sqrt(column[0]) if column[0] > 1e-12 * K[0] else 0 * column
        omega = np.sqrt(k2) * AIR.sound_speed * (1 + 0.5j / np.array(q))
        return Motion(AIR, omega[None], flow[None], through[None], np.array([area for _, _, area in openings]))

    def waisted(self, neck, hole=4e-3, volumes=(0.3e-4, 0.7e-4), q=(25.0, 60.0)) -> Motion:
        """Two chambers joined by a neck of that conductivity, window and one open hole in the first."""
        openings = [(0, self.window, self.window_area)]
        if hole:
            openings.append((0, hole, 50e-6))
        return self.joined(volumes, [(0, 1, neck)], openings, q)


@pytest.fixture(scope="session")
def instruments():
    return Instruments()


FAR = 12.0


def end_slope(k, omega):
    """phi'/phi on the middle line of the jet sech^2 y, 0 for the sinuous mode; from phi = exp(-k y) far out.

    Riccati's form g' = k^2 + U''/(U - c) - g^2, along a path that leaves the real axis between the ends, so that the
    critical layer U = c of a neutral or damped wave is passed on the side that small viscosity asks for.
    """
    c = omega / k

    def inwards(t, g):
        y = FAR * (1 - t)
        z = y + 0.5j * y * np.exp(-y)
        dz = -FAR * (1 + 0.5j * (1 - y) * np.exp(-y))
        flow = 1 / np.cosh(z) ** 2
        return [dz * (k * k + (4 * flow - 6 * flow**2) / (flow - c) - g[0] ** 2)]

    return solve_ivp(inwards, (0, 1), [-k + 0j], rtol=1e-9, atol=1e-11, method="DOP853").y[0, -1]


def wavenumber(omega, start):
    """The complex wavenumber (units of the jet's half-width) near `start`, by the secant method."""
    before, k = complex(start), start * 1.001
    miss_before, miss = end_slope(before, omega), end_slope(k, omega)
    for _ in range(20):
        before, k = k, k - miss * (k - before) / (miss - miss_before)
        miss_before, miss = miss, end_slope(k, omega)
        if abs(k - before) < 1e-9:
            break
    return k


@pytest.fixture(scope="session")
def rayleigh():
    """wavenumber(omega b/U, near) of a jet's wave exp i(k x - omega t), either complex, and end_slope(k, omega).

    growing(omega b/U) is the wave that grows in exp i(omega t - k x), at theta near 0.1.
    """

    def growing(theta):
        turned = np.conj(theta)
        return np.conj(wavenumber(turned, 2.7 * turned - 0.2j))

    return SimpleNamespace(wavenumber=wavenumber, end_slope=end_slope, growing=growing)
