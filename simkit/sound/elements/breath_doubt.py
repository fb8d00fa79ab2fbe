"""Uncertainty of the air in a blown flute (`breath_balance`), and of its notes with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np

from simkit.air import NUMBERS
from simkit.frozen import frozen
from simkit.gases import Gases
from simkit.sound.elements.airs import kept_breath
from simkit.sound.elements.breath_balance import Breathing, pitch_cents
from simkit.sound.elements.mixing import RANGES, Mixing
from simkit.sound.elements.orifice import Reals

BREATH_K, CLAY_K, CO2_PERCENT = 2.0, 2.0, 1.0  # either way: see `variants`


def variants(b: Breathing) -> dict[str, tuple[Breathing, Breathing]]:
    """Copies with each doubtful number at its lower and at its upper end, the others as they are.

    `Mixing`'s by its `RANGES`; breath 2 K and 1 % of carbon dioxide either way (34 +- 2 degC and 3 to 5 % are usual,
    31 to 35 degC was measured at the mouth), and 65 % moist or as it is (measured 42 to 91 %); the clay 2 K.
    """

    def with_mixing(name: str, value: float) -> Breathing:
        return replace(b, mixing=replace(b.mixing, **{name: value}))

    gases, moist = b.breath.gases, min(100.0, b.breath.humidity_percent)
    percent = 100 * gases.carbon_dioxide / (1 - gases.water)  # of dry breath, as it is measured

    def with_breath(kelvin: float = 0.0, more: float = 0.0, humidity: float = moist) -> Breathing:
        t = min(max(b.breath.temperature_c + kelvin, 20.0), 40.0)  # ends that a design may have
        co2 = min(max(percent + more, 0.0), 10.0)
        return replace(b, breath=kept_breath(t, humidity, co2, pressure_pa=b.breath.pressure_pa))

    found = {name: (with_mixing(name, low), with_mixing(name, high)) for name, (low, high) in RANGES.items()}
    found["breath"] = with_breath(kelvin=-BREATH_K), with_breath(kelvin=BREATH_K)
    found["carbon_dioxide"] = with_breath(more=-CO2_PERCENT), with_breath(more=CO2_PERCENT)
    found["moisture"] = with_breath(humidity=min(65.0, moist)), with_breath()
    found["clay"] = replace(b, clay_c=b.clay_c - CLAY_K), replace(b, clay_c=b.clay_c + CLAY_K)
    return found


def side_by_side(variants: Sequence[Breathing]) -> Breathing:
    """Variants that differ by breath, clay and mixing as one, these numbers columns (v, 1)."""

    def column(numbers: Iterable[Reals]) -> np.ndarray:
        return np.array([float(number) for number in numbers])[:, None]

    mixing = Mixing(*(column(getattr(v.mixing, each.name) for v in variants) for each in fields(Mixing)))
    gases = Gases(*(column(getattr(v.breath.gases, each.name) for v in variants) for each in fields(Gases)))
    numbers: dict[str, Any] = {name: column(getattr(v.breath, name) for v in variants) for name in NUMBERS}
    breath = replace(variants[0].breath, gases=gases, **numbers)
    return replace(variants[0], breath=breath, mixing=mixing, clay_c=column(v.clay_c for v in variants))


@frozen
class BreathDoubt:
    """Uncertainty of the notes from the air, half widths in cents: `common` to all, `within` the scale (f,).

    parts: of each doubtful number half the difference between its ends, (f,) cents.
    """

    common: float
    within: np.ndarray
    parts: Mapping[str, np.ndarray]


def doubt(b: Breathing, cents: Callable[[Breathing], np.ndarray] = pitch_cents) -> BreathDoubt:
    """Uncertainty from the ends of every range, as independent; `cents` gives (v, f) cents of variants at once."""
    ends = variants(b)
    # Variants stand as low, high, low, high ...
    moved = cents(side_by_side([each for pair in ends.values() for each in pair]))
    parts = dict(zip(ends, (moved[1::2] - moved[::2]) / 2, strict=True))
    common = [float(part.mean()) for part in parts.values()]
    within = [part - part.mean() for part in parts.values()]
    return BreathDoubt(float(np.hypot.reduce(common)), np.hypot.reduce(within), parts)
