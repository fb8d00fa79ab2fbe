"""Solved here: a round hole with sharp rims through a flat plate, a closed ball that loses at its wall, a windway."""

from functools import lru_cache
from types import SimpleNamespace

import mpmath
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import gamma, gammaln, j0, jn_zeros, jv, rgamma

ROOT = -1 / 3  # the flow grows like (1 - r^2)^(-1/3) towards a right-angled rim
TERMS, MODES = 24, 6000  # the end correction is right to some 1e-6


@lru_cache(maxsize=8)
def basis(count):
    """(what the half space answers, the duct's modes) of flows c_n with the transform J_{2n+q+1}(k) / k^{q+1}.

    Outside: int u^2 dk, a Weber-Schafheitlin integral; the modes by the zeros of J_1.
    """
    zeros = jn_zeros(1, MODES)
    n = np.arange(count)
    mu, nu, power = 2 * n[:, None] + ROOT + 1, 2 * n[None, :] + ROOT + 1, 2 * ROOT + 2
    outside = (
        gamma(power) / 2**power
        * np.exp(gammaln((mu + nu - power + 1) / 2) - gammaln((mu + nu + power + 1) / 2))
        * rgamma((nu - mu + power + 1) / 2) * rgamma((mu - nu + power + 1) / 2)
    )  # fmt: skip
    # What the modes beyond the last add, from the Bessel functions' asymptotes.
    beyond = 2 * np.cos((ROOT + 1) * np.pi / 2) ** 2 / np.pi * (zeros[-1] + np.pi / 2) ** (-power) / power
    signs = (-1.0) ** n
    return zeros, jv(mu, zeros) / zeros ** (ROOT + 1), outside + beyond * np.outer(signs, signs)


def galerkin(thickness, count=TERMS):
    """(end correction, corner strength C) of half a round hole, radius 1, unit flow through it.

    Edge-singular flow in the hole, the half space outside, the duct's modes inside, pressure 0 half way down.
    """
    zeros, transform, outside = basis(count)
    inside = (transform * 2 / j0(zeros) ** 2 * np.tanh(zeros * thickness / 2) / zeros) @ transform.T
    flow = np.zeros(count)
    flow[0] = 1 / (2 ** (ROOT + 1) * gamma(ROOT + 2))
    c = np.linalg.solve(outside + inside, flow)
    signs = (-1.0) ** np.arange(count)
    # u -> rim (1 - r^2)^q
    rim = (c * signs).sum() / (2**ROOT * gamma(ROOT + 1)) / (2 * np.pi * c[0] * flow[0])
    return 1 / (2 * c @ flow), np.sqrt(3) * 2 ** (-1 / 3) * rim


@lru_cache(maxsize=32)
def end_and_rub(thickness):
    """(end correction, viscous length) over the radius of a hole h/a = `thickness` deep.

    The integral of |u|^2 over the clay for unit flow is d(1/K)/dn, all walls moved into the air by n (Hadamard): the
    radius is 1 - n, the depth h + 2n. It is 2 pi a (h + 2 rub)/S^2.
    """

    def resistance(n):
        a, h = 1 - n, thickness + 2 * n
        return (h + 2 * a * galerkin(h / a)[0]) / (np.pi * a**2)

    step = 1e-3 * min(1.0, thickness)
    wide, near = ((resistance(s) - resistance(-s)) / (2 * s) for s in (step, step / 2))
    G = (4 * near - wide) / 3
    return galerkin(thickness)[0], (np.pi / 2 * G - thickness) / 2


def conductivity(radius, depth):
    """K, in the unit of the sizes."""
    return np.pi * radius**2 / (depth + 2 * radius * end_and_rub(depth / radius)[0])


def friction(radius, depth):
    """G, the integral of |u|^2 over the clay for unit flow, over the sizes' unit squared."""
    return 2 * np.pi * radius * (depth + 2 * radius * end_and_rub(depth / radius)[1]) / (np.pi * radius**2) ** 2


@pytest.fixture(scope="session")
def sharp_hole():
    """The functions above: galerkin and end_and_rub in radii, conductivity and friction of a radius and a depth."""
    return SimpleNamespace(galerkin=galerkin, end_and_rub=end_and_rub, conductivity=conductivity, friction=friction)


@pytest.fixture(scope="session")
def ball_mode():
    """f(air, radius, degree, near): z, the root of j_l' near that, and the mode's complex frequency, rad/s.

    omega = z c/R {1 + (i - 1)/(2R) [(gamma - 1) delta_t + delta_v l(l+1)/z^2] / [1 - l(l+1)/z^2]}: a rigid, cold wall,
    Moldover, Mehl & Greenspan 1986, J. Acoust. Soc. Am. 79, 253 (from memory). z by mpmath.
    """

    def found(air, radius, degree, near):
        def wave(x):
            return mpmath.besselj(degree + mpmath.mpf(1) / 2, x) / mpmath.sqrt(x)

        zero = float(mpmath.findroot(lambda x: mpmath.diff(wave, x), near))
        omega, turn = zero * air.sound_speed / radius, degree * (degree + 1) / zero**2
        layers = (air.gamma - 1) * np.sqrt(2 * air.thermal_diffusivity / omega)
        layers += np.sqrt(2 * air.kinematic_viscosity / omega) * turn
        return zero, omega * (1 + (1j - 1) / (2 * radius) * layers / (1 - turn))

    return found


@pytest.fixture(scope="session")
def windway_pull():
    """f(air, volume, area, inner, outer, windway): cents that an open windway raises the note of a lossless circuit.

    A spring rho c^2/V; the window's mass in two parts, rho inner/area and rho outer/area; between them the windway, a
    tube Z_0 (Z + i Z_0 tan kL)/(Z_0 + i Z tan kL) before the mouth's spring (any textbook of acoustics), and at either
    end of it 0.345 sqrt(area) of air, between a thin rectangle's 0.335 and a piston's 0.355, ten times as wide as high.
    """

    def pull(air, volume, area, inner, outer, windway):
        rho, c, slit = air.density, air.sound_speed, windway.width * windway.height

        def reactance(omega, opened):
            end = 1j * omega * rho * 0.345 * np.sqrt(slit) / slit
            mouth, own = rho * c**2 / (1j * omega * windway.mouth.volume) + end, rho * c / slit
            turn = 1j * np.tan(omega / c * windway.length)
            branch = own * (mouth + own * turn) / (own + mouth * turn) + end
            out = 1j * omega * rho * outer / area
            out = out * branch / (out + branch) if opened else out
            return (rho * c**2 / (1j * omega * volume) + 1j * omega * rho * inner / area + out).imag

        closed = c * np.sqrt(area / ((inner + outer) * volume))
        return 1200 * np.log2(brentq(reactance, 1.0001 * closed, 1.2 * closed, args=(True,)) / closed)

    return pull
