"""Hand-made errors: of cut and clay, and their effect on the notes of a design."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

from simkit.frozen import frozen
from simkit.optimisation.aims.slopes import CENTS, slopes_beside
from simkit.optimisation.problem.free import Freedom, nudged
from simkit.optimisation.problem.perturbations import OpeningMoves
from simkit.optimisation.problem.trial import Neighbour, Setting, Trial
from simkit.sound.models.roots import lowest
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
    return hand_error_of(trial_of(vessel, setting), hands or Hands())


def trial_of(vessel: Vessel, setting: Setting | None = None) -> Trial:
    """A design by itself, nothing in it free."""
    return Trial.of(Freedom(vessel, ()), np.zeros(0), setting or Setting())


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


# --- many makers -----------------------------------------------------------------------------------------


@frozen
class Makers:
    """One design made by many hands: cents off target (makers, f) of every piece's notes."""

    notes: tuple[tuple[str, str], ...]
    cents: np.ndarray

    @property
    def own(self) -> np.ndarray:
        """Cents counted from each piece's own pitch, the mean of its notes (makers, f)."""
        return self.cents - self.cents.mean(axis=1, keepdims=True)

    def share_within(self, cents: float) -> float:
        """Fraction of the pieces that play every note within `cents` of the piece's own pitch."""
        return float((np.abs(self.own).max(axis=1) <= cents).mean())


def makers(
    vessel: Vessel,
    count: int,
    seed: int,
    hands: Hands | None = None,
    setting: Setting | None = None,
    missed_cents: float = 0.0,
) -> Makers:
    """`count` pieces of one design, each error drawn evenly between its plus and its minus, the same from a seed.

    missed_cents: what the model is taken to miss of every hole, a standard deviation on the note that answers most to
    it; without it pieces by a model are judged by the same model.

    In (f/f0)^2, which is a sum over openings as the rule f^2 ~ K/V has it, the errors of different openings add. Each
    is taken at plus, nothing and minus and runs through these three as a parabola; two of one opening are also taken
    both at plus, for their product. Shrinkage scales the whole.
    """
    hands, trial = hands or Hands(), trial_of(vessel, setting)
    errors = errors_of(vessel, hands)
    keys = list(errors)
    pairs = [(i, j) for i, j in combinations(range(len(keys)), 2) if _opening(keys[i]) == _opening(keys[j])]
    singles = [{key: sign * size} for sign in (1, -1) for key, size in errors.items()]
    doubles = [{keys[n]: errors[keys[n]] for n in pair} for pair in pairs]
    # Columns: every error at plus, at minus, then the pairs at plus; 1 is the note as designed.
    up, down, both = np.split(_squares(trial, [*singles, *doubles]) - 1, [len(keys), 2 * len(keys)], axis=1)
    # Columns of both numbers of each pair; zip of no pairs gives no two.
    first, second = (np.array(list(n), dtype=int) for n in (zip(*pairs, strict=True) if pairs else ((), ())))
    random = np.random.default_rng(seed)
    draw = random.uniform(-1, 1, (count, len(keys)))
    # One draw for the whole piece.
    smaller = random.uniform(-1, 1, count) * shrinkage_share(vessel, hands.shrinkage_points)
    # The parabola through minus, nothing and plus: its slope is half the difference, its bend half the sum.
    squares = 1 + draw @ ((up - down) / 2).T + np.square(draw) @ ((up + down) / 2).T
    # What two errors of one opening do together beyond what each does by itself.
    squares += (draw[:, first] * draw[:, second]) @ (both - up[:, first] - up[:, second]).T
    # 600: of squares. A piece that shrinks more is smaller and so higher, by one over its size.
    cents = 600 * np.log2(np.maximum(squares, 1e-6)) - 1200 * np.log2(1 - smaller)[:, None]
    notes = tuple((voice.chamber, note.pitch) for voice in trial.voices for note in voice.notes)
    if missed_cents:
        answers = hand_error_of(trial, Hands(1.0, 0.0, 0.0, 0.0)).cents  # cents per mm of each hole
        # Each hole's column scaled to 1 at the note that answers most to it.
        cents += random.normal(0.0, missed_cents, (count, answers.shape[1])) @ (answers / np.abs(answers).max(axis=0)).T
    return Makers(notes, trial.cents + cents)


def _opening(key: str) -> str:
    return key.rpartition(".")[0]


def _squares(trial: Trial, changes: Sequence[Mapping[str, float]]) -> np.ndarray:
    """(f/f0)^2 (f, e) of the notes with each of some changes of the design."""
    moves = OpeningMoves.of(trial, [changed(trial, change) for change in changes], exact=False)
    columns = []
    for step in range(len(changes)):
        column = []
        for voice in trial.voices:
            rows, states = voice.resonator.rows, voice.resonator.states(voice.openness)
            # From the old frequencies as a guess: errors are small.
            omega = lowest(moves.circuit(voice, step), rows, states, voice.omega.real)
            column.append(np.square(omega.real / voice.omega.real))
        columns.append(np.concatenate(column))
    return np.array(columns).reshape(len(changes), len(trial.cents)).T
