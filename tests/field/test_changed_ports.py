"""What is kept from one question to the next changes no answer, and only what changed is solved for."""

from dataclasses import replace

import numpy as np
import pytest

from simkit.body import Body, ChamberBody
from simkit.body.chambers import WINDOW, opening_at
from simkit.body.places import Place
from simkit.body.walls.formulas import EggWall
from simkit.field import air_of, port_solution
from simkit.field.reduced import widened

CLAY = 0.005
WALL = EggWall(0.062, 0.096, 0.05, 0.42)


def hole(along=0.055, around_deg=0.0, radius=0.003, name="1"):
    return opening_at(WALL, Place(along, around_deg), name, length=CLAY, radius=radius)


def window(height=0.005):
    return opening_at(WALL, Place(0.016, 180), WINDOW, length=CLAY, width=0.012, height=height)


OTHERS = (hole(0.034, -25, name="2"), hole(0.06, 160, 0.0025, name="3"))
REST = (window(), hole(), *OTHERS)
CHANGED = {
    "widened": (window(), hole(radius=0.0034), *OTHERS),
    "moved": (window(), hole(0.061, 8.0), *OTHERS),
    "window": (window(0.0055), hole(), *OTHERS),
    "one more": (*REST, hole(0.078, 40, name="4")),
    "one less": REST[:-1],
    "in another order": (window(), *OTHERS, hole()),
}


@pytest.fixture(scope="module")
def air():
    return air_of(Body((ChamberBody("egg", WALL, CLAY, None, ()),), CLAY))


def forgetful(air):
    """The same meshes and factors, without what was found out for openings."""
    return replace(air, chambers=tuple(map(replace, air.chambers)), outside=replace(air.outside))


def matrices(air, openings):
    """Z inside and outside (2, n, n) at a few wave numbers, 1/m, within the field's doubts."""
    field = port_solution(air, [openings]).field
    ks = np.array([2.0, 12.0, 25.0])
    return np.array([field.inside(ks), field.outside(ks)]), field.doubts


@pytest.mark.parametrize("what", CHANGED)
def test_a_changed_opening_answers_as_all_solved_anew(air, what):
    """To nine digits; a cent, 6e-4 of a frequency, is 1.2e-3 of a matrix."""
    before = matrices(air, REST)[0]
    found, doubts = matrices(air, CHANGED[what])
    anew, same = matrices(forgetful(air), CHANGED[what])
    assert np.abs(found - anew).max() < 1e-9 * np.abs(anew).max()
    assert doubts == same
    if found.shape == before.shape:
        assert np.abs(found - before).max() > 1e-5 * np.abs(before).max()


def test_only_the_changed_opening_is_solved_for(air):
    counted = []

    def counting(part):
        def solve(load, by=part.solve):
            counted.append(load.shape[1])
            return by(load)

        return replace(part, solve=solve)

    air = replace(air, chambers=tuple(map(counting, air.chambers)), outside=counting(air.outside))
    port_solution(air, [REST])
    every = sum(counted)
    for what in ("widened", "moved", "window"):
        counted.clear()
        port_solution(air, [CHANGED[what]])
        assert sum(counted) == every / len(REST)


def test_openings_that_all_but_coincide_are_solved_for_in_one_span(air, monkeypatch):
    """The two ways through the outside's equations, that with a Schur complement and that with one orthonormal span."""
    apart = matrices(forgetful(air), REST)[0]
    monkeypatch.setattr(widened, "_SOUND", np.inf)
    assert np.abs(matrices(forgetful(air), REST)[0] - apart).max() < 1e-9 * np.abs(apart).max()
    monkeypatch.undo()
    twice = (*REST, replace(hole(0.055 + 1e-7), name="4"))
    Z = matrices(air, twice)[0][1]
    assert np.abs(Z[:, 1, -2:-1] - Z[:, -1, -2:-1]).max() < 1e-4 * np.abs(Z).max()
