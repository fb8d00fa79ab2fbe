"""The outside of a figure in a design file: read, written, named by dotted keys."""

import pytest

from simkit.vessel import DesignError, loads

FIGURE = """
clay.wall_mm = 4
[outside]
shape = "egg"
length_mm = 70
width_mm = 50
height_mm = 46
widest_at = 0.5
offset_mm = [-6, 0, 0]
[[part]]
name = "left leg"
shape = "tube"
length_mm = 30
diameter_mm = 12
offset_mm = [20, -10, -14]
tilt_deg = -90
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 36
[chamber.voicing]
along_mm = 10
around_deg = 0
window_width_mm = 10
cut_up_mm = 4
windway_height_mm = 1
windway_length_mm = 30
[chamber.mouthpiece]
lips_height_mm = 2
[free]
"outside.length_mm" = [60, 80]
"part.left leg.tilt_deg" = [-95, -80]
"""


def test_a_figure_is_read_and_written_as_it_stands():
    vessel = loads(FIGURE)
    assert vessel.outside is not None and vessel.outside.shape.kind == "egg"
    assert [part.name for part in vessel.parts] == ["left leg"]
    assert vessel.chambers[0].mouthpiece is not None
    assert loads(str(vessel)) == vessel


def test_its_numbers_have_dotted_keys():
    vessel = loads(FIGURE)
    assert vessel.value("part.left leg.offset_mm.up_mm") == -14
    assert vessel.with_value("outside.offset_mm.along_mm", -7).value("outside.offset_mm.along_mm") == -7
    assert vessel.value("body.mouthpiece.lips_height_mm") == 2
    assert "part.left leg.diameter_mm" in vessel.numbers


@pytest.mark.parametrize(
    ("was", "now", "key"),
    [
        ("tilt_deg = -90", "tilt = -90", "part.left leg.tilt"),
        ('name = "left leg"\nshape = "tube"', 'name = "left leg"\nshape = "tub"', "part.left leg.shape"),
        ("height_mm = 46", "heigth_mm = 46", "outside.height_mm"),
        ('name = "body"', 'name = "part"', "chamber[1].name"),
        ('"part.left leg.tilt_deg"', '"part.right leg.tilt_deg"', "free.part.right leg.tilt_deg"),
    ],
)
def test_what_is_wrong_in_it_is_named(was, now, key):
    assert was in FIGURE
    with pytest.raises(DesignError, match=key.replace("[", r"\[").replace("]", r"\]")):
        loads(FIGURE.replace(was, now))
