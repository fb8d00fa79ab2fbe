"""A quick, symmetric and positive approximate inverse of a stiffness on quadratic tetrahedra.

Corners alone, with linear elements, are few enough to be factored; Chebyshev's polynomial in the diagonal smooths
what they cannot see, before and after (two-grid method with the p-coarsening of the elements; Adams et al. 2003,
J. Comput. Phys. 188:593 for the smoother [memory]).
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix

from simkit.field.fem.factor import factored

DEGREE = 3  # of the smoothing polynomial
SPREAD = 8.0  # it smooths the part of the spectrum from 1/SPREAD of the largest value
MARGIN = 1.1  # on the largest value, found by a dozen power iterations


class TwoLevel:
    """Approximately A^-1 for A (n, n) symmetric positive definite and `spread` (n, corners) from linear elements."""

    def __init__(self, A: csr_matrix, spread: csr_matrix):
        self.A, self.spread, self.gather = A, spread, spread.T.tocsr()
        self.coarse = factored((self.gather @ A @ spread).tocsr())
        self.inverse_diagonal = 1 / A.diagonal()
        v = np.cos(1.7 * np.arange(A.shape[0]))  # any vector with a part along every other
        for _ in range(12):
            v = self.inverse_diagonal * (A @ v)
            largest = float(np.linalg.norm(v))
            v /= largest
        high = MARGIN * largest
        self.middle, self.half = high * (1 + 1 / SPREAD) / 2, high * (1 - 1 / SPREAD) / 2

    def __call__(self, load: np.ndarray) -> np.ndarray:
        """One cycle for loads (n, m)."""
        x = self._smoothed(load)
        x = x + self.spread @ self.coarse(self.gather @ (load - self.A @ x))
        return x + self._smoothed(load - self.A @ x)

    def _smoothed(self, rest: np.ndarray) -> np.ndarray:
        """Chebyshev's iteration from zero (Saad 2003 [Saad2003], alg. 12.1)."""
        ratio = self.middle / self.half
        rho = 1 / ratio
        step = self.inverse_diagonal[:, None] * rest / self.middle
        x = step
        for _ in range(DEGREE - 1):
            rest = rest - self.A @ step
            new = 1 / (2 * ratio - rho)
            step = new * rho * step + 2 * new / self.half * self.inverse_diagonal[:, None] * rest
            x, rho = x + step, new
        return x
