"""The best step of the linear model, linear least squares with linear rows to keep; and notes not worth going after."""

from __future__ import annotations

import numpy as np
from scipy.optimize import nnls

from simkit.frozen import frozen


@frozen
class Linearisation:
    """Residuals r + J s (m,) to make small and rows g + G s (c,) to keep at or above zero, for steps s (n,).

    J has full column rank.
    """

    r: np.ndarray
    J: np.ndarray
    g: np.ndarray
    G: np.ndarray

    def best(self) -> np.ndarray:
        """The step that makes |r + J s| least while every row holds; s = 0 must hold them.

        With J = Q R and z = R s + Q'r this is the point z nearest to the origin with (G R^-1) z >= G R^-1 Q'r - g, a
        least distance problem, which non-negative least squares solves (Lawson & Hanson 1974
        [Lawson1974], ch. 23, from memory). Exact, and some hundred times quicker than a general solver.
        """
        Q, R = np.linalg.qr(self.J)
        q = Q.T @ self.r  # s = R^-1 (z - q)
        rows = np.linalg.solve(R.T, self.G.T).T
        need = rows @ q - self.g
        if not (need > 0).any():  # no row in the way: the plain least squares step
            return -np.linalg.solve(R, q)
        # Rows of slopes and of room are to be alike in size, or nnls loses the smaller in rounding.
        size = max(1.0, float(np.abs(need).max()))
        stacked = np.concatenate([rows.T, need[None] / size])
        wanted = np.zeros(len(stacked))
        wanted[-1] = 1.0
        push, _ = nnls(stacked, wanted, maxiter=50 * len(rows))
        rest = stacked @ push - wanted
        # The residual of this nnls problem points to the nearest point; its last entry scales it.
        z = -size * rest[:-1] / rest[-1]
        return np.linalg.solve(R, z - q)

    def after(self, s: np.ndarray) -> float:
        """Half the sum of squares of the linearised residuals after a step s (n,)."""
        return 0.5 * float(np.sum(np.square(self.r + self.J @ s)))


def multipliers(gradient: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """The Lagrange multipliers (a,) of rows (a, n) that just hold: non-negative, gradient (n,) = sum of them * rows.

    The half sum of squares would fall by so much for each unit that a row gave way.
    """
    # Non-negative: a limit only pushes.
    return nnls(rows.T, gradient, maxiter=50 * max(1, len(rows)))[0] if len(rows) else np.zeros(0)


LEAST_SLOPE = 0.2  # cents per mm of way: a tenth of a cent that costs more than half a millimetre is not worth it
MOST_CENTS = 1.0  # no more than so much is left: what is farther off is audible, and worth its way


@frozen
class WeakDirections:
    """Directions (m, p), orthonormal, in which m residuals hardly move, and how many cents (p,) are left in each:
    tenths of a cent that would cost centimetres.

    With only holes free, the note with all of them covered hardly moves: some hundredths of a cent for each millimetre,
    by the air under the fingers. To go after its last tenths would move every hole far, for what nobody hears.
    """

    directions: np.ndarray
    cents: np.ndarray

    @classmethod
    def of(cls, notes: np.ndarray, slopes: np.ndarray, residuals: int) -> WeakDirections:
        """Weak directions of notes (f,), cents off, with slopes (f, n), cents per mm of way; first of the residuals.

        The singular values of the slopes say how far the best mixture of moves brings each mixture of notes. What no
        mixture of moves reaches at all counts too: nothing is lost by leaving it.
        """
        mixtures, sizes, _ = np.linalg.svd(slopes)
        # With fewer numbers than notes svd gives fewer values than mixtures: the rest are zeros.
        few = np.concatenate([sizes, np.zeros(len(notes) - len(sizes))]) < LEAST_SLOPE
        directions = np.zeros((residuals, int(few.sum())))
        directions[: len(notes)] = mixtures[:, few]
        return cls(directions, np.minimum(np.abs(mixtures[:, few].T @ notes), MOST_CENTS))

    def deflated(self, residuals: np.ndarray) -> np.ndarray:
        """Residuals (m,) without what is left."""
        return residuals - self.directions @ np.clip(self.directions.T @ residuals, -self.cents, self.cents)

    @property
    def mostly(self) -> np.ndarray:
        """Mask (m,) of the residuals that are mostly such."""
        return np.sum(np.square(self.directions), axis=1) > 0.5
