"""The page's arithmetic: the very scripts, run by node, beside Python's own answers."""

from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.sound import models
from simkit.sound.models.portable import WIDTHS, portable
from tests.show.node import answered, needs_node

DESIGNS = Path(__file__).parents[2] / "studies" / "designs"
CENTS = 0.02  # asked
RESONANCES = """
    const { fitted, lowest } = await load("ports");
    return asked.cases.map((each) => {
        const piece = fitted(asked.numbers, each);
        return each.chambers.map((open, n) => open.map((states) => lowest(piece.chambers[n], states).omega));
    });
"""


def cases_of(vessel, rng):
    """The piece as designed in two airs; all holes wider, and narrower; each by its own share, in another air."""
    low, high = WIDTHS[0], WIDTHS[-1]
    inner = 0.05 * (high - low)
    asked = [(vessel.air.temperature_c, 1.0), (40.0, 1.0), (20.0, 1.2), (20.0, 0.78), (12.0, None)]
    for temperature, share in asked:
        shares = {
            f"{chamber.name} {hole.name}": share or rng.uniform(low + inner, high - inner)
            for chamber in vessel.chambers
            for hole in chamber.holes
        }
        diameters = {
            f"{chamber.name} {hole.name}": hole.diameter_mm * shares[f"{chamber.name} {hole.name}"]
            for chamber in vessel.chambers
            for hole in chamber.holes
        }
        chambers = [
            [[float(hole.name in note.open) for hole in chamber.holes] for note in chamber.notes]
            + rng.integers(0, 2, (3, len(chamber.holes))).astype(float).tolist()
            for chamber in vessel.chambers
        ]
        yield {"temperature": temperature, "diameters": diameters, "chambers": chambers}


def by_python(vessel, case):
    """Complex omega of each chamber's fingerings, all solved for anew."""
    sizes = {f"{k.split(' ')[0]}.hole.{k.split(' ')[1]}.diameter_mm": mm for k, mm in case["diameters"].items()}
    changed = vessel.with_values({"air.temperature_c": case["temperature"], **sizes})
    resonators = [models.resonator("ports", each) for each in models.cases(changed, state="played")]
    return [
        [complex(r.lowest(np.array([states]))[0]) for states in fingerings]
        for r, fingerings in zip(resonators, case["chambers"], strict=True)
    ]


def held(name, tmp_path, count=None):
    vessel = simkit.load(DESIGNS / f"{name}.toml")
    cases = list(cases_of(vessel, np.random.default_rng(5)))[:count]
    found = answered(RESONANCES, {"numbers": portable(vessel), "cases": cases}, tmp_path)
    for case, ours in zip(cases, found, strict=True):
        for wanted, got in zip(by_python(vessel, case), ours, strict=True):
            real, imaginary = np.array(got).T
            off = 1200 * np.log2(real / np.real(wanted))
            assert np.abs(off).max() < CENTS, (case["temperature"], off)
            np.testing.assert_allclose(imaginary, np.imag(wanted), rtol=2e-3)


@needs_node
@pytest.mark.slow
@pytest.mark.parametrize("name", [pytest.param("pocket_wren", marks=pytest.mark.sample), "river_yam"])
def test_the_page_plays_what_python_says(name, tmp_path):
    held(name, tmp_path)


@needs_node
@pytest.mark.slow
def test_the_page_plays_what_python_says_of_three_chambers(tmp_path):
    """As designed, in two airs. Two holes of the small chamber lie at the seam with the next: there the outside's own
    numbers jump by half a unit, a fifth of a cent, from one width to another."""
    held("three_terns", tmp_path, 2)
