"""Two chambers in unison pull each other apart, and the verdict says what to do."""

import pytest

from simkit.air import moist_air
from simkit.optimisation.unison import unisons
from simkit.sound.answers.prediction import Answer, PredictedChamber, PredictedNote, Prediction


def note(pitch, hz, target, opened=(), pull=0.0):
    answer = Answer("ports", hz, 1200 * (hz / target - 1) / 0.6931, 30.0, 1.0, neighbours_cents=pull)
    return PredictedNote(pitch, opened, target, (answer,))


def prediction(pull, hz=441.5):
    melody = note("G4", 392.0, 392.0), note("A4", hz, 440.0, ("1",), pull)
    chambers = PredictedChamber("body", 1e-4, melody), PredictedChamber("drone", 1e-4, (note("A4", 438.5, 440.0),))
    return Prediction(("ports",), "still", moist_air(), chambers)


def off(of):
    return [(c.name, n) for c in of.chambers for n in c.notes if abs(n.answer.cents) > 0.5]


def test_a_drone_in_unison_with_the_melody_is_named_with_what_to_do():
    of = prediction(5.8)
    (said,) = unisons(of, off(of))
    assert said.startswith("A4 of body and A4 of drone are all but in unison: they pull each other, here by 5.8 cents")
    assert "set the two windows farther apart" in said and "beat" in said


@pytest.mark.parametrize(("pull", "hz"), [(0.4, 441.5), (5.8, 466.2)])
def test_what_hardly_pulls_or_is_another_pitch_is_not_blamed(pull, hz):
    of = prediction(pull, hz)
    assert unisons(of, off(of)) == []


def test_the_verdict_says_it(whistle):
    """In place of "no limit stands in the way", which would leave the maker alone with it."""
    from dataclasses import replace

    from simkit.optimisation.aims.handmade import HandError
    from simkit.optimisation.outcome import Outcome, SearchEvidence
    from simkit.optimisation.problem.trial import Setting

    of = prediction(5.8)
    evidence = SearchEvidence({}, (), (), (), HandError.__new__(HandError), 0.0, 0, 0, 0)
    outcome = Outcome(whistle, whistle, None, of, (), (), (), (), 0.5, Setting(), False, evidence)
    assert "in unison" in outcome.verdict and "no limit stands" not in outcome.verdict
    apart = replace(outcome, after=prediction(0.0))
    assert "in unison" not in apart.verdict and "no limit stands" in apart.verdict
