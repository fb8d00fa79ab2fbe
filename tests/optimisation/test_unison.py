"""Two chambers in unison pull each other apart, and the verdict says what to do."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

import simkit
from simkit.air import moist_air
from simkit.optimisation import Trial
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.trial import Setting
from simkit.optimisation.unison import Pair, unison_pairs, unisons
from simkit.sound import models
from simkit.sound.answers.prediction import Answer, PredictedChamber, PredictedNote, Prediction
from simkit.sound.elements.openings import partly_covered
from simkit.sound.models.roots import resonances


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
    from simkit.optimisation.aims.handmade import HandError
    from simkit.optimisation.outcome import Outcome, SearchEvidence

    of = prediction(5.8)
    evidence = SearchEvidence({}, (), (), (), HandError.__new__(HandError), 0.0, 0, 0, 0)
    outcome = Outcome(whistle, whistle, None, of, (), (), (), (), 0.5, Setting(), False, evidence)
    assert "in unison" in outcome.verdict and "no limit stands" not in outcome.verdict
    apart = replace(outcome, after=prediction(0.0))
    assert "in unison" not in apart.verdict and "no limit stands" in apart.verdict


def test_of_a_pair_the_mean_is_judged_and_the_unison_is_said(whistle):
    """Notes that no size brings to their pitch do not count as missed where their mean is tuned: but it is told."""
    from simkit.optimisation.aims.handmade import HandError
    from simkit.optimisation.outcome import Outcome, SearchEvidence

    of = prediction(5.8, hz=438.0)  # eight cents flat, as the one of two resonances; the drone's own note 5.9
    evidence = SearchEvidence({}, (), (), (), HandError.__new__(HandError), 0.0, 0, 0, 0)
    outcome = Outcome(whistle, whistle, None, of, (), (), (), (), 6.5, Setting(), False, evidence)
    assert not outcome.reached
    tuned = replace(outcome, pairs=(Pair("body", "A4", "drone", 0.2),))
    assert tuned.reached and tuned.worst_cents == pytest.approx(5.9, abs=0.1)
    assert "in unison" in tuned.verdict and "their mean is in tune" in tuned.verdict
    far = prediction(5.8, hz=425.0)  # sixty cents: more than half the width of a resonance of Q 30, 29 cents
    assert not replace(tuned, after=far).reached
    away = replace(outcome, pairs=(Pair("body", "A4", "drone", -7.0),))
    assert not away.reached and "body A4 stays 7.0 cents flat" in away.verdict


TWO = """
[clay]
wall_mm = 4
[[chamber]]
name = "low"
shape = "sphere"
diameter_mm = 48
[chamber.voicing]
along_mm = 24
around_deg = 40
window_width_mm = 12
cut_up_mm = 6
windway_height_mm = 1
windway_length_mm = 20
edge_deg = 90
[[chamber.hole]]
name = "1"
along_mm = 24
around_deg = -90
diameter_mm = 8
[[chamber.note]]
pitch = "{low}"
open = []
[[chamber.note]]
pitch = "{high}"
open = ["1"]
[[chamber]]
name = "high"
shape = "sphere"
diameter_mm = 44
offset_mm = [0, 52, 0]
[chamber.voicing]
along_mm = 22
around_deg = -40
window_width_mm = 12
cut_up_mm = 6
windway_height_mm = 1
windway_length_mm = 20
edge_deg = 90
[[chamber.note]]
pitch = "{high}"
open = []
"""


@pytest.mark.slow
def test_the_mean_of_two_in_unison_is_where_each_is_with_the_other_s_window_covered():
    """The two frequencies of [[w1, c], [c, w2]] have the mean (w1 + w2)/2, half its trace, whatever c is. The low
    chamber is brought to the high one's pitch by its hole; together they stand some cents apart."""
    vessel = simkit.loads(TWO.format(low="C#5", high="E5"))
    low, high = (models.resonator("ports", case) for case in models.cases(vessel))
    opened, row = np.array([[1.0]]), low.field.names.index(("low", "1"))
    goal = high.alone().lowest(np.zeros((1, 0)))[0]

    def made(share):
        ducts = list(low.circuit.ducts)
        ducts[row] = replace(ducts[row], aperture=partly_covered(ducts[row].aperture, share))
        return replace(low, circuit=replace(low.circuit, ducts=tuple(ducts)))

    share = brentq(lambda s: made(s).alone().lowest(opened)[0].real - goal.real, 0.05, 1.0)
    alone, state = made(share).alone().lowest(opened)[0], np.array([1.0, 1.0, 1.0])
    both = resonances(made(share).circuit, state, 2, np.ones(len(state), bool))
    half = CENTS * abs(both[1].real - both[0].real) / 2 / goal.real
    off = CENTS * abs(both.mean().real - (alone + goal).real / 2) / goal.real
    assert half > 20
    assert off < 3 * half**2 / CENTS  # of second order in the coupling: roots of k^2, and a window that gives way


CENTS = 1200 / np.log(2)


@pytest.mark.slow
def test_a_pair_is_found_and_asked_with_the_other_s_window_covered():
    vessel = simkit.loads(TWO.format(low="C#5", high="E5"))
    pairs = unison_pairs(vessel, False, "still")
    assert pairs == (("low", "E5", "high"),)
    plain, tuned = (
        Trial.of(Freedom(vessel, ()), np.zeros(0), Setting(state="still", pairs=each)).voices[0] for each in ((), pairs)
    )
    assert tuned.omega[0] == plain.omega[0]  # no pair
    assert tuned.omega[1] == pytest.approx(plain.resonator.alone().lowest(plain.openness)[1], rel=1e-9)
    apart = simkit.loads(TWO.format(low="C#5", high="F5").replace('pitch = "F5"', 'pitch = "G5"', 1))
    assert unison_pairs(apart, False, "still") == ()
