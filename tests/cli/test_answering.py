"""`simkit field` and `simkit admittance`: the same as in Python, as files, tables and pictures."""

import json

import meshio
import numpy as np
import pytest
from matplotlib.image import imread

import simkit
from simkit.cli import run
from simkit.show.admittance_picture import peaks
from simkit.show.plane import cut


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("answering")
    simkit.new("sphere").save(folder / "dove.toml")
    return folder


@pytest.fixture
def folder(place, monkeypatch):
    monkeypatch.chdir(place)
    return place


def told(capsys, *arguments, status=0):
    capsys.readouterr()
    assert run([*arguments]) == status
    return capsys.readouterr()


def test_a_field_goes_to_a_file_and_a_picture(folder, capsys):
    out = told(capsys, "field", "dove.toml", "--note", "D5", "-o", "note.vtu", "--plot", "note.png", "--json").out
    answer = json.loads(out)
    field = simkit.air_field(simkit.load("dove.toml"), "D5")
    assert answer == {"state": "played", **field.as_dict()}
    read = meshio.read("note.vtu")
    assert np.array_equal(read.point_data["pressure_re"], field.pressure.real)
    assert imread("note.png").shape[0] > 500
    assert "D5" in told(capsys, "field", "dove.toml", "--note", "D5", "-o", "note.vtu").out


def test_the_plane_cuts_a_ball_in_a_disc():
    field = simkit.air_field(simkit.new("sphere"), closed=True, mode=1)
    points, triangles, values = cut(field, 1e-7)
    (ax, ay), (bx, by), (cx, cy) = (points[triangles[:, n]].T for n in range(3))
    area = np.abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)).sum() / 2
    assert area == pytest.approx(np.pi * 0.0487**2 / 4, rel=5e-3)
    assert np.abs(values).max() <= 1


def test_the_admittance_over_frequency(folder, capsys):
    asked = ["admittance", "dove.toml", "--open", "1,2", "--from", "300", "--to", "1200", "--count", "400"]
    answer = json.loads(told(capsys, *asked, "--json", "--plot", "answer.png").out)
    (chamber,) = answer["chambers"]
    assert answer["state"] == "played"
    assert (chamber["name"], chamber["open"]) == ("body", ["1", "2"])
    hz = np.array(chamber["frequencies_hz"])
    found = simkit.admittance(simkit.load("dove.toml"), ["1", "2"], hz)
    np.testing.assert_array_equal(found, np.array(chamber["admittance_re"]) + 1j * np.array(chamber["admittance_im"]))
    assert imread("answer.png").shape[0] > 500
    note = simkit.predict(simkit.load("dove.toml")).chambers[0].notes[2]  # E5: 1 and 2 open
    assert hz[peaks(hz, found)] == pytest.approx([note.answer.frequency_hz], rel=0.01)
    assert f"{hz[peaks(hz, found)][0]:.1f}" in told(capsys, *asked).out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["field", "dove.toml", "-o", "a.vtk"], "a.vtk: -o: allowed: a name that ends in .vtu"),
        (["field", "dove.toml", "-o", "a.vtu", "--mode", "-1"], "--mode = -1: allowed: 0 to"),
        (
            ["field", "dove.toml", "-o", "a.vtu", "--note", "D5", "--open", "1"],
            "only without --open",
        ),
        (["field", "dove.toml", "-o", "a.vtu", "--note", "B9"], "--note = 'B9': allowed: a note of the design (C5,"),
        (["admittance", "dove.toml", "--open", "9"], "--note = '9': allowed: a note of the design, or a list"),
        (["admittance", "dove.toml", "--from", "0"], "--from = 0.0: allowed: more than 0, less than --to, 5000"),
        (["admittance", "dove.toml", "--to", "90000"], "--to = 90000.0: allowed: more than 0, at most 20000"),
        (["admittance", "dove.toml", "--count", "1"], "--count = 1: allowed: 2 to"),
        (["admittance", "dove.toml", "--model", "lump"], "--model = 'lump': allowed: lumped, ports, resolved"),
    ],
)
def test_what_is_asked_wrongly_is_one_line(folder, capsys, arguments, words):
    out, err = told(capsys, *arguments, status=2)
    assert out == ""
    assert words in err
    assert not (folder / "a.vtu").exists()
