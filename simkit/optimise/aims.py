"""What a design is wanted to do: each aim as residuals that should vanish, with their slopes by the free numbers.

One unit of every residual is as bad as one cent on one note, so aims of unlike kinds can be asked together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import ClassVar, Protocol
from weakref import WeakKeyDictionary

import numpy as np

from simkit.frozen import frozen
from simkit.optimise.bounds import FreeNumber
from simkit.optimise.handmade import Hands, hand_error_of
from simkit.optimise.leaning import SHARE, leaning
from simkit.optimise.slopes import cents_slopes
from simkit.optimise.trial import Trial


class Aim(Protocol):
    """One thing that is wanted. `measures` says in words, with its unit, what `value` is."""

    @property
    def weight(self) -> float:
        """How much it counts beside other aims."""

    @property
    def measures(self) -> str:
        """What `value` is, with its unit."""

    def value(self, trial: Trial) -> float:
        """The one number by which a maker would judge how far a design meets it."""

    def residuals(self, trial: Trial) -> np.ndarray:
        """What should vanish (m,)."""

    def slopes(self, trial: Trial) -> np.ndarray:
        """How that changes with the free numbers (m, n), good to a few percent: the solver corrects itself."""


@dataclass(frozen=True)
class InTune:
    """Every note at its target; one cent counts as one."""

    weight: float = 1.0

    measures: ClassVar[str] = "worst note off, cents"

    def value(self, trial: Trial) -> float:
        return float(np.abs(trial.cents).max())

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * trial.cents

    def slopes(self, trial: Trial) -> np.ndarray:
        return self.weight * steering_slopes(trial)


@frozen
class Stay:
    """Numbers near where they started, as far as nothing else asks for more.

    It is weak on purpose: it chooses among designs that are equally in tune. One clear change of a number (`reach`)
    counts as three thousandths of a cent.
    """

    at: np.ndarray
    weight: float = 0.003

    measures: ClassVar[str] = "farthest from the start, clear changes"

    def value(self, trial: Trial) -> float:
        return float(np.abs((trial.x - self.at) / trial.freedom.reach).max())

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * (trial.x - self.at) / trial.freedom.reach

    def slopes(self, trial: Trial) -> np.ndarray:
        return np.diag(self.weight / trial.freedom.reach)


@dataclass(frozen=True)
class Steady:
    """Notes that hand-made error moves little beside the piece's own pitch.

    Each note's plus or minus (see `handmade`) is a residual: ten cents of it count as one cent out of tune.
    """

    hands: Hands = field(default_factory=Hands)
    weight: float = 0.1

    measures: ClassVar[str] = "worst note's plus or minus by hand-made error, cents"

    def value(self, trial: Trial) -> float:
        return float(hand_error_of(trial, self.hands).own.max())

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * hand_error_of(trial, self.hands).own

    def slopes(self, trial: Trial) -> np.ndarray:
        return differences(trial, self._by_ducts)

    def _by_ducts(self, trial: Trial) -> np.ndarray:
        return self.weight * hand_error_of(trial, self.hands, field=False).own


@dataclass(frozen=True)
class SmallHoles:
    """Holes that small fingers cover: each millimetre of each hole's diameter counts as `weight` cents."""

    weight: float = 0.1

    measures: ClassVar[str] = "widest hole, mm"

    def value(self, trial: Trial) -> float:
        return float(_diameters(trial).max())

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * _diameters(trial)

    def slopes(self, trial: Trial) -> np.ndarray:
        return differences(trial, self.residuals)


def _diameters(trial: Trial) -> np.ndarray:
    return np.array([hole.diameter_mm for chamber in trial.vessel.chambers for hole in chamber.holes])


def differences(trial: Trial, measured: Callable[[Trial], np.ndarray]) -> np.ndarray:
    """How something measured (m,) on a trial changes with each free number (m, n), by designs that lean each way."""
    here = measured(trial)
    columns = [(measured(there) - here) / (SHARE * number.reach) for there, number in _leaning(trial)]
    return np.stack(columns, axis=1)


def _leaning(trial: Trial) -> Iterator[tuple[Trial, FreeNumber]]:
    return zip(leaning(trial), trial.freedom.numbers, strict=True)


_SLOPES: WeakKeyDictionary[Trial, np.ndarray] = WeakKeyDictionary()


def steering_slopes(trial: Trial) -> np.ndarray:
    """The slopes of the notes in cents (f, n), quick ones: several aims ask for them.

    Kept as long as the trial is there, which holds meshes and fields.
    """
    if trial not in _SLOPES:
        _SLOPES[trial] = cents_slopes(trial, exact=False)
    return _SLOPES[trial]
