"""The port field: coupling of the openings by the air inside and outside, at any wave number."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import ArrayLike

from simkit.field.reduced.doubts import Doubt
from simkit.frozen import frozen


@dataclass(frozen=True)
class FieldEvidence:
    """Numerical evidence for a port field.

    unknowns inside (all chambers) and outside; reciprocity: largest |Z_ij - Z_ji| before both are averaged, 1/m;
    fit: largest error of the outside's interpolation at two test wave numbers, 1/m; off_wall: distance of a mesh from
    the wall at a bend too tight for its elements, m; 0 where that is no more than is asked; creased: whether
    a chamber's walls meet in seams or rims.
    """

    unknowns_inside: int
    unknowns_outside: int
    reciprocity_inside: float
    reciprocity_outside: float
    fit: float
    off_wall: float = 0.0
    creased: bool = False


@frozen
class Interpolant:
    """A matrix function of k, real in i k: sum over p of terms[p] x^p / poles(x), x = i k scale.

    poles(x) = (1 + x)(1 + x + x^2/2)(1 + x + 4 x^2/9 + x^3/9) are those of a ball of radius `scale` that breathes,
    moves or takes the shape of an egg (zeros of h_l' for l = 0, 1, 2); what remains is smooth.
    terms (p, n, n), 1/m. Analytic in k; made for |k| up to `top`, 1/m.
    """

    terms: np.ndarray
    scale: float
    top: float

    @staticmethod
    def through(ks: np.ndarray, matrices: np.ndarray, scale: float, radiation: float = 1.0) -> Interpolant:
        """Fit `matrices` (m, ...) at real ks (m,), the first 0, the last the largest.

        The first two terms are exact: the matrix at rest, and the radiation -i k/(4 pi) that every pair shares
        (`radiation` = 0 for a change of the matrix, which has none).
        """
        still, top = matrices[0].real, float(ks[-1])
        x = 1j * ks[1:] * scale
        # Poles times Z, power by power: Z(0), then 3 Z(0) and the radiation, as -i k/(4 pi) is -x/(4 pi scale).
        first = still, 3 * still - radiation / (4 * np.pi * scale)
        values = (matrices[1:].T * _POLES(x)).T.reshape(len(x), -1)
        rest = values - first[0].ravel() - x[:, None] * first[1].ravel()
        powers = np.arange(2, 2 * len(x) + 2)  # as many as real equations
        basis = (x[:, None] / (top * scale)) ** powers
        # Real coefficients for complex values: both parts are equations.
        fit = np.linalg.lstsq(
            np.concatenate([basis.real, basis.imag]), np.concatenate([rest.real, rest.imag]), rcond=None
        )[0]
        fit = (fit.T / (top * scale) ** powers).T.reshape(len(powers), *still.shape)
        return Interpolant(np.concatenate([np.stack(first), fit]), scale, top)

    def __call__(self, k: ArrayLike) -> np.ndarray:
        """The matrix at wave numbers k (...), real or complex: (..., n, n)."""
        x = 1j * np.asarray(k, complex)[..., None] * self.scale
        shares = x ** np.arange(len(self.terms)) / _POLES(x)
        return np.tensordot(shares, self.terms, axes=1)


# In the order of the powers of x; the product's first two coefficients are 1 and 3.
_POLES = Polynomial([1, 1]) * Polynomial([1, 1, 1 / 2]) * Polynomial([1, 1, 4 / 9, 1 / 9])


@frozen
class PortField:
    """Port matrices of a body's openings, from inside and from outside the body.

    A port is a row: `names` are (chamber, opening), each chamber's window first, and `windows` (n,) says which rows
    those are. With e^{+i omega t} and flow U through port j into a side's air, that side's pressure averaged over
    mouth i is p_i = i omega rho Z_ij U_j, Z = `inside(k)` or `outside(k)`, 1/m. An opening's own flat-wall end
    correction is left out on the diagonal: it belongs to the opening (a duct's length is measured on its axis between
    the true surfaces).

    Inside, with the chamber's volume V and modes k_n, phi_n (averaged over the mouths: `modes`, (n, m)):
    Z = -1/(V k^2) + static + k^2 quadratic + sum of k^4/(k_n^4 (k_n^2 - k^2)) phi_n phi_n^T; zero between chambers.
    Outside Z = Z(0) - i k/(4 pi) + ..., an interpolation that is analytic in k.
    looked_for: finds the reasons to trust a port less, once they are asked for: a hand that drags a hole asks for none.
    """

    names: tuple[tuple[str, str], ...]
    windows: np.ndarray
    volumes: np.ndarray
    shared: np.ndarray
    static: np.ndarray
    quadratic: np.ndarray
    k2: np.ndarray
    modes: np.ndarray
    around: Interpolant
    looked_for: Callable[[], tuple[Doubt, ...]] = field(compare=False, repr=False)
    evidence: FieldEvidence

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """Reasons to trust a port less."""
        return self.looked_for()

    @property
    def top(self) -> float:
        """The largest wave number that the outside was solved for, 1/m."""
        return self.around.top

    def inside(self, k: ArrayLike) -> np.ndarray:
        """The chambers' Z at wave numbers k (...), real or complex: (..., n, n), 1/m."""
        k2 = np.square(np.asarray(k, complex))[..., None]
        shares = k2**2 / (self.k2**2 * (self.k2 - k2))  # what G and G' have not: theory's (3)
        k2 = k2[..., None]
        return (
            -self.shared / self.volumes / k2
            + self.static
            + k2 * self.quadratic
            + np.tensordot(shares, self.pairs, axes=1)
        )

    def outside(self, k: ArrayLike) -> np.ndarray:
        """The outside air's Z at wave numbers k (...), real or complex: (..., n, n), 1/m."""
        return self.around(k)

    @cached_property
    def pairs(self) -> np.ndarray:
        """Products of the modes at two ports: (m, n, n), 1/m^3."""
        return np.einsum("im,jm->mij", self.modes, self.modes)


@frozen
class RowChanges:
    """First-order changes of a port field for small moves of openings, one at a time.

    rows (v,): the port that each move touches. The changes are of that port's row of Z (and column alike), its own
    entry in its place; static, quadratic (v, n), modes (v, m), around: terms (p, v, n).
    """

    field: PortField
    rows: np.ndarray
    static: np.ndarray
    quadratic: np.ndarray
    modes: np.ndarray
    around: Interpolant

    def inside(self, k: ArrayLike, lossy: ArrayLike = 0.0) -> np.ndarray:
        """Changes of the chambers' Z at wave numbers k (...): (..., v, n), 1/m.

        lossy (..., m): what losses add to each mode's share 1/(k_n^2 - k^2), m2.
        """
        k2 = np.square(np.asarray(k, complex))[..., None]
        k_n2 = self.field.k2
        shares = k2**2 / (k_n2**2 * (k_n2 - k2)) + lossy
        pairs = np.einsum("vm,jm->mvj", self.modes, self.field.modes)
        pairs[:, np.arange(len(self.rows)), self.rows] *= 2  # d(phi_i^2) = 2 phi_i d phi_i
        return self.static + k2[..., None] * self.quadratic + np.tensordot(shares, pairs, axes=1)

    def outside(self, k: ArrayLike) -> np.ndarray:
        """Changes of the outside's Z at wave numbers k (...): (..., v, n), 1/m."""
        return self.around(k)
