"""Values kept by what they depend on, so many of them; and numbers of pairs, of which only new ones are made."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from typing import Generic, TypeVar

import numpy as np

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")

MOST = 128  # things kept, if they are light


class Kept(Generic[Key, Value]):
    """Values by what they depend on: the `most` last asked for, and always twice what is asked for at once."""

    def __init__(self, most: int = MOST):
        self._most, self._values = most, OrderedDict[Key, Value]()

    def of(self, keys: Sequence[Key], make: Callable[[list[Key]], Sequence[Value]]) -> list[Value]:
        """The value of each key; what is missing is made in one go."""
        missing = [key for key in dict.fromkeys(keys) if key not in self._values]
        if missing:
            self._values.update(zip(missing, make(missing), strict=True))
        for key in keys:
            self._values.move_to_end(key)
        found = [self._values[key] for key in keys]
        # Twice the question at hand, or a body of more openings than `most` would never find one again.
        while len(self._values) > max(self._most, 2 * len(keys)):
            self._values.popitem(last=False)
        return found


class KeptPairs:
    """Numbers for each pair of some things, kept for the next question: only pairs with a new thing are made."""

    def __init__(self) -> None:
        self._place: dict[Hashable, int] = {}
        self._found = np.zeros((0, 0))

    def of(
        self,
        keys: Sequence[Hashable],
        between: Callable[[list[int], list[int]], np.ndarray],
        symmetric: bool = False,
    ) -> np.ndarray:
        """Numbers (..., n, n) of things by their keys; between(rows, columns) makes those of some: (..., r, c)."""
        known = [n for n, key in enumerate(keys) if key in self._place]
        new = [n for n, key in enumerate(keys) if key not in self._place]
        before = [self._place[keys[n]] for n in known]
        columns = between(list(range(len(keys))), new) if new else self._found
        found = np.empty((*columns.shape[:-2], len(keys), len(keys)), columns.dtype)
        if known:
            found[..., np.array(known)[:, None], known] = self._found[..., np.array(before)[:, None], before]
        if new:
            found[..., new] = columns
        if new and known:
            rows = columns[..., known, :].swapaxes(-1, -2) if symmetric else between(new, known)
            found[..., np.array(new)[:, None], known] = rows
        self._place, self._found = {key: n for n, key in enumerate(keys)}, found
        return found.copy()  # who asks may write into it
