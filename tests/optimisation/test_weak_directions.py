"""What is not worth its way: tenths of a cent that would cost centimetres, and slopes that need not be asked anew."""

import numpy as np
import pytest

from simkit.optimisation import InTune, optimise
from simkit.optimisation.aims.intune import broyden_update, quick_slopes, updated
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.trial import Trial
from simkit.optimisation.search.step import LEAST_SLOPE, MOST_CENTS, WeakDirections


def bent(vessel, off):
    """A design whose notes, by their pitches, are so many cents off their targets, others as they are."""
    trial = Trial.of(freedom(vessel, "diameters"), np.array([h.diameter_mm for h in vessel.chambers[0].holes]))
    cents = dict(zip(trial.notes, trial.cents, strict=True))
    (chamber,) = vessel.chambers
    notes = tuple(
        note.model_copy(update={"cents": note.cents + cents[note.pitch] - off[note.pitch]})
        if note.pitch in off
        else note
        for note in chamber.notes
    )
    return vessel.model_copy(update={"chambers": (chamber.model_copy(update={"notes": notes}),)})


def test_no_hole_goes_far_for_the_tenths_of_a_covered_note(tuned):
    """All covered is 0.6 cent off, which holes could mend by some 7 mm of way; E5 is 6 off, a hole's part of a mm."""
    found = optimise(bent(tuned.vessel, {"C5": 0.6, "E5": 6.0}), "holes")
    off = {note.pitch: note.answer.cents for note in found.after.notes}
    assert off.pop("C5") == pytest.approx(0.6, abs=0.1)
    assert max(abs(cents) for cents in off.values()) < 0.5
    assert 0.02 < max(abs(change.by) for change in found.moved) < 0.3


def test_only_what_hardly_moves_is_left_and_of_that_a_cent():
    """Two notes move by 30 cents a mm, the third by a hundredth; as unit vectors they can be told by hand."""
    slopes = np.array([[30.0, 0.0, 0.0], [0.0, 30.0, 0.0], [0.0, 0.0, 0.01]])
    far = WeakDirections.of(np.array([0.6, -20.0, 5.0]), slopes, 4)
    assert far.mostly.tolist() == [False, False, True, False] and slopes[2, 2] < LEAST_SLOPE
    assert far.deflated(np.array([0.6, -20.0, 5.0, 2.0])) == pytest.approx([0.6, -20.0, 5.0 - MOST_CENTS, 2.0])
    assert far.deflated(np.array([0.6, -20.0, -0.3, 2.0])) == pytest.approx([0.6, -20.0, 0.0, 2.0])
    near = WeakDirections.of(np.array([0.6, -20.0, 0.2]), slopes, 3)  # it may not come to be farther off than it was
    assert near.deflated(np.array([0.6, -20.0, 0.7])) == pytest.approx([0.6, -20.0, 0.5])


def test_mended_slopes_foretell_the_step_that_they_come_from():
    """Cents that are quadratic: the mean of both ends' slopes is right (the trapezoidal rule)."""
    random = np.random.default_rng(1)
    slopes, bend = random.normal(size=(5, 4)), random.normal(size=(5, 4, 4))
    bend = bend + bend.transpose(0, 2, 1)
    step, reach, old = 1e4 * np.array([1.0, -2.0, 0.5, 3.0]), np.ones(4), np.array([True, True, False, False])
    change = slopes @ step + np.einsum("fij,i,j->f", bend, step, step) / 2
    true = slopes + bend @ step
    after = np.where(old, slopes, true)
    found = updated(slopes, after, old, step, change, reach)
    assert (slopes + found) / 2 @ step == pytest.approx(change, rel=1e-6)
    assert (found[:, ~old] == true[:, ~old]).all()
    assert (
        np.abs(updated(slopes, after, old, 1e-9 * step, 1e-9 * change, reach) - after).max()
        < 1e-3 * np.abs(after).max()
    )


@pytest.mark.slow
def test_slopes_taken_along_are_those_asked_anew(whistle):
    """A clear change of the chamber and of two holes further, to some percent of the largest: good to steer by."""
    may = freedom(whistle, ["diameters", "shape"])
    here, there, anew = (Trial.of(may, x) for x in (may.start, *2 * [may.start + may.reach]))
    quick_slopes(here)
    broyden_update(here, there)
    taken, expected = InTune().slopes(there) * may.reach, InTune().slopes(anew) * may.reach
    assert 0 < np.abs(taken - expected).max() < 0.05 * np.abs(expected).max()
