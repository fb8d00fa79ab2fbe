"""What the commands answer: tables for people, one JSON object for programs, pictures written whole."""

import json
import os
import signal
import subprocess
import sys

import numpy as np
import pytest
from matplotlib.image import imread
from scipy.optimize import brentq
from scipy.special import spherical_jn

from simkit.cli import run
from simkit.show import plates
from simkit.show.look import Panel
from tests.cli.conftest import answered_once

BALL = """
title = "Ball"
[clay]
wall_mm = 4
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 60
"""


rung_once = answered_once("resonances")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(["new", "-o", "dove.toml"]) == 0
    (tmp_path / "ball.toml").write_text(BALL)
    return tmp_path


def answer(capsys, *arguments):
    capsys.readouterr()
    assert run(list(arguments)) == 0
    out, err = capsys.readouterr()
    assert err == "" or "..." in err
    return out


def test_predict_prints_one_json_object_with_the_keys_of_the_design(capsys, folder):
    told = json.loads(answer(capsys, "predict", "dove.toml", "--json", "--model", "lumped,ports"))
    assert set(told) == {"state", "air", "chambers", "cautions"}
    assert set(told["air"]) == {"sound_speed_m_s", "density_kg_m3"}
    (chamber,) = told["chambers"]
    assert chamber["name"] == "body"
    assert chamber["volume_ml"] == pytest.approx(60, abs=1.5)
    for note in chamber["notes"]:
        assert set(note) == {"pitch", "open", "target_hz", "hand_cents", "lumped", "ports"}
        assert 5 < note["hand_cents"] < 100
        keys = {"frequency_hz", "cents", "q", "uncertainty_cents", "parts_cents"}
        assert set(note["lumped"]) == set(note["ports"]) == keys
        # The design to start from is one that plays.
        assert abs(note["ports"]["cents"]) < 10
    assert [note["pitch"] for note in chamber["notes"]] == ["C5", "D5", "E5", "F5", "G5"]


def test_predict_shows_each_note_with_its_fingering_and_a_word(capsys, folder):
    lines = answer(capsys, "predict", "dove.toml").splitlines()
    (row,) = (line for line in lines if line.startswith("E5"))
    assert "○○ ●●" in row
    assert row.split()[-1] in ("flat", "tune", "sharp")
    assert lines[0] == "First whistle"


def test_a_chamber_without_voicing_and_notes_is_answered_too(capsys, folder):
    told = json.loads(answer(capsys, "predict", "ball.toml", "--json"))
    (note,) = told["chambers"][0]["notes"]
    assert note["pitch"] is None
    assert note["ports"]["frequency_hz"] is None
    assert "silent" in answer(capsys, "predict", "ball.toml")


def test_lossless_radiation_stays_and_quality_rises(capsys, folder):
    def first(*more):
        return json.loads(answer(capsys, "predict", "dove.toml", "--json", *more))["chambers"][0]["notes"][0]["ports"]

    assert first("--lossless")["q"] > 3 * first()["q"]


@pytest.mark.slow  # at once, of the functions, in tests/sound/answers/test_playing.py
def test_a_played_note_is_higher_than_that_of_the_piece_by_itself(capsys, folder):
    """But for the clay under the windway's end, which the piece by itself is asked without."""

    def told(*more):
        note = json.loads(answer(capsys, "predict", "dove.toml", "--json", *more))["chambers"][0]["notes"][0]
        return note["ports"]

    played, still = told(), told("--still")
    assert played["parts_cents"]["floor"] < 0
    assert played["frequency_hz"] * 2 ** (-played["parts_cents"]["floor"] / 1200) > still["frequency_hz"]


def test_resonances_of_a_ball_are_the_zeros_of_a_spherical_bessel_derivative(capsys, folder):
    """k R is a zero of j_1', three modes to each; the zero by scipy's Bessel functions."""
    told = json.loads(answer(capsys, "resonances", "ball.toml", "--closed", "--count", "3", "--json"))
    rings = told["chambers"][0]["resonances"]
    keys = {"frequency_hz", "k_per_m", "q", "uncertainty_cents", "doubts_cents", "drive"}
    assert [set(ring) for ring in rings] == [keys] * 3
    zero = brentq(lambda x: spherical_jn(1, x, derivative=True), 1.5, 3)
    assert np.array([ring["k_per_m"] for ring in rings]) * 0.030 == pytest.approx(zero, rel=3e-4)
    assert rings == sorted(rings, key=lambda ring: ring["frequency_hz"])


@pytest.mark.slow  # at once: closed, above; open in test_charts
def test_with_its_holes_covered_a_chamber_rings_near_its_closed_modes(capsys, folder):
    def rings(*more):
        told = json.loads(answer(capsys, "resonances", "dove.toml", "--count", "1", "--json", *more))
        return told["chambers"][0]["resonances"]

    for covered, closed in zip(rings(), rings("--closed"), strict=True):
        assert covered["k_per_m"] == pytest.approx(closed["k_per_m"], rel=0.05)
        assert covered["q"] < closed["q"]


@pytest.mark.slow  # at once: what does not decay, in test_results
def test_an_endless_ring_is_null(capsys, folder):
    asked = ["resonances", "ball.toml", "--closed", "--count", "3", "--lossless"]
    told = json.loads(answer(capsys, *asked, "--json"))
    assert told["chambers"][0]["resonances"][0]["q"] is None
    assert "∞" in answer(capsys, *asked)


@pytest.mark.parametrize(
    "command",
    [
        ("predict", "--model", "lumped"),
        pytest.param(("predict",), marks=pytest.mark.slow),
        pytest.param(("resonances", "--closed", "--count", "2"), marks=pytest.mark.slow),
    ],
)
def test_a_picture_is_drawn_whole_and_nothing_else_is_written(capsys, folder, command, monkeypatch):
    monkeypatch.setattr(plates, "in_the_round", lambda vessel, body: Panel(60, 40, lambda figure: None))
    before = set(os.listdir(folder))
    answer(capsys, command[0], "dove.toml", *command[1:], "--plot", "picture.png")
    assert set(os.listdir(folder)) - before == {"picture.png"}
    assert imread("picture.png").shape[0] > 500


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["predict", "no.toml"], "no.toml"),
        (["predict", "broken.toml"], "line 2"),
        (["predict", "wrong.toml"], "clay.wal_mm"),
        (["predict", "dove.toml", "--model", "lumpy"], "--model = 'lumpy': allowed: lumped"),
        (["predict", "dove.toml", "--plot", "picture.gif"], ".png, .svg or .pdf"),
        (["predict", "dove.toml", "--plot", "no/picture.png"], "a folder that exists"),
        (["resonances", "ball.toml", "--closed", "--count", "0"], "--count = 0: allowed: 1 to 200"),
        (["resonances", "ball.toml", "--closed", "--count", "few"], "'--count'"),
    ],
)
def test_wrong_input_is_status_2_with_one_clear_line_and_nothing_written(capsys, folder, arguments, words):
    (folder / "broken.toml").write_text('title = "x"\nwall = = 3\n')
    (folder / "wrong.toml").write_text(BALL.replace("wall_mm = 4", "wall_mm = 4\nwal_mm = 3"))
    before = set(os.listdir(folder))
    capsys.readouterr()
    assert run([*arguments, "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1
    assert set(os.listdir(folder)) == before


def test_ctrl_c_ends_with_130_and_leaves_nothing_half_written(folder):
    before = set(os.listdir(folder))
    # A job in the background starts deaf to Ctrl-C.
    heard = "import runpy, signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    command = [sys.executable, "-c", f"{heard}; runpy.run_module('simkit', run_name='__main__')", "resonances"]
    command += ["dove.toml", "--closed", "--count", "150", "--plot", "modes.png"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        # What takes longer than two seconds says so; then it is in the middle of its work.
        assert child.stderr.readline().startswith("simkit: looking for resonances ...")
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=60)
    assert (child.returncode, out) == (130, "")
    assert err.splitlines()[-1] == "simkit: interrupted"
    assert "Traceback" not in err
    assert set(os.listdir(folder)) == before


def test_ctrl_c_is_heard_while_a_large_matrix_is_factored(folder):
    """SuperLU hears no signal, and goes on for minutes."""
    program = """
import runpy, signal, sys, threading, time
signal.signal(signal.SIGINT, signal.default_int_handler)
def press():
    while not any(thread.name == "factoring" for thread in threading.enumerate()):
        time.sleep(0.01)
    time.sleep(0.2)
    signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)
threading.Thread(target=press, daemon=True).start()
runpy.run_module("simkit", run_name="__main__")
"""
    command = [sys.executable, "-c", program, "resonances", "dove.toml", "--closed", "--count", "150"]
    answer = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert (answer.returncode, answer.stdout) == (130, "")
    assert answer.stderr.splitlines()[-1] == "simkit: interrupted"
