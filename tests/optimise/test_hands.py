"""Breadths of fingers, and what each seals."""

import pytest

import simkit
from simkit.errors import InputError
from simkit.optimise.hands import PEOPLE, fingertip_mm, handed, widest_hole_mm

FINGERS = ("thumb", "index", "middle", "ring", "little")


@pytest.mark.parametrize(
    ("who", "mm"),
    [
        # Students of Nanhua University, n = 254, second hand.
        ("man", (20.04, 18.40, 18.28, 17.31, 15.33)),
        ("woman", (17.30, 16.56, 16.55, 15.69, 14.05)),
        # Children of 3 to 10 years: Ann. Anat. 2010; 192:156.
        ("child", (16, 15, 15, 14, 13)),
    ],
)
def test_breadths_are_as_published(who, mm, whistle):
    vessel = handed(whistle, who)
    assert [fingertip_mm(vessel, f"left {finger}") for finger in FINGERS] == pytest.approx(mm)
    assert vessel.hand.fingertip_mm == mm[1]


def test_a_hole_is_as_wide_as_its_own_finger_seals(whistle_text):
    """0.65 of the breadth: common practice, no source."""
    text = whistle_text.replace('name = "1"', 'name = "1"\nfinger = "right little"') + "\n[hand]\nfingertip_mm = 18.4\n"
    vessel = simkit.loads(text)
    one, two = vessel.chambers[0].holes[:2]
    assert widest_hole_mm(vessel, one) == pytest.approx(0.65 * 15.33)
    assert widest_hole_mm(vessel, two) == pytest.approx(0.65 * 18.4)


def test_a_hand_between_is_like_the_nearest(whistle_text):
    vessel = simkit.loads(whistle_text + "\n[hand]\nfingertip_mm = 15.2\n")
    assert fingertip_mm(vessel, "left little") == pytest.approx(15.2 * 13 / 15)


def test_nobody_else_has_hands(whistle):
    with pytest.raises(InputError, match=", ".join(PEOPLE)):
        handed(whistle, "giant")
