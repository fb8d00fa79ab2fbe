"""The form for a measured instrument, with invented readings: no instrument has been measured yet."""

import importlib.util
import json
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.errors import InputError
from simkit.sound import models

FOLDER = Path(__file__).parents[2] / "studies" / "measured"
WREN = Path(__file__).parents[2] / "studies" / "designs" / "pocket_wren.toml"
OFF_CENTS = 12.0  # by which the invented readings lie above the port model

FORM = """
design = "wren.toml"
volume_ml = {volume}
[air]
temperature_c = {celsius}
[[heard]]
open = []
frequency_hz = {low}
[[heard]]
open = ["1"]
frequency_hz = {high}
breath_pa = 300
"""


@cache
def study():
    spec = importlib.util.spec_from_file_location("measured_compare", FOLDER / "compare.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def written(tmp_path):
    (tmp_path / "wren.toml").write_text(WREN.read_text(encoding="utf-8"), encoding="utf-8")

    def write(low=700.0, high=800.0, volume=23.0, celsius=20, text=FORM):
        path = tmp_path / "form.toml"
        path.write_text(text.format(low=low, high=high, volume=volume, celsius=celsius), encoding="utf-8")
        return path

    return write


@pytest.mark.slow  # at once: the command and the form, below
def test_readings_made_from_the_model_come_back_as_their_common_offset(written):
    blank = study().form_of(written())
    (case,) = models.cases(study().vessel_of(blank))
    volume = 1e6 * case.chamber.volume
    rough = study().compared(study().form_of(written(volume=volume)), ["ports"])
    heard = [each.heard_hz * 2 ** ((each.off_cents["ports"] + OFF_CENTS) / 1200) for each in rough.readings]
    found = study().compared(study().form_of(written(*heard, volume=volume)), ["lumped", "ports"])
    assert found.volume_cents == pytest.approx(0, abs=1e-4)
    assert found.common("ports") == pytest.approx(-OFF_CENTS, abs=1e-6)
    assert found.left("ports") == pytest.approx(0, abs=1e-6)
    assert found.common("lumped") != pytest.approx(-OFF_CENTS, abs=1)  # the textbook rule parts from ports
    assert found.readings[0].breath_cents is None
    parts = simkit.predict(study().vessel_of(blank)).notes[0].answer.parts_cents
    assert found.readings[0].playing_cents == pytest.approx(sum(parts.values()), abs=0.5)
    assert abs(found.readings[1].breath_cents) < 100


def test_more_water_means_lower_notes():
    """f goes as 1/sqrt(V) (Rayleigh 1896, The Theory of Sound II, section 303)."""
    ratio = 1.02
    assert study().water_cents(50 * ratio, 50) == pytest.approx(-1200 * np.log2(np.sqrt(ratio)))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('design = "wren.toml"', 'design = "robin.toml"', "robin.toml"),
        ("temperature_c = {celsius}", "temperature_c = 60", "air.temperature_c = 60: allowed: a number from 0 to 40"),
        ("temperature_c = {celsius}", "temprature_c = 20", "did you mean temperature_c"),
        ("frequency_hz = {low}", "frequency_hz = -3", "heard[1].frequency_hz = -3"),
        ('open = ["1"]', 'open = ["9"]', "heard[2].open = '9': allowed: holes of wren.toml"),
        ("breath_pa = 300", "breath_pa = nan", "heard[2].breath_pa"),
        ("[[heard]]\nopen = []", "[heard]\nopen = []", "heard"),
        ("volume_ml = {volume}", "volume_ml = ", "line 3"),
    ],
)
def test_what_is_wrong_in_a_form_is_said_in_one_line(written, old, new, said):
    assert old in FORM
    with pytest.raises(InputError) as refused:
        study().vessel_of(study().form_of(written(text=FORM.replace(old, new))))
    assert said in str(refused.value)


def test_the_command_tells_and_refuses(written, capsys):
    assert study().main([str(written()), "--json", "--models", "lumped"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert {"readings", "common_cents", "left_cents", "uncertainty_cents"} <= set(data)
    assert study().main([str(written(celsius=99))]) == 2
    wrong = capsys.readouterr()
    assert wrong.out == "" and "form.toml" in wrong.err and "Traceback" not in wrong.err


@pytest.mark.slow
def test_the_command_refuses_by_itself(written):
    command = [sys.executable, FOLDER / "compare.py", written(celsius=99)]
    wrong = subprocess.run(command, capture_output=True, text=True)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert "form.toml" in wrong.stderr and "Traceback" not in wrong.stderr


def test_the_form_to_copy_is_a_form_and_the_page_says_that_none_is_in():
    assert study().form_of(FOLDER / "form.toml").design == "mine.toml"
    assert "There is none yet" in (FOLDER / "README.md").read_text(encoding="utf-8")
    assert [path.name for path in FOLDER.glob("*.toml")] == ["form.toml"]
