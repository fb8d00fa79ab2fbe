"""Distribution of an opening's flow over its mouth, as points and weights, and averages under it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.special import digamma, roots_jacobi

THIN, THICK = 1 / 2, 1 / 3  # exponents x of the flow (1 - rho^2)^-x in a thin wall, and at a right-angled thick rim
SLIT = 0.42  # for windows, between the two


def rim_exponent(ratio: float) -> float:
    """Exponent x of the flow (1 - rho^2)^-x over a round hole of length over radius `ratio`, which crowds to the rim.

    1/2 for a thin wall and 1/3 for a thick right-angled one (the powers of the edge field at 360 and 270 degrees of
    air), passing over as the end correction of the flat plate does between its two limits; the fit is good to 0.02
    of the way. What depends on it is small.
    """
    return THICK + (THIN - THICK) * float(np.exp(-5.3 * ratio**0.8))


def disc_moment(exponent: float) -> float:
    """Mean of (rho/a)^2 under the flow: 1/(2 - x)."""
    return 1 / (2 - exponent)


def disc_log(exponent: float) -> float:
    """Mean of ln(distance/a) of two points of a disc under the flow.

    -integral of (share within rho)^2 d(rho)/rho = -(2 H(b) - H(2 b))/2 with b = 1 - x and the harmonic numbers H;
    in a thin wall -0.1137, the constant of the known correction for a disc on a sphere.

    >>> round(disc_log(0.5), 4)
    -0.1137
    """
    b = 1 - exponent
    once, twice = digamma(np.array([b, 2 * b]) + 1) + np.euler_gamma
    return float(twice / 2 - once)


def disc_points(turn: float) -> np.ndarray:
    """Two rings of six points of the unit disc (12, 2), turned by `turn` of a step."""
    phi = 2 * np.pi * (np.arange(6) + turn) / 6
    return (_rings()[:, None, None] * np.stack([np.cos(phi), np.sin(phi)], axis=1)).reshape(-1, 2)


def disc_weights(exponent: float) -> np.ndarray:
    """Weights (12,) of `disc_points` with the flow's own mean square radius."""
    # Whatever the flow's exponent, the rings are those of one between the two; their shares keep its second moment.
    inner, outer = _rings() ** 2
    share = (disc_moment(exponent) - inner) / (outer - inner)
    return np.repeat([1 - share, share], 6) / 6


@lru_cache(maxsize=1)
def _rings() -> np.ndarray:
    return np.sqrt((roots_jacobi(2, -SLIT, 0.0)[0] + 1) / 2)  # in t = 2 rho^2 - 1, as rho d rho is dt/4


@lru_cache(maxsize=8)
def square_points(across: int, along: int) -> tuple[np.ndarray, np.ndarray]:
    """Points (q, 2) of the square from -1 to 1 and weights (q,): flow (1 - u^2)^-x both ways."""
    (u, a), (v, b) = roots_jacobi(across, -SLIT, -SLIT), roots_jacobi(along, -SLIT, -SLIT)
    points = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).reshape(-1, 2)
    return points, (np.outer(a, b) / (a.sum() * b.sum())).ravel()


def square_moment() -> float:
    """Mean of u^2 on the square from -1 to 1 under its flow: 1/(3 - 2 x)."""
    return 1 / (3 - 2 * SLIT)


@lru_cache(maxsize=64)
def rectangle_log(width: float, height: float) -> float:
    """Mean of ln(distance), distance in m, of two points of a rectangle under its flow."""
    pairs = square_pairs(13, 14)  # ln is integrable where a point meets itself, and no pair does
    return float(pairs.weights @ np.log(pairs.gaps(width / 2, height / 2)))


# Powers of the two coordinates in the polynomial that stands for a mouth's cap.
POWERS = np.array([(i, j) for i in range(5) for j in range(5 - i)])


def square_rise(cap: np.ndarray) -> float:
    """Mean over the square from -1 to 1 of a cap's height over its middle; cap (15,): its polynomial."""
    # Odd powers have no mean over the square, even ones 1/(n + 1) each way.
    even = (POWERS % 2 == 0).all(axis=1) & (POWERS.sum(axis=1) > 0)
    return float((cap[even] / (POWERS[even] + 1).prod(axis=1)).sum())


def square_bends(cap: np.ndarray) -> np.ndarray:
    """The parabolas across and along (2,) that rise on the mean as a cap over the square does, as heights at its sides.

    What both coordinates have in common is shared between the two.
    """
    terms = {(int(i), int(j)): float(c) for (i, j), c in zip(POWERS, cap, strict=True)}
    both = terms[2, 2] / 6  # u^2 v^2 has a mean of 1/9 and u^2 one of 1/3: a third, half of it to either
    # u^4 rises on the mean as 0.6 u^2 does: 1/5 over 1/3.
    return np.array([terms[2, 0] + 0.6 * terms[4, 0] + both, terms[0, 2] + 0.6 * terms[0, 4] + both])


def monomials(flat: np.ndarray) -> np.ndarray:
    """The powers of `flat` (q, 2) up to degree 4: (q, 15)."""
    # Powers as products: numpy's general power is ten times slower.
    u, v = (np.stack([c**0, c, c * c, c * c * c, c * c * c * c], axis=1) for c in flat.T)
    return u[:, POWERS[:, 0]] * v[:, POWERS[:, 1]]


@dataclass(frozen=True, eq=False)
class Pairs:
    """Pairs of points of the unit disc or of the square from -1 to 1, with weights.

    here, there (q, 2): the one and the other; weights (q,).
    """

    here: np.ndarray
    there: np.ndarray
    weights: np.ndarray

    @cached_property
    def across(self) -> np.ndarray:
        """The way from the one to the other: (q, 2)."""
        return self.there - self.here

    @cached_property
    def rise(self) -> np.ndarray:
        """Rows (q, 15): `rise @ coefficients` is the height of the other over the one on a cap."""
        return monomials(self.there) - monomials(self.here)

    def gaps(self, u: float, v: float) -> np.ndarray:
        """Distances where the unit is u across and v along: (q,)."""
        return np.hypot(u * self.across[:, 0], v * self.across[:, 1])


@lru_cache(maxsize=4)
def square_pairs(one: int, other: int) -> Pairs:
    """Pairs of points of the square, never the same point twice; the weights sum to 1."""
    # Points of rules that are one point apart lie between each other, so no two coincide.
    (here, a), (there, b) = square_points(one, one), square_points(other, other)
    return Pairs(np.repeat(here, len(there), axis=0), np.tile(there, (len(here), 1)), np.outer(a, b).ravel())


@lru_cache(maxsize=4)
def disc_pairs(exponent: float) -> Pairs:
    """Pairs of points of the unit disc, with weights for the mean of f/distance under the flow, f smooth along chords.

    Around each point the disc is swept by whole chords, whose element of length cancels the 1/distance; along a
    chord the flow is (t - t1)^-x (t2 - t)^-x, the weight of Gauss and Jacobi. The weights sum to the mean of
    1/distance: pi/2 in a thin wall.

    >>> round(float(disc_pairs(0.5).weights.sum()), 6)
    1.570796
    """
    s, share = roots_jacobi(3, -exponent, 0.0)
    along, flow = roots_jacobi(4, -exponent, -exponent)
    turn, sweep = 2 * np.pi * np.arange(8) / 8, np.pi * (np.arange(8) + 0.5) / 8
    rho, turn, sweep, along = np.meshgrid(np.sqrt((s + 1) / 2), turn, sweep, along, indexing="ij")
    half = np.sqrt(1 - (rho * np.sin(sweep)) ** 2)  # of the chord through the point
    t = half * along - rho * np.cos(sweep)  # along it from the point, at 0
    here = rho[..., None] * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    there = here + t[..., None] * np.stack([np.cos(turn + sweep), np.sin(turn + sweep)], axis=-1)
    weights = np.einsum("i,l->il", share / share.sum(), flow)[:, None, None, :] / 8 * np.pi / 8
    weights = weights * (1 - exponent) / np.pi * half ** (1 - 2 * exponent)
    return Pairs(here.reshape(-1, 2), there.reshape(-1, 2), weights.ravel())
