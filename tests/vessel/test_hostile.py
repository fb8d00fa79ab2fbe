"""Whatever stands in a file, the reader gives a vessel or one clear message; nothing else comes out."""

import json
import re

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from simkit.errors import InputError
from simkit.vessel import SHAPES, Vessel, load, loads
from simkit.vessel.part import Part, slots

PROPERTY = settings(
    derandomize=True,  # the same designs in every run
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


# All that UTF-8 can write, as hypothesis's own text, which finds that out by trying a million characters.
CHARACTERS = st.characters(exclude_categories=["Cs"])


def outcome(text: str) -> Vessel | InputError:
    try:
        return loads(text, "wild.toml")
    except InputError as raised:
        error = raised
    assert len(str(error)) < 1500
    first, *others = str(error).split("\n")
    assert all(line and line.isprintable() for line in (first, *others))
    assert all(line.startswith("wild.toml: ") for line in (first, *others[:-1]))
    assert error.faults
    assert all(fault.file == "wild.toml" and fault.allowed for fault in error.faults)
    return error


# --- texts ---------------------------------------------------------------------------------------


@PROPERTY
@given(st.text(CHARACTERS, max_size=300))
@example("\ufeff")
@example('title = "\U0001f426\u202e\u0301"\n')
@example("\ud800 = 1")
@example('a = "\\ud800"')
@example("\r\r\r= 1")
@example("[[chamber]]\n[chamber]")
@example("[free]\n'a' = {b = {}}")
def test_any_text(text):
    outcome(text)


@PROPERTY
@given(content=st.binary(max_size=300))
def test_any_bytes(tmp_path, content):
    file = tmp_path / "wild.toml"
    file.write_bytes(content)
    try:
        assert isinstance(load(file), Vessel)
    except InputError as error:
        message = str(error)
    else:
        message = ""
    assert len(message) < 1500


# --- designs put together at random from known words ---------------------------------------------


def words(part: type[Part]) -> set[str]:
    found = set()
    for key, slot in slots(part).items():
        found.add(key)
        for inner in slot.parts:
            found |= words(inner)
    return found


WORDS = sorted(words(Vessel) | {"chamber", "hole", "note", "source", "kind", "egg", "1", "body", "D5"})

scalars = st.one_of(
    st.sampled_from([0, -1, 5, 45, 10**30, 0.5, 1e308, "nan", "inf", "-inf", True, "1979-05-27", "07:32:00"]),
    st.integers(),
    st.floats(),
    st.sampled_from(WORDS).map(json.dumps),
    st.sampled_from(list(SHAPES)).map(json.dumps),
    st.text(CHARACTERS, max_size=8).map(lambda text: json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")),
    st.sampled_from(['"= body.length_mm"', '"C5"', '"1"', "[]", "{}", "[[0, 1, 1, 0, 2], [9, 0, 0, 0, 2]]"]),
)
keys = st.one_of(
    st.sampled_from(WORDS), st.text(CHARACTERS, max_size=5).map(lambda text: json.dumps(text, ensure_ascii=False))
)


def written(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {written(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    return str(value).lower() if isinstance(value, bool) else str(value)


values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4), max_leaves=8
)
lines = st.one_of(
    st.tuples(keys, values).map(lambda pair: f"{pair[0]} = {written(pair[1])}"),
    st.sampled_from(["air", "clay", "free", "chamber.voicing", "hand", "jet", "breath"]).map("[{}]".format),
    st.sampled_from(["chamber", "chamber.hole", "chamber.note"]).map("[[{}]]".format),
)


@PROPERTY
@given(st.lists(lines, max_size=20).map("\n".join))
def test_any_known_words_in_any_order(text):
    outcome(text)


@PROPERTY
@given(st.dictionaries(st.sampled_from(WORDS), values, max_size=12))
def test_any_values_in_a_chamber(table):
    chamber = "\n".join(f"{key} = {written(value)}" for key, value in table.items())
    outcome(f"clay.wall_mm = 4\n[[chamber]]\n{chamber}\n")


# --- a sound design with something broken --------------------------------------------------------


@PROPERTY
@given(data=st.data())
def test_a_sound_design_with_some_lines_broken(dove, data):
    every = dove.split("\n")
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(every) - 1))
        key = every[place].partition("=")[0]
        every[place] = data.draw(
            st.one_of(
                st.just(""),
                st.just(every[place] + "\n" + every[place]),
                values.map(lambda value, key=key: f"{key} = {written(value)}"),
                st.sampled_from(every),
                st.text(CHARACTERS, max_size=20),
            )
        )
    outcome("\n".join(every))


@PROPERTY
@given(data=st.data())
def test_a_number_replaced_by_what_is_no_number_is_the_one_fault(dove, data):
    every = dove.split("\n")
    numeric = [n for n, line in enumerate(every) if re.search(r"^\w+ = -?[0-9.]+$", line)]
    place = data.draw(st.sampled_from(numeric))
    key = every[place].partition(" = ")[0]
    bad = data.draw(st.sampled_from(["nan", "inf", "-inf", "true", '"5"', "[5]", "{}", "1979-05-27", "1" + "0" * 400]))
    every[place] = f"{key} = {bad}"
    error = outcome("\n".join(every))
    assert isinstance(error, InputError)
    assert len(error.faults) == 1
    assert error.faults[0].key.endswith(f".{key}")


@PROPERTY
@given(data=st.data())
def test_a_number_within_its_range_is_taken_and_given_back(dove, data):
    vessel = loads(dove)
    key = data.draw(st.sampled_from(sorted(set(vessel.numbers) - {"clay.drying_percent", "clay.firing_percent"})))
    if key.startswith("body.offset_mm") or key in ("player.face_mm", "body.voicing.windway_length_mm"):
        return  # the first chamber sits at the origin, and the face stays where the windway ends
    if key.startswith("body.mouthpiece."):
        return  # it is larger than its windway
    allowed = vessel.numbers[key].allowed
    low, high = max(allowed.low, -1e9), min(allowed.high, 1e9)
    number = data.draw(st.floats(low, high, exclude_min=allowed.above, exclude_max=allowed.under))
    assert vessel.with_value(key, number).value(key) == number
    beyond = data.draw(st.floats(allow_nan=True).filter(lambda x: not allowed.holds(x)))
    with pytest.raises(InputError):
        vessel.with_value(key, beyond)


@pytest.mark.parametrize(
    "text",
    [
        "\n".join(f"key{n} = 1" for n in range(20000)),
        "[[chamber]]\n" * 2000,
        "[[chamber]]\n" + "[[chamber.hole]]\n" * 2000,
        pytest.param("[[chamber]]\n" * 8000, marks=pytest.mark.slow),
        pytest.param("[[chamber]]\n" + "[[chamber.hole]]\n" * 6000, marks=pytest.mark.slow),
        "x = {" + "a." * 20000 + "a = 1}",
        "x = " + "{a = " * 20000,
        "x = " + "[" * 50000,
        "x = 0x" + "f" * 100000,
        '"' + "k" * 100000 + '" = 1',
        "[free]\n" + "\n".join(f'a{n} = "= a{n + 1}"' for n in range(5000)),
        '[[chamber]]\nshape = "sections"\nsections = [' + "[0, 0, 0, 0, 0]," * 5000 + "]",
    ],
    ids=lambda text: text[:20],
)
def test_very_much_of_anything_is_told_shortly_and_soon(text):
    assert isinstance(outcome(text), InputError)
