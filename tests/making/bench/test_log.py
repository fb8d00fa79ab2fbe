"""The bench's log: only added to, safe on the disk, readable after a crash."""

import random
import signal
import subprocess
import sys
import time
from collections import Counter

import pytest

from simkit.errors import InputError
from simkit.making.bench.log import Asked, HoleCut, NoteRead, add, log_path, read, undoing
from simkit.making.shrinkage import Stage

FRAME = {"chamber": "body", "stage": Stage.LEATHER_HARD}


def heard(step, hz):
    return NoteRead(step=step, **FRAME, note="D5", open={}, hz=hz, temperature_c=20)


@pytest.fixture
def path(tmp_path):
    return log_path(tmp_path / "dove.toml")


def test_what_is_added_is_read_and_nothing_is_rewritten(path):
    assert path.name == "dove.toml.bench.jsonl"
    add(path, [heard(1, 530.0), Asked(step=1, **FRAME, hole="1", from_mm=0, to_mm=3, note="E5")])
    before = path.read_bytes()
    add(path, [HoleCut(step=2, **FRAME, hole="1", mm=3.1)])
    assert path.read_bytes().startswith(before)
    log = read(path)
    assert [type(entry) for entry in log.entries] == [NoteRead, Asked, HoleCut]
    assert log.last_step == 2
    assert log.cautions == ()


def test_an_undone_step_is_left_out_but_not_erased(path):
    add(path, [heard(1, 530.0)])
    add(path, [heard(2, 999.0), heard(2, 998.0)])
    add(path, [Asked(step=3, **FRAME, hole="1", from_mm=0, to_mm=3, note="E5")])
    undone = undoing(read(path), "body")
    assert (undone.step, undone.undoes) == (4, 2)  # what was asked for since goes with it
    add(path, [undone])
    log = read(path)
    assert [entry.hz for entry in log.entries] == [530.0]
    assert log.last_step == 4
    assert undoing(log, "other") is None
    assert "999.0" in path.read_text()


@pytest.mark.parametrize("kept", [1, 20, -1])
def test_a_line_torn_by_a_crash_is_passed_over(path, kept):
    add(path, [heard(1, 530.0)])
    whole = path.read_bytes()
    path.write_bytes(whole + whole[:-2][:kept])
    log = read(path)
    assert len(log.entries) == 1
    assert len(log.cautions) == 1
    assert "line 2 is torn" in log.cautions[0]
    add(path, [heard(2, 531.0)])  # on a line of its own
    assert [entry.hz for entry in read(path).entries] == [530.0, 531.0]


def test_a_letter_torn_in_half_is_passed_over_too(path):
    add(path, [NoteRead(step=1, **FRAME, note="ä", open={}, hz=500, temperature_c=20)])
    raw = path.read_bytes()
    path.write_bytes(raw + raw[: raw.index("ä".encode()) + 1])
    assert len(read(path).entries) == 1


@pytest.mark.parametrize(
    "line",
    [
        '{"step":1,"chamber":"body","stage":"leather-hard","kind":"heard","note":"D5","open":{},"hz":-5,"temperature_c":20}',
        '{"step":1,"chamber":"body","stage":"soft","kind":"cut","hole":"1","mm":3}',
        '{"step":1,"chamber":"body","stage":"wet","kind":"dropped"}',
        "[1, 2]",
        '{"step":1,"chamber":"body","stage":"wet","kind":"cut","hole":"1","mm":NaN}',
    ],
)
def test_a_whole_line_that_makes_no_sense_is_an_error_that_names_it(path, line):
    add(path, [heard(1, 530.0)])
    with path.open("a") as file:
        file.write(line + "\n")
    with pytest.raises(InputError, match=r"dove.toml.bench.jsonl, line 2"):
        read(path)


def test_there_need_not_be_a_log(path):
    assert read(path).entries == ()


ADDS = """
import sys
from pathlib import Path
from simkit.making.bench.log import NoteRead, add, read
from simkit.making.shrinkage import Stage
path = Path(sys.argv[1])
for step in range(read(path).last_step + 1, 1_000_000):
    add(path, [NoteRead(step=step, chamber="body", stage=Stage.WET, note="D5", open={}, hz=500, temperature_c=20)] * 5)
    print(step, flush=True)
"""


@pytest.mark.slow
def test_thirty_kills_in_the_middle_of_adding_lose_no_step_that_was_told(path):
    """It adds as fast as the disk takes it; what it has told by the kill must be there, whole and in order."""
    chance = random.Random(7)
    for _ in range(30):
        process = subprocess.Popen([sys.executable, "-c", ADDS, str(path)], stdout=subprocess.PIPE, text=True)
        told = [int(process.stdout.readline())]
        time.sleep(chance.uniform(0, 0.2))
        process.send_signal(signal.SIGKILL)
        told += map(int, process.communicate()[0].split())
        steps = [entry.step for entry in read(path).entries]
        assert steps == sorted(steps)
        found = Counter(steps)
        assert all(found[step] == 5 for step in range(1, told[-1] + 1))
        assert steps[-1] <= told[-1] + 1
