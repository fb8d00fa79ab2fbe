"""A ball with openings, and what theory says of it: the test pieces of several files."""

from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import eval_legendre, roots_jacobi

from simkit.body import Body, ChamberBody, Opening
from simkit.body.walls.formulas import EggWall
from simkit.field import air_of

BALL = EggWall(2.0, 2.0, 2.0)  # radius 1 m: numbers in units of the radius
CENTER = np.array([0.0, 1.0, 0.0])
HERE = np.array([0.3, 0.5, 0.8]) / np.linalg.norm([0.3, 0.5, 0.8])
# Thin sphere with one round hole of half angle (degrees): complex k R, radiation included, no viscosity, six digits
# (the problem of Levine 1951, J. Acoust. Soc. Am. 23:307). thin_sphere.py computes them; its test asks it again.
GOLD = {
    5: 0.206708 + 0.0003013j,
    10: 0.296092 + 0.001257j,
    20: 0.430006 + 0.0054837j,
    30: 0.541926 + 0.0134728j,
}
GOLD_PAIR = 0.427445 + 0.0047267j  # two at opposite ends, 10 degrees each
GOLD_HIGHER = (2.157848 + 0.006695j, 3.434764 + 0.014352j)  # the next two with one hole of 10 degrees


def body(thickness=0.0, wall=BALL):
    return Body((ChamberBody("ball", wall, thickness, None, ()),), thickness)


def hole(direction, radius, length=0.0, wall_center=CENTER):
    n = np.asarray(direction, float)
    n = n / np.linalg.norm(n)
    across = np.cross(n, [0.31, 0.52, -0.7])
    return Opening("hole", wall_center + n, n, across / np.linalg.norm(across), length, radius=radius)


def directions(count, seed=0):
    d = np.random.default_rng(seed).normal(size=(count, 3))
    return d / np.linalg.norm(d, axis=1)[:, None]


@lru_cache(maxsize=8)
def disc_means(radius, top):
    """Means of P_l over a mouth of a ball of radius 1 under the thin-wall flow, l to `top`: by many points."""
    t, w = roots_jacobi(400, -0.5, 0.0)
    rho = radius * np.sqrt((t + 1) / 2)
    return eval_legendre(np.arange(top + 1)[:, None], np.sqrt(1 - rho**2)[None]) @ (w / w.sum())


def inside_ratio(k, top):
    """j_l / (k j_l') of a ball of radius 1 by the continued fraction of j_{l+1}/j_l: (top + 1,)."""
    r, ratio = 0j, np.zeros(top + 1, complex)
    for n in range(top + 60, -1, -1):
        r = 1 / ((2 * n + 3) / k - r)
        if n <= top:
            ratio[n] = r
    return 1 / (np.arange(top + 1) - k * ratio)


@pytest.fixture(scope="session")
def ball():
    """The thin ball of radius 1 m, meshed once, with all that is said of it above."""
    return SimpleNamespace(
        air=air_of(body()),
        radius=1.0,
        volume=BALL.volume,
        hole=hole,
        directions=directions,
        disc_means=disc_means,
        inside_ratio=inside_ratio,
        here=HERE,
        gold=GOLD,
        gold_pair=GOLD_PAIR,
        gold_higher=GOLD_HIGHER,
    )
