"""What many makers' slips do to one design: the study's pieces beside those that are solved anew."""

import sys
from pathlib import Path

import numpy as np
import pytest

from simkit.optimisation.aims.handmade import Hands, errors_of
from simkit.optimisation.problem.trial import Trial

sys.path.append(str(Path(__file__).parents[2] / "studies"))
from many_makers import makers


def test_makers_pieces_are_those_that_solving_anew_gives(piece):
    """The sum over openings in f^2 against the port model solved anew with every error made: within 1.5 cents where
    pieces differ by 25."""
    hands, count = Hands(), 8
    found = makers(piece, count, seed=4)
    errors = errors_of(piece, hands)
    random = np.random.default_rng(4)
    draw = random.uniform(-1, 1, (count, len(errors)))
    shrunk = random.uniform(-1, 1, count) * 0.5 / 90
    for n in (0, 3):
        made = {key: piece.value(key) + d * size for (key, size), d in zip(errors.items(), draw[n], strict=True)}
        anew = Trial.alone(piece.with_values(made)).cents - 1200 * np.log2(1 - shrunk[n])
        assert np.abs(found.cents[n] - anew).max() < 1.5
    assert found.cents.std(axis=0).min() > 10


@pytest.fixture(scope="module")
def ten_thousand(piece):
    return makers(piece, 10_000, seed=1)


def test_ten_thousand_makers_spread_as_the_errors_say(ten_thousand, error):
    """Evenly drawn errors have a standard deviation of their limit over the root of three."""
    found = ten_thousand
    assert found.cents.shape == (10_000, 5)
    assert found.cents.std(axis=0) == pytest.approx(error.total / np.sqrt(3), rel=0.05)
    assert found.own.std(axis=0) == pytest.approx(error.own / np.sqrt(3), rel=0.05)
    shares = [found.share_within(cents) for cents in (5, 10, 20, 40, 200)]
    assert shares == sorted(shares) and shares[-1] == 1


def test_the_same_seed_makes_the_same_pieces(piece):
    of_holes = Hands(0.3, 0, 0, 0.5)
    assert makers(piece, 20, 1, of_holes).cents == pytest.approx(makers(piece, 20, 1, of_holes).cents)


def test_what_the_model_misses_of_each_hole_adds_to_the_spread(piece):
    """With no other error: on each note the root of the sum over its open holes, 4 cents where one counts most."""
    none = Hands(0, 0, 0, 0)
    assert makers(piece, 10, 1, none).cents.std(axis=0).max() < 1e-9
    spread = makers(piece, 4000, 1, none, missed_cents=4.0).cents.std(axis=0)
    assert spread[0] < 0.1  # nothing is open
    assert spread[1] == pytest.approx(4.0, rel=0.05)  # the first hole alone counts most there
    assert np.all(spread[2:] > 4.0) and np.all(spread < 8.0)


def test_a_thicker_maker_needs_thicker_tolerances(piece, ten_thousand):
    careful = makers(piece, 2000, seed=1, hands=Hands(0.1, 0.15, 0.1, 0.5))
    assert careful.share_within(10) > ten_thousand.share_within(10) + 0.2
