"""Relief of a window's air by a sloping edge, by a law fitted once to windows solved by finite elements.

Beside an upright far side a slope lowers 1/K and the friction. The cell (`field.window.cell`) finds by how much in a
second or two for each window, right to some half a percent of the fall, another half a percent on the next mesh. The
law is smooth and answers at once: the logarithms of both falls are polynomials of the third degree in seven numbers of
the window, `relief.csv`, fitted to 1,449 such cells; `benchmarks/windows.py` fits it anew. Windows left out one by one
it meets to 0.4 % of the fall of 1/K, which is 0.06 % of 1/K, and to 1.0 % of that of friction (standard deviations).
Since it was fitted the cell's curvature leaves a flat slope's nose in its place: where the wall curves and the slope is
near 30 degrees, the law gives up to 0.6 % less fall of 1/K than the cell does now, which answers below 34 degrees.
And the bend of its cells died away near the window, where a flat slope's flow still feels it: below 45 degrees
`cell.slope_relief` adds what that missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval, chebvander

from simkit.body.meshes.window_block import MOST_CURVATURE, WindowCell

# Of the numbers of `place`: where the law holds.
LOW = np.array([*np.log([1.0, 0.35]), np.log(1 / np.tan(np.deg2rad(78.0))), *np.log([0.025, 0.025]), -0.10, -0.10])
HIGH = np.array([*np.log([6.0, 1.8]), np.log(1 / np.tan(np.deg2rad(30.0))), *np.log([0.125, 0.125]), 0.60, 0.45])
DEGREE = 3
STEEPEST = 89.0  # degrees: beyond, the relief is as good as none


@dataclass(frozen=True)
class Relief:
    """Change by a sloping far side against an upright one: of 1/K, 1/m, and of the friction, 1/m2."""

    inertance: float
    friction: float


LEAST_NOSE = 1e-4  # m: no clay is sharper


def window_cell(width: float, cut_up: float, wall: float, edge_deg: float, nose: float, rim: float) -> WindowCell:
    """The cell of a window (m, degrees) with rims that fit: radii `nose` inside and `rim` outside."""
    nose, rim = (min(max(radius, LEAST_NOSE), 0.2 * cut_up, 0.25 * wall) for radius in (nose, rim))
    return WindowCell(width, cut_up, wall, float(edge_deg), nose, rim)


def place(cell: WindowCell, curvature: tuple[float, float]) -> np.ndarray:
    """The window's place in the law (7,): -1 to 1 each where the law holds.

    Logarithms of the width and the wall over the cut-up, of the slope's run over its rise, of the rims' radii inside
    and outside over the cut-up; the wall's curvature across and along times the larger of half the width and the
    cut-up.
    """
    H = cell.cut_up
    run = 1 / np.tan(np.deg2rad(min(cell.edge_deg, STEEPEST)))
    sizes = np.log([cell.width / H, cell.wall / H, run, cell.nose / H, cell.rim / H])
    curves = np.clip(np.multiply(curvature, max(cell.width / 2, H)), -MOST_CURVATURE, MOST_CURVATURE)
    return 2 * (np.concatenate([sizes, curves]) - LOW) / (HIGH - LOW) - 1


def covers(at: np.ndarray) -> bool:
    """Whether the law holds at a place."""
    return bool((np.abs(at) <= 1 + 1e-9).all())


def logarithms(at: np.ndarray) -> np.ndarray:
    """ln of -relief of 1/K times the cut-up, and of -relief of the friction times its square (2,), at a place.

    Beyond its range the law goes on straight from the nearest place where it holds.
    """
    exponents, law = _law()
    near = np.clip(at, -1.0, 1.0)  # Chebyshev's polynomials run away beyond
    factors = chebvander(near, DEGREE).T[exponents, np.arange(len(at))]
    value = factors.prod(axis=1) @ law
    for n in np.flatnonzero(near != at):  # the slope by one number: that factor's slope times the other factors
        others = np.delete(factors, n, axis=1).prod(axis=1)
        steep = chebval(near[n], chebder(np.eye(DEGREE + 1)))  # of each degree's polynomial
        value = value + (at[n] - near[n]) * ((others * steep[exponents[:, n]]) @ law)
    return np.asarray(value)


def lawful(cell: WindowCell, curvature: tuple[float, float]) -> Relief:
    """The relief of a window that the law covers."""
    # Both fall: the law is of the logarithms of what they fall by.
    inertance, friction = -np.exp(logarithms(place(cell, curvature)))
    return Relief(float(inertance) / cell.cut_up, float(friction) / cell.cut_up**2)


def terms(at: np.ndarray, exponents: np.ndarray) -> np.ndarray:
    """The law's terms (n, terms) at places (n, 7): products of Chebyshev's polynomials of degrees `exponents`."""
    return np.stack([chebvander(one, DEGREE).T[exponents, np.arange(at.shape[1])].prod(axis=1) for one in at])


@lru_cache(maxsize=1)
def _law() -> tuple[np.ndarray, np.ndarray]:
    """Degrees (terms, 7) and coefficients (terms, 2)."""
    rows = np.loadtxt(TABLE, delimiter=",")
    return rows[:, :7].astype(int), rows[:, 7:]


TABLE = Path(__file__).with_name("relief.csv")
