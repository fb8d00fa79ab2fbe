"""Whatever is handed in broken: one clear message, which stands in corpus.toml, exit status 2, and nothing else."""

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from simkit.cli import run

CORPUS = tomllib.loads((Path(__file__).parent / "corpus.toml").read_text(encoding="utf-8"))
PREDICT = "predict dove.toml --model lumped"
# One of each kind of door that reads a design: all say the same of it.
DOORS = [
    "predict dove.toml",
    "compare dove.toml",
    "chart dove.toml",
    "resonances dove.toml",
    "blow dove.toml",
    "optimise dove.toml --free holes -o new.toml",
    "sheets dove.toml -o sheets",
    "report dove.toml -o page.html",
    "tune dove.toml --heard C5=523",
]
# Seconds each: what the bench says of a note is in tests/making/bench too, and a sweep's STEP file is read as one by
# itself is.
LONG = ("a note heard an octave off", "cases of a STEP file that is none")


def put(content, file):
    """A file of the corpus: a text, or bytes as hex and so many zeros."""
    if isinstance(content, str):
        file.write_text(content, encoding="utf-8")
    else:
        file.write_bytes(bytes.fromhex(content["hex"]) + bytes(content.get("zeros", 0)))


def lay_out(broken, folder):
    """The sound design, changed, and the further files of an entry."""
    text = CORPUS["sound"]
    changes = broken.get("change", [])
    for old, new in zip(changes[::2], changes[1::2], strict=True):
        assert old in text
        text = text.replace(old, new, 1)
    put(text + broken.get("add", "") + "\n", folder / "dove.toml")
    for name, content in broken.get("files", {}).items():
        put(content, folder / name)


def told(command, capfd):
    """Exit status, standard output, and standard error without lines of progress."""
    status = run(shlex.split(command))
    out, err = capfd.readouterr()
    lines = [line for line in err.splitlines() if not re.fullmatch(r"simkit: .* \.\.\. [0-9]+ s", line)]
    return status, out, "\n".join(lines)


def held(folder):
    return {file: file.read_bytes() for file in folder.rglob("*") if file.is_file()}


@pytest.mark.parametrize(
    "broken",
    [
        pytest.param(each, id=each["what"].replace(" ", "-"), marks=pytest.mark.slow if each["what"] in LONG else ())
        for each in CORPUS["broken"]
    ],
)
def test_one_clear_message_and_nothing_else(broken, tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    lay_out(broken, tmp_path)
    before = held(tmp_path)
    status, out, err = told(broken.get("command", PREDICT), capfd)
    assert (status, out) == (2, "")
    assert re.fullmatch(re.escape(broken["said"]).replace("\\~", "[0-9.]+"), err), err
    assert len(err) < 1500
    assert held(tmp_path) == before and set(tmp_path.iterdir()) == set(before)


def test_the_sound_design_is_sound(tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    lay_out({}, tmp_path)
    status, out, err = told(f"{PREDICT} --still", capfd)
    assert (status, err) == (0, "")
    assert "D5" in out


def test_each_thing_that_is_broken_stands_once():
    names = [broken["what"] for broken in CORPUS["broken"]]
    assert len(set(names)) == len(names) > 90 and set(LONG) <= set(names)


@pytest.mark.parametrize(
    ("what", "door"),
    [
        pytest.param(what, door, id=f"{what}-{door.split()[0]}")
        for what in ("five faults at once", "a hole beyond the end")
        for door in DOORS
        # A hole that lies where none can be is what optimise may move.
        if what == "five faults at once" or not door.startswith("optimise")
    ],
)
def test_every_command_says_the_same_of_a_broken_design(what, door, tmp_path, monkeypatch, capfd):
    (broken,) = (each for each in CORPUS["broken"] if each["what"] == what)
    monkeypatch.chdir(tmp_path)
    lay_out(broken, tmp_path)
    before = set(tmp_path.iterdir())
    assert told(door, capfd) == (2, "", broken["said"])
    assert set(tmp_path.iterdir()) == before
