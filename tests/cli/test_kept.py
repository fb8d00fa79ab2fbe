"""Files that are there: our own give way to newer ones, all others stay as they are, before any work is done."""

import io
import shutil
import wave
from pathlib import Path

import pytest

from simkit.cli import run
from simkit.files import may_replace
from simkit.show.look import Panel, page, save

WREN = Path(__file__).parents[2] / "studies" / "designs" / "pocket_wren.toml"

BALL = 'clay.wall_mm = 4\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50\n' + (
    "[chamber.voicing]\nalong_mm = 12\naround_deg = 180\nwindow_width_mm = 10\ncut_up_mm = 4\n"
    "windway_height_mm = 1\nwindway_length_mm = 20\nedge_deg = 90\n"
)


@pytest.fixture
def wren(tmp_path):
    return str(shutil.copy(WREN, tmp_path / "wren.toml"))


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_a_picture_gives_way_to_a_newer_one(tmp_path, capsys, kind):
    """That a file may be replaced is what the door asks before all work: of one kind the newer one is made, too."""
    picture = tmp_path / f"ball.{kind}"
    if kind == "svg":
        (tmp_path / "ball.toml").write_text(BALL)
        for _ in range(2):
            assert run(["admittance", str(tmp_path / "ball.toml"), "--model", "lumped", "--plot", str(picture)]) == 0
    else:
        save(page(Panel(60, 40, lambda figure: None)), picture, "plot")
    assert may_replace(picture)
    capsys.readouterr()


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (["predict", "--plot"], "mine.png"),
        (["compare", "--plot"], "mine.pdf"),
        (["chart", "--plot"], "mine.svg"),
        (["resonances", "--plot"], "mine.png"),
        (["blow", "--plot"], "mine.png"),
        (["blow", "--sound"], "mine.wav"),
        (["report", "-o"], "mine.html"),
        (["optimise", "-o"], "mine.toml"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else value,
)
def test_a_file_of_another_is_kept_and_named(wren, tmp_path, capsys, arguments, name):
    mine = tmp_path / name
    mine.write_bytes(b"not to be lost")
    command, option = arguments
    assert run([command, wren, option, str(mine)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1
    assert f"{mine}: {option}: allowed:" in err and "this one is kept" in err
    assert mine.read_bytes() == b"not to be lost"


def test_a_folder_of_sheets_with_a_file_of_another_is_refused_before_any_work(wren, tmp_path, capsys):
    folder = tmp_path / "sheets"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")  # of no name of ours: it lies there in peace
    (folder / "shell-upper.stl").write_bytes(b"a mould of my own")
    assert run(["sheets", wren, "-o", str(folder)]) == 2
    assert f"{folder}: -o = 'shell-upper.stl': allowed: a folder without" in capsys.readouterr().err
    assert sorted(path.name for path in folder.iterdir()) == ["notes.txt", "shell-upper.stl"]


def test_a_sound_bears_the_mark_and_is_still_a_sound(tmp_path):
    """Read by the standard library's own reader of WAV."""
    import numpy as np

    from simkit.sound.blowing.listen import wav_bytes

    made = wav_bytes(np.sin(np.arange(2000) / 10))
    (tmp_path / "a.wav").write_bytes(made)
    assert may_replace(tmp_path / "a.wav")
    with wave.open(io.BytesIO(made)) as sound:
        assert (sound.getnframes(), sound.getframerate(), sound.getsampwidth()) == (2000, 44100, 2)
    assert int.from_bytes(made[4:8], "little") == len(made) - 8
