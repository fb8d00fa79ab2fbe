"""The commands of the port model at the door: chart, compare, resonances with holes open."""

import json

import pytest
from matplotlib.image import imread

from simkit.cli import run


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(["new", "-o", "dove.toml"]) == 0
    return tmp_path


def told(capsys, *arguments, status=0):
    capsys.readouterr()
    assert run(list(arguments)) == status
    return capsys.readouterr()


def test_chart_lists_every_combination_in_order(capsys, folder):
    (chamber,) = json.loads(told(capsys, "chart", "dove.toml", "--json").out)["chambers"]
    hz = [row["frequency_hz"] for row in chamber["fingerings"]]
    assert len(hz) == 16
    assert hz == sorted(hz)
    assert chamber["fingerings"][0]["open"] == []
    assert {"open", "frequency_hz", "q"} <= set(chamber["fingerings"][0])
    lines = told(capsys, "chart", "dove.toml", "--half").out.splitlines()
    assert sum("◐" in line for line in lines) == 32


@pytest.mark.slow
def test_compare_has_all_models_and_reasons(capsys, folder):
    (chamber,) = json.loads(told(capsys, "compare", "dove.toml", "--json").out)["chambers"]
    for note in chamber["notes"]:
        assert {"lumped", "ports", "reasons"} <= set(note)
        assert all(isinstance(reason, str) for reason in note["reasons"])
    assert "C5:\n  " in told(capsys, "compare", "dove.toml").out


def test_resonances_with_holes_open_and_their_picture(capsys, folder):
    some = json.loads(told(capsys, "resonances", "dove.toml", "--open", "1,3", "--count", "1", "--json").out)
    none = json.loads(told(capsys, "resonances", "dove.toml", "--count", "1", "--json", "--plot", "p.png").out)
    (a,), (b,) = some["chambers"], none["chambers"]
    assert a["resonances"][0]["frequency_hz"] > b["resonances"][0]["frequency_hz"]
    assert imread("p.png").shape[0] > 300


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["resonances", "dove.toml", "--open", "9"], "--open = '9': allowed: names of holes: 1, 2, 3, 4"),
        (["resonances", "dove.toml", "--open", "1", "--closed"], "not together with --closed"),
        (["chart", "dove.toml", "--model", "guess"], "guess"),
        (["chart", "dove.toml", "--model", "resolved"], "--model = 'resolved': allowed: lumped or ports"),
        (["chart", "dove.toml", "--model", "lumped,ports"], "allowed: lumped or ports"),
        (["chart", "gone.toml"], "gone.toml"),
        (["compare", "dove.toml", "--plot", "p.doc"], "p.doc"),
    ],
)
def test_bad_calls_are_one_message(capsys, folder, arguments, said):
    out, err = told(capsys, *arguments, status=2)
    assert out == ""
    assert said in err
