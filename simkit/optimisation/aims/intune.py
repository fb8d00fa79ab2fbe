"""Aims: each as residuals that should vanish, with their derivatives by the free numbers.

One unit of every residual is as bad as one cent on one note, so aims of unlike kinds can be asked together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import ClassVar, Protocol
from weakref import WeakKeyDictionary

import numpy as np

from simkit.frozen import frozen
from simkit.optimisation.aims.handmade import Hands, hand_error_of
from simkit.optimisation.aims.slopes import cents_slopes
from simkit.optimisation.problem.bounds import FreeNumber
from simkit.optimisation.problem.differences import SHARE, perturbed_trials
from simkit.optimisation.problem.distance import metric
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.trial import Trial


class Aim(Protocol):
    """One thing that is wanted. `measures` says in words, with its unit, what `value` is."""

    @property
    def weight(self) -> float:
        """Weight of the aim beside others, a factor of its residuals."""

    @property
    def measures(self) -> str:
        """Name of `value`, with its unit."""

    def value(self, trial: Trial) -> float:
        """The one number by which a maker would judge how far a design meets it."""

    def residuals(self, trial: Trial) -> np.ndarray:
        """Residuals (m,), one unit as bad as a cent on one note."""

    def slopes(self, trial: Trial) -> np.ndarray:
        """Derivatives of the residuals by the free numbers (m, n), to a few percent: the solver corrects itself."""


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
        return self.weight * quick_slopes(trial)


@frozen
class Proximity:
    """Numbers near where they are, a proximal term: each mm of place or of an opening's size, each percent of a
    chamber's size, counts `weight` cents.

    at (n,): where; metric (n,): what one unit of each number counts, see `simkit.optimisation.problem.distance`.
    """

    at: np.ndarray
    metric: np.ndarray
    weight: float = 1.0

    measures: ClassVar[str] = "moved in all, mm and percent of size"

    @classmethod
    def near(cls, freed: Freedom, at: np.ndarray | None = None) -> Proximity:
        """Proximity to the start of what may move, or to the point `at` (n,)."""
        return cls(freed.start if at is None else at, metric(freed))

    def only(self, kept: np.ndarray) -> Proximity:
        """Proximity of some of the numbers alone, (n,) bool."""
        return replace(self, at=self.at[kept], metric=self.metric[kept])

    def displacement(self, x: np.ndarray) -> np.ndarray:
        """Distance of each number (n,) of a point from `at`, mm or percent."""
        return self.metric * (x - self.at)

    def value(self, trial: Trial) -> float:
        return float(np.linalg.norm(self.displacement(trial.x)))

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * self.displacement(trial.x)

    def slopes(self, trial: Trial) -> np.ndarray:
        return np.diag(self.weight * self.metric)  # each number by itself


@dataclass(frozen=True)
class Steady:
    """Notes that hand-made error moves little beside the piece's own pitch.

    Each note's plus or minus (see `handmade`) is a residual: ten cents of it count as one cent out of tune.
    """

    hands: Hands = field(default_factory=Hands)
    weight: float = 0.1

    measures: ClassVar[str] = "worst note's plus or minus by hand-made error, cents"

    def value(self, trial: Trial) -> float:
        return float(hand_error_of(trial, self.hands).own.max())  # own: a player takes up what all notes have in common

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * hand_error_of(trial, self.hands).own

    def slopes(self, trial: Trial) -> np.ndarray:
        # By ducts alone: nine tenths of a hole's error, and the field's share would be solved anew for every
        # perturbed design.
        return differences(trial, self._by_ducts)

    def _by_ducts(self, trial: Trial) -> np.ndarray:
        return self.weight * hand_error_of(trial, self.hands, field=False).own


@dataclass(frozen=True)
class SmallHoles:
    """Holes that small fingers cover: each millimetre of each hole's diameter counts as `weight` cents."""

    weight: float = 0.1

    measures: ClassVar[str] = "widest hole, mm"

    def value(self, trial: Trial) -> float:
        return float(_diameters(trial).max(initial=0.0))

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * _diameters(trial)

    def slopes(self, trial: Trial) -> np.ndarray:
        return differences(trial, self.residuals)


def _diameters(trial: Trial) -> np.ndarray:
    return np.array([hole.diameter_mm for chamber in trial.vessel.chambers for hole in chamber.holes])


def differences(trial: Trial, measured: Callable[[Trial], np.ndarray]) -> np.ndarray:
    """Derivatives (m, n) of something measured (m,) on a trial by each free number, by designs perturbed each way."""
    here = measured(trial)
    # One-sided: two percent of a clear change.
    columns = [(measured(there) - here) / (SHARE * number.reach) for there, number in _perturbed(trial)]
    return np.stack(columns, axis=1)


def _perturbed(trial: Trial) -> Iterator[tuple[Trial, FreeNumber]]:
    return zip(perturbed_trials(trial), trial.freedom.numbers, strict=True)


_SLOPES: WeakKeyDictionary[Trial, np.ndarray] = WeakKeyDictionary()


def quick_slopes(trial: Trial) -> np.ndarray:
    """The Jacobian of the notes in cents (f, n), by quick slopes: several aims ask for it.

    Kept as long as the trial is there, which holds meshes and fields.
    """
    if trial not in _SLOPES:
        _SLOPES[trial] = cents_slopes(trial, exact=False)
    return _SLOPES[trial]


def known_slopes(trial: Trial) -> np.ndarray | None:
    """Derivatives (f, n) of a trial's notes by the free numbers, cents per unit, if they have been asked for."""
    return _SLOPES.get(trial)


def set_slopes(trial: Trial, slopes: np.ndarray) -> None:
    """Let a trial have these quick slopes (f, n), known from somewhere else."""
    _SLOPES[trial] = slopes
