"""A start brought near without meshing: the laws of scale, first-order rows, and what a descent saves by them."""

import numpy as np
import pytest

from simkit.body import inspect
from simkit.errors import OutOfReach
from simkit.optimisation import InTune, Limits
from simkit.optimisation.problem.distance import metric
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.trial import Setting, Trial
from simkit.optimisation.search.coarse import Coarse, coarse_start, foretold, growth, scaled_circuit
from simkit.optimisation.search.descent import Effort, Task, descend


@pytest.fixture(scope="module")
def base(whistle):
    may = freedom(whistle, ["diameters", "size"])
    return Trial.of(may, may.start)


def test_a_field_grown_in_every_length_answers_at_as_much_longer_waves(base):
    """By dimensions: Z is a length's inverse and a function of k times length alone, so Z(k; s) = Z(s k; 1)/s."""
    circuit, s = base.voices[0].resonator.circuit, 1.3
    grown = scaled_circuit(circuit, circuit.field, circuit.ducts, np.full(circuit.count, s), s).field
    k = np.array([5.0, 20.0 + 1.0j, 40.0])
    assert np.allclose(grown.inside(k), circuit.field.inside(s * k) / s, rtol=1e-10)
    assert np.allclose(grown.outside(k), circuit.field.outside(s * k) / s, rtol=1e-10)


def test_growth_is_that_of_the_lengths(base):
    shares, whole = growth(base.body, Trial.of(base.freedom, base.x * 1.0 + _size(base, 0.1)).body)
    assert shares == pytest.approx(np.full(5, 1.1)) and whole == pytest.approx(1.1)


def _size(trial, by):
    return by * np.array([number.name == "body.size" for number in trial.freedom.numbers])


def test_the_coarse_model_is_the_port_model_where_it_was_made(base):
    model = Coarse.about(base)
    assert model.trial(base.freedom, base.x, base.setting).cents == pytest.approx(base.cents, abs=1e-9)


def test_it_knows_no_window_that_reaches_past_the_wall(whistle):
    """Without a mesh nothing else would tell: such a draft was handed on, and refused when it was written."""
    may = freedom(whistle, ["body.voicing.window_width_mm"])
    base = Trial.of(may, may.start)
    wide = 6 * may.start
    assert inspect(may.at(wide)) and not inspect(may.at(1.2 * may.start))
    assert Coarse.about(base).trial(may, 1.2 * may.start, base.setting).voices
    with pytest.raises(OutOfReach, match="past the wall"):
        Coarse.about(base).trial(may, wide, base.setting)


def test_its_slopes_are_those_of_its_own_notes(base):
    """Against central differences of the model itself, away from where it was made."""
    model, may = Coarse.about(base), base.freedom
    x = base.x - 0.5 * may.reach
    slopes = model.slopes(model.trial(may, x, base.setting)) * may.reach
    for n in (0, len(x) - 1):  # a diameter, the size
        step = 0.01 * may.reach * (np.arange(len(x)) == n)
        there, back = (model.trial(may, x + sign * step, base.setting).cents for sign in (1, -1))
        expected = (there - back) / 0.02
        assert np.abs(slopes[:, n] - expected).max() < 0.05 * np.abs(expected).max()


@pytest.mark.slow  # at once: a start far off, which goes by what is foretold
def test_a_chamber_s_size_is_foretold_to_a_tenth(base):
    """Five percent larger, 80 cents lower: what is left by the model is a small part of it. The port model anew."""
    x = base.x + _size(base, 0.05)
    coarse = Coarse.about(base).trial(base.freedom, x, base.setting).cents
    anew = Trial.of(base.freedom, x).cents
    assert np.abs(anew - base.cents).min() > 30
    assert np.abs(coarse - anew).max() < 0.1 * np.abs(anew - base.cents).max()


def test_a_start_far_off_is_in_tune_after_a_few_solves(whistle):
    """From 180 cents off, with walls free: no slope of a wall is asked, each of which moves and solves every mesh."""
    may = freedom(whistle, ["diameters", "size"])
    task = Task(may, (InTune(),), Limits(), Setting(), metric=metric(may), tolerance=1.0, effort=Effort())
    end = Trial.of(may, coarse_start(task, may.start))
    assert np.abs(Trial.of(may, may.start).cents).max() > 100
    assert np.abs(end.cents).max() < 2


def test_the_coarse_model_goes_after_every_note(whistle):
    """A descent by meshes leaves a note that only centimetres would mend; by the coarse model all are gone after."""
    may = freedom(whistle, "places")
    task = Task(may, (InTune(),), Limits(), Setting(), metric=metric(may), tolerance=0.1, most_steps=1)
    here = task.evaluated(may.start)
    assert descend(task, may.start).end.task.weak is not None
    assert foretold(task, here, 1.0).task.weak is None
