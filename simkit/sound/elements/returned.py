"""Waves that a thing near the piece sends back to its openings, for many wave numbers from few: series, by halves.

Notes ring in the lower half of the range of k, and what two palms send back takes long to find; so the upper half is
found when something first rings there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field, replace
from functools import cached_property, partial

import numpy as np
from numpy.polynomial.chebyshev import chebvander

from simkit.frozen import frozen
from simkit.sound.elements.chebyshev import coefficients, points

Law = Callable[[np.ndarray], np.ndarray]  # dZ (m, n, n), 1/m, at real k (m,), 1/m


@frozen
class Returned:
    """dZ as a function of k from `low` to `top`: e^{-ik path} times Chebyshev polynomials (p, n, n) of k."""

    path: float
    top: float
    terms: np.ndarray
    low: float = 0.0

    @staticmethod
    def of(law: Law, path: float, count: int, low: float, top: float) -> Returned:
        """Interpolation of a law through `count` of Chebyshev's points."""
        ks = points(low, top, count)
        # Without the phase of the way there and back it is a slow function of k, which few polynomials follow.
        values = np.exp(1j * ks * path)[:, None, None] * law(ks)
        return Returned(path, top, coefficients(values), low)

    def __call__(self, k: np.ndarray) -> np.ndarray:
        """dZ (..., n, n), 1/m, at complex k (...); above `top` as there."""
        k = k * np.minimum(1.0, self.top / np.maximum(k.real, 1e-300))
        x = (2 * k - self.low - self.top) / (self.top - self.low)
        basis = chebvander(x.ravel(), len(self.terms) - 1).reshape(*k.shape, len(self.terms))
        return np.tensordot(basis * np.exp(-1j * k * self.path)[..., None], self.terms, axes=1)

    def of_rows(self, rows: np.ndarray) -> Returned:
        """Copy for some of the openings alone."""
        return replace(self, terms=self.terms[:, rows][:, :, rows])


@frozen
class InHalves:
    """dZ as a function of k from 0 to `top` by two series, the upper one found when it is first asked for."""

    lower: Returned
    find_upper: Callable[[], Returned] = field(compare=False, repr=False)

    @staticmethod
    def of(law: Law, path: float, count: int, top: float) -> InHalves:
        """Interpolation of a law, `count` points in either half."""
        return InHalves(
            Returned.of(law, path, count, 0.0, top / 2), partial(Returned.of, law, path, count, top / 2, top)
        )

    @property
    def top(self) -> float:
        """Wave number above which it answers as there, 1/m."""
        return 2 * self.lower.top

    @cached_property
    def _upper(self) -> Returned:
        return self.find_upper()

    def __call__(self, k: np.ndarray) -> np.ndarray:
        """dZ (..., n, n), 1/m, at complex k (...); above `top` as there."""
        high = k.real > self.lower.top
        if not high.any():
            return self.lower(k)
        found = np.empty((*k.shape, *self.lower.terms.shape[1:]), complex)
        found[high], found[~high] = self._upper(k[high]), self.lower(k[~high])
        return found

    def of_rows(self, rows: np.ndarray) -> InHalves:
        """Copy for some of the openings alone."""
        return InHalves(self.lower.of_rows(rows), lambda: self._upper.of_rows(rows))
