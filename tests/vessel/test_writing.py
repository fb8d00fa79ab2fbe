"""A design made in Python goes to a file and comes back the same; the file's reader here is Python's own tomllib."""

import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.errors import InputError
from simkit.vessel import SHAPES, Chamber, Clay, Hole, Lobes, Note, Scan, Sphere, Tube, Vessel, dumps, load, loads


def test_a_design_with_every_key_reads_back_equal(dove):
    vessel = loads(dove)
    assert loads(dumps(vessel)) == vessel
    assert dumps(loads(dumps(vessel))) == dumps(vessel)
    assert str(vessel) == dumps(vessel)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_reads_back_equal(plain, shape):
    vessel = loads(plain(shape))
    written = tomllib.loads(dumps(vessel))
    assert loads(dumps(vessel)) == vessel
    assert written["chamber"][0]["shape"] == shape


@given(
    along=st.floats(-1000, 1000),
    wall=st.just(0.0) | st.floats(0.1, 100),
    title=st.text(st.characters(exclude_categories=("C", "Z"), include_characters=" "), max_size=20),
)
def test_every_number_comes_back_to_the_last_bit(along, wall, title):
    hole = Hole(name="π", along_mm=along, around_deg=-0.1, diameter_mm=1 / 3)
    chamber = Chamber(name="a b", shape=Sphere(diameter_mm=50), holes=(hole,), notes=(Note(pitch="C5", open=("π",)),))
    vessel = Vessel(title=title, clay=Clay(wall_mm=wall), chambers=(chamber,))
    text = dumps(vessel)
    assert loads(text) == vessel
    table = tomllib.loads(text)
    assert (table["clay"]["wall_mm"], table["chamber"][0]["hole"][0]["along_mm"]) == (wall, along)


def test_only_what_differs_from_what_is_taken_unwritten_is_written():
    vessel = Vessel(clay=Clay(wall_mm=4), chambers=(Chamber(name="a", shape=Tube(length_mm=80, diameter_mm=30)),))
    tube = {"name": "a", "shape": "tube", "length_mm": 80, "diameter_mm": 30}
    assert tomllib.loads(dumps(vessel)) == {"clay": {"wall_mm": 4}, "chamber": [tube]}


def test_what_numpy_holds_is_as_good_as_a_number_or_a_list(dove):
    vessel = loads(dove)
    for number in (np.float32(6.5), np.float64(6.5), np.int64(6), np.array(6.5)):
        assert vessel.with_value("body.hole.1.diameter_mm", number).value("body.hole.1.diameter_mm") == number
    bound = Vessel(clay=vessel.clay, chambers=vessel.chambers, free={"body.length_mm": np.array([80, 100])})
    assert bound.free["body.length_mm"].high == 100
    rows = np.array([[0, 0, 0, 50, 40, 30], [20, 0, 0, 30, 30, 30]])
    chamber = Chamber(name="a", shape=Lobes(lobes=rows), offset_mm=np.zeros(3), notes=[])
    assert [tuple(row) for row in chamber.shape.lobes] == [tuple(row) for row in rows.tolist()]
    with pytest.raises(InputError, match=r"diameter_mm = -1\.0: allowed: a number from 0\.1"):
        vessel.with_value("body.hole.1.diameter_mm", np.float64(-1))


def test_a_file_is_written_whole_and_a_design_that_is_there_is_kept(dove, tmp_path):
    vessel, path = loads(dove), tmp_path / "saved.toml"
    vessel.save(path)
    assert load(path) == vessel
    with pytest.raises(InputError, match="path: allowed: a file that is not there yet, or `overwrite`"):
        vessel.with_value("clay.wall_mm", 6).save(path)
    assert load(path) == vessel
    vessel.with_value("clay.wall_mm", 6).save(path, overwrite=True)
    assert load(path).clay.wall_mm == 6
    with pytest.raises(InputError, match="a folder that exists"):
        vessel.save(tmp_path / "none" / "saved.toml")
    assert [each.name for each in tmp_path.iterdir()] == ["saved.toml"]


def test_a_scan_that_is_not_beside_the_new_place_is_said(tmp_path):
    vessel = Vessel(clay=Clay(wall_mm=4), chambers=(Chamber(name="a", shape=Scan(file="inside.stl")),))
    with pytest.raises(InputError, match=r"a\.file = 'inside\.stl': allowed: a file that lies there"):
        vessel.save(tmp_path / "saved.toml")
    (tmp_path / "inside.stl").write_text("solid")
    vessel.save(tmp_path / "saved.toml")
    assert load(tmp_path / "saved.toml") == vessel
