"""simkit blow: its table, its JSON, its pictures and its sound; and what it refuses."""

import json
import os
from contextlib import redirect_stdout
from io import StringIO

import numpy as np
import pytest
from matplotlib.image import imread
from scipy.io import wavfile

import simkit
from simkit.cli import run
from simkit.vessel.starter import starter
from tests.cli.conftest import answered_once

KEYS = {"pitch", "pressure_pa", "sounding_hz", "overblow_margin", "overblow_at_pa", "speaks"}


NOTES = ("C5", "G5")


def two_notes():
    """The whistle that `simkit new` writes, with its lowest note and its highest."""
    first, *notes = starter("egg").split("[[chamber.note]]")
    return "[[chamber.note]]".join([first, *(note for note in notes if any(f'"{pitch}"' in note for pitch in NOTES))])


def designs(place):
    """A folder with a whistle; one whose jet has no strength; one whose chamber has no window."""
    whistle = two_notes()
    (place / "dove.toml").write_text(whistle, encoding="utf-8")
    first = "[[chamber.note]]".join(whistle.split("[[chamber.note]]")[:2])
    (place / "mute.toml").write_text(first + "\n[jet]\ndipole = 0.05\nreceptivity = 0.05\n", encoding="utf-8")
    (place / "ball.toml").write_text(
        'clay = { wall_mm = 4 }\n[[chamber]]\nname = "ball"\nshape = "sphere"\ndiameter_mm = 60\n', encoding="utf-8"
    )
    (place / "one.toml").write_text(whistle[: whistle.index("[[chamber.note]]")], encoding="utf-8")
    (place / "jet.toml").write_text(whistle + "\n[jet]\ngrowht = 0.5\ndipole = 1e6\n", encoding="utf-8")
    return place


blown_once = answered_once("blow")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return designs(tmp_path)


@pytest.fixture(scope="module")
def blown(tmp_path_factory):
    """What one call says of the whistle, and the files that it wrote."""
    place = designs(tmp_path_factory.mktemp("blown"))
    before = set(os.listdir(place))
    with redirect_stdout(StringIO()) as out:
        assert run(["blow", str(place / "dove.toml"), "--json", "--plot", str(place / "breath.png")]) == 0
    written = {name: place / name for name in set(os.listdir(place)) - before}
    return json.loads(out.getvalue()), written


def told(capsys, *arguments, status=0):
    capsys.readouterr()
    assert run(["blow", *arguments]) == status
    return capsys.readouterr()


def check_keys(answer):
    assert answer["air"]["sound_speed_m_s"] == pytest.approx(343.99, abs=0.1)
    assert any("uncertain" in text for text in answer["cautions"])
    (chamber,) = answer["chambers"]
    assert chamber["volume_ml"] == pytest.approx(60, abs=1)
    assert [note["pitch"] for note in chamber["notes"]] == list(NOTES)
    for note in chamber["notes"]:
        assert set(note) >= KEYS
        assert note["speaks"] is True
        # No takeover up to 5 kPa: the margin is 5,000 over the playing pressure.
        assert note["overblow_margin"] * note["pressure_pa"] == pytest.approx(note["overblow_at_pa"] or 5000)
    pressures = [note["pressure_pa"] for note in chamber["notes"]]
    assert pressures == sorted(pressures)  # high notes want more breath: common practice, no source


def test_json_is_one_object_with_the_keys_of_the_design(blown):
    check_keys(blown[0])


def test_the_textbook_rules_json_has_the_same_keys(capsys, folder):
    check_keys(json.loads(told(capsys, "dove.toml", "--model", "lumped", "--json").out))


def test_the_pitch_sounded_is_near_the_resonance(blown):
    """At its playing pressure the jet is in phase and the note sounds at its resonance."""
    (chamber,) = blown[0]["chambers"]
    predicted = simkit.predict(simkit.loads(two_notes()), "ports")
    for note, resonance in zip(chamber["notes"], predicted.notes, strict=True):
        assert abs(1200 * np.log2(note["sounding_hz"] / resonance.by("ports").frequency_hz)) < 5


def test_the_table_says_each_note_in_plain_words(capsys, folder):
    out, _ = told(capsys, "dove.toml", "--model", "lumped")
    lines = out.splitlines()
    assert [line.split()[0] for line in lines if "●" in line or "○" in line] == list(NOTES)
    assert "speaks" in next(line for line in lines if line.startswith("C5"))
    assert "pressures in Pa are uncertain" in out
    assert "ratios between notes and trends are surer" in out


@pytest.mark.slow  # at once: sound/blowing/test_blow, and what is not written, below
def test_a_voicing_that_cannot_speak_is_an_answer(capsys, folder):
    (chamber,) = json.loads(told(capsys, "mute.toml", "--model", "lumped", "--json").out)["chambers"]
    for note in chamber["notes"]:
        assert note["speaks"] is False
        assert note["pressure_pa"] is note["sounding_hz"] is note["overblow_margin"] is None


def test_without_a_note_that_speaks_it_says_so_draws_it_and_writes_no_sound(capsys, folder):
    asked = ["mute.toml", "--model", "lumped", "--plot", "mute.png", "--sound", "mute.wav"]
    out, err = told(capsys, *asked, status=1)
    assert "silent" in out
    assert "C5: does not speak below 2000 Pa" in out
    assert imread("mute.png").std() > 0.01
    assert err.endswith("mute.wav was not written: no note speaks\n")
    assert not (folder / "mute.wav").exists()


def test_the_picture_is_drawn_and_nothing_else_is_written(blown):
    assert set(blown[1]) == {"breath.png"}
    height, width, _ = imread(blown[1]["breath.png"]).shape
    assert height > width > 800


@pytest.mark.slow
def test_the_sound_is_the_note(capsys, folder):
    """The loudest tone of the file is what the table says sounds, to 3 cents."""
    out, _ = told(capsys, "one.toml", "--model", "lumped", "--json", "--sound", "one.wav")
    ((note,),) = (chamber["notes"] for chamber in json.loads(out)["chambers"])
    rate, samples = wavfile.read("one.wav")
    steady = samples[len(samples) // 3 : -rate // 50] * 1.0
    spectrum = np.abs(np.fft.rfft(steady * np.hanning(len(steady)), 64 * len(steady)))
    heard = np.fft.rfftfreq(64 * len(steady), 1 / rate)[spectrum.argmax()]
    assert 1200 * abs(np.log2(heard / note["sounding_hz"])) < 3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["gone.toml"], ["gone.toml"]),
        (["ball.toml"], ["ball.toml", "ball.voicing", "without a window nothing blows"]),
        (["jet.toml"], ["jet.toml: jet.growht = 0.5", "did you mean", "jet.dipole = 1000000.0", "from 0.05 to 20"]),
        (["dove.toml", "--model", "guess"], ["guess", "lumped"]),
        (["dove.toml", "--model", "lumped,ports"], ["--model"]),
        (["dove.toml", "--plot", "p.doc"], ["p.doc", ".png"]),
        (["dove.toml", "--sound", "p.mp3"], ["p.mp3", ".wav"]),
        (["dove.toml", "--sound", "no/p.wav"], ["no/p.wav", "a folder that exists"]),
    ],
)
def test_wrong_input_is_status_2_with_clear_lines_and_nothing_written(capsys, folder, arguments, words):
    before = set(os.listdir(folder))
    out, err = told(capsys, *arguments, "--json", status=2)
    assert out == ""
    assert all(word in err for word in words), err
    assert err.count("\n") == (2 if "jet.toml" in arguments else 1)
    assert set(os.listdir(folder)) == before
