"""The table [jet] of a design file."""

import pytest

from simkit.errors import InputError
from simkit.sound.elements.constants import JetConstants


def test_a_design_sets_what_it_names():
    constants = JetConstants.from_table({"growth": 0.6, "convection": 1.3})
    assert (constants.growth, constants.convection) == (0.6, 1.3)
    assert constants.dipole == JetConstants().dipole


def test_every_wrong_name_is_reported_with_what_is_allowed():
    with pytest.raises(InputError) as caught:
        JetConstants.from_table({"grwoth": 0.6, "dipole": 1.0, "colour": 2.0}, "dove.toml")
    assert [fault.key for fault in caught.value.faults] == ["jet.grwoth", "jet.colour"]
    assert "growth" in str(caught.value)
    assert "dove.toml" in str(caught.value)


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_constants_are_more_than_nothing(value):
    with pytest.raises(InputError, match="more than 0"):
        JetConstants(dipole=value)
