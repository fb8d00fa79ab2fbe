"""Files appear whole or not at all."""

import os
import random
import signal
import stat
import subprocess
import sys
import time

import pytest

from simkit.errors import InputError
from simkit.files import MARK, check_folder, check_new, check_output, check_place, clear_halves, whole


def test_a_finished_file_takes_its_place_and_nothing_else_is_left(tmp_path):
    path = tmp_path / "design.toml"
    with whole(path) as half:
        half.write_text("new")
        assert not path.exists()
    assert path.read_text() == "new"
    assert os.listdir(tmp_path) == ["design.toml"]


@pytest.mark.parametrize("end", [KeyboardInterrupt, ValueError, SystemExit])
def test_an_interrupted_file_leaves_the_old_one_as_it_was(tmp_path, end):
    path = tmp_path / "design.toml"
    path.write_text("old")
    with pytest.raises(end), whole(path) as half:  # noqa: PT012 - the half is the point
        half.write_text("ne")
        raise end
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["design.toml"]


def test_a_name_may_be_as_long_as_the_system_lets_it(tmp_path):
    """255 bytes (NAME_MAX of Linux); what is still being written has a name of its own."""
    name = "é" * 125 + ".toml"
    with whole(tmp_path / name) as half:
        half.write_text("new")
    assert os.listdir(tmp_path) == [name]


def test_the_permissions_are_those_of_an_ordinary_new_file(tmp_path):
    ordinary = tmp_path / "ordinary"
    ordinary.write_text("")
    with whole(tmp_path / "ours") as half:
        half.write_text("")
    assert stat.S_IMODE(ordinary.stat().st_mode) == stat.S_IMODE((tmp_path / "ours").stat().st_mode)


def test_a_link_keeps_pointing_at_the_file(tmp_path):
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to("real")
    with whole(tmp_path / "link") as half:
        half.write_text("new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


def test_a_link_that_leads_nowhere_is_refused(tmp_path):
    """What is written would come to lie where nobody said, with no file of ours to give way."""
    (tmp_path / "picture.png").symlink_to(tmp_path / "elsewhere.png")
    for check in (check_output, check_place, check_new, check_folder):
        with pytest.raises(InputError, match="not that of a link that leads nowhere"):
            check(tmp_path / "picture.png")
    with pytest.raises(InputError), whole(tmp_path / "picture.png") as half:
        half.write_text("new")
    assert os.listdir(tmp_path) == ["picture.png"]


def test_the_temporary_name_keeps_the_suffix_that_tells_the_format(tmp_path):
    with whole(tmp_path / "picture.svg") as half:
        assert half.suffix == ".svg"
        half.write_text("")


@pytest.mark.parametrize(
    ("place", "why"),
    [("no/such/picture.png", "folder that exists"), ("folder", "not a folder"), ("fifo", "not a folder")],
)
def test_a_place_that_cannot_hold_a_file_is_refused_before_any_work(tmp_path, place, why):
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(InputError, match=why):
        check_place(tmp_path / place)


def test_a_disk_that_fails_is_told_in_one_line(tmp_path):
    with pytest.raises(InputError, match=r"a\.png: path: .*No space left") as caught, whole(tmp_path / "a.png"):
        raise OSError(28, "No space left on device")
    assert "\n" not in str(caught.value)
    assert os.listdir(tmp_path) == []


def test_what_simkit_made_gives_way_and_what_it_did_not_make_is_kept(tmp_path):
    path = tmp_path / "picture.svg"
    check_output(path)
    path.write_text("<svg>my own drawing</svg>")
    with pytest.raises(InputError, match="this one is kept"):
        check_output(path, "plot")
    path.write_text("<svg><!-- " + 9000 * "." + MARK + " --></svg>")
    check_output(path)
    path.write_text("")
    check_output(path)


def test_a_design_is_kept_unless_that_is_asked_for(tmp_path):
    path = tmp_path / "dove.toml"
    check_new(path)
    path.write_text(f"# {MARK}, and then edited")
    with pytest.raises(InputError, match="not there yet, or `overwrite`; this one is kept"):
        check_new(path)
    check_new(path, overwrite=True)


WRITES = """
import sys, time
from simkit.files import whole
for n in range(1_000_000):
    with whole(sys.argv[1]) as half, open(half, "w") as file:
        for _ in range(200):
            file.write(f"{n:07d}\\n" * 500)
            file.flush()
            time.sleep(0.0002)
    print(n, flush=True)
"""


@pytest.mark.slow
def test_thirty_kills_in_the_middle_of_writing_leave_a_whole_file(tmp_path):
    """It writes 800 kB again and again, in two hundred pieces, slowly: nearly every moment is the middle of a file."""
    path, chance, between = tmp_path / "design.toml", random.Random(5), 0
    for _ in range(30):
        process = subprocess.Popen([sys.executable, "-c", WRITES, str(path)], stdout=subprocess.PIPE, text=True)
        last = int(process.stdout.readline())
        time.sleep(chance.uniform(0, 0.2))
        process.send_signal(signal.SIGKILL)
        last = max([last, *map(int, process.communicate()[0].split())])
        text = path.read_text()
        assert text == text[:8] * 100_000
        assert int(text[:7]) in (last, last + 1)  # the last one that was told, or one that was just complete
        halves = [each / path.name for each in tmp_path.iterdir() if each != path]
        assert len(halves) <= 1  # the run before has left none, or this one has cleared it away
        between += any(half.exists() and half.stat().st_size < 800_000 for half in halves)
    assert between > 10
    clear_halves(tmp_path)
    assert os.listdir(tmp_path) == [path.name]
