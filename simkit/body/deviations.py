"""Pieces of one design as they came out of the hands: sizes that differ from it, and holes not cut yet."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from simkit.frozen import frozen


@frozen
class Made:
    """Many states of one chamber, one a row: sizes counted as fired, m.

    diameters (m, holes): 0 where a hole is not cut yet; walls (m, openings): length of each duct, the window's
    first; width, cut_up (m,): the window; volume (m,): the chamber's air over that of the design; size (m,): a
    length now over the same length fired, more than 1 before the kiln.
    """

    diameters: np.ndarray
    walls: np.ndarray
    width: np.ndarray
    cut_up: np.ndarray
    volume: np.ndarray
    size: np.ndarray

    def __len__(self) -> int:
        return len(self.volume)

    def rows(self, which: np.ndarray) -> Made:
        """Some of the states, or each several times."""
        # Every field has a row for each state.
        return Made(*(getattr(self, field.name)[which] for field in fields(self)))

    def but(self, **changed: np.ndarray) -> Made:
        """Copy with other values of some sizes."""
        return replace(self, **changed)

    @staticmethod
    def joined(parts: list[Made]) -> Made:
        """States of several, one after the other."""
        return Made(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Made)))


@frozen
class MadeSlopes:
    """Logarithmic derivatives of each state's frequency: for each e-fold of volume (m,), for each metre of cut_up (m,),
    of every wall (m, openings) and of every diameter (m, holes)."""

    volume: np.ndarray
    cut_up: np.ndarray
    walls: np.ndarray
    diameters: np.ndarray
