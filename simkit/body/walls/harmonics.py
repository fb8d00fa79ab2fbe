"""A closed surface seen from a point inside it as a smooth radius over all directions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np


def harmonics(x: Any, y: Any, z: Any, degree: int) -> list[Any]:
    """Real spherical harmonics to `degree` at unit vectors (arrays or Taylor values), (degree + 1)^2 of them.

    By the recursions of Sloan 2013 (J. Comput. Graph. Tech. 2(2):84): cos and sin of m phi times sin^m by complex
    powers of x + iy, Legendre functions in z by the three-term rule. Each is scaled to unit mean square on the sphere.
    """
    cosine, sine = _turned(x, y, degree)
    values: list[Any] = []
    for m in range(degree + 1):
        for current in _legendre(z, m, degree):
            if m == 0:
                values.append(current)
            else:
                # cos^2 and sin^2 are 1/2 on the mean: the root of two keeps the mean square at 1.
                values += [current * cosine[m] * np.sqrt(2.0), current * sine[m] * np.sqrt(2.0)]
    return values


def summed(x: Any, y: Any, z: Any, degree: int, coefficients: np.ndarray) -> Any:
    """The sum of those harmonics times `coefficients` ((degree + 1)^2,), in less than half the products: what shares a
    turn around z is added up before it is turned."""
    cosine, sine = _turned(x, y, degree)
    total: Any = x * 0.0
    used = 0
    for m in range(degree + 1):
        even: Any = 0.0
        odd: Any = 0.0
        for current in _legendre(z, m, degree):
            if m == 0:
                even = even + current * float(coefficients[used])
                used += 1
            else:
                even = even + current * float(np.sqrt(2.0) * coefficients[used])
                odd = odd + current * float(np.sqrt(2.0) * coefficients[used + 1])
                used += 2
        total = total + (even if m == 0 else even * cosine[m] + odd * sine[m])
    return total


def _turned(x: Any, y: Any, degree: int) -> tuple[list[Any], list[Any]]:
    """Real and imaginary parts of (x + iy)^m, m from 0 to `degree`."""
    cosine, sine = [x * 0.0 + 1.0], [x * 0.0]
    for _ in range(degree):
        c, s = cosine[-1], sine[-1]
        cosine.append(x * c - y * s)  # (x + iy)^(m+1) = (x + iy)(c + is)
        sine.append(x * s + y * c)
    return cosine, sine


def _legendre(z: Any, m: int, degree: int) -> Iterator[Any]:
    """The Legendre functions of order m over sin^m, of degrees m to `degree`, scaled."""
    previous: Any = None
    # P_m^m over sin^m is a constant.
    current = (z * 0.0 + 1.0) * np.sqrt(np.prod([(2 * j + 1) / (2 * j) for j in range(1, m + 1)]))
    yield current
    for l in range(m + 1, degree + 1):  # noqa: E741 - the letter of the field
        a = np.sqrt((4 * l * l - 1) / (l * l - m * m))
        # a_l/a_(l-1) of the three-term rule, once two degrees are there to start from.
        b = np.sqrt(((l - 1) ** 2 - m * m) / (4 * (l - 1) ** 2 - 1)) if l > m + 1 else 0.0
        step = z * current * a
        previous, current = current, step - previous * (a * b) if b else step
        yield current


def fitted(directions: np.ndarray, radii: np.ndarray, weights: np.ndarray, degree: int) -> np.ndarray:
    """Coefficients of the weighted least-squares fit of radii (n,) at unit directions (n, 3)."""
    # A little smoothing keeps directions that were never measured from running away.
    return smoothed(directions, radii, weights, degree)(1e-9)


def smoothed(
    directions: np.ndarray, radii: np.ndarray, weights: np.ndarray, degree: int
) -> Callable[[float], np.ndarray]:
    """`fitted` for any weight of smoothness, the mean square of the sphere's Laplacian over its largest factor."""
    basis = np.stack(harmonics(directions[:, 0], directions[:, 1], directions[:, 2], degree), axis=1)
    weights = weights / weights.sum()
    # Degree n of each harmonic, in the order of `harmonics`: for each m all degrees, twice but for m = 0.
    orders = np.array([n for m in range(degree + 1) for n in range(m, degree + 1) for _ in range(1 + (m > 0))])
    # The Laplacian on the sphere multiplies a harmonic by -n(n + 1); over the largest, so that `weight` has no unit.
    rough = np.diag((orders * (orders + 1.0) / (degree * (degree + 1.0))) ** 2)
    weighted = basis * weights[:, None]
    # The basis is near orthonormal under the weights, so the normal equations lose nothing here.
    normal, right = basis.T @ weighted, weighted.T @ radii
    return lambda weight: np.linalg.solve(normal + weight * rough, right)
