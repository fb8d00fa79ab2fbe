"""The fixed points of slow functions, many at once, by the secant method."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simkit.errors import OutOfReach

_STEPS = 30


def fixed_point(
    proposed: Callable[[np.ndarray], np.ndarray],
    start: np.ndarray,
    near: float,
    who: str,
    ends: tuple[float, float] = (-np.inf, np.inf),
) -> np.ndarray:
    """Complex omega (f,), rad/s, that `proposed` returns unchanged, to `near` of itself, from `start` (f,).

    The secant method on what a step changes; OutOfReach, naming `who`, if they do not all settle between `ends`. A step
    of size e after one of size d leaves some e d/omega, and is the last where that is a hundredth of what is wanted.

    >>> fixed_point(lambda x: 1 + 0.1 * x**2, np.array([1.0]), 1e-12, "the example")
    array([1.12701665])
    """
    before, omega = start, proposed(start)
    miss = omega - before
    for _ in range(_STEPS):
        following = proposed(omega)
        new_miss = following - omega
        change = miss - new_miss
        # 1/(1 - F'), from two misses; 1, a plain step, where they no longer differ.
        slope = np.where(np.abs(change) > 1e-14 * np.abs(omega), (omega - before) / np.where(change == 0, 1, change), 1)
        step = new_miss * slope
        left = np.maximum(np.abs(omega - before), np.abs(step)) / np.abs(omega) * np.abs(step / omega)
        before, miss, omega = omega, new_miss, omega + step
        if np.all((left < 0.01 * near) | (np.abs(new_miss) < near * np.abs(omega))):
            if omega.real.min() < ends[0] or omega.real.max() > ends[1]:
                break  # where `proposed` is not what it should be
            return omega
    raise OutOfReach(f"the lowest resonance did not settle for {who}")
