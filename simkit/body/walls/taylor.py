"""Values that carry their first and second derivatives, so that a wall is written once, as its formula.

A `Taylor` holds the value, slope and Hessian of a function of x, y, z at many points. numpy's own functions
(`np.sqrt`, `np.abs`, `np.maximum`, ...) accept it, so the same formula serves plain arrays and derivatives.
Forward differentiation to second order: Griewank & Walther 2008 [Griewank2008], ch. 3 and 13, memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

# One component of a slope or a Hessian: (n,), a number where it is the same at all points, None where there is none.
# Most of a formula knows one axis or two, so that most components are None and cost nothing.
_Part: TypeAlias = Any
_PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


class Taylor:
    """f, grad f and the Hessian of f at n points: `value` (n,), `slope` (n, 3), `hessian` (n, 3, 3)."""

    def __init__(self, value: np.ndarray, parts: Sequence[_Part]):
        self.value, self._parts = value, parts  # of the slope three, then of the Hessian six, in the order of _PAIRS

    @staticmethod
    def of(value: np.ndarray, slope: np.ndarray, hessian: np.ndarray) -> Taylor:
        """From a value (n,), its slope (n, 3) and its Hessian (n, 3, 3)."""
        return Taylor(value, [*slope.T, *(hessian[:, i, j] for i, j in _PAIRS)])

    @staticmethod
    def coordinates(points: np.ndarray) -> tuple[Taylor, Taylor, Taylor]:
        """x, y and z as Taylor values at `points` (n, 3)."""
        x, y, z = (Taylor(points[:, i], [1.0 if i == j else None for j in range(9)]) for i in range(3))
        return x, y, z

    @property
    def slope(self) -> np.ndarray:
        """The gradient (n, 3)."""
        slope = np.zeros((len(self.value), 3))
        for i, part in enumerate(self._parts[:3]):
            if part is not None:
                slope[:, i] = part
        return slope

    @property
    def hessian(self) -> np.ndarray:
        """The Hessian (n, 3, 3)."""
        hessian = np.zeros((len(self.value), 3, 3))
        for (i, j), part in zip(_PAIRS, self._parts[3:], strict=True):
            if part is not None:
                hessian[:, i, j] = hessian[:, j, i] = part
        return hessian

    def through(self, f: np.ndarray, df: np.ndarray, ddf: np.ndarray) -> Taylor:
        """g(self) for a scalar function g with the values `f`, `df`, `ddf` at self.value (chain rule)."""
        first, second = self._parts[:3], self._parts[3:]
        # (g o f)_ij = g' f_ij + g'' f_i f_j.
        steep = [_times(part, ddf) for part in first]  # once for each axis, used in up to three of the six
        bent = [
            _plus(_times(part, df), _times(steep[i], first[j])) for part, (i, j) in zip(second, _PAIRS, strict=True)
        ]
        return Taylor(f, [*(_times(part, df) for part in first), *bent])

    def pick(self, other: Taylor, mine: np.ndarray) -> Taylor:
        """self where `mine` holds, `other` elsewhere."""

        def picked(here: _Part, there: _Part) -> _Part:
            if here is None and there is None:
                return None
            return np.where(mine, 0.0 if here is None else here, 0.0 if there is None else there)

        value = np.where(mine, self.value, other.value)
        return Taylor(value, [picked(*both) for both in zip(self._parts, other._parts, strict=True)])

    def turned(self, turn: np.ndarray) -> Taylor:
        """Derivatives along axes in which those of x, y, z are the columns of the rotation `turn` (3, 3)."""
        # Columns of `turn` are the images of the axes: gradients turn as vectors do.
        return Taylor.of(self.value, self.slope @ turn.T, turn @ self.hessian @ turn.T)

    def __add__(self, other: Taylor | ArrayLike) -> Taylor:
        if isinstance(other, Taylor):
            parts = zip(self._parts, other._parts, strict=True)
            return Taylor(self.value + other.value, [_plus(*both) for both in parts])
        return Taylor(self.value + other, self._parts)

    def __mul__(self, other: Taylor | ArrayLike) -> Taylor:
        if not isinstance(other, Taylor):
            factor = other if isinstance(other, float) else np.asarray(other, float)
            return Taylor(self.value * factor, [_times(part, factor) for part in self._parts])
        v, w, a, b = self.value, other.value, self._parts, other._parts
        parts = [_plus(_times(mine, w), _times(its, v)) for mine, its in zip(a, b, strict=True)]
        for k, (i, j) in enumerate(_PAIRS, 3):
            parts[k] = _plus(parts[k], _plus(_times(a[i], b[j]), _times(a[j], b[i])))  # Leibniz
        return Taylor(v * w, parts)

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

    # numpy hands its own functions over to this: np.sqrt(taylor), and array + taylor, come here.
    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: object, **kwargs: object) -> Taylor:
        rule = _RULES.get(ufunc)
        if rule is None or method != "__call__" or kwargs:
            return NotImplemented
        return rule(*inputs)


def _plus(a: _Part, b: _Part) -> _Part:
    return b if a is None else a if b is None else a + b


def _times(a: _Part, b: _Part) -> _Part:
    return None if a is None or b is None else a * b


def _exp(a: Taylor) -> Taylor:
    e = np.exp(a.value)
    return a.through(e, e, e)


def _log(a: Taylor) -> Taylor:
    return a.through(np.log(a.value), 1 / a.value, -1 / a.value**2)


def _larger(a: Taylor | ArrayLike, b: Taylor | ArrayLike, sign: float = 1.0) -> Taylor:
    like = a if isinstance(a, Taylor) else b
    assert isinstance(like, Taylor)
    a, b = (q if isinstance(q, Taylor) else like * 0.0 + q for q in (a, b))  # a plain number gets derivatives of 0
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
