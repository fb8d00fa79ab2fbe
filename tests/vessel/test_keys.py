"""Dotted keys: one name for every value of a design."""

import math

import pytest

from simkit.errors import InputError
from simkit.vessel import SHAPES, Bounds, Chamber, Egg, Hole, Sphere, loads


def test_every_number_has_one_key_that_gives_and_changes_it(dove):
    vessel = loads(dove)
    numbers = vessel.numbers
    for key in (
        "air.temperature_c",
        "clay.wall_mm",
        "breath.clay_c",
        "player.face_mm",
        "hand.span_mm",
        "scale.a4_hz",
        "jet.receptivity",
        "body.widest_at",
        "body.turn_deg",
        "body.offset_mm.up_mm",
        "body.voicing.cut_up_mm",
        "body.hole.1.around_deg",
        "body.note.D5.cents",
    ):
        assert numbers[key].value == vessel.value(key)
    changes = 0
    for key, (value, allowed) in numbers.items():
        if value is None or key.startswith("body.offset_mm"):  # the first chamber sits at the origin
            continue
        other = next(x for x in (value * 1.01, value * 0.99, value + 0.01) if allowed.holds(x) and x != value)
        changed = vessel.with_value(key, other)
        assert changed.value(key) == pytest.approx(other)
        assert changed != vessel
        assert changed.with_value(key, value) == vessel
        changes += 1
    assert changes > 40


@pytest.mark.parametrize("shape", SHAPES)
def test_the_keys_of_a_shape_are_those_of_the_file(plain, shape):
    vessel = loads(plain(shape))
    known = {
        "sphere": ["diameter_mm"],
        "ellipsoid": ["length_mm", "width_mm", "height_mm"],
        "egg": ["length_mm", "width_mm", "height_mm", "widest_at"],
        "lens": ["length_mm", "width_mm", "height_mm", "rim_mm"],
        "tube": ["length_mm", "diameter_mm"],
        "box": ["length_mm", "width_mm", "height_mm", "corner_mm"],
        "sections": [
            f"sections.{row}.{column}"
            for row in range(1, 5)
            for column in ("along_mm", "width_mm", "height_mm", "rise_mm", "squareness")
        ],
        "lobes": [
            f"lobes.{row}.{column}"
            for row in (1, 2)
            for column in ("along_mm", "across_mm", "up_mm", "length_mm", "width_mm", "height_mm")
        ],
        "scan": ["smooth_mm"],
    }
    own = [key.removeprefix("body.") for key in vessel.numbers if key.startswith("body.")]
    assert [key for key in own if not key.startswith(("offset_mm", "turn_deg", "mouthpiece."))] == known[shape]


def test_rows_are_counted_from_one(plain):
    vessel = loads(plain("sections"))
    assert vessel.value("body.sections.3.along_mm") == 60
    changed = vessel.with_value("body.sections.3.rise_mm", 9)
    assert changed.chambers[0].shape.sections[2] == (60, 40, 30, 9, 3)
    assert vessel.chambers[0].shape.sections[2] == (60, 40, 30, 4, 3)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, True, "6", [6], 10**400, 1e300j])
def test_no_number_takes_what_is_none(dove, bad):
    vessel = loads(dove, "dove.toml")
    for key in vessel.numbers:
        with pytest.raises(InputError) as caught:
            vessel.with_value(key, bad)
        assert [fault.key for fault in caught.value.faults] == [key]


def test_several_values_change_at_once(dove):
    vessel = loads(dove)
    with pytest.raises(InputError, match="rim"):
        loads(dove.replace('"egg"', '"lens"').replace("widest_at = 0.42", "rim_mm = 41"))
    lens = loads(dove.replace('"egg"', '"lens"').replace("widest_at = 0.42", "rim_mm = 40"))
    with pytest.raises(InputError, match=r"body\.rim_mm = 40.* here 14.52"):
        lens.with_value("body.height_mm", 30)  # 30^2/62, by hand, is the rim of the fullest lens
    changed = lens.with_values({"body.height_mm": 42.425, "body.rim_mm": 29})
    assert changed.value("body.rim_mm") == 29
    assert vessel.with_values({}) == vessel


def test_a_key_that_names_nothing_is_refused_with_the_nearest(dove):
    vessel = loads(dove, "dove.toml")
    for key, near in (
        ("body.hole.3.diameter_mm", "body.hole.2.diameter_mm"),
        ("body.lenght_mm", "body.length_mm"),
        ("bdy.length_mm", "body.length_mm"),
        ("clay.wall", "clay.wall_mm"),
    ):
        for ask in (lambda key=key: vessel.value(key), lambda key=key: vessel.with_value(key, 3)):
            with pytest.raises(InputError, match=f"dove.toml: {key}: .*did you mean .*{near[-6:]}"):
                ask()
    for key in (
        "",
        ".",
        "body",
        "body.hole",
        "body.hole.1",
        "body.voicing",
        "body.shape.length_mm",
        "chambers.0",
        "free",
    ):
        with pytest.raises(InputError):
            vessel.with_value(key, 3)


def test_texts_have_keys_too_but_are_no_numbers(dove):
    vessel = loads(dove)
    assert vessel.with_value("scale.temperament", "equal").scale.temperament == "equal"
    with pytest.raises(InputError, match=r"one of equal, just, pythagorean"):
        vessel.with_value("scale.temperament", "even")
    with pytest.raises(InputError, match="a number that the design gives"):
        vessel.value("scale.temperament")


def test_an_unwritten_wall_or_rim_is_that_of_the_clay(dove):
    vessel = loads(dove)
    assert [vessel.value(f"body.hole.{name}.wall_mm") for name in "12"] == [4.5, 5]
    assert [vessel.value(f"body.hole.{name}.edge_radius_mm") for name in "12"] == [0.5, 0.4]
    assert [vessel.value(f"body.hole.{name}.edge_inside_radius_mm") for name in "12"] == [0.6, 0.2]
    body = vessel.chamber("body")
    assert vessel.with_clay(body.hole("1")) == body.hole("1")
    second = vessel.with_clay(body.hole("2"))
    assert (second.wall_mm, second.edge_radius_mm, second.edge_inside_radius_mm) == (5, 0.4, 0.2)
    assert vessel.with_clay(body.voicing).edge_radius_mm == 0.1
    assert vessel.with_value("body.hole.2.wall_mm", 3).value("body.hole.2.wall_mm") == 3
    with pytest.raises(InputError, match="a number that the design gives"):
        loads(dove.replace("span_mm = 180", "")).value("hand.span_mm")


def test_a_table_left_out_is_made_when_a_value_in_it_is_set(plain):
    vessel = loads(plain("sphere"))
    assert vessel.with_value("player.face_mm", 25).player.face_mm == 25
    assert vessel.with_value("breath.co2_percent", 5).breath.co2_percent == 5
    with pytest.raises(InputError, match="a dotted key of this design"):
        vessel.with_value("body.voicing.cut_up_mm", 5)


def test_shrinkage_is_moved_in_the_way_it_was_given(dove):
    steps = loads(dove.replace("shrinkage_percent = 11.0", "drying_percent = 6\nfiring_percent = 6.5"))
    assert steps.with_value("clay.drying_percent", 7).clay.shrinkage_percent == pytest.approx(13.045)
    assert steps.value("clay.shrinkage_percent") == pytest.approx(12.11)  # ASTM C326, as in test_reader
    with pytest.raises(InputError, match="either shrinkage_percent or both"):
        steps.with_value("clay.shrinkage_percent", 10)


def test_a_hole_is_added_or_replaced(dove):
    vessel = loads(dove)
    wider = vessel.with_hole("body", Hole(name="2", along_mm=34, around_deg=25, diameter_mm=7))
    assert wider == vessel.with_value("body.hole.2.diameter_mm", 7)
    more = vessel.with_hole("body", Hole(name="3", along_mm=50, around_deg=0, diameter_mm=7))
    assert [hole.name for hole in more.chambers[0].holes] == ["1", "2", "3"]
    assert more.value("body.hole.3.along_mm") == 50
    with pytest.raises(KeyError, match="no chamber 'tail'"):
        vessel.with_hole("tail", more.chambers[0].hole("3"))
    with pytest.raises(KeyError, match="no hole '9'"):
        more.chambers[0].hole("9")
    with pytest.raises(KeyError, match="no note 'E5'"):
        more.chambers[0].note("E5")


def test_a_chamber_is_added_or_replaced(dove):
    vessel = loads(dove)
    tail = Chamber(name="tail", shape=Sphere(diameter_mm=30), offset_mm=(90, 0, 0))
    both = vessel.with_chamber(tail)
    assert [chamber.name for chamber in both.chambers] == ["body", "tail"]
    assert both.value("tail.offset_mm.along_mm") == 90
    assert both.with_value("tail.diameter_mm", 31).value("tail.diameter_mm") == 31
    egg = Egg(length_mm=90, width_mm=60, height_mm=50, widest_at=0.5)
    plain = both.with_chamber(tail)
    assert plain.chambers[1] == tail
    with pytest.raises(InputError, match=r"free\.body\.hole\.2"):
        vessel.with_chamber(Chamber(name="body", shape=egg))  # its holes are gone, [free] still moves one


def test_ties_are_followed_to_their_end(dove):
    chain = '"body.hole.1.diameter_mm" = "= body.widest_at"\n"body.length_mm" = [80, 110]'
    vessel = loads(dove.replace('"body.length_mm" = [80, 110]', chain)).with_ties()
    assert vessel.value("body.hole.1.diameter_mm") == 0.42
    assert vessel.value("body.hole.2.diameter_mm") == 0.42
    assert vessel.free["body.length_mm"] == Bounds(80, 110)


def test_a_tie_in_a_circle_is_refused(dove):
    circle = '"body.hole.1.diameter_mm" = "= body.hole.2.diameter_mm"\n"body.length_mm" = [80, 110]'
    with pytest.raises(InputError) as caught:
        loads(dove.replace('"body.length_mm" = [80, 110]', circle))
    assert [fault.key for fault in caught.value.faults] == [
        "free.body.hole.1.diameter_mm",
        "free.body.hole.2.diameter_mm",
    ]


def test_files_named_in_a_design_lie_beside_it(plain, tmp_path):
    vessel = loads(plain("scan"), str(tmp_path / "dove.toml"))
    assert vessel.beside(vessel.chambers[0].shape.file) == tmp_path / "inside.stl"
