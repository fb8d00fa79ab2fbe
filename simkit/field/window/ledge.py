"""Law of a windway's floor, the clay that carries its end: inertance and friction added to the window.

It stands in the chamber along the whole width of the window, on the side where the breath comes in, as deep as a step
of `depth`. An endless slit with such a step has a conformal map (`step_in_slit`); a window of some widths to its cut-up
has less, and the law says how much less. `benchmarks/floors.py` solves the cells and fits it anew: 1.2 to 5 cut-ups
wide, walls of 0.5 to 1.6, steps of 0.1 to 1.2 of it, clay beside the window of 0.1 to 0.8, edges of 30 to 90 degrees,
all in flat clay; `bend_shares` says what a bend of the wall adds or takes. Cells left out one by one it meets to 3
percent for 1/K, and to 6 for the friction (standard deviations). The wall's thickness changes almost nothing. Beyond
that range it is as at its end, but for the step's.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from simkit.field.window.relief import Relief

# Width, step and clay beside the window over the cut-up: where the law holds.
LOW, HIGH = np.array([1.2, 0.1, 0.1]), np.array([5.0, 1.2, 0.8])
BEND = (0.67, -0.27, -0.31), (0.52, -0.18, -0.14)  # of 1/K and of the friction
WITHIN = -1.0, 2.0  # range of the floor's corners in the wall over its depth
TABLE = Path(__file__).with_name("ledge.csv")


@lru_cache(maxsize=256)
def floor_burden(width: float, cut_up: float, edge_deg: float, depth: float, beside: float) -> Relief:
    """Additions of a floor that hangs `depth` below the inner face to the inner end of a window: to 1/K, 1/m, and to
    the friction, 1/m2; `beside`: clay at either side of the windway. Lengths in m.
    """
    if depth <= 0:
        return Relief(0.0, 0.0)
    sizes = np.array([width, depth, beside]) / cut_up
    step = step_in_slit(round(float(sizes[1]), 9)) / width  # of a slit of the window's width
    inertance, friction = step * np.exp(terms(sizes, edge_deg) @ _law())
    return Relief(float(inertance), float(friction) / cut_up)


@lru_cache(maxsize=256)
def bend_shares(width: float, cut_up: float, depth: float, beside: float, curvature: tuple[float, float]) -> Relief:
    """By what share of itself a straight floor adds more where the wall is bent; curvature: across and along, 1/m.

    With W the width, H the cut-up, s the depth under the middle of the window and q the share of it that lies in the
    wall at the floor's corners, across (W/2 + beside)^2/2s: of 1/K 0.67 sqrt(W H) across - 0.27 q - 0.31 along H^2/s,
    of the friction 0.52, 0.18 and 0.14. A hollow gathers the flow; what lies in the wall is not in its way; and the
    floor sinks into a wall that is bent along. Ellipsoids with the floor and without it on one mesh
    (`benchmarks/bends.py`), 1.5 to 5.2 cut-ups wide, steps of 0.25 to 1.1, radii of bend down to two cut-ups: within
    0.025, of the friction 0.04 (standard deviations).
    """
    across, along = curvature
    gathered = across * np.sqrt(width * cut_up)
    within = float(np.clip(across * (width / 2 + beside) ** 2 / (2 * depth), *WITHIN)) if depth > 0 else 0.0
    sunk = along * cut_up**2 / max(depth, LOW[1] * cut_up)
    inertance, friction = (float(np.dot(law, (gathered, within, sunk))) for law in BEND)
    return Relief(max(inertance, -1.0), max(friction, -1.0))  # no bend takes more than there is


def terms(sizes: np.ndarray, edge_deg: float) -> np.ndarray:
    """The law's terms (8,) of width, step and clay beside the window over the cut-up (3,), and of the edge's slope."""
    w, e, c = np.log(np.clip(sizes, LOW, HIGH))
    run = 1 / np.tan(np.deg2rad(edge_deg)) if edge_deg < 90 else 0.0
    return np.array([1.0, w, e, -np.expm1(-2.5 * run), c, w * w, w * e, e * e])


@lru_cache(maxsize=256)
def step_in_slit(step: float) -> float:
    """Addition to 1/K by a step under one side of an endless slit, times its length; step over the slit's height.

    The slit's air and the half space are the upper half plane of w by dz/dw = C sqrt((w - 1)(w + a))/w, C sqrt(a) pi
    the height (Schwarz-Christoffel's map, slit at w = 0, corners at 1 and -a): step = (L - R)/(pi sqrt(a)), and 1/K
    grows by (ln(a)/2 - R/sqrt(a) + ln 2 - 1)/pi, with R and L what the integrals of |dz/dw| to either corner have
    beside their logarithms.

    >>> round(step_in_slit(0.0), 9)
    0.0
    """
    a = brentq(lambda a: (_beside_logarithm(a) - _right(a)) / (np.pi * np.sqrt(a)) - step, 1.0, 1e6) if step else 1.0
    return float((np.log(a) / 2 - _right(a) / np.sqrt(a) + np.log(2) - 1) / np.pi)


def _right(a: float) -> float:
    """R: the integral of (sqrt((1 - w)(w + a)) - sqrt(a)) / w from 0 to 1.

    >>> w = (np.arange(100_000) + 0.5) / 100_000
    >>> bool(abs(((np.sqrt((1 - w) * (w + 7)) - np.sqrt(7)) / w).mean() - _right(7.0)) < 1e-6)
    True
    """
    turned = np.pi / 2 + np.arcsin((1 - a) / (1 + a))
    return float((1 - a) / 2 * turned + np.sqrt(a) * (np.log(4 * a / (1 + a)) - 1))


def _beside_logarithm(a: float) -> float:
    """L: the left corner's is the right one's, a times as far from w = 0."""
    return float(a * _right(1 / a) + np.sqrt(a) * np.log(a))


@lru_cache(maxsize=1)
def _law() -> np.ndarray:
    """Coefficients (8, 2)."""
    return np.loadtxt(TABLE, delimiter=",")
