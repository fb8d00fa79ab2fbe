"""Several files appear together or not at all."""

import pytest

from simkit.errors import InputError
from simkit.files import whole_folder


def test_files_appear_together_in_a_new_folder(tmp_path):
    with whole_folder(tmp_path / "out") as half:
        (half / "a").write_text("1")
        (half / "b").write_text("2")
        assert not (tmp_path / "out").exists()
    assert {p.name: p.read_text() for p in (tmp_path / "out").iterdir()} == {"a": "1", "b": "2"}
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_an_old_folder_keeps_what_is_not_replaced(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "a").write_text("old")
    (tmp_path / "out" / "mine").write_text("keep")
    with whole_folder(tmp_path / "out") as half:
        (half / "a").write_text("new")
    assert {p.name: p.read_text() for p in (tmp_path / "out").iterdir()} == {"a": "new", "mine": "keep"}


@pytest.mark.parametrize("error", [InputError(["no"]), KeyboardInterrupt(), ValueError()])
def test_nothing_changes_when_it_fails(tmp_path, error):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "a").write_text("old")

    def fail():
        with whole_folder(tmp_path / "out") as half:
            (half / "a").write_text("new")
            raise error

    with pytest.raises(type(error)):
        fail()
    assert (tmp_path / "out" / "a").read_text() == "old" and [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_file_in_the_way_is_said(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match="allowed: a folder, not a file"), whole_folder(tmp_path / "out"):
        pass
    with pytest.raises(InputError, match="in a folder that exists"), whole_folder(tmp_path / "none" / "out"):
        pass


def test_a_folder_in_the_way_of_a_file_is_said(tmp_path):
    (tmp_path / "out" / "a").mkdir(parents=True)
    with pytest.raises(InputError, match="without a folder of this name"), whole_folder(tmp_path / "out") as half:
        (half / "a").write_text("1")
