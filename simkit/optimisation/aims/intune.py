"""Aims: each as residuals that should vanish, with their derivatives by the free numbers.

One unit of every residual is as bad as one cent on one note, so aims of unlike kinds can be asked together.

A wall's slope takes a port field on moved meshes, six times what all openings take together. From a design to one not
far from it, it hardly changes; what the notes did on the way mends it (Broyden 1965, from memory): the columns of the
walls change as little as it takes that the step from one to the other comes out as it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import ClassVar, Protocol
from weakref import WeakKeyDictionary

import numpy as np

from simkit.frozen import frozen
from simkit.optimisation.aims.handmade import Hands, hand_error_of
from simkit.optimisation.aims.slopes import cents_slopes, slopes_beside
from simkit.optimisation.problem.distance import metric
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.morphing import SHARE, perturbed_trials
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


class Measured:
    """An aim by numbers (m,) that should be small, all in one unit, the largest of which is its value; its slopes are
    by differences unless it knows quicker ones."""

    weight: float

    def measured(self, trial: Trial) -> np.ndarray:
        """The numbers (m,) of a design on trial."""
        raise NotImplementedError

    def value(self, trial: Trial) -> float:
        return float(np.abs(self.measured(trial)).max(initial=0.0))

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * self.measured(trial)

    def slopes(self, trial: Trial) -> np.ndarray:
        return differences(trial, self.residuals)


@dataclass(frozen=True)
class InTune(Measured):
    """Every note at its target; one cent counts as one."""

    weight: float = 1.0

    measures: ClassVar[str] = "worst note off, cents"

    def measured(self, trial: Trial) -> np.ndarray:
        return trial.cents

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
class Steady(Measured):
    """Notes that hand-made error moves little beside the piece's own pitch.

    Each note's plus or minus (see `handmade`) is a residual: ten cents of it count as one cent out of tune.
    """

    hands: Hands = field(default_factory=Hands)
    weight: float = 0.1

    measures: ClassVar[str] = "worst note's plus or minus by hand-made error, cents"

    def measured(self, trial: Trial) -> np.ndarray:
        return hand_error_of(trial, self.hands).own  # own: a player takes up what all notes have in common

    def slopes(self, trial: Trial) -> np.ndarray:
        # By ducts alone: nine tenths of a hole's error, and the field's share would be solved anew for every
        # perturbed design.
        return differences(trial, lambda there: self.weight * hand_error_of(there, self.hands, field=False).own)


@dataclass(frozen=True)
class SmallHoles(Measured):
    """Holes that small fingers cover: each millimetre of each hole's diameter counts as `weight` cents."""

    weight: float = 0.1

    measures: ClassVar[str] = "widest hole, mm"

    def measured(self, trial: Trial) -> np.ndarray:
        return np.array([hole.diameter_mm for chamber in trial.vessel.chambers for hole in chamber.holes])


def differences(trial: Trial, measured: Callable[[Trial], np.ndarray]) -> np.ndarray:
    """Derivatives (m, n) of something measured (m,) on a trial by each free number, by designs perturbed each way."""
    here = measured(trial)
    # One-sided: two percent of a clear change.
    steps = (SHARE * number.reach for number in trial.freedom.numbers)
    columns = [(measured(there) - here) / step for there, step in zip(perturbed_trials(trial), steps, strict=True)]
    return np.stack(columns, axis=1)


_SLOPES: WeakKeyDictionary[Trial, np.ndarray] = WeakKeyDictionary()


def quick_slopes(trial: Trial) -> np.ndarray:
    """The Jacobian of the notes in cents (f, n), by quick slopes: several aims ask for it.

    Kept as long as the trial is there, which holds meshes and fields.
    """
    if trial not in _SLOPES:
        _SLOPES[trial] = cents_slopes(trial, exact=False)
    return _SLOPES[trial]


def set_slopes(trial: Trial, slopes: np.ndarray) -> None:
    """Let a trial have these quick slopes (f, n), known from somewhere else."""
    _SLOPES[trial] = slopes


@dataclass(frozen=True)
class Range:
    """A highest note far above the lowest; each semitone short of `most` counts as `weight` cents."""

    most: float = 48.0
    weight: float = 1.5

    measures: ClassVar[str] = "pitch range, semitones"

    def value(self, trial: Trial) -> float:
        lowest, highest = _ends(trial)
        semitones = 12 * np.log2(_targets(trial)) + trial.cents / 100  # over 1 Hz: only differences count
        return float(semitones[highest] - semitones[lowest])

    def residuals(self, trial: Trial) -> np.ndarray:
        # Of a range beyond `most` it turns negative, and pulls back.
        return np.array([self.weight * (self.most - self.value(trial))])

    def slopes(self, trial: Trial) -> np.ndarray:
        lowest, highest = _ends(trial)
        by_number = quick_slopes(trial)
        # Residual falls as the range grows.
        return self.weight / 100 * (by_number[lowest] - by_number[highest])[None, :]


@dataclass(frozen=True)
class Stretched(Measured):
    """Aim: in tune but for the scale's range: the lowest note at its target, every step above it grown alike."""

    weight: float = 1.0

    measures: ClassVar[str] = "worst note off the stretched scale, cents"

    def measured(self, trial: Trial) -> np.ndarray:
        return _unstretched(trial) @ trial.cents

    def slopes(self, trial: Trial) -> np.ndarray:
        return self.weight * (_unstretched(trial) @ quick_slopes(trial))


def _targets(trial: Trial) -> np.ndarray:
    return np.concatenate([voice.targets for voice in trial.voices])


def _ends(trial: Trial) -> tuple[int, int]:
    """The notes with the lowest and the highest target."""
    targets = _targets(trial)
    return int(targets.argmin()), int(targets.argmax())


def _unstretched(trial: Trial) -> np.ndarray:
    """Matrix (f, f) that takes from every note's cents its share of those of the highest."""
    targets, (lowest, highest) = np.log(_targets(trial)), _ends(trial)
    # 0 for the lowest note, 1 for the highest.
    shares = (targets - targets[lowest]) / max(targets[highest] - targets[lowest], 1e-12)
    matrix = np.eye(len(targets))
    # Row n: cents of note n less its share of those of the highest, which so falls out itself.
    matrix[:, highest] -= shares
    return matrix


_SHORT = 0.5  # clear changes of the walls: of a step much shorter than this little is learnt


def broyden_update(here: Trial, there: Trial) -> None:
    """Let `there` know the slopes of its notes by those of `here`, asking anew for openings only."""
    before, cheap = _SLOPES.get(here), there.by_openings
    if before is None or there in _SLOPES or cheap.all():
        return
    after = before.copy()  # walls' columns stay, openings' are asked anew
    after[:, cheap] = slopes_beside(there, [n for n, c in zip(there.neighbours, cheap, strict=True) if c], exact=False)
    set_slopes(there, updated(before, after, ~cheap, there.x - here.x, there.cents - here.cents, there.freedom.reach))


def updated(
    before: np.ndarray, after: np.ndarray, old: np.ndarray, step: np.ndarray, change: np.ndarray, reach: np.ndarray
) -> np.ndarray:
    """Slopes (f, n) `after` a step (n,) with their `old` columns changed least so that what `change` (f,) comes out.

    A step is foretold by the mean of the slopes before and after, right to second order, which takes half of what is
    changed after it. Least is meant in clear changes, `reach` (n,); a short step says little, as notes jump by some
    tenths of a cent from mesh to mesh.
    """
    missed = change - (before + after) / 2 @ step
    # Only columns that were not asked anew may change.
    clear = np.where(old, step / reach, 0.0)
    # 2: half of a change after the step shows in the mean. The sum keeps short steps from dividing by nearly nothing.
    return after + 2 * np.outer(missed, clear / (clear @ clear + _SHORT**2)) / reach
