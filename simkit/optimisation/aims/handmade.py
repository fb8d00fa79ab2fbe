"""Hand-made errors: of cut and clay, and their effect on the notes of a design."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simkit.frozen import frozen
from simkit.optimisation.aims.slopes import CENTS, slopes_beside
from simkit.optimisation.problem.free import nudged
from simkit.optimisation.problem.trial import Neighbour, Setting, Trial
from simkit.vessel import Vessel


@dataclass(frozen=True)
class Hands:
    """Tolerances of hand work, plus or minus: in mm at every hole's diameter, at the clay's thickness around every
    opening, at the window's width and cut-up; in points of percent at the shrinkage of the whole piece.

    The defaults are those of careful work: common practice, no source.
    """

    hole_mm: float = 0.3
    wall_mm: float = 0.5
    window_mm: float = 0.3
    shrinkage_points: float = 0.5


SHRINKAGE = "shrinkage"


@frozen
class HandError:
    """Effect of hand-made errors: cents (f, e) by which each cause, off by its tolerance, moves each note.

    notes (f): chamber and pitch; causes (e): dotted keys, and shrinkage, which is common to the whole piece.
    """

    hands: Hands
    notes: tuple[tuple[str, str], ...]
    causes: tuple[str, ...]
    cents: np.ndarray

    @cached_property
    def total(self) -> np.ndarray:
        """Plus or minus, cents (f,): root of the sum of squares, as the errors are independent."""
        return np.sqrt(np.square(self.cents).sum(axis=1))

    @cached_property
    def own(self) -> np.ndarray:
        """Plus or minus (f,), cents, counted from the piece's own pitch, the mean of its notes: no breath mends it."""
        # The mean over notes goes cause by cause: what moves all notes alike is the piece's pitch.
        return np.sqrt(np.square(self.cents - self.cents.mean(axis=0)).sum(axis=1))

    @property
    def common(self) -> float:
        """Plus or minus, cents, of the piece as a whole."""
        return float(np.sqrt(np.square(self.cents.mean(axis=0)).sum()))

    def of(self, chamber: str) -> tuple[float, ...]:
        """Plus or minus, cents, of every note of a chamber, in the order of its notes."""
        return tuple(float(cents) for (name, _), cents in zip(self.notes, self.total, strict=True) if name == chamber)

    @property
    def words(self) -> str:
        """Explanation of "by hand", in a line under a table."""
        h = self.hands
        return (
            f"by hand: holes ±{h.hole_mm:g} mm, wall ±{h.wall_mm:g} mm, window ±{h.window_mm:g} mm, shrinkage "
            f"±{h.shrinkage_points:g} points, together; ±{self.common:.0f} of it moves the piece as a whole"
        )


def hand_error(vessel: Vessel, hands: Hands | None = None, setting: Setting | None = None) -> HandError:
    """Effect of hand-made errors on each note of a design, from exact derivatives of the port model."""
    return hand_error_of(Trial.alone(vessel, setting or Setting()), hands or Hands())


def hand_error_of(trial: Trial, hands: Hands, field: bool = True) -> HandError:
    """Effect of hand-made errors on a design on trial; `field` as in `slopes_beside`.

    By quick slopes: of sizes they are right to a thousandth, for a seventh of the time.
    """
    errors = errors_of(trial.vessel, hands)
    step = 1e-3  # of each error: slopes are wanted
    perturbed = [changed(trial, {key: step * size}, step) for key, size in errors.items()]
    cents = [slopes_beside(trial, perturbed, exact=False, field=field)]
    notes = tuple((voice.chamber, note.pitch) for voice in trial.voices for note in voice.notes)
    if hands.shrinkage_points:
        # Every size shrinks alike, and pitch goes as one over the size (losses bend this by a few parts in a hundred).
        cents.append(np.full((len(notes), 1), CENTS * shrinkage_share(trial.vessel, hands.shrinkage_points)))
    causes = (*errors, SHRINKAGE) if hands.shrinkage_points else tuple(errors)
    return HandError(hands, notes, causes, np.concatenate(cents, axis=1))


def errors_of(vessel: Vessel, hands: Hands) -> dict[str, float]:
    """Tolerance of every number that hands make, by its dotted key; those without error left out."""
    return {key: size for key, size in _errors(vessel, hands) if size > 0}


def _errors(vessel: Vessel, hands: Hands) -> Iterator[tuple[str, float]]:
    for chamber in vessel.chambers:
        if chamber.voicing:
            yield f"{chamber.name}.voicing.window_width_mm", hands.window_mm
            yield f"{chamber.name}.voicing.cut_up_mm", hands.window_mm
            yield f"{chamber.name}.voicing.wall_mm", hands.wall_mm
        for hole in chamber.holes:
            yield f"{chamber.name}.hole.{hole.name}.diameter_mm", hands.hole_mm
            yield f"{chamber.name}.hole.{hole.name}.wall_mm", hands.wall_mm


def changed(trial: Trial, change: Mapping[str, float], step: float = 1.0) -> Neighbour:
    """The design on trial with `change` added to its numbers; derivatives come out per `step`, and a step below one,
    of a slope, is not checked."""
    values = {key: _value(trial, key) + size for key, size in change.items()}
    return trial.beside(nudged(trial.vessel, values) if step < 1 else trial.vessel.with_values(values), step)


def _value(trial: Trial, key: str) -> float:
    """A number of the design; of a wall that a figure's opening, or a hole with a direction of its own, does not give,
    the clay that is there, mm."""
    for chamber in trial.body.chambers if key.endswith(".wall_mm") else ():
        for opening in chamber.all_openings:
            place = f"hole.{opening.name}" if opening.is_round else "voicing"
            if opening.figure is not None and key == f"{chamber.name}.{place}.wall_mm":
                return 1e3 * opening.length
    return trial.vessel.value(key)


def shrinkage_share(vessel: Vessel, points: float) -> float:
    """Relative error of a fired size when clay shrinks by so many points of percent more or less."""
    shrinks = vessel.clay.shrinkage_percent or 0.0
    # Fired size = wet size * (1 - s/100), so its relative change is ds/(100 - s).
    return points / (100 - shrinks)
