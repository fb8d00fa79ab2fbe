"""Aims of range: notes that reach far, and a scale that stretches evenly as they do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from simkit.optimisation.aims.intune import quick_slopes
from simkit.optimisation.problem.trial import Trial


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
        return np.array([self.weight * (self.most - self.value(trial))])

    def slopes(self, trial: Trial) -> np.ndarray:
        lowest, highest = _ends(trial)
        by_number = quick_slopes(trial)
        # Residual falls as the range grows.
        return self.weight / 100 * (by_number[lowest] - by_number[highest])[None, :]


@dataclass(frozen=True)
class Stretched:
    """Aim: in tune but for the scale's range: the lowest note at its target, every step above it grown alike."""

    weight: float = 1.0

    measures: ClassVar[str] = "worst note off the stretched scale, cents"

    def value(self, trial: Trial) -> float:
        return float(np.abs(_unstretched(trial) @ trial.cents).max())

    def residuals(self, trial: Trial) -> np.ndarray:
        return self.weight * (_unstretched(trial) @ trial.cents)

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
