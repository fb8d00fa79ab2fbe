"""Values kept by what they depend on, so many of them."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from typing import Generic, TypeVar

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
