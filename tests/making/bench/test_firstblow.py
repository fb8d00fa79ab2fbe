"""The covered note before any hole is cut, against Helmholtz's resonator with the holes' own air."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from simkit.making.bench.predicted import uncut_cents
from simkit.making.readings import readings
from simkit.making.shrinkage import Shrinkage, Stage


@dataclass(frozen=True)
class WithChimneys:
    """A textbook resonator whose covered holes add the air in them, S h, to the chamber's."""

    plain: object

    def __getattr__(self, name):
        return getattr(self.plain, name)

    def lowest(self, made, openness):
        radius, walls = made.diameters / 2, made.walls[:, 1:]
        chimneys = ((1 - openness) * np.pi * radius**2 * walls).sum(axis=1)
        return self.plain.lowest(replace(made, volume=made.volume + chimneys / self.plain.volume), openness)


def test_no_hole_cut_is_higher_by_the_air_of_the_chimneys(model):
    """f ~ V^(-1/2) at every size: 600 log2(1 + sum(S h)/V) cents, the same at every stage."""
    designed = model.designed
    air = (np.pi * (designed.diameters / 2) ** 2 * designed.walls[:, 1:]).sum()
    expected = 600 * np.log2(1 + air / model.volume)
    assert expected > 3
    found = uncut_cents(WithChimneys(model), Shrinkage.of(drying=0.05, firing=0.05))
    assert list(found) == list(Stage)
    assert list(found.values()) == pytest.approx([expected] * 4, abs=1e-6)


def test_the_first_blow_is_the_target_over_the_size_and_so_much_higher():
    clay = Shrinkage.of(drying=0.05, firing=0.05)
    found = readings(440.0, clay, air_ratio=1.01, higher_cents=dict.fromkeys(Stage, 13.0))
    read = {each.stage: each.frequency_hz for each in found}
    assert read[Stage.WET] == pytest.approx(440 * 0.95 * 0.95 * 1.01 * 2 ** (13 / 1200))
    assert read[Stage.FIRED] == pytest.approx(440 * 1.01 * 2 ** (13 / 1200))
