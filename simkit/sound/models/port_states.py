"""The notes of one chamber in many states of playing by the port model, and those that are kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from simkit.errors import OutOfReach
from simkit.sound.models.side_by_side import lowest_of
from simkit.sound.models.window_apart import lowest_apart


def lowest_in_states(resonators: Sequence[Any], openness: np.ndarray) -> np.ndarray:
    """`lowest` (s, f) of one chamber in several states of playing, each a `ports.PortsResonator`, for fingerings
    (f, holes): at once if it can be.

    Kept with the solution by all that it depends on: other targets, or the same question again, solve nothing.
    """
    first, openness = resonators[0], np.atleast_2d(np.asarray(openness, float))
    states = first.states(openness)
    if not all(each.solution is first.solution and each.beside is first.beside for each in resonators):
        return np.stack([each.lowest(openness) for each in resonators])
    # All that a note depends on beside the field, which is the solution's own.
    asked = [(e.circuit.ducts, e.airs, e.circuit.lossless, e.circuit.nearby, e.playing.breath) for e in resonators]
    key = tuple(asked), first.rows.tobytes(), states.shape, states.tobytes()
    (found,) = first.solution.kept.of([key], lambda _: [_lowest_in_states(resonators, openness, states)])
    return np.array(found)  # a copy: who asks may write into it


def _lowest_in_states(resonators: Sequence[Any], openness: np.ndarray, states: np.ndarray) -> np.ndarray:
    first, circuits = resonators[0], [each.circuit for each in resonators]
    # Together only what all have in common: something open, and nothing half covered.
    if (states * first.rows).any(axis=1).all() and not ((states > 0) & (states < 1)).any():
        start = np.stack([each.near_lowest(states) for each in resonators])
        try:
            if first.rows.all() and first.windowed:
                found = lowest_apart(circuits, states, start)
            else:
                found = lowest_of(circuits, first.rows, states, start)
            return found * _drifts(resonators, openness)
        except OutOfReach:
            pass  # one by one they may be found in another way, or say why not
    return np.stack([each.lowest(openness) for each in resonators])


def _drifts(resonators: Sequence[Any], openness: np.ndarray) -> np.ndarray:
    """`drift` (s, f) of each, found once for those that have the same."""
    known: dict[tuple[int, bytes], np.ndarray] = {}
    found = []
    for each in resonators:
        key = id(each.playing.breath), each.conductivities.tobytes()
        if key not in known:
            known[key] = each.drift(openness)
        found.append(known[key])
    return np.stack(found)
