"""A curve of continuous curvature through rows as drawn, which turns only where the rows do.

A quintic spline with slopes d and second derivatives s at the rows x. Of all that keep to the rows' rises and falls it
is the one whose third derivative is nearest, in the mean square, to that of the plain cubic spline (not-a-knot): that
spline itself, wherever it does not ripple. In Bernstein's form the slope of a piece is bounded by its coefficients,
which are linear in d and s (Dougherty, Edelman & Hyman 1989, Math. Comput. 52:471 [memory]), so this is a least
distance under linear inequalities: Lawson & Hanson 1974 [Lawson1974], Solving Least Squares Problems, ch. 23, by
`scipy.optimize.nnls`.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import BPoly, CubicSpline, PPoly
from scipy.optimize import nnls

_PIECES = 4  # a slope is bounded on so many parts of its piece: nearly its exact least value
_STEEPEST = 3.0  # overshoot allowed at a greatest row, times the smaller chord beside it


def fair(x: np.ndarray, values: np.ndarray) -> PPoly:
    """The curve through `values` (n,) at increasing `x` (n,).

    Between two rows it rises or falls as they do, and equal rows stay straight; a least row has slope zero, so a waist
    is where it was written. Beside a greatest row alone it may go a little over, once. It follows the rows
    continuously.
    """
    chord = np.diff(values) / np.diff(x)
    if len(x) == 2:
        return PPoly(np.array([chord, values[:1]]), x)
    d, s = _nearest(x, values, chord)
    return PPoly.from_bernstein_basis(BPoly.from_derivatives(x, np.stack([values, d, s], axis=1)))


def _nearest(x: np.ndarray, values: np.ndarray, chord: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slopes and second derivatives (n,) at the rows; unknowns and steps are counted in the mean step between rows."""
    # Counted in steps, slopes and second derivatives are of one size, and the energy's matrix is well conditioned.
    n, unit = len(x), (x[-1] - x[0]) / (len(x) - 1)
    step, rise = np.diff(x) / unit, np.diff(values)
    plain = CubicSpline(x, values)
    wished = np.concatenate([plain(x, 1) * unit, plain(x, 2) * unit**2])
    before, after = np.concatenate([chord[:1], chord]) * unit, np.concatenate([chord, chord[-1:]]) * unit
    most = _STEEPEST * np.minimum(np.abs(before), np.abs(after))
    # Beside equal rows both vanish; in a least row the slope alone.
    straight = most == 0
    still = straight | ((before < 0) & (after > 0))
    # In a greatest row the slope that the plain spline has there, within bounds: its overshoot and the side of it.
    over = np.where((before > 0) & (after < 0), np.clip(wished[:n], -most, most), 0.0)

    # Values at the rows are held, so that the energy is a form in slopes and second derivatives, q, alone.
    energy, rows, least = np.zeros((2 * n, 2 * n)), [np.zeros((0, 2 * n))], [np.zeros(0)]
    for j, h in enumerate(step):
        # Hermite's data over [0, 1]: slopes times h, second derivatives times h^2; third ones squared go as 1/h^5.
        own, scale = [j, j + 1, n + j, n + j + 1], np.array([h, h, h * h, h * h])
        energy[np.ix_(own, own)] += _ENERGY / h**5 * np.outer(scale, scale)
        sign = np.sign(rise[j])
        # Where the greatest value lies between the rows the slope changes sign once, in the half next to the greater.
        turns = over[j] if sign < 0 else -over[j + 1]
        bounds = _SLOPES if turns <= 0 else _SLOPES_OF_ONE[2:] if sign < 0 else _SLOPES_OF_ONE[:3]
        if sign:
            block = np.zeros((len(bounds), 2 * n))
            block[:, own] = sign * bounds[:, 1:] * scale
            rows.append(block)
            least.append(-sign * bounds[:, 0] * rise[j])
    for i in np.flatnonzero((before > 0) & (after < 0)):
        # -most <= slope <= most, on the side of the overshoot, and curved downward.
        block = np.zeros((4, 2 * n))
        block[:, i] = 1.0, -1.0, np.sign(over[i]), 0.0
        block[3, n + i] = -1.0
        rows.append(block)
        least.append(np.array([-most[i], -most[i], 0.0, 0.0]))
    free = ~np.concatenate([still, straight])
    found = np.zeros(2 * n)
    # What is held at zero was wished otherwise: by the cross terms that moves the best of what is free.
    held = energy[np.ix_(free, ~free)] @ wished[~free]
    found[free] = _least_distance(
        energy[np.ix_(free, free)], wished[free], held, np.concatenate(rows)[:, free], np.concatenate(least)
    )
    return found[:n] / unit, found[n:] / unit**2


def _least_distance(
    E: np.ndarray, wished: np.ndarray, held: np.ndarray, A: np.ndarray, least: np.ndarray
) -> np.ndarray:
    """The q of least (q - wished)' E (q - wished) - 2 held' (q - wished) with A q >= least."""
    best = wished + np.linalg.solve(E, held) if len(E) else wished
    short = least - A @ best
    most = short.max(initial=0.0)
    if most <= 1e-12 * np.abs(least).max(initial=0.0):
        return best
    # In y = L'(q - best) it is the least |y| with G' y >= short: their problem LDP, its dual solved as a non-negative
    # least-squares problem. Scaled by the largest violation, so that the last row counts like the others.
    L = np.linalg.cholesky(E)
    G = np.linalg.solve(L, A.T)
    system, target = np.concatenate([G, short[None] / most]), np.concatenate([np.zeros(len(G)), [1.0]])
    dual, _ = nnls(system, target, maxiter=100 * len(least))
    off = system @ dual - target  # the residual: y is all but its last entry over minus that
    return np.asarray(best - np.linalg.solve(L.T, off[:-1] / off[-1] * most))


def _slopes_of_one() -> np.ndarray:
    """Coefficients of the slope of a quintic over [0, 1], degree 4 in Bernstein's form, by (rise, d0, d1, s0, s1)."""
    # Bernstein's coefficients of the quintic with value 0 at 0 and `rise` at 1: c1 = d0/5, c2 = 2 d0/5 + s0/20.
    control = np.zeros((6, 5))
    control[3:, 0] = 1.0
    control[1:3, 1], control[2, 3] = (0.2, 0.4), 0.05
    control[3:5, 2], control[3, 4] = (-0.4, -0.2), 0.05
    return 5 * np.diff(control, axis=0)


def _parts(pieces: int) -> np.ndarray:
    """Degree 4 coefficients on equal parts of [0, 1] from those on the whole, by its blossom: (5 pieces, 5)."""
    rows = []
    for low, high in ((n / pieces, (n + 1) / pieces) for n in range(pieces)):
        for highs in range(5):
            B = np.eye(5)
            # De Casteljau's steps, each with a t of its own; low and high alone give coefficients of the part between.
            for t in [low] * (4 - highs) + [high] * highs:
                B = (1 - t) * B[:-1] + t * B[1:]
            rows.append(B[0])
    return np.array(rows)


def _energy() -> np.ndarray:
    """Integrals over [0, 1] of products of third derivatives, by (d0, d1, s0, s1): (4, 4)."""
    u, w = np.polynomial.legendre.leggauss(3)  # exact to degree 5; products of third derivatives have degree 4
    # Value, slope and second derivative at 0, then at 1; one of the four is 1 in each.
    shapes = np.eye(6)[[1, 4, 2, 5]].reshape(4, 2, 3)
    third = np.stack([BPoly.from_derivatives([0.0, 1.0], shape).derivative(3)((u + 1) / 2) for shape in shapes])
    return np.asarray((third * w / 2) @ third.T)


_SLOPES_OF_ONE = _slopes_of_one()
_SLOPES = _parts(_PIECES) @ _SLOPES_OF_ONE
_ENERGY = _energy()
