"""One design made by many hands, each with errors of its own, all by one port solution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from simkit.frozen import frozen
from simkit.optimisation.aims.handmade import Hands, changed, errors_of, hand_error_of, shrinkage_share
from simkit.optimisation.problem.perturbations import OpeningMoves
from simkit.optimisation.problem.trial import Setting, Trial
from simkit.sound.models.roots import lowest
from simkit.vessel import Vessel


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
    hands, trial = hands or Hands(), Trial.alone(vessel, setting or Setting())
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
