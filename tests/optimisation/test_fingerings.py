"""Which holes each note opens, chosen by the hand rule and tuned by the port model."""

import numpy as np
import pytest

import simkit
from simkit.optimisation import optimise
from simkit.optimisation.search.fingerings import combinations, fingered, in_a_row
from simkit.vessel import DesignError

MAJOR = 2 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12]) / 6) - 1  # (f/f0)^2 - 1 of a major scale
CHROMATIC = 2 ** (np.arange(13) / 6) - 1


def test_in_a_row_each_hole_adds_its_own_step():
    choice = in_a_row(MAJOR, 7)
    assert choice.opened.sum(axis=1).tolist() == list(range(8))
    assert choice.opened @ choice.shares == pytest.approx(MAJOR)


def test_four_holes_play_an_octave_by_combination():
    """The four-hole chart of the trade does so (common practice, no source); by the rule within a quarter of a
    semitone of every note, which tuning then shares out."""
    choice = combinations(MAJOR, 4)
    assert np.abs(choice.off_cents).max() < 25
    assert choice.opened[0].sum() == 0
    assert len({tuple(row) for row in choice.opened}) == 8


def test_six_holes_play_twelve_semitones_by_combination():
    choice = combinations(CHROMATIC, 6)
    assert np.abs(choice.off_cents).max() < 8
    sums = choice.opened @ choice.shares
    assert 600 * np.log2((1 + sums) / (1 + CHROMATIC)) == pytest.approx(choice.off_cents)


def test_the_same_seed_chooses_the_same():
    one, other = combinations(MAJOR[:5], 3, seed=3), combinations(MAJOR[:5], 3, seed=3)
    assert (one.opened == other.opened).all() and (one.shares == other.shares).all()


@pytest.mark.slow
def test_a_scale_with_few_holes_is_tuned_end_to_end(whistle):
    """Six notes on four holes are one more than a row of them could play."""
    chamber = whistle.chambers[0]
    notes = tuple(
        chamber.notes[0].model_copy(update={"pitch": pitch, "open": ()})
        for pitch in ("C5", "D5", "E5", "F5", "G5", "A5")
    )
    wished = whistle.with_chamber(chamber.model_copy(update={"notes": notes}))
    with pytest.raises(DesignError, match="5 holes or more for 6 notes"):
        fingered(wished, "linear")
    found = optimise(wished, ["holes", "size"], fingerings="few")
    assert found.reached
    opened = [note.open for note in found.vessel.chambers[0].notes]
    assert len(set(opened)) == 6 and opened[0] == ()
    again = simkit.predict(found.vessel, "ports")
    assert max(abs(note.answer.cents) for note in again.notes) < 0.5


def test_an_unknown_way_is_refused(whistle):
    with pytest.raises(DesignError, match="linear or few"):
        fingered(whistle, "many")
