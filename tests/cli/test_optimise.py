"""`simkit optimise` and `simkit new --scale`: files written, tables and JSON told, exit statuses."""

import json
import os
import pkgutil
import subprocess
import sys

import pytest

import simkit
from simkit.cli import run
from tests.cli.conftest import answered_once

FREE = "diameters"
BOTH = "diameters,size"


optimised_once = answered_once("optimise")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(["new", "-o", "dove.toml"]) == 0
    text = (tmp_path / "dove.toml").read_text().replace("diameter_mm = 4.1", "diameter_mm = 5.4   # my own remark")
    assert "my own remark" in text
    # Two holes and three notes are enough for all that is told.
    text = text[: text.index('[[chamber.hole]]\nname = "3"')] + text[text.index("[[chamber.note]]") :]
    text = text[: text.index('[[chamber.note]]\npitch = "F5"')]
    (tmp_path / "dove.toml").write_text(text)
    return tmp_path


def test_optimise_writes_a_design_with_the_old_ones_remarks(capsys, folder):
    assert run(["optimise", "dove.toml", "--free", BOTH, "-o", "new.toml"]) == 0
    out, err = capsys.readouterr()
    assert "every note within" in out and "wrote new.toml" in err
    assert "cents for 0.1 mm" in out and "by hand" in out and "moved" in out
    text = (folder / "new.toml").read_text()
    assert "# my own remark" in text and "# A design for simkit." in text
    heard = simkit.predict(simkit.load("new.toml"), "ports")
    assert max(abs(note.answer.cents) for note in heard.notes) < 0.5


def test_the_json_has_before_after_limits_and_evidence(capsys, folder):
    capsys.readouterr()
    run(["optimise", "dove.toml", "--free", BOTH, "--json", "-o", "new.toml"])
    told = json.loads(capsys.readouterr().out)
    (chamber,) = told["chambers"]
    assert told["state"] == "played"
    assert {"before", "after", "moved"} <= set(chamber)
    assert {"hand_cents", "cents_per_tenth_mm"} <= set(chamber["after"][0])
    assert {"active", "evidence", "reached"} <= set(told)
    assert chamber["after"][0]["ports"]["frequency_hz"] > 0


def test_out_of_reach_still_writes_the_best_and_says_why(capsys, folder):
    text = (folder / "dove.toml").read_text().replace("fingertip_mm = 17", "fingertip_mm = 6")
    (folder / "small.toml").write_text(text)
    assert run(["optimise", "small.toml", "--free", FREE, "-o", "new.toml"]) == 1
    out, err = capsys.readouterr()
    assert "what a fingertip of 6 mm seals" in out and "E5 stays" in out
    assert "not reached: " in err and "the best compromise is in new.toml" in err
    assert "seals" not in err  # what is in the way is said once
    assert simkit.load("new.toml").value("body.hole.2.diameter_mm") == pytest.approx(3.9)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["optimise", "dove.toml", "-o", "new.toml"], "[free]"),
        (["optimise", "dove.toml", "--free", "hols", "-o", "new.toml"], "did you mean holes?"),
        (["optimise", "dove.toml", "--free", FREE, "--starts", "0", "-o", "new.toml"], "1 or more"),
        (["optimise", "dove.toml", "--free", FREE, "--box-mm", "9,9", "-o", "new.toml"], "three sizes"),
        (["optimise", "dove.toml", "--free", FREE, "--margin", "-1", "-o", "new.toml"], "--margin"),
        (["optimise", "dove.toml", "--free", FREE, "--fingerings", "all", "-o", "new.toml"], "linear or few"),
        (["optimise", "dove.toml", "--free", FREE, "--trade", "steady,smal-holes", "-o", "new.toml"], "small-holes?"),
        (["optimise", "dove.toml", "--free", FREE, "--trade", "steady", "-o", "new.toml"], "two of in-tune"),
        (
            ["optimise", "dove.toml", "--trade", "steady,range", "--starts", "3", "-o", "new.toml"],
            "--starts = 3: allowed",
        ),
        (["optimise", "dove.toml", "--free", FREE, "--judge", "--no-judge", "-o", "new.toml"], "--no-judge"),
        (["optimise", "dove.toml", "--trade", "steady,range", "--judge", "-o", "new.toml"], "--judge: allowed: only"),
        (["new", "--hand", "child", "-o", "new.toml"], "--hand = 'child': allowed: only together with --scale"),
        (["optimise", "dove.toml", "--free", FREE, "--hand", "chid", "-o", "new.toml"], "did you mean child?"),
        (["new", "--hand", "child", "--fingertip-mm", "15", "-o", "new.toml"], "only without --fingertip-mm"),
        (["new", "--holes", "5", "-o", "new.toml"], "only together with --scale"),
        (["new", "--scale", "C5 mayor", "-o", "new.toml"], "--scale"),
        (["new", "--scale", "G major", "--range", "G3 D6", "--holes", "7", "-o", "new.toml"], "only without --range"),
        (["new", "--scale", "G major", "--range", "G3 D6", "--shape", "box", "-o", "new.toml"], "only without --range"),
    ],
)
def test_wrong_input_is_one_message_and_nothing_is_written(capsys, folder, arguments, said):
    capsys.readouterr()
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == "" and said in err and len(err) < 1500
    assert not (folder / "new.toml").exists()


@pytest.mark.slow
def test_a_wish_becomes_a_design(capsys, folder):
    assert run(["new", "--scale", "E5 major", "--holes", "3", "--shape", "sphere", "-o", "wish.toml"]) == 0
    heard = simkit.predict(simkit.load("wish.toml"), "ports")
    assert [note.pitch for note in heard.notes] == ["E5", "F#5", "G#5", "A5"]
    assert max(abs(note.answer.cents) for note in heard.notes) < 0.5


def test_for_a_childs_hand_the_file_says_so(capsys, folder):
    capsys.readouterr()
    # Two holes of one hand too near each other, and only diameters free.
    near = (folder / "dove.toml").read_text().replace("along_mm = 27", "along_mm = 33")
    (folder / "near.toml").write_text(near)
    run(["optimise", "near.toml", "--free", FREE, "--hand", "child", "-o", "new.toml"])
    assert "fingertip_mm = 15" in (folder / "new.toml").read_text()
    assert "the start breaks a limit by" in capsys.readouterr().out
    # What nothing that is free can mend does not keep the holes from being tuned.
    heard = simkit.predict(simkit.load("new.toml"), "ports")
    assert max(abs(note.answer.cents) for note in heard.notes) < 10


@pytest.mark.slow
def test_two_aims_against_each_other_are_told_drawn_and_the_middle_written(capsys, folder):
    command = ["optimise", "dove.toml", "--free", FREE, "--trade", "in-tune,small-holes", "-o", "new.toml"]
    assert run([*command, "--json", "--plot", "curve.png"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["state"] == "played"
    assert (told["one"], told["other"]) == ("worst note off, cents", "widest hole, mm")
    middle = told["points"][len(told["points"]) // 2]
    assert middle["balance"] == pytest.approx(1)
    written = simkit.load("new.toml")
    assert middle["numbers"] and all(written.value(key) == value for key, value in middle["numbers"].items())
    assert (folder / "curve.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.slow
def test_the_judge_agrees_on_three_notes(capsys, folder):
    assert run(["optimise", "dove.toml", "--free", "holes,size", "--judge", "--json", "-o", "new.toml"]) == 0
    judged = json.loads(capsys.readouterr().out)["evidence"]["judged"]
    assert [each["pitch"] for each in judged] == ["C5", "D5", "E5"]
    assert max(abs(each["resolved_cents"]) for each in judged) < 5


def test_no_verb_bears_the_name_of_a_room():
    """Python binds the name of a room to the package when it loads it, and the verb would be gone."""
    assert "optimise" in simkit.__all__
    assert set(simkit.__all__).isdisjoint(room.name for room in pkgutil.iter_modules(simkit.__path__))


@pytest.mark.slow  # by names alone above
def test_a_verb_stays_a_function_whatever_is_loaded():
    """Python binds the name of a room to the package when it loads it; no verb of ours bears the name of a room."""
    code = (
        "import inspect, simkit, simkit.optimisation.problem.limits, simkit.sweeps.plan; "
        "print(*map(inspect.isfunction, (simkit.optimise, simkit.sweep)), *inspect.signature(simkit.sweep).parameters)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ)
    assert out.stdout.split()[:4] == ["True", "True", "cases", "folder"]
