import json
import math
import os
import pickle

import pytest

from simkit.errors import Fault, InputError
from simkit.pitch import TEMPERAMENTS, Tuning, note
from simkit.vessel import (
    SHAPES,
    AirState,
    Bounds,
    Chamber,
    Clay,
    Egg,
    Hole,
    Section,
    Sphere,
    Tie,
    Vessel,
    load,
    loads,
)


def faults_of(text: str) -> list[Fault]:
    with pytest.raises(InputError) as caught:
        loads(text, "dove.toml")
    assert caught.value.exit_status == 2
    assert len(str(caught.value)) < 1500
    return list(caught.value.faults)


def only_fault(text: str) -> Fault:
    faults = faults_of(text)
    assert len(faults) == 1, "\n".join(map(str, faults))
    return faults[0]


# --- what is read --------------------------------------------------------------------------------


def test_a_design_with_every_key_is_read(dove):
    vessel = loads(dove, "dove.toml")
    assert (vessel.title, vessel.source) == ("Harbour dove", "dove.toml")
    assert vessel.air == AirState(temperature_c=22, humidity_percent=60, pressure_pa=99000, co2_ppm=800)
    assert (vessel.clay.wall_mm, vessel.clay.shrinkage_percent) == (5, 11)
    assert (vessel.breath.co2_percent, vessel.player.face_mm, vessel.hand.span_mm) == (4.5, 25, 180)
    assert (vessel.scale.a4_hz, vessel.scale.temperament, vessel.scale.tonic) == (442, "just", "D")
    assert vessel.jet == {"receptivity": 0.4}
    assert vessel.free == {
        "body.length_mm": Bounds(80, 110),
        "body.hole.2.diameter_mm": Tie("body.hole.1.diameter_mm"),
    }
    (body,) = vessel.chambers
    assert body.shape == Egg(length_mm=96, width_mm=62, height_mm=50, widest_at=0.42)
    assert (body.name, body.turn_deg, body.offset_mm) == ("body", 15, (0, 0, 0))
    assert (body.voicing.cut_up_mm, body.voicing.breath_toward_deg, body.voicing.edge_deg) == (5.5, 10, 40)
    assert body.hole("1") == Hole(
        name="1", along_mm=34, around_deg=-25, diameter_mm=6, wall_mm=4.5,
        edge_radius_mm=0.5, edge_inside_radius_mm=0.6, finger="left index",
    )  # fmt: skip
    assert [(note.pitch, note.cents, note.open) for note in body.notes] == [("C5", 0, ()), ("D5", -3, ("1",))]


def test_what_is_not_written_has_its_default(plain):
    vessel = loads(plain("sphere"))
    assert vessel.air == AirState(temperature_c=20, humidity_percent=50, pressure_pa=101325, co2_ppm=400)
    assert (vessel.clay.edge_radius_mm, vessel.clay.edge_inside_radius_mm) == (0.3, 0.3)
    assert vessel.clay.shrinkage_percent is None
    assert (vessel.breath, vessel.player, vessel.hand) == (None, None, None)
    assert (vessel.scale.a4_hz, vessel.scale.temperament, vessel.scale.tonic) == (440, "equal", "C")
    assert vessel.chambers == (Chamber(name="body", shape=Sphere(diameter_mm=60)),)


def test_keys_left_out_of_a_voicing_are_those_of_the_plan(dove):
    lines = [line for line in dove.splitlines() if not line.startswith(("breath_toward", "edge_deg", "edge_offset"))]
    voicing = loads("\n".join(lines)).chambers[0].voicing
    assert (voicing.breath_toward_deg, voicing.edge_deg, voicing.edge_offset_mm) == (0, 45, 0)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_is_read(plain, shape):
    assert loads(plain(shape)).chambers[0].shape.kind == shape


def test_rows_have_names(plain):
    sections = loads(plain("sections")).chambers[0].shape
    assert sections.sections[1] == Section(along_mm=20, width_mm=40, height_mm=30, rise_mm=2, squareness=2.5)
    assert loads(plain("lobes")).chambers[0].shape.lobes[1].up_mm == 10


def test_keys_of_free_may_stand_without_quotes(dove):
    bare = dove.replace('"body.length_mm" =', "body.length_mm =").replace(
        '"body.hole.2.diameter_mm" =', "body.hole.2.diameter_mm ="
    )
    assert loads(bare) == loads(dove)


def test_a_byte_order_mark_and_dos_line_ends_are_no_matter(tmp_path, dove):
    file = tmp_path / "dove.toml"
    file.write_bytes(b"\xef\xbb\xbf" + dove.replace("\n", "\r\n").encode())
    assert load(file) == loads(dove)
    assert load(file).source == str(file)


def test_a_vessel_is_frozen_hashable_and_travels_between_processes(dove):
    vessel = loads(dove, "dove.toml")
    with pytest.raises(ValueError, match="frozen"):
        vessel.title = "x"
    with pytest.raises(AttributeError):
        vessel.jet.other = 1
    assert loads(dove, "elsewhere.toml") == vessel
    assert hash(loads(dove, "elsewhere.toml")) == hash(vessel)
    assert loads(dove.replace("diameter_mm = 6.5", "diameter_mm = 6.4")) != vessel
    again = pickle.loads(pickle.dumps(vessel))
    assert (again, again.source) == (vessel, "dove.toml")


# ASTM C326, section on calculation: (1 - S_t) = (1 - S_d)(1 - S_f); 6 % and 6.5 % give 12.11 %, not 12.5 %.
def test_drying_and_firing_shrinkage_multiply():
    assert Clay(wall_mm=5, drying_percent=6, firing_percent=6.5).shrinkage_percent == pytest.approx(12.11)


# --- one fault at a time -------------------------------------------------------------------------

LENGTH = '"body.length_mm" = [80, 110]'

FAULTS = [
    # (what is written, what is written instead, dotted key, part of what is allowed)
    ("length_mm = 96", "length_mm = 0", "body.length_mm", "from 1 to 1000"),
    ("length_mm = 96", "length_mm = 1000.1", "body.length_mm", "from 1 to 1000"),
    ("length_mm = 96", "length_mm = 5e-324", "body.length_mm", "from 1 to 1000"),
    ("length_mm = 96", "length_mm = 1e308", "body.length_mm", "from 1 to 1000"),
    ("wall_mm = 5.0", "wall_mm = 5e-324", "clay.wall_mm", "0, or a number from 0.1 to 100"),
    ("cut_up_mm = 5.5", "cut_up_mm = 5e-324", "body.voicing.cut_up_mm", "from 0.3 to 1000"),
    ("around_deg = 180", "around_deg = 1e308", "body.voicing.around_deg", "-3600 to 3600"),
    ("length_mm = 96", "length_mm = true", "body.length_mm", "a number"),
    ("length_mm = 96", 'length_mm = "96"', "body.length_mm", "a number"),
    ("length_mm = 96", "length_mm = [96]", "body.length_mm", "a number"),
    ("length_mm = 96", "length_mm = nan", "body.length_mm", "a number"),
    ("length_mm = 96", "length_mm = 1979-05-27", "body.length_mm", "a number"),
    ("length_mm = 96", "", "body.length_mm", "missing"),
    ("length_mm = 96", "lenght_mm = 96\nlength_mm = 96", "body.lenght_mm", "did you mean length_mm?"),
    ("widest_at = 0.42", "widest_at = 0.25", "body.widest_at", "more than 0.25, less than 0.75"),
    ("widest_at = 0.42", "widest_at = 0.75", "body.widest_at", "more than 0.25, less than 0.75"),
    ('shape = "egg"', 'shape = "eg"', "body.shape", "did you mean egg?"),
    ('shape = "egg"', "shape = 3", "body.shape", "one of sphere, ellipsoid"),
    ('shape = "egg"', "", "body.shape", "missing"),
    ('shape = "egg"', 'shape = "egg"\nkind = "egg"', "body.kind", "known keys only"),
    ('shape = "egg"', 'shape = "egg"\nholes = 2', "body.holes", "did you mean hole?"),
    ('name = "body"', 'name = "a.b"', "chamber[1].name", "a name in quotes"),
    ('name = "body"', 'name = ""', "chamber[1].name", "a name in quotes"),
    ('name = "body"', 'name = "clay"', "chamber[1].name", "a name other than"),
    ('name = "body"', "", "chamber[1].name", "missing"),
    ("offset_mm = [0, 0, 0]", "offset_mm = [1, 0, 0]", "body.offset_mm", "[0, 0, 0] for the first chamber"),
    ("offset_mm = [0, 0, 0]", "offset_mm = [0, 0]", "body.offset_mm", "3 numbers: [along, across, up]"),
    ("offset_mm = [0, 0, 0]", "offset_mm = [0, 0, nan]", "body.offset_mm.up_mm", "-1000 to 1000"),
    ("turn_deg = 15", "turn_deg = inf", "body.turn_deg", "-3600 to 3600"),
    ("wall_mm = 5.0", "wall_mm = -1", "clay.wall_mm", "0, or a number from 0.1 to 100"),
    ("shrinkage_percent = 11.0", "shrinkage_percent = 25.5", "clay.shrinkage_percent", "0 to 25"),
    ("shrinkage_percent = 11.0", "shrinkage_percent = 11.0\ndrying_percent = 5", "clay.shrinkage_percent", "either"),
    ("shrinkage_percent = 11.0", "drying_percent = 5", "clay.drying_percent", "only together with firing_percent"),
    ("shrinkage_percent = 11.0", "drying_percent = 20\nfiring_percent = 20", "clay.firing_percent", "at most 25 %"),
    ("temperature_c = 22", "temperature_c = 40.5", "air.temperature_c", "0 to 40"),
    ("temperature_c = 22", "temperature = 22", "air.temperature", "did you mean temperature_c?"),
    ("humidity_percent = 60", "humidity_percent = 101", "air.humidity_percent", "0 to 100"),
    ("clay_c = 28", "clay_c = 41", "breath.clay_c", "5 to 40"),
    ("face_mm = 25", "face_mm = 15", "player.face_mm", "the windway of body is 32 mm long"),
    ("mouth_ml = 60", "mouth_ml = 5", "player.mouth_ml", "10 to 150"),
    ('temperament = "just"', 'temperament = "juts"', "scale.temperament", "did you mean just?"),
    ('tonic = "D"', 'tonic = "H"', "scale.tonic", "A to G"),
    ("receptivity = 0.4", "receptivity = -0.4", "jet.receptivity", "more than 0"),
    ("receptivity = 0.4", 'receptivity = "0.4"', "jet.receptivity", "more than 0"),
    ("fingertip_mm = 17.0", "fingertip = 17.0", "hand.fingertip", "did you mean fingertip_mm?"),
    ('title = "Harbour dove"', "title = 4", "title", "one line"),
    ('title = "Harbour dove"', "wall_mm = 4", "wall_mm", "belongs in [clay]"),
    ('title = "Harbour dove"', 'source = "x"', "source", "known keys only"),
    ('title = "Harbour dove"', "chambers = []", "chambers", "did you mean chamber?"),
    ("around_deg = 180", "around_deg = inf", "body.voicing.around_deg", "-3600 to 3600"),
    ("cut_up_mm = 5.5", "cut_up_mm = 0", "body.voicing.cut_up_mm", "from 0.3 to 1000"),
    ("cut_up_mm = 5.5", "cutup_mm = 5.5\ncut_up_mm = 5.5", "body.voicing.cutup_mm", "did you mean cut_up_mm?"),
    ("windway_length_mm = 32", "", "body.voicing.windway_length_mm", "missing"),
    ("edge_deg = 40", "edge_deg = 5", "body.voicing.edge_deg", "10 to 90"),
    ("diameter_mm = 6.5", "diameter_mm = -6.5", "body.hole.2.diameter_mm", "from 0.1 to 1000"),
    ("diameter_mm = 6.5", "", "body.hole.2.diameter_mm", "missing"),
    ('finger = "left index"', 'finger = "left indx"', "body.hole.1.finger", "did you mean left index?"),
    ('name = "2"', "name = 2", "body.hole[2].name", "a name in quotes"),
    ('open = ["1"]', 'open = ["l"]', "body.note.D5.open", "the holes of this chamber, 1, 2"),
    ('open = ["1"]', 'open = ["1", "1"]', "body.note.D5.open", "each hole once"),
    ('open = ["1"]', "open = [1]", "body.note.D5.open", "a name"),
    ('open = ["1"]', 'open = "1"', "body.note.D5.open", "a list of hole names"),
    ('open = ["1"]', "", "body.note.D5.open", "missing"),
    ('pitch = "D5"', 'pitch = "H5"', "body.note.H5.pitch", "A to G"),
    ('pitch = "D5"', 'pitch = "c5"', "body.note.c5.pitch", "another note has this pitch"),
    ('pitch = "D5"\ncents = -3', 'pitch = "F#5"\ncents = nan', "body.note.F#5.cents", "-1200 to 1200"),
    ("cents = -3", "cents = 1300", "body.note.D5.cents", "-1200 to 1200"),
    (LENGTH, '"body.lenght_mm" = [80, 110]', "free.body.lenght_mm", "did you mean body.length_mm?"),
    (LENGTH, '"body.length_mm" = [110, 80]', "free.body.length_mm", "low < high"),
    (LENGTH, '"body.length_mm" = [-5, 80]', "free.body.length_mm", "both bounds a number from 1 to 1000"),
    (LENGTH, '"body.length_mm" = "body.width_mm"', "free.body.length_mm", "= other.key"),
    (LENGTH, '"body.length_mm" = "= body.widht_mm"', "free.body.length_mm", "did you mean body.width_mm?"),
    (LENGTH, '"body.length_mm" = "= body.length_mm"', "free.body.length_mm", "circle"),
    (LENGTH, '"body.shape" = [80, 110]', "free.body.shape", "a dotted key of this design"),
]  # fmt: skip


@pytest.mark.parametrize(("written", "instead", "key", "allowed"), FAULTS)
def test_a_fault_names_file_key_value_and_what_is_allowed(dove, written, instead, key, allowed):
    assert dove.count(written) >= 1
    fault = only_fault(dove.replace(written, instead, 1))
    assert (fault.file, fault.key) == ("dove.toml", key)
    assert allowed in fault.allowed
    assert str(fault).startswith(f"dove.toml: {key}")
    if "missing" not in allowed:
        assert fault.value is not None


SHAPE_FAULTS = [
    # The fullest lens has q = -1: rim = 2 H^2/(width/2) = 2 * 15^2/30 = 15 mm, by the formula of the lens.
    ("lens", "length_mm = 70\nwidth_mm = 60\nheight_mm = 30\nrim_mm = 15.01", "body.rim_mm", "here 15"),
    ("lens", "length_mm = 70\nwidth_mm = 60\nheight_mm = 30\nrim_mm = 0", "body.rim_mm", "from 0.1 to 1000"),
    ("tube", 'length_mm = 29\ndiameter_mm = 30\nends = "round"', "body.length_mm", "at least diameter_mm"),
    ("tube", 'length_mm = 80\ndiameter_mm = 30\nends = "rond"', "body.ends", "did you mean round?"),
    ("box", "length_mm = 80\nwidth_mm = 50\nheight_mm = 30\ncorner_mm = 15.1", "body.corner_mm", "here 15"),
    ("sections", "sections = [[0, 40, 30, 0, 2]]", "body.sections", "at least 2 rows"),
    ("sections", "sections = []", "body.sections", "at least 2 rows"),
    ("sections", "sections = [[0, 40, 30, 0, 2], [9, 40, 30, 0]]", "body.sections.2", "5 numbers"),
    ("sections", "sections = [[0, 40, 30, 0, 2], 9]", "body.sections.2", "5 numbers"),
    ("sections", "sections = [[0, 40, 30, 0, 2], [9, 40, 30, 0, 1.9]]", "body.sections.2.squareness", "2 to 20"),
    ("sections", "sections = [[0, 40, 30, 0, 2], [0, 40, 30, 0, 2]]", "body.sections.2.along_mm", "more than 0"),
    ("sections", "sections = [[0, 4, 3, 0, 2], [5, 0, 0, 0, 2], [9, 4, 3, 0, 2]]", "body.sections.2", "first or last"),
    ("sections", "sections = [[0, 0, 3, 0, 2], [9, 4, 3, 0, 2]]", "body.sections.1.height_mm", "0, as its width is 0"),
    ("sections", "sections = [[0, 4, 3, 0, 2], [9, 4, 0, 0, 2]]", "body.sections.2.height_mm", "more than 0"),
    ("lobes", "lobes = []", "body.lobes", "1 or more rows"),
    ("lobes", "lobes = [[0, 0, 0, 9, 9, 0]]", "body.lobes.1.height_mm", "from 1 to 1000"),
    ("scan", 'file = "inside.obj"', "body.file", ".step, .stp, .stl"),
    ("sphere", "diameter_mm = 60\nwidth_mm = 3", "body.width_mm", "known keys only"),
]


@pytest.mark.parametrize(("shape", "keys", "key", "allowed"), SHAPE_FAULTS)
def test_a_fault_of_a_shape_names_its_key(plain, shape, keys, key, allowed):
    faults = faults_of(plain(shape, keys))
    assert all(fault.key.startswith(key) for fault in faults)
    assert allowed in faults[0].allowed


BORDERS = [
    ("lens", "length_mm = 70\nwidth_mm = 60\nheight_mm = 30\nrim_mm = 15"),
    ("tube", 'length_mm = 30\ndiameter_mm = 30\nends = "round"'),
    ("tube", "length_mm = 3\ndiameter_mm = 30"),
    ("box", "length_mm = 80\nwidth_mm = 50\nheight_mm = 30\ncorner_mm = 15"),
    ("sphere", "diameter_mm = 1000"),
    ("sections", "sections = [[-5, 0, 0, 0, 2], [9, 0, 0, 0, 20]]"),
]


@pytest.mark.parametrize(("shape", "keys"), BORDERS)
def test_the_ends_of_a_range_belong_to_it(plain, shape, keys):
    assert loads(plain(shape, keys)).chambers[0].shape.kind == shape


# --- several faults ------------------------------------------------------------------------------


def test_every_fault_is_found_in_the_order_of_the_file(dove):
    for written, instead in (
        ("temperature_c = 22", "temperature_c = -3"),
        ("wall_mm = 5.0", "wall = 5.0"),
        ("length_mm = 96", "length_mm = -96"),
        ("cut_up_mm = 5.5", 'cut_up_mm = "5.5"'),
        ('name = "2"', 'name = "1"'),
        ("diameter_mm = 6.5", "diameter_mm = inf"),
        ('open = ["1"]', 'open = ["3"]'),
    ):
        dove = dove.replace(written, instead, 1)
    assert [fault.key for fault in faults_of(dove)] == [
        "air.temperature_c",
        "clay.wall",
        "clay.wall_mm",
        "body.length_mm",
        "body.voicing.cut_up_mm",
        "body.hole[2].name",
        "body.hole[2].diameter_mm",
        "body.note.D5.open",
    ]


def test_faults_between_values_are_found_beside_faults_of_values(plain):
    text = plain("lens", "length_mm = -1\nwidth_mm = 60\nheight_mm = 30\nrim_mm = 16")
    assert [fault.key for fault in faults_of(text)] == ["body.length_mm", "body.rim_mm"]


def test_a_wrong_name_of_a_hole_does_not_make_its_notes_wrong(dove):
    assert only_fault(dove.replace('name = "1"', "name = 1")).key == "body.hole[1].name"


def test_keys_that_no_shape_has_are_told_even_where_the_shape_is_unknown(dove):
    text = dove.replace('shape = "egg"', 'shape = "eg"').replace("width_mm = 62", "widht_mm = 62")
    assert [(fault.key, fault.allowed[-22:]) for fault in faults_of(text)] == [
        ("body.shape", "scan; did you mean egg?"[-22:]),
        ("body.widht_mm", "did you mean width_mm?"),
    ]


def test_an_empty_file_lacks_the_clay_and_a_chamber():
    assert [(fault.key, "missing" in fault.allowed) for fault in faults_of("")] == [("clay", True), ("chamber", True)]


def test_tables_must_be_tables_and_lists_lists():
    text = "air = 3\nclay = [1]\nfree = 1\njet = 2\nbreath = 3\nchamber = 5"
    assert [fault.key for fault in faults_of(text)] == ["air", "clay", "free", "jet", "breath", "chamber"]
    text = '[clay]\nwall_mm = 4\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 60\n'
    assert [fault.key for fault in faults_of(text + "hole = 3\nnote = [1]\nvoicing = []")] == [
        "a.hole",
        "a.note[1]",
        "a.voicing",
    ]
    assert "[[chamber.hole]]" in only_fault(text + '[chamber.hole]\nname = "1"').allowed


def test_two_chambers_of_one_name_are_refused(plain):
    second = '[[chamber]]\nname = "body"\nshape = "sphere"\ndiameter_mm = 50\n'
    fault = only_fault(plain("sphere") + second)
    assert (fault.key, fault.value) == ("chamber[2].name", "body")


def test_a_long_message_is_cut_and_says_how_many_are_left(plain):
    text = plain("sphere") + "".join(f'[[chamber.hole]]\nname = "h{n}"\n' for n in range(50))
    with pytest.raises(InputError) as caught:
        loads(text, "dove.toml")
    lines = str(caught.value).splitlines()
    assert len(str(caught.value)) < 1500
    assert len(caught.value.faults) == 150
    assert lines[-1] == f"and {150 - len(lines) + 1} more faults"


def test_long_values_and_names_do_not_drown_the_message(plain):
    text = plain("sphere", f'diameter_mm = "{"x" * 5000}"\n{"y" * 5000} = 1\nz = 0x{"f" * 5000}')
    assert len(str(faults_of(text)[0])) < 200
    with pytest.raises(InputError) as caught:
        loads(text, "d/" * 3000 + "dove.toml")
    assert len(str(caught.value)) < 1500
    assert "dove.toml" in str(caught.value)


def test_an_error_keeps_its_faults_between_processes(dove):
    with pytest.raises(InputError) as caught:
        loads(dove.replace("cut_up_mm = 5.5", "cut_up_mm = 0"), "dove.toml")
    again = pickle.loads(pickle.dumps(caught.value))
    assert (again.faults, str(again)) == (caught.value.faults, str(caught.value))


# --- files and TOML ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "number", "line"),
    [
        ("a = 1\nb = = 2\nc = 3", 2, "b = = 2"),
        ("a = 1\na = 2", 2, "a = 2"),
        ("\n\nlength 96", 3, "length 96"),
        ('title = "dove\n[clay]', 1, 'title = "dove'),
        ("a = [1,\n\n", 1, "a = [1,"),
        ("a = 1\nb = " + "9" * 5000, 2, "b = 999"),
        ("a = 1\nb\x00 = 2", 2, "b\\x00 = 2"),
        ("x." * 300 + "y = 1", 1, "x.x.x."),
        ("x = {" + "x." * 300 + "y = 1}", 1, "x = {x.x."),
    ],
)
def test_what_is_no_toml_is_shown_with_its_line(text, number, line):
    fault = only_fault(text)
    assert fault.key.startswith(f"line {number}: {line}")
    assert str(fault).startswith(f"dove.toml: line {number}: {line}")


def test_endless_nesting_is_refused():
    assert "nested less deeply" in only_fault("a = " + "[" * 20000).allowed


def test_a_file_that_cannot_be_read_is_one_clear_line(tmp_path):
    latin = tmp_path / "latin.toml"
    latin.write_bytes('# first\ntitle = "Möwe"'.encode("latin-1"))
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"# " + b"x" * 300_000)
    for path, allowed in (
        (tmp_path / "no.toml", "there is no such file"),
        (tmp_path, "not a folder"),
        (latin, "UTF-8 (line 2 is not)"),
        (huge, "at most 256 kB"),
        ("/dev/null", "not a folder or a device"),
        ("a\0b", "null"),
        ("x" * 5000, "can be read"),
    ):
        with pytest.raises(InputError) as caught:
            load(path)
        assert "\n" not in str(caught.value)
        assert allowed in str(caught.value)
        assert len(str(caught.value)) < 300


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read every file")
def test_a_file_without_permission_is_one_clear_line(tmp_path, dove):
    file = tmp_path / "dove.toml"
    file.write_text(dove)
    file.chmod(0)
    with pytest.raises(InputError, match="Permission denied"):
        load(file)


# --- cautions ------------------------------------------------------------------------------------


def test_swapped_window_sides_are_a_caution_not_a_fault(dove):
    assert loads(dove).cautions == ()
    (caution,) = loads(dove.replace("cut_up_mm = 5.5", "cut_up_mm = 12.5")).cautions
    assert caution.startswith("body.voicing.cut_up_mm = 12.5 is more than window_width_mm = 12")


def test_a_start_outside_its_bounds_is_a_caution(dove):
    (caution,) = loads(dove.replace("[80, 110]", "[100, 110]")).cautions
    assert "body.length_mm = 96 starts outside" in caution


def test_a_free_number_that_the_design_leaves_out_has_no_start_to_be_cautious_about(plain):
    assert loads(plain("sphere") + "[free]\nhand.span_mm = [100, 200]").cautions == ()


def test_a_vessel_can_be_written_as_json_for_a_record(dove):
    record = json.loads(loads(dove).model_dump_json(by_alias=True))
    assert record["chambers"][0]["holes"][1]["diameter_mm"] == 6.5
    assert record["free"]["body.length_mm"] == [80, 110]
    assert "source" not in record


def test_the_temperaments_of_a_design_are_those_that_pitch_knows(dove):
    for temperament in TEMPERAMENTS:
        scale = loads(dove.replace('"just"', f'"{temperament}"')).scale
        assert Tuning(scale.a4_hz, scale.temperament, scale.tonic).frequency(note("A4")) == pytest.approx(442)


def test_built_in_python_a_part_is_checked_as_in_a_file():
    for make in (
        lambda: Sphere(diameter_mm=math.nan),
        lambda: Sphere(diameter_mm="6"),
        lambda: Sphere(diameter_mm=6, width_mm=3),
        lambda: Clay(wall_mm=4, drying_percent=3),
        lambda: Vessel(clay=Clay(wall_mm=4), chambers=()),
        lambda: Vessel(clay=Clay(wall_mm=4), chambers=(Chamber(name="a", shape=Sphere(diameter_mm=9)),) * 2),
    ):
        with pytest.raises(ValueError, match=r"number|known|Extra|only|at least|another"):
            make()
