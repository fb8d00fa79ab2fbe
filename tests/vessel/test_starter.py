"""The design to start from is one that can be read, made and explained."""

import pytest

from simkit.body import body_of
from simkit.errors import InputError
from simkit.sound.answers.prediction import predict
from simkit.vessel import loads
from simkit.vessel.starter import STARTER_SHAPES, starter


@pytest.mark.parametrize("shape", STARTER_SHAPES)
def test_every_shape_starts_as_a_whistle_that_clay_allows(shape):
    vessel = loads(starter(shape), "new.toml")
    (chamber,) = body_of(vessel).chambers
    assert 1e6 * chamber.volume == pytest.approx(60, abs=1.5)
    assert chamber.window is not None
    assert [o.name for o in chamber.openings] == ["1", "2", "3", "4"]
    assert [note.pitch for note in vessel.chambers[0].notes] == ["C5", "D5", "E5", "F5", "G5"]


@pytest.mark.parametrize("word", ["along", "across", "around_deg", "window", "edge", "cut_up_mm", "mouth end"])
def test_the_sketch_names_what_a_maker_must_know(word):
    remarks = [line for line in starter("egg").splitlines() if line.startswith("#")]
    assert word in "\n".join(remarks)


def test_a_misspelled_shape_is_told_the_right_ones():
    with pytest.raises(InputError, match=r"shape = 'elipsoid': allowed: one of sphere, ellipsoid, .*ellipsoid"):
        starter("elipsoid")


@pytest.mark.slow
@pytest.mark.parametrize("shape", STARTER_SHAPES)
def test_every_shape_starts_in_tune_as_played(shape):
    """As the file says of them, 1.5 cents, and one for other meshes."""
    played = predict(loads(starter(shape), "new.toml"))
    assert abs(played.cents).max() < 2.5
