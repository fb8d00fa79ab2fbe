"""What a design is wanted to do: each aim as residuals that should vanish, with their slopes by the free numbers.

One unit of every residual is as bad as one cent on one note, so aims of unlike kinds can be asked together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np

from simkit.optimise.slopes import cents_slopes
from simkit.optimise.trial import Trial


class Aim(Protocol):
    """One thing that is wanted."""

    def residuals(self, trial: Trial) -> np.ndarray:
        """What should vanish (m,)."""

    def slopes(self, trial: Trial) -> np.ndarray:
        """How that changes with the free numbers (m, n), good to a few percent: the solver corrects itself."""


@dataclass(frozen=True)
class InTune:
    """Every note at its target; one cent counts as one."""

    weight: float = 1.0

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * trial.cents

    def slopes(self, trial: Trial) -> np.ndarray:
        return self.weight * steering_slopes(trial)


@dataclass(frozen=True)
class Stay:
    """Numbers near where they started, as far as nothing else asks for more.

    It is weak on purpose: it chooses among designs that are equally in tune. One clear change of a number (`reach`)
    counts as three thousandths of a cent.
    """

    at: np.ndarray
    weight: float = 0.003

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * (trial.x - self.at) / trial.freedom.reach

    def slopes(self, trial: Trial) -> np.ndarray:
        return np.diag(self.weight / trial.freedom.reach)


@lru_cache(maxsize=4)
def steering_slopes(trial: Trial) -> np.ndarray:
    """The slopes of the notes in cents (f, n), quick ones: several aims ask for them."""
    return cents_slopes(trial, exact=False)
