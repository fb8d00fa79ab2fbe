"""Tenths of a cent that would cost centimetres: combinations of notes with small singular values, left where they are.

With only holes free, the note with all of them covered hardly moves: some hundredths of a cent for each millimetre, by
the air under the fingers. To go after its last tenths would move every hole far, for what nobody hears.
"""

from __future__ import annotations

import numpy as np

from simkit.frozen import frozen

LEAST_SLOPE = 0.2  # cents per mm of way: a tenth of a cent that costs more than half a millimetre is not worth it
MOST_CENTS = 1.0  # no more than so much is left: what is farther off is audible, and worth its way


@frozen
class WeakDirections:
    """Directions (m, p), orthonormal, in which m residuals hardly move, and how many cents (p,) are left in each."""

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
