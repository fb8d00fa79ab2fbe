"""The page's arithmetic: the very scripts, run by node, beside Python's own answers."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.show.pocket import BREATH, pocket
from simkit.sound import models
from simkit.sound.blowing.behaviour import at_pressure, blow_fingerings
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.portable import TEMPERATURES_C, WIDTHS
from simkit.vessel.starter import starter
from tests.show.node import answered, needs_node

DESIGNS = Path(__file__).parents[2] / "studies" / "designs"
CENTS = 0.02  # asked
PLAYED = """
    const { fitted, lowest } = await load("ports"), { blownOf, breathed } = await load("blown");
    return asked.cases.map((each) => {
        const piece = fitted(asked.numbers, each);
        return each.fingerings.map((fingerings, n) => fingerings.map((open) => {
            const found = lowest(piece.chambers[n], open), blown = blownOf(piece.chambers[n], open, found);
            return {
                omega: found.omega, pressure: blown && blown.pressure,
                other: each.ratios.map((ratio) => {
                    const { raised, jumps } = blown ? breathed(blown, ratio, true) : { raised: null, jumps: false };
                    return { hz: raised && found.hz * raised, jumps };
                }),
            };
        }));
    });
"""


def cases_of(vessel, rng, count):
    """The piece as designed; then, in other airs, each hole by its own share; once all at their widest, narrowest."""
    holes = [(f"{chamber.name} {hole.name}", hole.diameter_mm) for chamber in vessel.chambers for hole in chamber.holes]
    low, high = WIDTHS[0], WIDTHS[-1]
    for n in range(count):
        share = {0: 1.0, 2: high, 3: low}.get(n)
        yield {
            "temperature": vessel.air.temperature_c if n == 0 else rng.uniform(*TEMPERATURES_C),
            "diameters": {key: mm * (share or rng.uniform(low, high)) for key, mm in holes},
            "fingerings": [rng.integers(0, 2, (6, len(c.holes))).astype(float).tolist() for c in vessel.chambers],
            "ratios": [1.0, *BREATH, *np.exp(rng.uniform(*np.log(BREATH), 3))],
        }


def by_python(vessel, case):
    """Each chamber's fingerings, all solved for anew: complex omega (f,), Pa (f,), Hz (f, ratios), jumps (f, ratios).

    jumps is None within a twentieth of the pressure at which a higher tone takes over.
    """
    sizes = {f"{k.split(' ')[0]}.hole.{k.split(' ')[1]}.diameter_mm": mm for k, mm in case["diameters"].items()}
    changed = vessel.with_values({"air.temperature_c": case["temperature"], **sizes})
    ratios = np.array(case["ratios"])
    for each, fingerings in zip(models.cases(changed, state="played"), case["fingerings"], strict=True):
        motion = models.resonator("ports", each).motion(np.array(fingerings), RESONANCES)
        blown = blow_fingerings(motion, jet_of(each, JetConstants.from_table(changed.jet, changed.source)))
        pressures = np.outer(np.where(blown.speaks, blown.pressure, 100.0), [1.0, *ratios])
        which = np.repeat(np.arange(len(fingerings)), len(ratios) + 1)
        hz = at_pressure(blown, which, pressures.ravel(), careful=False).frequency.reshape(pressures.shape)
        over = pressures[:, 1:] / np.nan_to_num(blown.takeover.pressure, nan=np.inf)[:, None]
        jumps = np.where(np.abs(over - 1) < 0.05, None, (over > 1) & (ratios >= 1))
        rings = motion.frequency[:, :1]
        yield motion.omega[:, 0], blown.pressure, rings * hz[:, 1:] / hz[:, :1], jumps


def names_in(data):
    """Every key of an object within."""
    for each in data.values() if isinstance(data, dict) else data if isinstance(data, list) else ():
        yield from names_in(each)
    yield from data if isinstance(data, dict) else ()


def held(vessel, count, tmp_path):
    shown = json.loads(pocket(vessel, simkit.blow(vessel, advise=False)).data)
    assert not [name for name in names_in(shown["numbers"]) if name.startswith("_")]  # such as the hash of a value
    cases = list(cases_of(vessel, np.random.default_rng(5), count))
    found = answered(PLAYED, {"numbers": shown["numbers"], "cases": cases}, tmp_path)
    for case, ours in zip(cases, found, strict=True):
        for (omega, pressure, hz, jumps), got in zip(by_python(vessel, case), ours, strict=True):
            rings = np.array([complex(*each["omega"]) for each in got])
            np.testing.assert_allclose(rings.imag, omega.imag, rtol=2e-3)
            assert np.abs(1200 * np.log2(rings.real / omega.real)).max() < CENTS
            # Of breath less is known than half: it is shown as Pa, and what it does to pitch is held below.
            np.testing.assert_allclose([each["pressure"] for each in got], pressure, rtol=5e-3)
            heard = np.array([[np.nan if at["hz"] is None else at["hz"] for at in each["other"]] for each in got])
            off = 1200 * np.log2(heard / hz)
            assert (np.isfinite(heard) == np.isfinite(hz)).all()
            assert np.nanmax(np.abs(off)) < CENTS, (case["temperature"], off)
            for each, wanted in zip(got, jumps, strict=True):
                assert all(w is None or w == at["jumps"] for at, w in zip(each["other"], wanted, strict=True))


@needs_node
def test_the_page_plays_a_whistle_as_python_says(tmp_path):
    whole = starter("sphere")
    vessel = simkit.loads(whole[: [note.start() for note in re.finditer(r"\[\[chamber.note\]\]", whole)][2]])
    held(vessel, 2, tmp_path)


@needs_node
@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "count"),
    [
        pytest.param("pocket_wren", 6, marks=pytest.mark.sample),
        ("tide_pendant", 6),
        ("river_yam", 6),
        ("three_terns", 4),
    ],
)
def test_the_page_plays_what_python_says(name, count, tmp_path):
    """Any fingering, hole by hole as wide as the sliders let it, in any air and at any breath of theirs."""
    held(simkit.load(DESIGNS / f"{name}.toml"), count, tmp_path)
