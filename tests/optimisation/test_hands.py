"""Breadths of fingers, and what each seals."""

import pytest

import simkit
from simkit.errors import InputError
from simkit.vessel.hands import PEOPLE, fingertip_mm, handed, widest_hole_mm

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


def test_a_hole_too_wide_for_its_finger_is_told_with_its_measure(whistle_text):
    """0.65 of a little fingertip of 15.33 mm is 9.96 mm; an index finger of 18.4 seals 11.96."""
    named = whistle_text.replace('name = "1"', 'name = "1"\nfinger = "right little"')
    wide = named.replace("diameter_mm = 6.5            # much too wide", "diameter_mm = 10.4")
    (said,) = simkit.loads(wide + "\n[hand]\nfingertip_mm = 18.4\n").cautions
    assert said == "hole 1 is 10.4 mm wide: a fingertip of 15.3 mm (right little) seals at most 9.96 mm"
    # A man's where the design does not say; nothing where no hands are known of.
    (said,) = simkit.loads(wide).cautions
    assert "15.3 mm (right little, a man's) seals" in said
    assert simkit.loads(wide.replace('finger = "right little"', "")).cautions == ()
    assert simkit.loads(wide.replace("10.4", "9.9")).cautions == ()


def test_a_finger_with_two_holes_is_named(whistle_text):
    text = whistle_text
    for hole, finger in (("1", "left index"), ("2", "left index"), ("3", "right index")):
        text = text.replace(
            f'[[chamber.hole]]\nname = "{hole}"', f'[[chamber.hole]]\nname = "{hole}"\nfinger = "{finger}"'
        )
    (said,) = simkit.loads(text).cautions
    assert said.startswith("the left index covers holes 1, 2 at once in C5: only where one fingertip")


def test_twelve_holes_are_more_than_fingers(whistle_text):
    head, _, _ = whistle_text.partition("[[chamber.hole]]")
    fingers = [f'finger = "{finger}"' for finger in simkit.vessel.FINGERS] + ["", ""]
    holes = [
        f'[[chamber.hole]]\nname = "{n + 1}"\nalong_mm = {30 + n}\naround_deg = 0\ndiameter_mm = 4\n{finger}\n'
        for n, finger in enumerate(fingers)
    ]
    note = '[[chamber.note]]\npitch = "C5"\nopen = [{}]\n'
    (said,) = simkit.loads(head + "".join(holes) + note.format("")).cautions
    assert said == "C5 wants 12 holes covered by 10 fingers; no finger is named for 11, 12"
    assert simkit.loads(head + "".join(holes) + note.format('"1", "2"')).cautions == ()
