"""Notes that nothing lets ring, and notes that nobody can blow: said in one line, never as an endless number."""

import json
import re

import pytest

import simkit
from simkit.cli import run
from simkit.optimisation import EvenBreath, Margin, SmallHoles, Steady, freedom, optimise, trade_off
from simkit.optimisation.problem.trial import Trial
from simkit.vessel import DesignError
from simkit.vessel.starter import starter

WITHOUT = re.sub(r"\n\[chamber\.voicing\].*?(?=\n\[\[chamber)", "\n", starter("egg"), flags=re.S)


@pytest.fixture(scope="module")
def whistle():
    """The starter without its window; its lowest note covers all holes, so it is silent."""
    assert "voicing" not in WITHOUT
    return simkit.loads(WITHOUT, "mute.toml")


@pytest.fixture(scope="module")
def open_whistle(whistle):
    """The same with the notes that open a hole."""
    (chamber,) = whistle.chambers
    notes = tuple(note for note in chamber.notes if note.open)
    return whistle.with_chamber(chamber.model_copy(update={"notes": notes}))


def test_a_note_that_nothing_lets_ring_cannot_be_tuned(whistle):
    covered = next(note.pitch for note in whistle.chambers[0].notes if not note.open)
    with pytest.raises(DesignError, match=f"body.note.{covered}: allowed: a hole that is open"):
        optimise(whistle, "diameters")


@pytest.mark.parametrize("aim", [EvenBreath(), Margin()])
def test_no_breath_can_be_asked_of_a_chamber_without_a_window(open_whistle, aim):
    freed = freedom(open_whistle, "diameters")
    with pytest.raises(DesignError, match=r"body.voicing: allowed: a table \[chamber.voicing\]"):
        aim.residuals(Trial.of(freed, freed.start))


def test_two_aims_want_a_note_and_no_hole():
    """Without a note there is nothing to weigh; without a hole the widest is no wider than nothing."""
    ball = simkit.loads(starter("sphere"), "ball.toml")
    (chamber,) = ball.chambers
    covered = chamber.notes[:1]
    with pytest.raises(DesignError, match=r"chamber.note: allowed: at least one note"):
        trade_off(ball.with_chamber(chamber.model_copy(update={"notes": ()})), "voicing", SmallHoles(), Steady())
    bare = ball.with_chamber(chamber.model_copy(update={"notes": covered, "holes": ()}))
    freed = freedom(bare, "voicing")
    trial = Trial.of(freed, freed.start)
    assert SmallHoles().value(trial) == 0.0 and SmallHoles().slopes(trial).shape == (0, len(freed.numbers))


@pytest.mark.filterwarnings("error")
def test_what_such_a_piece_plays_is_told_without_a_number_that_is_none(tmp_path, capsys):
    design = tmp_path / "mute.toml"
    design.write_text(WITHOUT, "utf-8")
    assert run(["predict", str(design)]) == 0
    text = capsys.readouterr().out
    assert "silent" in text and "nan" not in text and "by hand" not in text
    assert run(["predict", str(design), "--json"]) == 0
    notes = json.loads(capsys.readouterr().out)["chambers"][0]["notes"]
    assert [note["ports"]["frequency_hz"] is None for note in notes] == [not note["open"] for note in notes]
