"""Frozen values that hold arrays: equal, and found again in a dictionary, by what they hold."""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable, Mapping
from functools import lru_cache
from typing import Any, TypeVar, dataclass_transform

import numpy as np

T = TypeVar("T")


@dataclass_transform(frozen_default=True, field_specifiers=(dataclasses.field,))
def frozen(kind: type[T]) -> type[T]:
    """A frozen dataclass whose arrays, lists and mappings count by their content in == and in the hash.

    For light values. What is heavy, a mesh, a factor, a solution, is itself and nothing else:
    `@dataclass(frozen=True, eq=False)`.

    >>> @frozen
    ... class Place:
    ...     at: np.ndarray
    >>> Place(np.zeros(3)) == Place(np.zeros(3)), len({Place(np.zeros(3)), Place(np.zeros(3))})
    (True, 1)
    """

    def same(self: T, other: object) -> bool:
        if self is other:
            return True
        if type(other) is not type(self):
            return NotImplemented
        pairs = ((getattr(self, name), getattr(other, name)) for name in _names(type(self)))  # type: ignore[arg-type]
        return all(_alike(mine, theirs) for mine, theirs in pairs)

    # eq=False: the generated == would compare arrays, whose answer is an array and no truth.
    made = dataclasses.dataclass(frozen=True, eq=False)(kind)
    made.__eq__ = same  # type: ignore[method-assign, assignment]
    made.__hash__ = _hashed  # type: ignore[method-assign, assignment]
    if "__getstate__" not in kind.__dict__:
        made.__getstate__ = _without_hash  # type: ignore[method-assign, assignment]
    return made


def fields_of(value: Any) -> dict[str, Any]:
    """Fields of a value by name: `vars` would also have what it has found out about itself since, such as its hash."""
    return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}


def _hashed(value: object) -> int:
    """The hash of what a value holds, found once: it is frozen."""
    kept: int | None = value.__dict__.get(_HASH)
    if kept is None:
        kept = value.__dict__[_HASH] = hash(_fields(value))  # past the frozen __setattr__
    return kept


_HASH = "_hash_of_fields"


def _without_hash(value: object) -> dict[str, object]:
    """State to pickle or copy, without the hash: another process hashes texts otherwise."""
    return {name: held for name, held in value.__dict__.items() if name != _HASH}


def _fields(value: object) -> Hashable:
    return tuple(content(getattr(value, name)) for name in _names(type(value)))  # type: ignore[arg-type]


def _alike(mine: object, theirs: object) -> bool:
    """Whether two values hold the same; what is one and the same is not looked into."""
    if mine is theirs:
        return True
    if type(mine) is tuple and type(theirs) is tuple:
        return len(mine) == len(theirs) and all(map(_alike, mine, theirs))
    return content(mine) == content(theirs)


@lru_cache(maxsize=1024)
def _names(kind: type) -> tuple[str, ...]:
    """Names of the fields that count."""
    return tuple(field.name for field in dataclasses.fields(kind) if field.compare)


def content(value: object) -> Hashable:
    """Content of an array, a list or a mapping, as something that can be compared and hashed; all else as it is."""
    kind = _kind(type(value))  # type: ignore[arg-type]
    if kind is None:
        return value
    if kind is np.ndarray:
        array: np.ndarray = value  # type: ignore[assignment]
        # Adding 0 makes one of the two zeros, which are equal and differ in their bits.
        return array.shape, array.dtype.str, (array + 0 if array.dtype.kind in "fc" else array).tobytes()
    if kind is Mapping:
        return frozenset((key, content(entry)) for key, entry in value.items())  # type: ignore[attr-defined]
    return tuple(map(content, value))  # type: ignore[call-overload]


@lru_cache(maxsize=1024)
def _kind(kind: type) -> type | None:
    """As which of these a value of some type is looked into; None: as it is."""
    return next((each for each in (np.ndarray, Mapping, list, tuple) if issubclass(kind, each)), None)
