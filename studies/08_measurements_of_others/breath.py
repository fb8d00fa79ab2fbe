"""How breath bends the notes of a vessel flute with ten holes, and what a jet does, beside what others measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.stats import spearmanr

import simkit
from simkit.sound import models
from simkit.sound.blowing.behaviour import Blown, at_pressure, blow_fingerings
from simkit.sound.blowing.table import RESONANCES, jet_of
from simkit.sound.elements.airjet import AirJet, wave
from simkit.sound.elements.constants import JetConstants
from simkit.sound.models.resonator import openness_of

HERE = Path(__file__).parent
DESIGNS = {"ten_holes": HERE / "ten_holes.toml", "river_yam": HERE.parent / "designs" / "river_yam.toml"}

# D. A maker's readings of a vessel flute with ten holes in C, transducer beside the windway, in units of its own with
# an unknown zero (quoted from another text): the pressure at which each note is so many cents flat or sharp.
NOTES = ("C", "D", "E", "F", "G", "A", "B", "C'", "D'", "E'", "F'")
READINGS = {
    -40: (30, 31, 33, 32, 33, 33, 35, 37, 41, 50, 56),
    -20: (34, 35, 39, 42, 43, 43, 46, 49, 55, 63, 68),
    0: (36, 39, 44, 46, 48, 51, 54, 61, 69, 75, 83),
    20: (39, 43, 48, 51, 57, 61, 69, 78, 85, 103, 121),
}
SHARES = np.geomspace(0.4, 2.5, 23)  # of the playing pressure, where pitch is asked
# A tenor recorder's windway: cut-up and height at the exit, mm. Price, Johnston & McKinnon 2015, J. Acoust. Soc. Am.
# 138, 3282, arXiv 1502.02170 (quoted from another text).
RECORDER_MM = 4.83, 1.09


def bend(low: Any, high: Any, step: float = 40.0) -> list[float]:
    """Cents for each doubling of pressure, for the pressures at either end of `step` cents."""
    return [float(each) for each in step / np.log2(np.asarray(high, float) / np.asarray(low, float))]


def blown(name: str, model: str) -> tuple[Blown, AirJet]:
    """All notes of a design before its jet, as a still piece: so the jet alone bends the pitch."""
    vessel = simkit.load(DESIGNS[name])
    (case,) = models.cases(vessel)
    resonator = models.resonator(model, case)
    openness = np.array([openness_of(resonator.holes, note.open) for note in vessel.chambers[0].notes])
    jet = jet_of(case, JetConstants.from_table(vessel.jet))
    return blow_fingerings(resonator.motion(openness, RESONANCES), jet, careful=False), jet


def bent(name: str, model: str) -> dict[str, Any]:
    """The pressures at which each note of a design is 20 cents flat, in tune, and 20 sharp, and its bend between.

    In tune is where the jet drives it in phase. None where the note does not live so far off.
    """
    found, _ = blown(name, model)
    count, shares = len(found.pressure), len(SHARES)
    which = np.repeat(np.arange(count), shares)
    cycle = at_pressure(found, which, np.repeat(found.pressure, shares) * np.tile(SHARES, count), careful=False)
    hz = np.where(cycle.exists, cycle.frequency, np.nan).reshape(count, shares)
    curves = 1200 * np.log2(hz / found.cycle.frequency[:, None])
    at = np.array([[_where(curve, wanted) for wanted in (-20.0, 20.0)] for curve in curves]) * found.pressure[:, None]
    return {
        "pressure_pa": found.pressure.tolist(),
        "flat_pa": at[:, 0].tolist(),
        "sharp_pa": at[:, 1].tolist(),
        "cents_per_doubling": bend(at[:, 0], at[:, 1]),
        "playing_q": [found.note(n).playing_q for n in range(count)],
    }


def _where(curve: np.ndarray, wanted: float) -> float:
    """The share of the playing pressure at which a pitch curve over SHARES has the wanted cents."""
    some = np.isfinite(curve)
    return float(np.exp(np.interp(wanted, curve[some], np.log(SHARES[some]), left=np.nan, right=np.nan)))


def with_zero(ratio: float) -> tuple[float, list[float]]:
    """The reading without breath, if in-tune pressures were to grow by `ratio` from lowest to highest, and the bends.

    The transducer's zero is not known: this says what it would do.
    """
    low, high = READINGS[0][0], READINGS[0][-1]
    zero = (ratio * low - high) / (ratio - 1)
    return zero, bend(np.subtract(READINGS[-20], zero), np.subtract(READINGS[20], zero))


def breath(names: Sequence[str], model: str) -> dict[str, Any]:
    """The table beside ours: how the bend falls up the scale, its order, and how large it is."""
    heard = bend(READINGS[-20], READINGS[20])
    ours = {name: bent(name, model) for name in names}
    rise = {name: each["pressure_pa"][-1] / each["pressure_pa"][0] for name, each in ours.items()}
    zero, moved = with_zero(rise[names[0]])
    up = range(len(NOTES))
    return {
        "notes": list(NOTES),
        "measured": {"cents_per_doubling": heard, "order": float(spearmanr(up, heard)[0]), "fall": heard[0] / heard[-1],
                     "rise": READINGS[0][-1] / READINGS[0][0]},
        "measured_with_zero": {"zero": zero, "cents_per_doubling": moved, "order": float(spearmanr(up, moved)[0]),
                               "fall": moved[0] / moved[-1]},
        "ours": [
            {
                "name": name,
                **each,
                "rise": rise[name],
                "order": float(spearmanr(up, each["cents_per_doubling"])[0]),
                "fall": each["cents_per_doubling"][0] / each["cents_per_doubling"][-1],
                "over_measured": float(np.exp(np.mean(np.log(np.divide(each["cents_per_doubling"], heard))))),
                "over_measured_with_zero": float(np.exp(np.mean(np.log(np.divide(each["cents_per_doubling"], moved))))),
            }
            for name, each in ours.items()
        ],
    }  # fmt: skip


# --- the jet ---------------------------------------------------------------------------------------------------


def turns_of_most_gain(cut_up_mm: float, height_mm: float) -> float:
    """How many of the jet's waves fit between exit and edge where it grows most on its way."""
    constants = JetConstants()
    best = minimize_scalar(lambda theta: -float(wave(theta)[1]), bounds=(0.05, 1.0), method="bounded").x
    reach = cut_up_mm / (constants.half_width * height_mm)
    return float(reach * wave(best)[0] / constants.convection / (2 * np.pi))


def jets(name: str, model: str) -> dict[str, Any]:
    """What our jet does where others say what a jet does."""
    found, jet = blown(name, model)
    constants, omega, speed = jet.constants, found.cycle.omega, found.cycle.speed
    theta = omega * jet.half_width / speed
    carried = theta / wave(theta)[0] * constants.convection
    grows = constants.growth / constants.half_width * float(wave(np.array([0.25]))[1][0])
    fast = 1.5 * speed[0]  # beyond play, on the way to the jump
    halved = replace(jet, length=jet.length / 2)
    return {
        "waves_at_most_gain": turns_of_most_gain(*RECORDER_MM),
        "waves_at_most_gain_here": turns_of_most_gain(1000 * jet.cut_up, 1000 * jet.height),
        "wave_over_jet_speed": [float(carried.min()), float(carried.max())],
        "growth_per_height": grows,
        "half_the_windway_pressure": float(halved.pressure(fast) / jet.pressure(fast)),
    }
