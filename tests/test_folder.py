"""Several files appear together or not at all."""

import subprocess
import sys
import tempfile

import pytest

from simkit.errors import InputError
from simkit.files import HALF, whole_folder


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


def test_a_folder_that_another_run_clears_away_as_soon_as_it_is_made_is_made_again(tmp_path, monkeypatch):
    made, make = [], tempfile.mkdtemp

    def cleared(**named):
        made.append(make(**named))
        if len(made) == 1:
            (tmp_path / made[0]).rmdir()
        return made[-1]

    monkeypatch.setattr(tempfile, "mkdtemp", cleared)
    with whole_folder(tmp_path / "out") as half:
        (half / "a").write_text("1")
    assert len(made) == 2 and [p.name for p in tmp_path.iterdir()] == ["out"]


WRITER = """
import sys
from simkit.files import whole_folder
with whole_folder(sys.argv[1]) as half:
    (half / "a").write_text("half of it")
    print(half.name, flush=True)
    sys.stdin.read()
"""


def test_what_a_killed_run_left_goes_at_the_next_and_what_is_being_written_stays(tmp_path):
    mine = [".out.notes", f"out{HALF}", ".out.k3j2h1_x"]
    for name in mine:
        (tmp_path / name).mkdir()
        (tmp_path / name / "a").write_text("mine")
    runs = [
        subprocess.Popen([sys.executable, "-c", WRITER, tmp_path / name], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        for name in ("out", "other")
    ]
    try:
        killed, living = (run.stdout.readline().decode().strip() for run in runs)
        assert {killed, living} <= {path.name for path in tmp_path.iterdir()}
        runs[0].kill()
        runs[0].wait()
        assert (tmp_path / killed).exists()
        with whole_folder(tmp_path / "out") as half:
            (half / "a").write_text("all of it")
        assert {path.name for path in tmp_path.iterdir()} == {"out", living, *mine}
        runs[1].communicate(b"")  # it ends well: nobody took its folder away
        assert (tmp_path / "other" / "a").read_text() == "half of it"
        assert {path.name for path in tmp_path.iterdir()} == {"out", "other", *mine}
    finally:
        for run in runs:
            run.kill()
            run.communicate()
