"""Clay's rules as a maker reads them: weights by volume, cautions with place and amount."""

import math

import pytest

from simkit.body import body_of
from simkit.making import shrinkage_of
from simkit.making.clay_rules import clay_work
from simkit.vessel import loads

BLOCK = """
clay.wall_mm = 4
clay.shrinkage_percent = 10
[outside]
shape = "box"
length_mm = 100
width_mm = 60
height_mm = 46
offset_mm = [-8, 0, 0]
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 30
[[chamber.hole]]
name = "1"
along_mm = 15
around_deg = 0
diameter_mm = 5
"""


@pytest.fixture(scope="module")
def block():
    vessel = loads(BLOCK)
    return clay_work(vessel, body_of(vessel), shrinkage_of(vessel))


def test_a_block_weighs_what_its_volume_does(block):
    found = block
    volume = (100 * 60 * 46 - math.pi / 6 * 30**3) / 1e3  # ml
    assert found.fired_g == pytest.approx(1.9 * volume, rel=5e-3)
    assert found.wet_g == pytest.approx(1.9 * volume / 0.9**3, rel=5e-3)
    assert found.as_dict()["stands"]["on_feet"]


def test_thick_clay_is_told_with_its_place_and_what_to_do(block):
    found = block
    (thick,) = [said for said in found.cautions if "thick when wet" in said]
    assert float(thick.split()[2]) == pytest.approx(46 / 0.9, rel=0.01)
    assert "hollow it" in thick and "no source" in thick
    assert found.as_dict()["thickest_mm"]["clay"] == pytest.approx(46, rel=0.01)
    assert found.as_dict()["thinnest_mm"]["clay"] == pytest.approx(8, rel=0.01)  # above: 46/2 - 15


def test_what_is_held_out_of_balance_is_told(block):
    assert "beyond the middle of the holes" in " ".join(block.said)


def test_an_even_wall_of_usual_thickness_breaks_no_rule():
    vessel = loads(
        'clay.wall_mm = 5\nclay.shrinkage_percent = 10\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50'
    )
    found = clay_work(vessel, body_of(vessel), shrinkage_of(vessel))
    assert list(found.cautions) == []
    assert "5.0 mm thick" in found.said[0] and "no feet" in found.said[2]
    # A shell: 4/3 pi (30^3 - 25^3) mm^3.
    assert found.fired_g == pytest.approx(1.9e-3 * 4 / 3 * math.pi * (30**3 - 25**3), rel=5e-3)


def test_thin_clay_is_told():
    vessel = loads(
        'clay.wall_mm = 2\nclay.shrinkage_percent = 10\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50'
    )
    found = clay_work(vessel, body_of(vessel), shrinkage_of(vessel))
    assert any("only 2.2 mm thick when wet" in said for said in found.cautions)
