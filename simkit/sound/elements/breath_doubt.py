"""How far the air of a blown flute may be other than `breath_balance` says, and what that does to its notes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from simkit.air import exhaled
from simkit.frozen import frozen
from simkit.sound.elements.breath_balance import Breathing, pitch_cents
from simkit.sound.elements.mixing import RANGES

BREATH_K, CLAY_K, CO2_PERCENT = 2.0, 2.0, 1.0  # either way: see `variants`


def variants(b: Breathing) -> dict[str, tuple[Breathing, Breathing]]:
    """The same with each doubtful number at its lower and at its upper end, the others as they are.

    `Mixing`'s by its `RANGES`; breath 2 K and 1 % of carbon dioxide either way (34 +- 2 degC and 3 to 5 % are usual,
    31 to 35 degC was measured at the mouth), and 65 % moist or as it is (measured 42 to 91 %); the clay 2 K.
    """

    def with_mixing(name: str, value: float) -> Breathing:
        return replace(b, mixing=replace(b.mixing, **{name: value}))

    gases, moist = b.breath.gases, min(100.0, b.breath.humidity_percent)
    percent = 100 * gases.carbon_dioxide / (1 - gases.water)

    def with_breath(kelvin: float = 0.0, more: float = 0.0, humidity: float = moist) -> Breathing:
        t = min(max(b.breath.temperature_c + kelvin, 20.0), 40.0)
        co2 = min(max(percent + more, 0.0), 10.0)
        return replace(b, breath=exhaled(t, humidity, co2, pressure_pa=b.breath.pressure_pa))

    found = {name: (with_mixing(name, low), with_mixing(name, high)) for name, (low, high) in RANGES.items()}
    found["breath"] = with_breath(kelvin=-BREATH_K), with_breath(kelvin=BREATH_K)
    found["carbon_dioxide"] = with_breath(more=-CO2_PERCENT), with_breath(more=CO2_PERCENT)
    found["moisture"] = with_breath(humidity=min(65.0, moist)), with_breath()
    found["clay"] = replace(b, clay_c=b.clay_c - CLAY_K), replace(b, clay_c=b.clay_c + CLAY_K)
    return found


@frozen
class BreathDoubt:
    """How far the air may move the notes, half widths of a band in cents: `common` to all, `within` the scale (f,).

    parts: of each doubtful number half the difference between its ends, (f,) cents.
    """

    common: float
    within: np.ndarray
    parts: Mapping[str, np.ndarray]


def doubt(b: Breathing, cents: Callable[[Breathing], np.ndarray] = pitch_cents) -> BreathDoubt:
    """From the ends of every range, taken as independent; `cents` tells (f,) cents of a variant."""
    parts = {name: (cents(high) - cents(low)) / 2 for name, (low, high) in variants(b).items()}
    common = [float(part.mean()) for part in parts.values()]
    within = [part - part.mean() for part in parts.values()]
    return BreathDoubt(float(np.hypot.reduce(common)), np.hypot.reduce(within), parts)
