"""Values that carry their first and second derivatives, so that a wall is written once, as its formula.

A `Taylor` holds the value, slope and bend of a function of x, y, z at many points. numpy's own functions
(`np.sqrt`, `np.abs`, `np.maximum`, ...) accept it, so the same formula serves plain arrays and derivatives.
Forward differentiation to second order: Griewank & Walther 2008 [Griewank2008], ch. 3 and 13, memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike


class Taylor:
    """f, grad f and the Hessian of f at n points: `value` (n,), `slope` (n, 3), `bend` (n, 3, 3)."""

    def __init__(self, value: np.ndarray, slope: np.ndarray, bend: np.ndarray):
        self.value, self.slope, self.bend = value, slope, bend

    @staticmethod
    def coordinates(points: np.ndarray) -> tuple[Taylor, Taylor, Taylor]:
        """x, y and z as Taylor values at `points` (n, 3)."""
        n = len(points)
        flat = np.zeros((n, 3, 3))
        x, y, z = (Taylor(points[:, i], np.tile(np.eye(3)[i], (n, 1)), flat) for i in range(3))
        return x, y, z

    def through(self, f: np.ndarray, df: np.ndarray, ddf: np.ndarray) -> Taylor:
        """g(self) for a scalar function g with the values `f`, `df`, `ddf` at self.value (chain rule)."""
        outer = self.slope[:, :, None] * self.slope[:, None, :]
        return Taylor(f, df[:, None] * self.slope, df[:, None, None] * self.bend + ddf[:, None, None] * outer)

    def pick(self, other: Taylor, mine: np.ndarray) -> Taylor:
        """self where `mine` holds, `other` elsewhere."""
        return Taylor(
            np.where(mine, self.value, other.value),
            np.where(mine[:, None], self.slope, other.slope),
            np.where(mine[:, None, None], self.bend, other.bend),
        )

    def __add__(self, other: Taylor | ArrayLike) -> Taylor:
        if isinstance(other, Taylor):
            return Taylor(self.value + other.value, self.slope + other.slope, self.bend + other.bend)
        return Taylor(self.value + other, self.slope, self.bend)

    def __mul__(self, other: Taylor | ArrayLike) -> Taylor:
        if not isinstance(other, Taylor):
            other = np.broadcast_to(np.asarray(other, float), self.value.shape)
            return Taylor(self.value * other, self.slope * other[:, None], self.bend * other[:, None, None])
        cross = self.slope[:, :, None] * other.slope[:, None, :]
        return Taylor(
            self.value * other.value,
            self.slope * other.value[:, None] + other.slope * self.value[:, None],
            self.bend * other.value[:, None, None]
            + other.bend * self.value[:, None, None]
            + cross
            + np.swapaxes(cross, 1, 2),
        )

    def __pow__(self, exponent: float) -> Taylor:
        v, m = self.value, float(exponent)
        return self.through(v**m, m * v ** (m - 1), m * (m - 1) * v ** (m - 2))

    def __neg__(self) -> Taylor:
        return self * -1.0

    def __sub__(self, other: Taylor | ArrayLike) -> Taylor:
        return self + (-other if isinstance(other, Taylor) else np.negative(other))

    def __rsub__(self, other: ArrayLike) -> Taylor:
        return -self + other

    def __truediv__(self, other: Taylor | ArrayLike) -> Taylor:
        return self * (other**-1.0 if isinstance(other, Taylor) else np.divide(1.0, other))

    def __rtruediv__(self, other: ArrayLike) -> Taylor:
        return self**-1.0 * other

    __radd__, __rmul__ = __add__, __mul__

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: object, **kwargs: object) -> Taylor:
        rule = _RULES.get(ufunc)
        if rule is None or method != "__call__" or kwargs:
            return NotImplemented
        return rule(*inputs)


def _exp(a: Taylor) -> Taylor:
    e = np.exp(a.value)
    return a.through(e, e, e)


def _log(a: Taylor) -> Taylor:
    return a.through(np.log(a.value), 1 / a.value, -1 / a.value**2)


def _larger(a: Taylor | ArrayLike, b: Taylor | ArrayLike, sign: float = 1.0) -> Taylor:
    like = a if isinstance(a, Taylor) else b
    assert isinstance(like, Taylor)
    a, b = (q if isinstance(q, Taylor) else like * 0.0 + q for q in (a, b))
    return a.pick(b, sign * a.value >= sign * b.value)


_RULES: dict[np.ufunc, Callable[..., Taylor]] = {
    np.add: lambda a, b: b + a if isinstance(b, Taylor) else a + b,
    np.subtract: lambda a, b: a - b if isinstance(a, Taylor) else b.__rsub__(a),
    np.multiply: lambda a, b: b * a if isinstance(b, Taylor) else a * b,
    np.divide: lambda a, b: a / b if isinstance(a, Taylor) else b.__rtruediv__(a),
    np.power: lambda a, m: a**m,
    np.square: lambda a: a * a,
    np.sqrt: lambda a: a**0.5,
    np.negative: lambda a: -a,
    np.abs: lambda a: a * np.where(a.value < 0, -1.0, 1.0),
    np.exp: _exp,
    np.log: _log,
    np.maximum: _larger,
    np.minimum: lambda a, b: _larger(a, b, -1.0),
}
